"""Commands of many studios together: the joining list, the file a studio hands in, the pooling.

Each gives what it found, its text, and whether somebody must act; `_command` prints it.
"""

from __future__ import annotations

import argparse
import datetime as dt
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studykit import commands as c
from studykit import options as o
from studykit.errors import ArgumentError, FolderError, StudykitError

if TYPE_CHECKING:
    from studykit.pooling.joining_list import JoiningList
    from studykit.study.snapshot import Snapshot

_DEMO_DAY = dt.date(2026, 12, 15)
Told = tuple[Any, str, bool]


def _command(work: Callable[[argparse.Namespace], Told]) -> c.Command:
    @wraps(work)
    def run(arguments: argparse.Namespace) -> int:
        value, text, needs_attention = work(arguments)
        c.show(arguments, value, text)
        return c.ATTENTION if needs_attention else c.DONE

    return run


def _read(path: Path) -> JoiningList:
    from studykit.pooling.joining_list import JoiningList
    from studykit.pooling.pool import content_of

    return JoiningList.read(content_of(path).decode("utf-8", "replace"), where=str(path))


def _write(path: Path, listed: JoiningList) -> None:
    from studykit.report.rendering import write_whole

    write_whole(path.parent, {path.name: listed.text().encode("utf-8")})


def _need(arguments: argparse.Namespace, *names: str) -> None:
    missing = [f"--{name}" for name in names if getattr(arguments, name) in (None, "")]
    if missing:
        raise ArgumentError(
            where=f"studios {arguments.act}", expected=" ".join(missing), got="none", todo="Give it as well."
        )


@_command
def studios(arguments: argparse.Namespace) -> Told:
    """Keep the joining list of several studios: new, join, note."""
    from studykit.protocol.local_time import studio_day
    from studykit.study import handing_in

    path = arguments.list
    if arguments.act == "new":
        return _new_list(arguments, path)
    listed = _read(path)
    if arguments.act == "join":
        _need(arguments, "study", "clients", "until")
        code = arguments.studio or f"S{len(listed.members) + 1:02}"
        told = handing_in.joining(
            _study(arguments), listed, studio=code, clients=arguments.clients, until=arguments.until
        )
        listed = listed.added("joined", told)
        text = f"Studio {code} has joined. Mail the list round. It closes on {listed.closes}."
    else:
        from studykit.pooling.joining_list import told_line

        line = " ".join(arguments.text)
        if arguments.study is not None:
            line = handing_in.monthly_line(_study(arguments), listed)
        if arguments.same:
            _need(arguments, "reason")
            told = {"day": studio_day(), "protocol": arguments.same, "reason": arguments.reason}
            listed, line = listed.added("same protocol", told), f"protocol {arguments.same} is the same"
        else:
            listed = listed.added(*told_line(line, studio_day()))
        text = f"Noted: {line}." if arguments.study is None else f"Noted. Mail this to the keeper: {line}"
    _write(path, listed)
    return {"list": str(path), "code": listed.code}, f"{text}\nCode of the list now: {listed.code}", False


def _study(arguments: argparse.Namespace) -> Snapshot:
    from studykit.study import Study

    return Study.open(arguments.study).read()


def _new_list(arguments: argparse.Namespace, path: Path) -> Told:
    from studykit.pooling.joining_list import JoiningList
    from studykit.study.handing_in import list_head

    _need(arguments, "study", "closes", "due")
    if path.exists():
        raise FolderError(where=str(path), expected="a free name", got="a file", todo="Choose another.")
    listed = JoiningList.begun(list_head(_study(arguments), closes=arguments.closes, due=arguments.due))
    _write(path, listed)
    text = (
        f"Made {path}. Studios can join until {listed.closes}; files are opened on {listed.due}.\n"
        "Mail it round. To join: studykit studios join LIST --study FOLDER --clients N --until DATE"
    )
    return {"list": str(path), "code": listed.code}, text, False


@_command
def hand_in(arguments: argparse.Namespace) -> Told:
    """Write the one file with which a study goes into a pooling, after showing all of it."""
    from studykit.pooling.studio_file import code_of, written_file
    from studykit.report.hand_in_text import hand_in_text
    from studykit.report.rendering import write_whole
    from studykit.study import Study
    from studykit.study.handing_in import HANDED_IN, body_of, ready_to_hand_in
    from studykit.study.rights import require_right

    study, listed = Study.open(arguments.study), _read(arguments.list)
    now = ready_to_hand_in(study.folder, listed, again=arguments.again)
    require_right("look", arguments.by, now.protocol)
    body = body_of(now, listed, again=arguments.again)
    if not arguments.json:
        c.say(hand_in_text(body))
    if not c.agreed(arguments, "a yes to what leaves the studio", "Is this to leave your studio?"):
        return {"written": False}, "Nothing was written.", False
    name, code = f"{body['studio']}_hand_in.json", code_of(body)
    folder = arguments.out or study.folder / "results"
    told = {"what": HANDED_IN, "file": code, "studio": body["studio"], "reason": arguments.again}
    ledger = study.ledger
    assert ledger is not None
    write_whole(folder, {name: written_file(body)})
    try:
        ledger.append("note", told, by=arguments.by)
    except StudykitError:  # a file that the ledger does not know of must not go round
        (folder / name).unlink()
        raise
    told_last = (
        f"\nWritten: {folder / name}\nFirst mail this line to the keeper of the list, the file only on "
        f"{listed.due}, when files are due:\n{body['studio']}: file {code}"
    )
    return {"file": str(folder / name), "code": code, "body": body}, told_last, False


