"""Where the ready protocols and the demo study are.

A checkout's own folders come first, else the copy inside the installed package.
"""

from __future__ import annotations

from pathlib import Path

from studykit.errors import FolderError


def shipped(name: str) -> Path:
    """Path of a shipped folder, ``"protocols"`` or ``"synthetic_data"``.

    Raises
    ------
    FolderError
        If neither a checkout nor an installed copy holds it.

    Examples
    --------
    >>> (shipped("protocols") / "parallel.toml").is_file()
    True
    """
    package = Path(__file__).resolve().parent
    in_checkout = (package.parent / "pyproject.toml").is_file()
    candidates = [package.parent / name] if in_checkout else []
    for candidate in [*candidates, package / "_shipped" / name]:
        if candidate.is_dir():
            return candidate
    raise FolderError(
        where="installation",
        expected=f"the folder {name} beside or inside the package",
        got="none",
        todo="Install studykit again.",
    )
