"""Pages from their templates, and files that are put in place whole.

What people typed is always escaped, and what nobody sees is written out. Every file is written beside its
place under a temporary name and renamed when it is whole: a crash leaves the files of before, or whole files
of now, and perhaps a temporary file that the next run replaces.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

from studykit.errors import FolderError
from studykit.unseen import visible

_TEMPORARY = ".studykit-part"


def render_page(template: str, *, room: str = "studykit.report", **values: Any) -> str:
    """The HTML text of a template of a room; a value that the template lacks is an error."""
    return visible(_environment(room).get_template(template).render(**values)) + "\n"


@cache
def _environment(room: str = "studykit.report") -> Environment:
    places = [PackageLoader(name, "templates") for name in dict.fromkeys((room, "studykit.report"))]
    return Environment(
        loader=ChoiceLoader(places), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip


def write_whole(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files under temporary names, then rename all of them.

    Raises
    ------
    FolderError
        If a folder cannot be made or a file cannot be written; files of before stay as they were.
    """
    parts: list[tuple[Path, Path]] = []
    try:
        for name, content in files.items():
            place = folder / name
            _make_folder(place.parent)
            part = place.with_name(f"{place.name}{_TEMPORARY}")
            parts.append((part, place))
            with part.open("wb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
        for part, place in parts:
            part.replace(place)
    except OSError as error:
        for part, _ in parts:
            part.unlink(missing_ok=True)
        raise FolderError(
            where=str(error.filename or folder),
            expected="a folder that can be written to, with no file open in another program",
            got=error.strerror or type(error).__name__,
            todo="Close the file or free some space, then run it again; the earlier report still stands.",
        ) from error


def _make_folder(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        raise FolderError(where=str(folder), expected="a folder", got="a file", todo="Move the file away.")
    folder.mkdir(parents=True, exist_ok=True)
