"""A list made by an outsider: numbered slips, sealed by published codes, opened in logged order.

The outsider draws all slips beforehand on another machine, prints them, and publishes a seal for
each: SHA-256 of its number, stratum, arm and a secret word of 128 bits. A seal tells nothing of the
arm; once a slip is opened, everybody can check it against its seal. This is the only way of
allocating here in which a list exists before the clients do.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from studykit.allocation.acts import Receipt, allocation_from
from studykit.allocation.bits import RecordedBits
from studykit.allocation.entries import Entry, canonical
from studykit.allocation.ledger import Ledger
from studykit.allocation.memory import Memory
from studykit.allocation.method import AllocationMethod, draw
from studykit.allocation.refusals import REQUIRED_FACTS, check_client_code, check_may_allocate
from studykit.allocation.surroundings import Surroundings
from studykit.errors import AllocationRefused, ArgumentError, Finding

_SECRET_BITS = 128
_ASK = "Ask whoever keeps copies and receipts before going on."


@dataclass(frozen=True, slots=True)
class Slip:
    """One numbered slip.

    Parameters
    ----------
    number : int
        From 1, over all strata.
    stratum : mapping of str to str
    arm : str
    secret : str
        32 hexadecimal digits; they keep the arm from being guessed from the seal.
    """

    number: int
    stratum: Mapping[str, str]
    arm: str
    secret: str

    def seal(self) -> str:
        """The code that is published before the first slip is opened."""
        parts = [self.number, dict(self.stratum), self.arm, self.secret]
        return hashlib.sha256(canonical(parts).encode("ascii")).hexdigest()

    def text(self) -> str:
        """What is printed inside the envelope."""
        where = ", ".join(f"{factor} {level}" for factor, level in self.stratum.items()) or "everybody"
        return f"Slip {self.number} ({where})\n  arm:    {self.arm}\n  secret: {self.secret}"


@dataclass(frozen=True, slots=True)
class SealedList:
    """What is published of a list: rule, numbers and strata of the slips, and their seals.

    Parameters
    ----------
    drawn_by : mapping
        Description of the method that made the list.
    slips : tuple of (int, mapping, str)
        Number, stratum and seal of every slip, in order.
    """

    drawn_by: Mapping[str, Any]
    slips: tuple[tuple[int, Mapping[str, str], str], ...]

    @property
    def commitment(self) -> str:
        """One code over all of it, to be printed in the protocol (E05)."""
        return hashlib.sha256(canonical(self.content()).encode("ascii")).hexdigest()

    def describe(self) -> dict[str, Any]:
        """The description under which the protocol is locked."""
        return {
            "method": "sealed list",
            "arms": list(self.drawn_by["arms"]),
            "factors": list(self.drawn_by["factors"]),
            "drawn_by": dict(self.drawn_by),
            "commitment": self.commitment,
        }

    def content(self) -> dict[str, Any]:
        """The whole list in plain values, as the ledger keeps it."""
        slips = [[number, dict(stratum), seal] for number, stratum, seal in self.slips]
        return {"drawn_by": dict(self.drawn_by), "slips": slips}


def make_list(
    method: AllocationMethod[Any], lengths: Sequence[tuple[Mapping[str, str], int]], *, entropy: str
) -> tuple[SealedList, tuple[Slip, ...]]:
    """Draw a whole list; for the outsider, on a machine that those who enrol do not use.

    Parameters
    ----------
    method : AllocationMethod
    lengths : sequence of (mapping, int)
        Number of slips in each stratum.
    entropy : str
        Kept by the outsider; with it anybody can make the same list again after the study (E01).

    Returns
    -------
    SealedList
        To be published.
    tuple of Slip
        To be sealed in numbered opaque envelopes.

    Examples
    --------
    >>> from studykit.allocation.blocks import PermutedBlocks
    >>> rule = PermutedBlocks(("a", "b"), block_sizes=(4,))
    >>> published, slips = make_list(rule, [({}, 8)], entropy="07" * 32)
    >>> sorted(slip.arm for slip in slips)
    ['a', 'a', 'a', 'a', 'b', 'b', 'b', 'b']
    >>> [slip.seal() for slip in slips] == [seal for _, _, seal in published.slips]
    True
    """
    bits = RecordedBits(entropy)
    slips: list[Slip] = []
    state = method.start()
    for stratum, number in lengths:
        for _ in range(number):
            arm = draw(method, state, stratum=stratum, bits=bits).arm
            state = method.after(state, stratum, arm)
            secret = f"{bits.take(_SECRET_BITS):0{_SECRET_BITS // 4}x}"
            slips.append(Slip(len(slips) + 1, dict(stratum), arm, secret))
    if not slips:
        raise ArgumentError(where="lengths", expected="at least one slip", got="none")
    published = SealedList(
        method.describe(), tuple((slip.number, slip.stratum, slip.seal()) for slip in slips)
    )
    return published, tuple(slips)


def publish_list(ledger: Ledger, sealed_list: SealedList, *, by: str) -> Entry:
    """Write the published list into the ledger, once, before the first slip is opened (E05).

    Raises
    ------
    AllocationRefused
        If the protocol is not locked with this list, or a list is there already.
    """

    def body(memory: Memory, _: Surroundings) -> Mapping[str, Any]:
        named = memory.need_lock().current_method
        if named is None or dict(named) != sealed_list.describe():
            raise AllocationRefused(
                where="sealed list", expected="the list that the locked protocol names", got="another one"
            )
        if any(entry.kind == "sealed list" for entry in memory.entries):
            raise AllocationRefused(where="sealed list", expected="no list yet", got="one that is published")
        return sealed_list.content()

    return ledger.record("sealed list", body, by=by)


def open_slip(
    ledger: Ledger,
    client: str,
    *,
    slip: Slip,
    facts: Mapping[str, Any],
    by: str,
    required: Sequence[str] = REQUIRED_FACTS,
) -> Receipt:
    """Record the slip that was opened for a client; only the next one of the stratum is taken.

    Parameters
    ----------
    ledger : Ledger
        With the list published in it.
    client, facts, by, required
        As for `Ledger.allocate`.
    slip : Slip
        As printed in the envelope.

    Raises
    ------
    AllocationRefused
        If the slip is not the next one of its stratum or does not fit its seal, or for any reason
        of `Ledger.allocate`.
    """
    check_client_code(client)

    def body(memory: Memory, surroundings: Surroundings) -> Mapping[str, Any]:
        published = _published(memory.entries)
        if published is None:
            raise AllocationRefused(where="sealed list", expected="a published list", got="none")
        described = published.describe()
        machine = surroundings.machine
        check_may_allocate(memory, client, facts=facts, method=described, required=required, machine=machine)
        finding = _slip_finding(slip, published, _opened(memory.entries), where=f"slip {slip.number}")
        if finding is not None:
            raise AllocationRefused(
                where=finding.where, expected=finding.expected, got=finding.got, todo=finding.todo
            )
        return {
            "client": client,
            "arm": slip.arm,
            "stratum": dict(slip.stratum),
            "facts": dict(facts),
            "method": described,
            "probabilities": {},
            "slip": {"number": slip.number, "secret": slip.secret},
            "entropy": "",
            "entropy_source": "sealed list",
            "machine": machine,
            "protocol_hash": memory.need_lock().current_hash,
        }

    entry = ledger.record("allocation", body, by=by, client=client)
    return allocation_from(entry).receipt()


def check_slips(entries: Sequence[Entry]) -> tuple[Finding, ...]:
    """Every opened slip again against its seal and its turn, and the list against its commitment."""
    findings = []
    published = _published(entries)
    opened: list[int] = []
    for entry in entries:
        if not is_opened_slip(entry):
            continue
        where = f"ledger, entry {entry.position}"
        body = entry.body
        if published is None or body["method"]["commitment"] != published.commitment:
            findings.append(Finding("stop", where, "a slip of the published list", "none such", _ASK))
            continue
        slip = Slip(body["slip"]["number"], body["stratum"], body["arm"], body["slip"]["secret"])
        finding = _slip_finding(slip, published, opened, where=where)
        if finding is not None:
            findings.append(finding)
        opened.append(slip.number)
    return tuple(findings)


def is_opened_slip(entry: Entry) -> bool:
    """Whether an entry is an allocation by slip."""
    return entry.kind == "allocation" and "slip" in entry.body


def _published(entries: Sequence[Entry]) -> SealedList | None:
    for entry in entries:
        if entry.kind == "sealed list":
            body = entry.body
            slips = tuple((number, stratum, seal) for number, stratum, seal in body["slips"])
            return SealedList(body["drawn_by"], slips)
    return None


def _opened(entries: Sequence[Entry]) -> list[int]:
    return [entry.body["slip"]["number"] for entry in entries if is_opened_slip(entry)]


def _slip_finding(slip: Slip, published: SealedList, opened: Sequence[int], *, where: str) -> Finding | None:
    """What is wrong with a slip, given the numbers opened so far; nothing when it is in order."""
    waiting = [
        (number, seal)
        for number, stratum, seal in published.slips
        if dict(stratum) == dict(slip.stratum) and number not in opened
    ]
    if not waiting:
        todo = "Ask the outsider for a longer list, by an amendment."
        return Finding("stop", where, "an unopened slip of this stratum", "none left", todo)
    number, seal = waiting[0]
    if slip.number != number:
        todo = "Envelopes are opened in order; log what happened to the one that was passed over."
        return Finding("stop", where, f"slip {number}, the next of its stratum", f"slip {slip.number}", todo)
    if slip.seal() != seal:
        todo = "Check arm and secret as printed; if they are right, the envelope was exchanged."
        return Finding("stop", where, "a slip that fits its published seal", "another one", todo)
    return None
