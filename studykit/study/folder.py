"""A study's folder: ready protocols, their questions, and a folder that appears whole."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.errors import ArgumentError, Finding, FolderError, ProtocolError
from studykit.records.writing import write_whole
from studykit.shipped import shipped
from studykit.study.snapshot import PROTOCOL, RECORDS

if TYPE_CHECKING:
    from studykit.protocol.first_questions import Question
    from studykit.protocol.protocol_file import ReadProtocol

_LIBRARIES = ("studykit", "numpy", "scipy", "pandas", "statsmodels", "pingouin", "pydantic", "matplotlib")


def questions(design: str = "parallel", before: Mapping[str, str] | None = None) -> tuple[Question, ...]:
    """The plain questions that `Study.start` takes answers to; the defaults are the answers from before."""
    from studykit.protocol.filling import questions as asked
    from studykit.protocol.ready import ready_text

    own = _own_answers() | dict(before or {})
    return tuple(
        replace(question, default=own.get(question.key, question.default))
        for question in asked(ready_text(design))
    )


def _own_answers() -> dict[str, str]:
    """What this computer answers by itself: where it stands."""
    from studykit.protocol.local_time import computer_zone

    zone = computer_zone()
    return {"time_zone": zone} if zone else {}


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
            todo=f"{_nearby(path)}Check the spelling, or make one: studykit new FOLDER.",
        )  # fmt: skip
    if not (path / PROTOCOL).is_file():
        raise FolderError(
            where=str(path), expected=f"a file {PROTOCOL} in it", got="none",
            todo=f"{_nearby(path)}Is this the study's folder? Make a study with: studykit new FOLDER.",
        )  # fmt: skip
    return path


def _nearby(path: Path) -> str:
    """Which studies stand in, around and beside a folder that is none, in one sentence."""
    here = path.absolute()
    around = (here, here.parent, here.parent.parent) if here.is_dir() else (here.parent, Path.cwd())
    found = {one.parent for place in around for name in ("", "*/") for one in place.glob(f"{name}{PROTOCOL}")}
    base = Path.cwd()
    names = ", ".join(sorted(str(p.relative_to(base) if p.is_relative_to(base) else p) for p in found)[:8])
    return f"Studies nearby: {names}. " if names else ""


def need_free(target: Path) -> None:
    """Refuse a place where no new folder can be made, or whose name would be no name."""
    if not target.name or target.name == "..":
        raise FolderError(
            where=str(target), expected="the name of a new folder", got="a place without a name",
            todo="Give the name that the study's folder is to have.",
        )  # fmt: skip
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise FolderError(
            where=str(target), expected="a new folder", got="one that holds something already",
            todo="Choose another name; nothing was changed.",
        )  # fmt: skip
    if not target.parent.is_dir():
        raise FolderError(
            where=str(target.parent), expected="a folder to put it in", got="none",
            todo="Make that folder first.",
        )  # fmt: skip


def _answers_beside(target: Path) -> Path:
    return target.with_name(f".{target.name}.answers.json")


def kept_answers(target: Path) -> dict[str, str]:
    """Answers of an earlier try to make this study, left before the end; what cannot be read is none.

    Parameters
    ----------
    target : Path
        The new study's folder.

    Raises
    ------
    FolderError
        If no new folder can be made there.
    """
    need_free(target)
    try:
        told = json.loads(_answers_beside(target).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    texts = told.items() if isinstance(told, dict) else ()
    return {key: value for key, value in texts if isinstance(value, str)}


def before_questions(kept: Mapping[str, str]) -> str:
    """What is said before the first question."""
    before = "Your answers from before stand in the brackets. " if kept else ""
    return (
        "A few questions. Enter takes the answer in brackets; everything can be changed in protocol.toml.\n"
        f"{before}Stop with Ctrl-C whenever you like: what you answered is offered again next time."
    )


def keep_answers(target: Path, answers: Mapping[str, str]) -> None:
    """Keep the answers given so far beside the folder to be; none: the study is made, nothing is kept."""
    if not answers:
        _answers_beside(target).unlink(missing_ok=True)
        return
    text = json.dumps(dict(answers), indent=1, ensure_ascii=False)
    write_whole(target.parent, {_answers_beside(target).name: text}, overwrite=True)


class made_whole:  # noqa: N801 — used like a function
    """A folder that appears under its name only when everything in it has been written."""

    def __init__(self, target: Path) -> None:
        need_free(target)
        self.target = target
        self.making = target.with_name(f".{target.name}.making")

    def __enter__(self) -> Path:
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


def filled_in(design: str, answers: Mapping[str, str]) -> ReadProtocol:
    """A new study's protocol with these answers; what they do not say is taken from the ready one.

    Raises
    ------
    ArgumentError
        If an answer cannot be used: no file is named, since none has been written.
    """
    from studykit.protocol.filling import fill_template
    from studykit.protocol.protocol_file import parse_protocol
    from studykit.protocol.ready import ready_text, shortened

    filled = fill_template(ready_text(design), _own_answers() | dict(answers))
    try:
        return parse_protocol(shortened(filled, name=design), where=PROTOCOL)
    except ProtocolError as error:
        first = error.findings[0]
        raise ArgumentError(
            where="answers", expected=first.expected, got=first.got, todo=first.todo
        ) from None


def make_study(target: Path, *, design: str, answers: Mapping[str, str] | None = None) -> tuple[Finding, ...]:
    """Write protocol and empty tables; see `studykit.study.Study.start`."""
    from studykit.allocation.ledger_home import synchronised_folder
    from studykit.protocol.rules import check_protocol
    from studykit.records.writing import write_empty_tables

    read = filled_in(design, answers or {})
    text = read.text
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
