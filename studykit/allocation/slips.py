"""Opening the slips of an outsider's list, one client at a time and in logged order.

Two entries for each client. First the next slip of the client's stratum is called: the client's facts
are written down and tied to its number while the envelope is still closed, so that no arm can be seen
and then passed over. Then the envelope is opened, and its secret word shows the arm.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from studykit.allocation.acts import Receipt, allocation_from, locked_from
from studykit.allocation.entries import Entry
from studykit.allocation.ledger import Ledger
from studykit.allocation.memory import Memory
from studykit.allocation.refusals import REQUIRED_FACTS, check_client_code, check_may_allocate
from studykit.allocation.sealed import SealedList, Slip, list_from, stratum_words
from studykit.allocation.surroundings import Surroundings
from studykit.errors import AllocationRefused, Finding
from studykit.results import Result

_ASK = "Ask whoever keeps copies and receipts before going on."


@dataclass(frozen=True, slots=True)
class CalledSlip(Result):
    """A slip that is tied to a client and may be opened now.

    Parameters
    ----------
    client : str
    number : int
        Of the slip.
    stratum : mapping of str to str
    position : int
        Of the call in the ledger.
    """

    client: str
    number: int
    stratum: Mapping[str, str]
    position: int

    def text(self) -> str:
        """What to do now, to be read by a person."""
        where = stratum_words(self.stratum)
        return (
            f"Slip {self.number}{f' ({where})' if where else ''} belongs to client {self.client} "
            f"(ledger entry {self.position}). Open envelope {self.number} now, and no other."
        )


def publish_list(ledger: Ledger, sealed_list: SealedList, *, by: str) -> Entry:
    """Write the published list into the ledger, before its first slip is opened (E05).

    Raises
    ------
    AllocationRefused
        If the protocol is not locked with this list, or it is there already.
    """

    def body(memory: Memory, _: Surroundings) -> Mapping[str, Any]:
        named = memory.need_lock().current_method
        if named is None or dict(named) != sealed_list.describe():
            raise AllocationRefused(
                where="sealed list", expected="the list that the locked protocol names", got="another one"
            )
        if published_list(memory.entries, sealed_list.commitment) is not None:
            raise AllocationRefused(where="sealed list", expected="no list yet", got="one that is published")
        return sealed_list.content()

    return ledger.record("sealed list", body, by=by)


def call_slip(
    ledger: Ledger,
    client: str,
    *,
    stratum: Mapping[str, str],
    facts: Mapping[str, Any],
    by: str,
    required: Sequence[str] = REQUIRED_FACTS,
    fixed: Mapping[str, Any] | None = None,
) -> CalledSlip:
    """Tie the next slip of the stratum to a client, before it is opened.

    Parameters
    ----------
    ledger : Ledger
        With the list published in it.
    client, stratum, facts, by, required, fixed
        As for `Ledger.allocate`.

    Returns
    -------
    CalledSlip
        The earlier one where the client's slip was called before.

    Raises
    ------
    AllocationRefused
        If another client's slip of the stratum has not been opened yet, none is left, or for any reason
        of `Ledger.allocate`.
    """
    check_client_code(client)
    entries = ledger.entries()
    before = called_slip(entries, client)
    if before is not None and client.casefold() not in _allocated(entries):
        return before

    def body(memory: Memory, surroundings: Surroundings) -> Mapping[str, Any]:
        number, commitment = _next_slip(memory, surroundings, client, stratum, facts, required)
        return {
            "client": client,
            "number": number,
            "commitment": commitment,
            "stratum": dict(stratum),
            "facts": dict(facts),
            "machine": surroundings.machine,
            "protocol_hash": memory.need_lock().current_hash,
            **(fixed or {}),
        }

    return _called(ledger.record("slip", body, by=by))


def ready_to_call(
    ledger: Ledger, client: str, *, stratum: Mapping[str, str], facts: Mapping[str, Any]
) -> None:
    """Refuse a client whom `call_slip` would refuse; one whose slip is called already may go on."""
    check_client_code(client)
    if called_slip(ledger.entries(), client) is None:
        ledger.ready(lambda memory, here: _next_slip(memory, here, client, stratum, facts, REQUIRED_FACTS))


def _next_slip(
    memory: Memory, surroundings: Surroundings, client: str, stratum: Mapping[str, str],
    facts: Mapping[str, Any], required: Sequence[str],
) -> tuple[int, str]:  # fmt: skip
    """Number of the slip that is the client's, and the commitment of its list."""
    published = _in_force(memory)
    described, machine = published.describe(), surroundings.machine
    check_may_allocate(memory, client, facts=facts, method=described, required=required, machine=machine)
    return _next_number(memory.entries, published, stratum), published.commitment


