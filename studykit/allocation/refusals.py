"""Every reason to refuse an allocation or an entry, each with one message."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from studykit.allocation.entries import CLOCK_TOLERANCE, canonical, moment_text, utc_moment
from studykit.allocation.memory import Memory
from studykit.errors import AllocationRefused, ArgumentError, LedgerError

REQUIRED_FACTS = ("eligible", "consented", "cleared", "baseline_tested")
"""What must be recorded of a client before the draw."""


def check_clock(memory: Memory, now: dt.datetime) -> None:
    """Refuse an entry that would be earlier than the last one."""
    if not memory.entries:
        return
    last = memory.entries[-1].entry_time
    if now < utc_moment(last) - CLOCK_TOLERANCE:
        raise LedgerError(
            where=str(memory.path),
            expected=f"a time after the last entry, {last}",
            got=f"{moment_text(now)} on this machine's clock",
            todo="Set the clock right. If the earlier time was the wrong one, write that down first: "
            "studykit note STUDY --what clock.",
        )


def check_may_allocate(
    memory: Memory,
    client: str,
    *,
    facts: Mapping[str, Any],
    method: Mapping[str, Any],
    required: Sequence[str],
    machine: str,
) -> None:
    """Every reason to refuse, the plainest first."""
    locked = memory.need_lock()
    where = f"client {client}"
    position = memory.positions.get(client.casefold())
    if position is not None:
        time = memory.entries[position - 1].entry_time
        raise AllocationRefused(
            where=where,
            expected="a client without an arm",
            got=f"one allocated on {time} (entry {position})",
            todo="Nobody is drawn twice; the receipt that was handed out stands.",
        )
    missing = [name for name in required if not facts.get(name)]
    if missing:
        raise AllocationRefused(
            where=where,
            expected=f"all of these recorded: {', '.join(required)}",
            got=f"nothing for {', '.join(missing)}",
            todo="Record it first.",
        )
    if memory.data_locked:
        raise AllocationRefused(
            where=where, expected="open records", got=f"a data lock at entry {memory.data_locked}"
        )
    if locked.home != machine:
        raise AllocationRefused(
            where=where,
            expected=f"the study's home machine, code {locked.home}",
            got=f"another one, code {machine}",
            todo="Enrol there; two copies of one ledger would give two histories. "
            "If the study has moved for good, write that down first: studykit note STUDY --what moved.",
        )
    named = locked.current_method
    if named is None or canonical(dict(named)) != canonical(dict(method)):
        raise AllocationRefused(
            where=where,
            expected="the method of allocation that the locked protocol names",
            got="no method" if named is None else "another method",
            todo="Amend the protocol to change it.",
        )


def check_client_code(client: str) -> None:
    """Refuse a code that cannot stand for a client."""
    if not client or client != client.strip() or len(client) > 40:
        raise ArgumentError(where="client", expected="a code of 1 to 40 characters", got=repr(client))


def need_text(name: str, text: str) -> None:
    """Refuse an act without its reason."""
    if not isinstance(text, str) or not text.strip():
        raise LedgerError(where=name, expected="a few words", got="nothing")