@_command
def pool(arguments: argparse.Namespace) -> Told:
    """Pool the files of the studios of a joining list, or verify the folder of one."""
    from studykit.pooling import pool as pooling
    from studykit.protocol.local_time import studio_day
    from studykit.report.pool_page import pool_sentences, save_pool

    path, files, day = arguments.list, arguments.files, studio_day()
    if arguments.demo:
        from studykit.study.folder import copy_shipped

        folder = copy_shipped("pool", Path("demo_pool"), own="S01_hand_in.json")
        path, files, day = folder / "joining_list.txt", sorted(folder.glob("S*.json")), _DEMO_DAY
    elif path is None or not files:
        raise ArgumentError(
            where="pool", expected="LIST and FILES, or --demo", got="neither", todo="Give them."
        )
    if arguments.verify is not None:
        return _verified(arguments, path, files)
    found = pooling.pool(path, files, reason=arguments.reason, today=day)
    if found.code not in {opening.code for opening in found.listed.openings}:
        kind = "looked" if found.is_early or found.listed.openings else "pooled"
        told = {"day": day, "files": len(found.studios), "set": found.code, "reason": arguments.reason}
        _write(path, found.listed.added(kind, told))
        found = pooling.pool(path, files, reason=arguments.reason, today=day)
    page = save_pool(found, arguments.out or path.parent / "pooled")
    text = "\n".join((*pool_sentences(found), "", f"Page: {page}"))
    return (
        {"page": str(page), "answers": found.answers, "left_out": found.left_out},
        text,
        bool(found.left_out),
    )


def _verified(arguments: argparse.Namespace, path: Path, files: list[Path]) -> Told:
    """Whether a folder gives the file that was handed in."""
    from studykit.pooling.pool import content_of
    from studykit.pooling.studio_file import read_studio_file
    from studykit.study.handing_in import differences

    if len(files) != 1:
        raise ArgumentError(
            where="pool --verify", expected="the one file of that studio", got=str(len(files))
        )
    file = read_studio_file(content_of(files[0]), where=str(files[0]))
    found = differences(arguments.verify, _read(path), file)
    if not found:
        return {"same": True}, f"Same: the folder gives the file of studio {file.studio} again.", False
    lines = (f"Not the same: the folder does not give the file of studio {file.studio}.", *found)
    return {"same": False, "differences": found}, "\n- ".join(lines), True


_LIST = o.option("list", metavar="LIST", type=Path, help="the joining list")
_DATES = tuple(
    o.option(f"--{name}", type=o.day, metavar="DATE", help=meaning)
    for name, meaning in (
        ("closes", "new: last day to join"), ("due", "new: day on which files are opened"),
        ("until", "join: end of the promise"),
    )
)  # fmt: skip
COMMANDS = (
    (studios, "join joining_list.txt --study my_study --clients 40 --until 2026-12-31", (
        o.option("act", choices=("new", "join", "note"), help="new list, join it, or note what was told"),
        _LIST, o.option("text", nargs="*", metavar="TEXT", help="note: the line that a studio mailed"),
        o.option("--study", type=Path, metavar="STUDY", help="the study's folder"), *_DATES,
        o.option("--studio", default="", metavar="CODE", help="join: its code on the list (default: next)"),
        o.option("--clients", type=o.whole, metavar="N", help="join: clients promised"),
        o.option("--same", default="", metavar="CODE", help="note: a protocol that counts as the same"),
        o.option("--reason", default="", metavar="TEXT", help="why it does"),
    )),
    (hand_in, "my_study --list joining_list.txt --by OW", (
        o.STUDY, o.option("--list", required=True, type=Path, metavar="LIST", help="the joining list"),
        o.BY, o.YES, o.option("--again", default="", metavar="TEXT", help="why a second file is handed in"),
        o.option("--out", type=Path, metavar="FOLDER", help="for the file (default: the study's results)"),
    )),
    (pool, "joining_list.txt S01_hand_in.json S02_hand_in.json", (
        o.option("list", nargs="?", metavar="LIST", type=Path, help="the joining list, closed"),
        o.option("files", nargs="*", metavar="FILE", type=Path, help="files of the studios, in any order"),
        o.option("--demo", action="store_true", help="seven invented studios, in demo_pool"),
        o.option("--verify", type=Path, metavar="FOLDER", help="does this folder give the one FILE again?"),
        o.option("--reason", default="", metavar="TEXT", help="why before the day, or with other files"),
        o.option("--out", type=Path, metavar="FOLDER", help="for the page (default: pooled, by the list)"),
    )),
)  # fmt: skip
