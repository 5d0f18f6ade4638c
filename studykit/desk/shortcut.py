"""A file to double-click, which opens the desk of a study: one for each system."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

from studykit.errors import FolderError


def write_shortcut(place: Path, folder: Path | None, *, system: str = sys.platform) -> Path:
    """Write it; gives its path.

    Parameters
    ----------
    place : Path
        Usually the desktop.
    folder : Path or None
        The study; None for a desk that begins without one.
    system : str
        As `sys.platform` names it.

    Raises
    ------
    FolderError
        If it cannot be written.
    """
    words = [sys.executable, "-m", "studykit.cli", "desk", *([] if folder is None else [str(folder)])]
    name = "Front desk" if folder is None else f"Front desk of {folder.name}"
    if system == "win32":
        line = " ".join('"' + word.replace('"', "") + '"' for word in words)
        file, text = f"{name}.bat", f"@echo off\r\n{line}\r\npause\r\n"
    elif system == "darwin":
        file, text = f"{name}.command", f"#!/bin/sh\nexec {shlex.join(words)}\n"
    else:
        quoted = " ".join('"' + _escaped(word) + '"' for word in words)
        file = f"{name}.desktop"
        text = f"[Desktop Entry]\nType=Application\nName={name}\nTerminal=true\nExec={quoted}\n"
    path = place / file
    try:
        path.write_bytes(text.encode())
        path.chmod(0o755)
    except OSError as error:
        raise FolderError(
            where=str(path), expected="a place to write the shortcut", got=error.strerror or "an error",
            todo="Start the desk from the terminal: studykit desk.",
        ) from None  # fmt: skip
    return path


def _escaped(word: str) -> str:
    """A word inside quotation marks of such a file's Exec line; per cent signs would be its fields."""
    for mark in ("\\", '"', "`", "$"):
        word = word.replace(mark, f"\\{mark}")
    return word.replace("\\", "\\\\").replace("%", "%%") if "\\" in word else word.replace("%", "%%")
