"""Where the ready protocols and the demo study are.

A checkout's own folders come first, else the copy inside the installed package.
"""

from __future__ import annotations

from pathlib import Path

from studykit.errors import ArgumentError, FolderError


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


def shipped_page(folder: str, name: str, *, part: str = "") -> str:
    """Text of a shipped page, or of those of its parts whose heading has a word.

    Parameters
    ----------
    folder, name : str
        Such as ``"protocols"`` and ``"KEYS.md"``.
    part : str
        A word of a heading, capitals passed over; empty for the whole page.

    Raises
    ------
    ArgumentError
        If no heading has the word; the message lists the headings.

    Examples
    --------
    >>> print(shipped_page("synthetic_data", "TABLES.md", part="trainers").splitlines()[0])
    ## trainers.csv: one trainer
    """
    text = (shipped(folder) / name).read_text(encoding="utf-8")
    if not part:
        return text
    _, *parts = text.split("\n## ")
    wanted = part.strip().casefold()
    found = [f"## {each}" for each in parts if wanted in each.partition("\n")[0].casefold()]
    if not found:
        titles = ", ".join(each.partition("\n")[0].partition(":")[0].replace("`", "") for each in parts)
        raise ArgumentError(where=name, expected=f"a part of the page: {titles}", got=repr(part))
    return "\n".join(found)
