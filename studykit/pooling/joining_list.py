"""The joining list: who promised what before anybody had results, and every code that was told since.

It is plain text that is mailed round. Blocks of ``name: value`` follow each other, each with a code over
itself and the code before, so that nothing can be changed, taken out or put in between. Lines that a mail
program broke or ended otherwise do no harm.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from studykit.allocation.entries import written_again
from studykit.errors import ArgumentError
from studykit.results import Result
from studykit.unseen import unseen_mark

TITLE = "studykit joining list 1"
FEW = 5
"""Studios from which something is said of others; fewer cannot show how far effects differ."""
_CODE = re.compile(r"[0-9a-f]{64}")
_STUDIO = re.compile(r"[A-Za-z0-9_-]{1,20}")
_FIELDS = {
    TITLE: ("protocol", "reference", "compared", "outcome", "visit", "scale", "spread", "scores", "horizon",
            "closes", "due", "invented"),
    "joined": ("day", "studio", "clients", "until", "first", "entry", "head"),
    "noted": ("day", "studio", "entry", "head", "clients"),
    "file": ("day", "studio", "file"),
    "same protocol": ("day", "protocol", "reason"),
    "looked": ("day", "files", "set", "reason"),
    "pooled": ("day", "files", "set", "reason"),
}  # fmt: skip
_OPENINGS = ("looked", "pooled")
_COUNTS = ("clients", "entry", "files", "scores", "horizon")
_DAYS = ("day", "until", "closes", "due")
_CODES = ("protocol", "first", "head", "file", "set")
_TOLD = re.compile(r"(?P<studio>[\w-]+): (?:entry (?P<entry>\d+) is (?P<head>\w+), (?P<clients>\d+) clients?|"
                   r"file (?P<file>\w+))")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Member(Result):
    """A studio on the list.

    Parameters
    ----------
    studio : str
    clients : int
        Promised.
    until : date
        Of the promise.
    codes : mapping of int to str
        Of the ledger's entries by position, as told at joining and since; 1 is its opening.
    told_clients : int
        Most clients told of.
    file : str
        Code of its file, empty before it was told.
    files : int
        How many codes of files were told.
    late : bool
        Whether that code came after files had been opened.
    """

    studio: str
    clients: int
    until: dt.date
    codes: Mapping[int, str]
    told_clients: int = 0
    file: str = ""
    files: int = 0
    late: bool = False


@dataclass(frozen=True, slots=True)
class Opening:
    """A time at which files were opened: the pooling, or a look before or after it."""

    kind: str
    day: dt.date
    files: int
    code: str
    reason: str


@dataclass(frozen=True, slots=True)
class JoiningList(Result):
    """What the list says; `JoiningList.read` checks it, `added` gives the list with one block more.

    Parameters
    ----------
    head : mapping
        What all studios share: protocol, arms, outcome, days.
    blocks : tuple of (str, mapping, str)
        Kind, fields and code of every block, the head first.
    members : tuple of Member
        In the order of joining.
    """

    head: Mapping[str, str]
    blocks: tuple[tuple[str, Mapping[str, str], str], ...]
    members: Mapping[str, Member]

    @classmethod
    def begun(cls, head: Mapping[str, Any]) -> JoiningList:
        """A new list."""
        grown = _Growing()
        grown.take(TITLE, head, "joining list")
        return grown.done()

    @classmethod
    def read(cls, text: str, *, where: str = "joining list") -> JoiningList:
        """The list of a text; refused where a block was changed, taken out or put in.

        Raises
        ------
        ArgumentError
        """
        grown = _Growing()
        for number, block in enumerate(re.split(r"\n\s*\n", text.replace("\r", "").strip("\ufeff \n"))):
            kind, fields = _parsed(block)
            place = f"{where}, block {number + 1}"
            code = fields.pop("code", "")
            if (kind == TITLE) != (number == 0) or kind not in _FIELDS:
                raise _refused(f"a list that begins with {TITLE!r}", repr(kind[:60]), where=place)
            if grown.take(kind, fields, place) != code:
                raise _refused(
                    "a block that fits its code", "one that was changed, moved or cut", where=place
                )
        return grown.done()

    @property
    def code(self) -> str:
        """Of the last block, and so of the whole list."""
        return self.blocks[-1][2]

    @property
    def closes(self) -> dt.date:
        """Last day on which a studio can join."""
        return dt.date.fromisoformat(self.head["closes"])

    @property
    def due(self) -> dt.date:
        """Day on which files are pooled."""
        return dt.date.fromisoformat(self.head["due"])

    @property
    def is_invented(self) -> bool:
        """Whether its studios are."""
        return self.head["invented"] == "yes"

    @property
    def decides(self) -> str:
        """Which answer decides: fixed by the studios on the list, however many send a file."""
        return "studios like these" if len(self.members) >= FEW else "these studios"

    @property
    def openings(self) -> tuple[Opening, ...]:
        """Poolings and looks, in order."""
        return tuple(
            Opening(kind, dt.date.fromisoformat(told["day"]), int(told["files"]), told["set"], told["reason"])
            for kind, told, _ in self.blocks
            if kind in ("looked", "pooled")
        )

    @property
    def same_protocols(self) -> Mapping[str, str]:
        """Protocols that the keeper lists as the same in all that counts, with the reason."""
        return {told["protocol"]: told["reason"] for kind, told, _ in self.blocks if kind == "same protocol"}

    def added(self, kind: str, *told: Mapping[str, Any]) -> JoiningList:
        """The list with one block more for each; `_FIELDS` has what each kind tells.

        Raises
        ------
        ArgumentError
            If the list does not take it.
        """
        grown = _Growing(list(self.blocks), dict(self.members))
        for block in told:
            grown.take(kind, block, "joining list")
        return grown.done()

    def text(self) -> str:
        """The list as it is mailed."""
        parts = [
            "\n".join([kind, *(f"{name}: {value}" for name, value in told.items()), f"code: {code}"])
            for kind, told, code in self.blocks
        ]
        return "\n\n".join(parts) + "\n"


@dataclass(slots=True)
class _Growing:
    """A list that is being read or added to, block by block."""

    blocks: list[tuple[str, Mapping[str, str], str]] = field(default_factory=list)
    members: dict[str, Member] = field(default_factory=dict)
    ledgers: set[str] = field(default_factory=set)
    opened: bool = False

    def __post_init__(self) -> None:
        self.ledgers = {member.codes[1] for member in self.members.values()}
        self.opened = any(kind in _OPENINGS for kind, _, _ in self.blocks)

    def done(self) -> JoiningList:
        return JoiningList(self.blocks[0][1], tuple(self.blocks), self.members)

    def take(self, kind: str, told: Mapping[str, Any], where: str) -> str:
        """Take one block, if it fits those before; gives its code."""
        fields = _fields(kind, told, where=where)
        if kind == TITLE and fields["due"] < fields["closes"]:
            raise _refused(
                "files that are due after the list has closed", f"due {fields['due']}", where=where
            )
        if kind in ("joined", "noted", "file"):
            member = self._joined(fields, where) if kind == "joined" else self._told(kind, fields, where)
            self.members[member.studio] = member
        self.opened |= kind in _OPENINGS
        before = self.blocks[-1][2] if self.blocks else ""
        code = hashlib.sha256(written_again([before, kind, fields]).encode("ascii")).hexdigest()
        self.blocks.append((kind, fields, code))
        return code

    def _joined(self, told: Mapping[str, str], where: str) -> Member:
        closes = self.blocks[0][1]["closes"]
        if told["day"] > closes:
            raise _refused(f"studios that join by {closes}", f"one on {told['day']}", where=where)
        if told["first"] in self.ledgers or told["studio"] in self.members:
            raise _refused("a studio and a ledger that are not on the list yet", told["studio"], where=where)
        self.ledgers.add(told["first"])
        codes = {1: told["first"], int(told["entry"]): told["head"]}
        return Member(told["studio"], int(told["clients"]), dt.date.fromisoformat(told["until"]), codes)

    def _told(self, kind: str, told: Mapping[str, str], where: str) -> Member:
        if (member := self.members.get(told["studio"])) is None:
            raise _refused("a studio of the list", told["studio"], where=where)
        if kind == "file":
            return replace(member, file=told["file"], files=member.files + 1, late=self.opened)
        entry, clients = int(told["entry"]), int(told["clients"])
        if member.codes.get(entry, told["head"]) != told["head"]:
            raise _refused(f"the code of entry {entry} that was told before", "another", where=where)
        if clients < member.told_clients or entry < max(member.codes):
            raise _refused("a ledger that has grown since it was last told of", "a shorter one", where=where)
        return replace(member, codes={**member.codes, entry: told["head"]}, told_clients=clients)


def _parsed(block: str) -> tuple[str, dict[str, str]]:
    """Kind and fields of a block; a line that was broken on the way is joined to the one before."""
    kind, *lines = [line.strip() for line in block.strip().split("\n")]
    pairs: list[tuple[str, str]] = []
    for line in lines:
        name, mark, value = line.partition(":")
        if mark and re.fullmatch(r"[a-z]{2,12}", name):
            pairs.append((name, value.strip()))
        elif pairs:
            pairs[-1] = (pairs[-1][0], f"{pairs[-1][1]} {line}".strip())
    return kind, dict(pairs)


def told_line(text: str, day: dt.date) -> tuple[str, dict[str, Any]]:
    """What a studio's monthly line, or the line on its file, adds to the list.

    Examples
    --------
    >>> told_line(f"S03: entry 57 is {'a' * 64}, 23 clients", dt.date(2026, 3, 1))[0]
    'noted'
    """
    match = _TOLD.fullmatch(" ".join(text.split()).rstrip("."))
    if match is None:
        raise _refused(
            "a line such as 'S03: entry 57 is CODE, 23 clients' or 'S03: file CODE'", repr(text[:80])
        )
    told = {name: value for name, value in match.groupdict().items() if value is not None}
    return ("file" if "file" in told else "noted"), {"day": day.isoformat(), **told}


def _fields(kind: str, told: Mapping[str, Any], *, where: str = "joining list") -> dict[str, str]:
    """The fields of a block in their order, each of its form."""
    if set(told) != set(_FIELDS[kind]):
        raise _refused(f"{kind}: {', '.join(_FIELDS[kind])}", ", ".join(told) or "nothing", where=where)
    fields = {name: " ".join(str(told[name]).split()) for name in _FIELDS[kind]}
    for name, value in fields.items():
        form = "a few words" if name != "reason" or kind != "pooled" else ""
        good = (bool(value) or not form) and len(value) <= 300 and not unseen_mark(value)
        if name in _COUNTS:
            form, good = "a whole number", value.isascii() and value.isdecimal() and len(value) < 9
        elif name in _DAYS:
            form, good = "a date such as 2026-03-09", _is_day(value)
        elif name in _CODES:
            form, good = "a code of 64 digits", _CODE.fullmatch(value) is not None
        elif name == "studio":
            form, good = "a code of letters and digits, such as S03", _STUDIO.fullmatch(value) is not None
        if not good:
            raise _refused(f"{name}: {form}", repr(value[:80]), where=f"{where}, {kind}")
    return fields


def _is_day(value: str) -> bool:
    try:
        return dt.date.fromisoformat(value).isoformat() == value
    except ValueError:
        return False


def _refused(expected: str, got: str, *, where: str = "joining list") -> ArgumentError:
    todo = "Nothing was written. Go back to the list as it was last mailed round."
    return ArgumentError(where=where, expected=expected, got=got, todo=todo)
