"""What the ledger hands out: the lock, amendments, allocations and receipts, read from entries."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from studykit.allocation.entries import Entry, short_code
from studykit.errors import ArgumentError
from studykit.results import Result


@dataclass(frozen=True, slots=True)
class Amendment:
    """A change of the protocol after it was locked.

    Parameters
    ----------
    position : int
        In the ledger.
    by, entry_time, event_time : str
        Who entered it, when, and the date from which it holds.
    protocol, protocol_hash : str
        The whole new text, and the hash of its resolved content.
    reason : str
    changed : tuple of str
        Keys that differ from the text before.
    """

    position: int
    by: str
    entry_time: str
    event_time: str
    protocol: str
    protocol_hash: str
    reason: str
    changed: tuple[str, ...]
    method: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Locked(Result):
    """The protocol as it was locked, with its amendments.

    Parameters
    ----------
    position : int
        Of the lock in the ledger.
    by, entry_time : str
        Who locked it, and when.
    protocol, protocol_hash : str
        The whole text, and the hash of its resolved content.
    home : str
        Code of the machine that allocates now.
    versions : mapping of str to str
        Software in use at the lock.
    method : mapping or None
        Description of the method of allocation at the lock.
    amendments : tuple of Amendment
    split_method : mapping or None
        Where trainers are allocated together: how clients get the arm of their trainer, once drawn.
    """

    position: int
    by: str
    entry_time: str
    protocol: str
    protocol_hash: str
    home: str
    versions: Mapping[str, str]
    method: Mapping[str, Any] | None
    amendments: tuple[Amendment, ...] = ()
    split_method: Mapping[str, Any] | None = None

    @property
    def current_protocol(self) -> str:
        """The text that holds now."""
        return self.amendments[-1].protocol if self.amendments else self.protocol

    @property
    def current_hash(self) -> str:
        """The hash that holds now."""
        return self.amendments[-1].protocol_hash if self.amendments else self.protocol_hash

    @property
    def current_method(self) -> Mapping[str, Any] | None:
        """The description of the method of allocation that holds now."""
        named = self.amendments[-1].method if self.amendments else self.method
        if named is not None and named["method"] == "split" and self.split_method is not None:
            return self.split_method
        return named


@dataclass(frozen=True, slots=True)
class Allocation:
    """One client's allocation.

    Parameters
    ----------
    client, arm : str
    position : int
        In the ledger.
    by, entry_time : str
    stratum : mapping of str to str
        What the method was told; it never changes, since the draw depended on it.
    facts : mapping
        What else was confirmed before the draw.
    probabilities : mapping of str to str
        Of each arm at this draw, as fractions.
    method : mapping
        Description of the method.
    entropy, entropy_source, machine, code : str
        What the draw follows from, where it came from, the machine, and the entry's code in the chain.
    corrected : mapping of str to str
        Facts and values of the stratum corrected later, for analysis; the arm stays.
    """

    client: str
    arm: str
    position: int
    by: str
    entry_time: str
    stratum: Mapping[str, str]
    facts: Mapping[str, Any]
    probabilities: Mapping[str, str]
    method: Mapping[str, Any]
    entropy: str
    entropy_source: str
    machine: str
    code: str
    corrected: Mapping[str, str]

    @property
    def day(self) -> dt.date:
        """The studio's day on which the client was allocated: day 0 of every window."""
        return dt.date.fromisoformat(self.entry_time[:10])

    @property
    def true_stratum(self) -> Mapping[str, str]:
        """The stratum with corrections."""
        return {name: self.corrected.get(name, value) for name, value in self.stratum.items()}

    @property
    def true_facts(self) -> Mapping[str, Any]:
        """Facts and stratum as they stand now, corrections included."""
        return {**self.facts, **self.stratum, **self.corrected}

    def receipt(self) -> Receipt:
        """The receipt that was handed out."""
        return Receipt(self.client, self.arm, self.entry_time, self.position, short_code(self.code))


