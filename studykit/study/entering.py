"""What a person writes into the ledger beside draws and amendments: corrections, moves, unblindings."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, get_args

from studykit.errors import ArgumentError
from studykit.records.enrolment import baseline_tests
from studykit.records.nearest import nearest_known
from studykit.records.writing import number_text
from studykit.results import Result
from studykit.study.draw_facts import NO_TEST, baseline_names, inventory, name_of_test, said
from studykit.study.rights import Act, require_right

if TYPE_CHECKING:
    from studykit.allocation.acts import Allocation
    from studykit.allocation.entries import Entry
    from studykit.allocation.ledger import Ledger
    from studykit.protocol.types import Protocol
    from studykit.records.record_tables import Allocated, Records
    from studykit.study.snapshot import Snapshot

What = Literal["moved", "clock", "unblinding", "data_lock", "reopening", "remark"]
KINDS: tuple[str, ...] = get_args(What)
WITHDRAWALS = ("touch", "consent", "data", "slip")
_RIGHT: dict[str, Act] = {"unblinding": "correct", "remark": "correct"}  # an emergency waits for no role
_OLDEST = 110
_YES_OR_NO = ("baseline_tested", "cleared", "consented", "eligible", "touch_consented")


@dataclass(frozen=True, slots=True)
class Noted(Result):
    """An entry that was made by hand.

    Parameters
    ----------
    position : int
        In the ledger.
    what, reason : str
    told : str
        What is told in return; the arm at an unblinding.
    """

    position: int
    what: str
    reason: str
    told: str

    def text(self) -> str:
        """For a person."""
        return f"Written at ledger entry {self.position}: {self.reason}" + (
            f"\n{self.told}" if self.told else ""
        )


def note(now: Snapshot, ledger: Ledger, what: str, *, reason: str, by: str, client: str = "") -> Noted:
    """Write one entry.

    Parameters
    ----------
    now : Snapshot
    ledger : Ledger
    what : str
        ``"moved"``: this machine is the study's home now. ``"clock"``: the time of the last entry was wrong,
        go on from now. ``"unblinding"``: an arm has to be told to somebody who was not to know it.
        ``"data_lock"`` and ``"reopening"`` of the records. ``"remark"``: anything else.
    reason, by : str
    client : str
        At an unblinding.

    Raises
    ------
    ArgumentError
        If there is no such kind, nobody of this code may do it, or the client is missing.
    LedgerError
        If the reason is empty.
    """
    if what not in KINDS:
        raise ArgumentError(where="what", expected=f"one of {', '.join(KINDS)}", got=repr(what))
    require_right(_RIGHT.get(what, "lock"), by, now.protocol)
    if not reason.strip():
        raise ArgumentError(where="reason", expected="a few words", got="nothing")
    told = ""
    if what == "moved":
        entry: Entry = ledger.move_home(reason=reason, by=by)
    elif what == "clock":
        entry = ledger.accept_clock(reason=reason, by=by)
    elif what == "unblinding":
        receipt = ledger.receipt(client)
        entry = ledger.append("unblinding", {"client": receipt.client, "reason": reason}, by=by)
        told = f"Client {receipt.client}: {receipt.arm}"
    else:
        kind = {"data_lock": "data lock", "reopening": "reopening"}.get(what, "note")
        seen = {} if kind == "note" else {"tables": inventory(now.records)}
        entry = ledger.append(kind, {"reason": reason, **seen}, by=by)
    return Noted(entry.position, what, reason, told)


def withdrawal_words(what: str, client: str, day: dt.date) -> str:
    """What a withdrawal does, for the question before it and the answer after it."""
    return {
        "touch": f"From {day} on nobody presses {client}: no partner reps. Agree on how to go on, and write "
        "in the note of records/screening: trains without touch.",
        "consent": f"{client} leaves the study on {day}: no sheet, no test, no call any more. What was "
        "written down up to that day is used; later rows are not.",
        "data": f"{client} leaves the study on {day}, and tests and sessions of {client} are no longer used. "
        "Code, arm, day of the draw and harms stay, as the consent form says.",
        "slip": f"All withdrawals of {client} so far count as written by mistake: {client} is in the study.",
    }[what]


def need_withdrawal(
    now: Snapshot, client: str, *, what: str, by: str, day: dt.date | None = None
) -> tuple[Allocated, dt.date]:
    """The client and the day of a withdrawal that can be written; refused as `withdraw` is."""
    require_right("correct", by, now.protocol)
    if what not in WITHDRAWALS:
        raise ArgumentError(where="what", expected=f"one of {', '.join(WITHDRAWALS)}", got=repr(what))
    found, day = _allocated(now, client), day or now.today
    first = found.allocated_on or day
    if not first <= day <= now.today:
        expected = f"a day from {first}, when {found.client} was drawn, to today"
        raise ArgumentError(where="date", expected=expected, got=str(day))
    stands = found.withdrawn.get(what)
    if stands is not None or (what == "slip" and not found.withdrawn):
        got = f"{what} withdrawn on {stands}" if stands else "no withdrawal to undo"
        todo = "Nothing has to be written again." if stands else "Nothing has to be undone."
        raise ArgumentError(where=f"client {found.client}", expected="something new", got=got, todo=todo)
    return found, day


def withdraw(
    now: Snapshot,
    ledger: Ledger,
    client: str,
    *,
    what: str,
    by: str,
    reason: str = "",
    day: dt.date | None = None,
) -> Noted:
    """Write that a client takes back touch, consent or data; the draw stays.

    Parameters
    ----------
    now : Snapshot
    ledger : Ledger
    client : str
        Capitals are passed over.
    what : str
        ``"touch"``, ``"consent"``, ``"data"``; ``"slip"`` where an earlier withdrawal was written by mistake.
    by : str
    reason : str
        If the client gave one; nobody has to.
    day : date, optional
        On which it was said; by default today.

    Raises
    ------
    ArgumentError
        If the client is not allocated, the day is later than today or before the draw, or it stands already.
    """
    found, day = need_withdrawal(now, client, what=what, by=by, day=day)
    body = {"client": found.client, "what": what, "day": str(day), "reason": reason.strip()}
    entry = ledger.append("withdrawal", body, by=by)
    told = withdrawal_words(what, found.client, day)
    return Noted(entry.position, "withdrawal", reason.strip() or "no reason asked for", told)


def _allocated(now: Snapshot, client: str) -> Allocated:
    known = {one.client.casefold(): one for one in now.allocated}
    found = known.get(client.strip().casefold())
    if found is None:
        near = nearest_known(client, [one.client for one in now.allocated])
        raise ArgumentError(
            where="client", expected="a client whose arm is drawn", got=repr(client),
            todo=f"Is {near} meant?" if near else "Who is not drawn has nothing to withdraw from.",
        )  # fmt: skip
    return found


def handover(
    now: Snapshot, ledger: Ledger, trainer: str, *, to: str, reason: str, by: str, clients: Sequence[str] = ()
) -> Noted:
    """Write that a trainer leaves and who takes over.

    Sheets follow at once; the analysis keeps the trainer recorded before allocation.

    Parameters
    ----------
    now : Snapshot
    ledger : Ledger
    trainer, to : str
        Codes of records/trainers.
    reason, by : str
    clients : sequence of str
        Only these of the trainer's clients; empty for all: then the trainer leaves.

    Raises
    ------
    ArgumentError
        If there is no such trainer, the client is another's, or nobody of this code has a role.
    """
    require_right("lock", by, now.protocol)
    if not reason.strip():
        raise ArgumentError(where="reason", expected="a few words", got="nothing")
    known = {str(code).casefold(): str(code) for code in now.records["trainers"].columns["trainer"]}
    for where, code in (("trainer", trainer), ("to", to)):
        if code.strip().casefold() not in known:
            todo = "Enter the trainer in records/trainers first."
            expected = f"a trainer of records/trainers: {', '.join(known.values())}"
            raise ArgumentError(where=where, expected=expected, got=repr(code), todo=todo)
    old, new = known[trainer.strip().casefold()], known[to.strip().casefold()]
    if old == new:
        raise ArgumentError(where="to", expected="another trainer", got=repr(to))
    own = {
        client.client.casefold(): client.client for client in now.allocated if now.trainer_now(client) == old
    }
    strange = [code for code in clients if code.strip().casefold() not in own]
    if strange:
        expected = f"a client of {old}: {', '.join(own.values()) or 'none'}"
        raise ArgumentError(where="client", expected=expected, got=repr(strange[0]))
    chosen = [own[code.strip().casefold()] for code in clients] or list(own.values())
    body = {"trainer": old, "to": new, "clients": chosen, "leaves": not clients, "reason": reason}
    body["tables"] = inventory(now.records)
    entry = ledger.append("handover", body, by=by)
    told = (
        f"Taken over by {new}: {', '.join(chosen) or 'no client'}. Sheets follow; the analysis keeps {old}."
    )
    if now.protocol.trainers.deliver == "one arm":
        told += f" Clients keep their arm: see that {new} trains each by the arm on the sheet."
    return Noted(entry.position, "handover", reason, told)


def correct(
    now: Snapshot, ledger: Ledger, client: str, *, fact: str, value: str, reason: str, by: str,
    source: str = "records",
) -> Entry:  # fmt: skip
    """Correct a mistyped fact; see `studykit.study.Study.correct`."""
    made = next((made for made in now.allocations if made.client.casefold() == client.casefold()), None)
    facts = {} if made is None else {**_tests(now, made), **made.true_facts}
    if made is not None and fact not in facts and fact != "arm":
        raise ArgumentError(where="fact", expected=f"one of {', '.join(sorted(facts))}", got=repr(fact))
    require_right("correct", by, now.protocol)
    if fact in facts:
        value = corrected_value(fact, value, protocol=now.protocol, records=now.records)
        if value == said(facts[fact]):
            raise _refusal(fact, "a value other than the one that stands", value)
    return ledger.correct(
        client=client if made is None else made.client,
        what=fact,
        old=facts.get(fact),
        new=value,
        reason=reason,
        source=source,
        by=by,
        fixed={"tables": inventory(now.records)},
    )


def _tests(now: Snapshot, made: Allocation) -> dict[str, Any]:
    """Baseline scores of a client by name, as when the client was drawn; those that came later: none."""
    later = baseline_tests(now.records, now.protocol, [made.client]).get(made.client, ())
    return {**dict.fromkeys(map(name_of_test, later), NO_TEST), **baseline_names(made.facts)}


def corrected_value(fact: str, value: str, *, protocol: Protocol, records: Records) -> str:
    """The value as the protocol and the records spell it.

    Raises
    ------
    ArgumentError
        If the fact cannot have this value.
    """
    levels = _levels(fact, protocol, records)
    known = {level.casefold(): level for level in levels}
    text = value.strip()
    if fact == "trainer" and not levels:
        raise _refusal(fact, "a trainer of records/trainers", value)
    if levels and text.casefold() not in known:
        raise _refusal(fact, f"one of {', '.join(levels)}", value)
    if fact == "age" and not (text.isascii() and text.isdecimal() and int(text) <= _OLDEST):
        raise _refusal(fact, f"a whole number from 0 to {_OLDEST}", value)
    if fact == "consent_date" and not _is_date(text):
        raise _refusal(fact, "a date as YYYY-MM-DD", value)
    if not text:
        raise _refusal(fact, "a value", value)
    if " " in fact and text != NO_TEST:
        if not re.fullmatch(r"[0-9]+(\.[0-9]+)?", text):
            raise _refusal(fact, f"a score such as 81.5, or {NO_TEST} where there is no such test", value)
        return number_text(float(text))
    return known.get(text.casefold(), text)


def _levels(fact: str, protocol: Protocol, records: Records) -> Sequence[str]:
    """The values that a fact can have, where they are listed anywhere."""
    if fact in _YES_OR_NO:
        return ("yes", "no")
    if fact == "trainer":
        return tuple(dict.fromkeys(str(code) for code in records["trainers"].columns["trainer"]))
    return next((stratum.levels for stratum in protocol.strata if stratum.code == fact), ())


def _is_date(text: str) -> bool:
    try:
        dt.date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _refusal(fact: str, expected: str, got: str) -> ArgumentError:
    return ArgumentError(where=fact, expected=expected, got=repr(got), todo="Nothing was written.")
