"""Entries of the ledger: what one holds, its canonical text, and the chain of codes.

Every entry's code is the SHA-256 of its canonical text, which holds the code of the entry before.
Whoever changes, inserts, reorders or removes an entry in the middle must make every later code
again, and then contradicts the receipts that have been handed out.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal, get_args

from studykit.errors import ArgumentError, Finding
from studykit.results import Result
from studykit.unseen import unseen_mark

FORMAT = 1
NO_CODE = "0" * 64
_ENCODER = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
CLOCK_TOLERANCE = dt.timedelta(minutes=2)
"""Clocks are set right by small steps; an entry may be this much earlier than the one before."""

Kind = Literal[
    "opening",
    "lock",
    "amendment",
    "split",
    "sealed list",
    "slip",
    "allocation",
    "look",
    "unblinding",
    "correction",
    "handover",
    "withdrawal",
    "data lock",
    "reopening",
    "role",
    "home",
    "clock",
    "note",
]
KINDS: tuple[str, ...] = get_args(Kind)


def canonical(value: Any) -> str:
    r"""The one way in which plain values are written: sorted keys, no spaces, ASCII.

    Raises
    ------
    ArgumentError
        If ``value`` holds anything that is not plain JSON (text, number, true, false, nothing,
        list, mapping with text keys).

    Examples
    --------
    >>> canonical({"b": [1, None], "a": "Ü"})
    '{"a":"\\u00dc","b":[1,null]}'
    """
    _check_plain(value, "body")
    return written_again(value)


def written_again(value: Any) -> str:
    """`canonical` for values that are known to be plain, such as those just read from canonical text."""
    return _ENCODER.encode(value)


def facts_hash(stratum: Mapping[str, str], facts: Mapping[str, Any]) -> str:
    """SHA-256 of what a draw rests on; it stands in the entry of the draw."""
    told = canonical({"stratum": dict(stratum), "facts": dict(facts)})
    return hashlib.sha256(told.encode("ascii")).hexdigest()


def _check_plain(value: Any, where: str) -> None:
    if value is None or isinstance(value, str | bool | int):
        return
    if isinstance(value, float) and value == value and abs(value) != float("inf"):
        return
    if isinstance(value, Mapping) and all(isinstance(key, str) for key in value):
        for key, item in value.items():
            _check_plain(item, f"{where}, {key}")
    elif isinstance(value, list | tuple):
        for item in value:
            _check_plain(item, where)
    else:
        raise ArgumentError(
            where=where, expected="plain values (text, number, list, mapping)", got=repr(value)
        )


def _check_seen(value: Any, where: str) -> None:
    """Refuse texts with characters that nobody sees: what is stored must read as what it is."""
    if isinstance(value, Mapping):
        for key, item in value.items():
            _check_seen(key, where)
            _check_seen(item, str(key))
    elif isinstance(value, list | tuple):
        for item in value:
            _check_seen(item, where)
    elif isinstance(value, str) and (mark := unseen_mark(value)):
        raise ArgumentError(
            where=where, expected="text that can be seen", got=f"a hidden character, {mark}",
            todo="Type it anew instead of copying it; nothing was written.",
        )  # fmt: skip


def moment_text(moment: dt.datetime) -> str:
    """A moment on the studio's clock, to the millisecond, with the offset from UTC (Z for none).

    The first ten characters are the studio's day; entries of earlier versions tell the day in UTC.

    Examples
    --------
    >>> moment_text(dt.datetime(2026, 3, 9, 23, 3, 22, 123456, dt.timezone(dt.timedelta(hours=-8))))
    '2026-03-09T23:03:22.123-08:00'
    """
    if moment.tzinfo is None:
        raise ArgumentError(where="time", expected="a time with its time zone", got=repr(moment))
    text = moment.isoformat(timespec="milliseconds")
    return text.replace("+00:00", "Z")


def utc_moment(text: str) -> dt.datetime:
    """The moment that `moment_text` wrote; moments compare whatever their offsets."""
    return dt.datetime.fromisoformat(text)


def short_code(code: str) -> str:
    """The first twelve digits of a code, in threes of four, as receipts show it.

    Examples
    --------
    >>> short_code("4f2a91c077be" + "0" * 52)
    '4f2a-91c0-77be'
    """
    return "-".join(code[start : start + 4] for start in (0, 4, 8))


@dataclass(frozen=True, slots=True)
class Entry(Result):
    """One entry of the ledger.

    Parameters
    ----------
    position : int
        1 for the first.
    kind : str
        One of `KINDS`.
    by : str
        Code of the person who made the entry.
    entry_time, event_time : str
        When it was written, and when what it tells of happened; see `moment_text`. Or a date for an event.
    text : str
        The body as canonical text: this is what is stored and what the chain covers.
    previous, code : str
        Code of the entry before, and of this one; 64 hexadecimal digits.
    """

    position: int
    kind: str
    by: str
    entry_time: str
    event_time: str
    text: str
    previous: str
    code: str

    @property
    def body(self) -> Mapping[str, Any]:
        """What the entry says."""
        return MappingProxyType(json.loads(self.text))

    def expected_code(self) -> str:
        """The code that follows from everything else in the entry."""
        parts = [
            FORMAT,
            self.position,
            self.kind,
            self.by,
            self.entry_time,
            self.event_time,
            self.text,
            self.previous,
        ]
        return hashlib.sha256(written_again(parts).encode("ascii")).hexdigest()


def next_entry(
    last: Entry | None, *, kind: str, by: str, entry_time: str, event_time: str, body: Mapping[str, Any]
) -> Entry:
    """The entry that follows ``last``, with its code."""
    if kind not in KINDS:
        raise ArgumentError(where="kind", expected=f"one of {', '.join(KINDS)}", got=repr(kind))
    if not by or len(by) > 40 or by != by.strip():
        raise ArgumentError(where="by", expected="the code of a person, 1 to 40 characters", got=repr(by))
    _check_seen(by, "by")
    _check_seen({name: value for name, value in body.items() if name != "protocol"}, kind)
    position = 1 if last is None else last.position + 1
    previous = NO_CODE if last is None else last.code
    text = canonical(dict(body))
    draft = Entry(position, kind, by, entry_time, event_time, text, previous, "")
    return Entry(position, kind, by, entry_time, event_time, text, previous, draft.expected_code())


def check_link(last: Entry | None, entry: Entry) -> Finding | None:
    """What is wrong between an entry and the one before; nothing when the chain holds."""
    where = f"ledger, entry {entry.position}"
    position = 1 if last is None else last.position + 1
    todo = "The ledger was changed after it was written. Keep this file and go back to a copy you trust."
    if entry.position != position:
        return Finding(
            "stop",
            f"ledger, after entry {position - 1}",
            f"entry {position}",
            f"entry {entry.position}",
            todo,
        )
    if entry.previous != (NO_CODE if last is None else last.code):
        return Finding("stop", where, "the code of the entry before", "another code", todo)
    if entry.code != entry.expected_code():
        return Finding("stop", where, "an entry that fits its code", "changed content", todo)
    return None


def check_chain(entries: Iterable[Entry]) -> tuple[Finding, ...]:
    """Every break in the chain."""
    findings = []
    last: Entry | None = None
    for entry in entries:
        finding = check_link(last, entry)
        if finding is not None:
            findings.append(finding)
        last = entry
    return tuple(findings)