_FIELD = re.compile(r"^[ >]*(client|arm|time|entry|code) *: *(.+?) *$", re.IGNORECASE | re.MULTILINE)
_BEGINS = re.compile(r"^(?=[ >]*client *:)", re.IGNORECASE | re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Receipt(Result):
    """What is handed out after an allocation; a ledger written anew contradicts it.

    Parameters
    ----------
    client, arm : str
    time : str
        With the offset from UTC.
    position : int
        Of the entry in the ledger.
    code : str
        The first twelve digits of the entry's code, in threes of four.

    Examples
    --------
    >>> receipt = Receipt("C014", "partner_reps", "2026-03-09T14:03:22.123Z", 17, "4f2a-91c0-77be")
    >>> print(receipt.text())
    Receipt of an allocation
      client: C014
      arm:    partner_reps
      time:   2026-03-09T14:03:22.123Z
      entry:  17
      code:   4f2a-91c0-77be
    Keep this receipt: it shows later that the ledger was not rewritten.
    >>> Receipt.read(receipt.text()) == receipt
    True
    """

    client: str
    arm: str
    time: str
    position: int
    code: str

    def text(self) -> str:
        """The receipt as it is printed."""
        return "\n".join(
            (
                "Receipt of an allocation",
                f"  client: {self.client}",
                f"  arm:    {self.arm}",
                f"  time:   {self.time}",
                f"  entry:  {self.position}",
                f"  code:   {self.code}",
                "Keep this receipt: it shows later that the ledger was not rewritten.",
            )
        )

    @classmethod
    def read(cls, text: str) -> Receipt:
        """A receipt from its printed text.

        Raises
        ------
        ArgumentError
            If a part is missing or unreadable.
        """
        parts = {name.lower(): value for name, value in _FIELD.findall(text)}
        missing = [name for name in ("client", "arm", "time", "entry", "code") if name not in parts]
        if missing or not parts["entry"].isdigit():
            raise ArgumentError(
                where="receipt",
                expected="the lines client, arm, time, entry and code",
                got=f"no {', '.join(missing)}" if missing else f"entry {parts['entry']}",
            )
        return cls(parts["client"], parts["arm"], parts["time"], int(parts["entry"]), parts["code"].lower())

    @classmethod
    def all_in(cls, text: str) -> tuple[Receipt, ...]:
        """Every receipt in a text, such as a mail that holds several.

        Raises
        ------
        ArgumentError
            If one is not whole.
        """
        return tuple(cls.read(part) for part in _BEGINS.split(text)[1:])


def locked_from(entries: Iterable[Entry]) -> Locked | None:
    """The lock and its amendments; nothing before the lock."""
    locked: Locked | None = None
    for entry in entries:
        body = entry.body
        if entry.kind == "lock":
            locked = Locked(
                entry.position,
                entry.by,
                entry.entry_time,
                body["protocol"],
                body["protocol_hash"],
                body["home"],
                body["versions"],
                body["method"],
            )
        elif entry.kind == "amendment" and locked is not None:
            locked = replace(locked, amendments=(*locked.amendments, _amendment(entry)))
        elif entry.kind == "home" and locked is not None:
            locked = replace(locked, home=body["home"])
        elif entry.kind == "split" and locked is not None:
            locked = replace(locked, split_method=body["for_clients"])
    return locked


def _amendment(entry: Entry) -> Amendment:
    body = entry.body
    return Amendment(
        entry.position,
        entry.by,
        entry.entry_time,
        entry.event_time,
        body["protocol"],
        body["protocol_hash"],
        body["reason"],
        tuple(body["changed"]),
        body["method"],
    )


def allocation_from(entry: Entry) -> Allocation:
    """The allocation that an entry tells of, before corrections."""
    body = entry.body
    return Allocation(
        body["client"],
        body["arm"],
        entry.position,
        entry.by,
        entry.entry_time,
        body["stratum"],
        body["facts"],
        body["probabilities"],
        body["method"],
        body["entropy"],
        body["entropy_source"],
        body["machine"],
        entry.code,
        {},
    )


def allocations_from(entries: Iterable[Entry]) -> tuple[Allocation, ...]:
    """Every allocation in order, with the corrections that came later."""
    made: dict[str, Allocation] = {}
    for entry in entries:
        if entry.kind == "allocation":
            allocation = allocation_from(entry)
            made[allocation.client] = allocation
        elif entry.kind == "correction":
            body = entry.body
            allocation_or_none = made.get(body.get("client", ""))
            if allocation_or_none is not None:
                corrected = {**allocation_or_none.corrected, body["what"]: body["new"]}
                made[allocation_or_none.client] = replace(allocation_or_none, corrected=corrected)
    return tuple(made.values())


def withdrawals_from(entries: Iterable[Entry]) -> dict[str, dict[str, dt.date]]:
    """By client, what was taken back (touch, consent, data) and on which day; a slip undoes all before it."""
    found: dict[str, dict[str, dt.date]] = {}
    for entry in entries:
        if entry.kind == "withdrawal":
            body = entry.body
            own = found.setdefault(body["client"], {})
            if body["what"] == "slip":
                own.clear()
            else:
                own.setdefault(body["what"], dt.date.fromisoformat(body["day"]))
    return found


@dataclass(frozen=True, slots=True)
class Handovers:
    """Who trains whom after trainers left; the analysis keeps the trainer recorded before allocation.

    Parameters
    ----------
    trainer_of : mapping of str to str
        Of clients who were handed over, the trainer now.
    left : mapping of str to str
        Trainers who left, and on which day that was written down.
    """

    trainer_of: Mapping[str, str]
    left: Mapping[str, str]


def handovers_from(entries: Iterable[Entry]) -> Handovers:
    """Every handover in order; who takes somebody over is there again."""
    trainer_of: dict[str, str] = {}
    left: dict[str, str] = {}
    for entry in entries:
        if entry.kind == "handover":
            body = entry.body
            trainer_of |= dict.fromkeys(body["clients"], body["to"])
            left.pop(body["to"], None)
            if body["leaves"]:
                left[body["trainer"]] = entry.entry_time[:10]
    return Handovers(trainer_of, left)