def open_slip(ledger: Ledger, client: str, *, word: str, by: str) -> Receipt:
    """Record the arm of the slip that was called for a client and opened.

    Parameters
    ----------
    ledger : Ledger
    client, by : str
    word : str
        The secret as printed on the slip.

    Raises
    ------
    AllocationRefused
        If no slip was called for the client, the word does not fit its seal, or for any reason of
        `Ledger.allocate`.
    ArgumentError
        If the word is no secret word.
    """
    check_client_code(client)

    def body(memory: Memory, surroundings: Surroundings) -> Mapping[str, Any]:
        call = _call_of(memory.entries, client)
        if call is None:
            raise AllocationRefused(
                where=f"client {client}", expected="a slip that was called for the client", got="none",
                todo="Enrol the client without a word first; the number of the envelope is then told.",
            )  # fmt: skip
        told = call.body
        published = _published_by(memory.entries, told["commitment"])
        described, machine = published.describe(), surroundings.machine
        check_may_allocate(
            memory, told["client"], facts=told["facts"], method=described, required=(), machine=machine
        )
        slip = published.slip(told["number"], word)
        if slip is None:
            raise AllocationRefused(
                where=f"slip {told['number']}", expected="the word that fits its published seal",
                got="another one",
                todo="Look at number and word as printed; if they are right, the envelope was exchanged.",
            )  # fmt: skip
        return {
            "client": told["client"],
            "arm": slip.arm,
            "stratum": dict(slip.stratum),
            "facts": told["facts"],
            "method": described,
            "probabilities": {},
            "slip": {"number": slip.number, "secret": slip.secret},
            "entropy": "",
            "entropy_source": "sealed list",
            "machine": machine,
            "protocol_hash": memory.need_lock().current_hash,
            **{name: told[name] for name in ("facts_hash", "tables") if name in told},
        }

    entry = ledger.record("allocation", body, by=by, client=client)
    return allocation_from(entry).receipt()


def called_slip(entries: Sequence[Entry], client: str) -> CalledSlip | None:
    """The slip that was called for a client; nothing where none was."""
    call = _call_of(entries, client)
    return None if call is None else _called(call)


def published_list(entries: Sequence[Entry], commitment: str) -> SealedList | None:
    """The published list with this commitment; nothing where there is none."""
    return _lists(entries).get(commitment)


def _lists(entries: Sequence[Entry]) -> dict[str, SealedList]:
    """Every published list by its commitment."""
    found = [list_from(entry.body) for entry in entries if entry.kind == "sealed list"]
    return {published.commitment: published for published in found}


def is_opened_slip(entry: Entry) -> bool:
    """Whether an entry is an allocation by slip."""
    return entry.kind == "allocation" and "slip" in entry.body


def check_slips(entries: Sequence[Entry]) -> tuple[Finding, ...]:
    """Every opened slip again: called before, in its turn, and fitting its seal in the published list."""
    findings = []
    lists = _lists(entries)
    calls: dict[str, Entry] = {}
    turns: dict[tuple[str, str], list[int]] = {}
    for entry in entries:
        where = f"ledger, entry {entry.position}"
        if entry.kind == "slip":
            calls[entry.body["client"].casefold()] = entry
            finding = _turn_finding(entry, lists, turns, where)
        elif is_opened_slip(entry):
            finding = _opened_finding(entry, lists, calls.pop(entry.body["client"].casefold(), None), where)
        else:
            continue
        if finding is not None:
            findings.append(finding)
    for entry in calls.values():
        body = entry.body
        findings.append(
            Finding("warn", f"ledger, entry {entry.position}", f"slip {body['number']} to be opened at once",
                    f"a slip called for client {body['client']} and not recorded",
                    "Open that envelope and record its word; nobody else gets it.")
        )  # fmt: skip
    return tuple(findings)


