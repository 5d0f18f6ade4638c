"""Making a study's folder: ready protocols, their questions, and a folder that appears whole."""

from __future__ import annotations

import importlib.metadata
import platform
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.errors import ArgumentError, Finding, FolderError
from studykit.shipped import shipped

if TYPE_CHECKING:
    from studykit.protocol.answers import Question

_LIBRARIES = ("studykit", "numpy", "scipy", "pandas", "statsmodels", "pingouin", "pydantic", "matplotlib")


def designs() -> tuple[str, ...]:
    """Names of the ready protocols."""
    return tuple(sorted(path.stem for path in shipped("protocols").glob("*.toml")))


def questions(design: str = "parallel") -> tuple[Question, ...]:
    """The plain questions that `Study.start` takes answers to."""
    from studykit.protocol.filling import questions as asked

    return asked(template(design))


def template(design: str) -> str:
    """Text of a ready protocol."""
    ready = {path.stem: path for path in shipped("protocols").glob("*.toml")}
    if (path := ready.get(design)) is None:
        known = ", ".join(sorted(ready))
        raise ArgumentError(where="design", expected=f"a ready protocol: {known}", got=repr(design))
    return path.read_text(encoding="utf-8")


def versions() -> dict[str, str]:
    """Versions of Python and of the libraries that numbers come from."""
    found = {"python": platform.python_version()}
    for name in _LIBRARIES:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            found[name] = "not installed as a package"
    return found


def synchronised_finding(folder: Path, why: str) -> Finding:
    """The warning for a folder that another program copies about."""
    return Finding(
        "warn",
        str(folder),
        "a folder on this machine only",
        why,
        "A folder that is synchronised can lose or double entries of the ledger; choose another place.",
    )


class made_whole:  # noqa: N801 — used like a function
    """A folder that appears under its name only when everything in it has been written."""

    def __init__(self, target: Path) -> None:
        if not target.name or target.name == "..":
            raise FolderError(
                where=str(target), expected="the name of a new folder", got="a place without a name",
                todo="Give the name that the study's folder is to have.",
            )  # fmt: skip
        self.target = target
        self.making = target.with_name(f".{target.name}.making")

    def __enter__(self) -> Path:
        if self.target.exists() and (not self.target.is_dir() or any(self.target.iterdir())):
            raise FolderError(
                where=str(self.target),
                expected="a new folder",
                got="one that holds something already",
                todo="Choose another name; nothing was changed.",
            )
        if not self.target.parent.is_dir():
            raise FolderError(
                where=str(self.target.parent),
                expected="a folder to put it in",
                got="none",
                todo="Make that folder first.",
            )
        shutil.rmtree(self.making, ignore_errors=True)
        self.making.mkdir()
        return self.making

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None:
            if self.target.is_dir():
                self.target.rmdir()
            self.making.rename(self.target)
        else:
            shutil.rmtree(self.making, ignore_errors=True)
