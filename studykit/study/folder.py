"""A study's folder: ready protocols, their questions, and a folder that appears whole."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.errors import ArgumentError, Finding, FolderError
from studykit.shipped import shipped
from studykit.study.snapshot import PROTOCOL, RECORDS

if TYPE_CHECKING:
    from studykit.protocol.first_questions import Question

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
    import platform
    from importlib.metadata import PackageNotFoundError, version

    found = {"python": platform.python_version()}
    for name in _LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed as a package"
    return found


def study_folder(folder: str | Path) -> Path:
    """The folder of a study.

    Raises
    ------
    FolderError
        If it is not there or holds no protocol.
    """
    path = Path(folder)
    if not path.is_dir():
        got = "a file" if path.exists() else "nothing of that name"
        raise FolderError(
            where=str(path), expected="a study's folder", got=got,
            todo="Check the spelling, or make one: studykit new FOLDER.",
        )  # fmt: skip
    if not (path / PROTOCOL).is_file():
        raise FolderError(
            where=str(path), expected=f"a file {PROTOCOL} in it", got="none",
            todo="Is this the study's folder? Make a study with: studykit new FOLDER.",
        )  # fmt: skip
    return path


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


def make_study(target: Path, *, design: str, answers: Mapping[str, str] | None = None) -> tuple[Finding, ...]:
    """Write protocol and empty tables; see `studykit.study.Study.start`."""
    from studykit.allocation.ledger_home import synchronised_folder
    from studykit.protocol.filling import fill_template
    from studykit.protocol.protocol_file import parse_protocol
    from studykit.protocol.rules import check_protocol
    from studykit.records.writing import write_empty_tables

    text = fill_template(template(design), dict(answers or {}))
    read = parse_protocol(text, where=PROTOCOL)
    with made_whole(target) as making:
        (making / PROTOCOL).write_text(text, encoding="utf-8", newline="\n")
        (making / RECORDS).mkdir()
        write_empty_tables(making / RECORDS, read.protocol)
    findings = list(check_protocol(read.protocol, where=PROTOCOL, text=text))
    why = synchronised_folder(target)
    if why:
        findings.append(
            Finding(
                "warn", str(target), "a folder on this machine only", why,
                "A folder that is synchronised can lose or double entries of the ledger; choose another "
                "place.",
            )
        )  # fmt: skip
    return tuple(findings)


def copy_demo(target: Path) -> bool:
    """Copy the demo study; whether anything was copied. See `studykit.study.Study.demo`."""
    is_new = not target.exists()
    copy_shipped("demo_study", target, own=PROTOCOL)
    return is_new


def copy_shipped(name: str, target: Path, *, own: str) -> Path:
    """A folder of `synthetic_data` under a name of its own, unless it is there already, by its file ``own``.

    Raises
    ------
    FolderError
        If another thing is in the way.
    """
    source = shipped("synthetic_data") / name
    if not target.exists():
        with made_whole(target) as making:
            shutil.copytree(source, making, dirs_exist_ok=True)
    elif not ((target / own).is_file() and (target / own).read_bytes() == (source / own).read_bytes()):
        raise FolderError(
            where=str(target), expected="a free name", got="something else of that name",
            todo="Move it away, or give another name.",
        )  # fmt: skip
    return target