def _turn_finding(
    entry: Entry, lists: Mapping[str, SealedList], turns: dict[tuple[str, str], list[int]], where: str
) -> Finding | None:
    body = entry.body
    published = lists.get(body["commitment"])
    if published is None:
        return Finding("stop", where, "a slip of the published list", "none such", _ASK)
    done = turns.setdefault((body["commitment"], repr(sorted(body["stratum"].items()))), [])
    waiting = [number for number in _numbers(published, body["stratum"]) if number not in done]
    done.append(body["number"])
    if not waiting or body["number"] != waiting[0]:
        wanted = f"slip {waiting[0]}, the next of its stratum" if waiting else "no further slip"
        return Finding("stop", where, wanted, f"slip {body['number']}", _ASK)
    return None


def _opened_finding(
    entry: Entry, lists: Mapping[str, SealedList], call: Entry | None, where: str
) -> Finding | None:
    body = entry.body
    if call is None or call.body["number"] != body["slip"]["number"]:
        return Finding("stop", where, "a slip that was called for this client before", "none", _ASK)
    published = lists.get(body["method"]["commitment"])
    slip = Slip(body["slip"]["number"], body["stratum"], body["arm"], body["slip"]["secret"])
    seals = () if published is None else published.slips
    if (slip.number, slip.seal()) not in [(number, seal) for number, _, seal in seals]:
        return Finding("stop", where, "a slip that fits its published seal", "another one", _ASK)
    return None


def _in_force(memory: Memory) -> SealedList:
    """The published list that the protocol in force names."""
    named = memory.need_lock().current_method or {}
    if named.get("method") != "sealed list":
        raise AllocationRefused(
            where="sealed list", expected="a protocol that names a sealed list", got="one that does not",
            todo="Enrol without slips.",
        )  # fmt: skip
    return _published_by(memory.entries, named["commitment"])


def _published_by(entries: Sequence[Entry], commitment: str) -> SealedList:
    published = published_list(entries, commitment)
    if published is None:
        raise AllocationRefused(
            where="sealed list", expected="a published list", got="none",
            todo="Run the lock, or the amendment, again: it writes the list into the ledger.",
        )  # fmt: skip
    return published


def _next_number(entries: Sequence[Entry], published: SealedList, stratum: Mapping[str, str]) -> int:
    """The next slip of a stratum; refused while the one before is called and not opened."""
    numbers = _numbers(published, stratum)
    known = sorted({", ".join(map(str, own.values())) for _, own, _ in published.slips})
    if not numbers:
        raise AllocationRefused(
            where="sealed list", expected=f"a stratum that has slips: {'; '.join(known)}",
            got=", ".join(stratum.values()) or "none", todo="Ask the outsider for slips, by an amendment.",
        )  # fmt: skip
    opened = _allocated(entries)
    for entry in entries:
        if entry.kind == "slip" and entry.body["commitment"] == published.commitment:
            body = entry.body
            if body["number"] in numbers:
                numbers.remove(body["number"])
                if body["client"].casefold() not in opened:
                    raise AllocationRefused(
                        where=f"slip {body['number']}", expected="to be opened and recorded first",
                        got=f"called for client {body['client']} and still open",
                        todo=f"Record the word of slip {body['number']} for that client.",
                    )  # fmt: skip
    if not numbers:
        raise AllocationRefused(
            where="sealed list", expected="an unopened slip of this stratum", got="none left",
            todo="Ask the outsider for a longer list, by an amendment.",
        )  # fmt: skip
    return numbers[0]


def _allocated(entries: Sequence[Entry]) -> set[str]:
    return {entry.body["client"].casefold() for entry in entries if entry.kind == "allocation"}


def _numbers(published: SealedList, stratum: Mapping[str, str]) -> list[int]:
    return [number for number, own, _ in published.slips if dict(own) == dict(stratum)]


def _call_of(entries: Sequence[Entry], client: str) -> Entry | None:
    """The call of a client from the list in force; one from an older list that was never opened is void."""
    locked = locked_from(entries)
    in_force = ((locked.current_method if locked else None) or {}).get("commitment")
    for entry in reversed(entries):
        if entry.kind == "slip" and entry.body["client"].casefold() == client.casefold():
            return entry if entry.body["commitment"] == in_force else None
    return None


def _called(entry: Entry) -> CalledSlip:
    body = entry.body
    return CalledSlip(body["client"], body["number"], body["stratum"], entry.position)
