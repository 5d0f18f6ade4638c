"""Where the ready protocols and the demo study are: the checkout's own folders first, else the installed copy."""

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
    for candidate in (package.parent / name, package / "_shipped" / name):
        if (package.parent / "pyproject.toml").is_file() or candidate.parent.name == "_shipped":
            if candidate.is_dir():
                return candidate
    raise FolderError(
        where="installation",
        expected=f"the folder {name} beside or inside the package",
        got="none",
        todo="Install studykit again.",
    )
