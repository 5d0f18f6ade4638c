"""The audit of a ledger: chain, replay of every draw, receipts, balance, predictability.

Anybody can run it; it writes nothing. What the chain alone cannot show, a tail cut off or an older
copy put back, is shown by the receipts that clients hold and by the code that the last audit
printed, kept elsewhere.
"""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Iterable, Sequence
from typing import Any

from studykit.allocation.acts import (
    Allocation,
    Locked,
    Receipt,
    allocation_from,
    allocations_from,
    locked_from,
)
from studykit.allocation.audit_result import Anchor, AuditResult, Balance, Predictability
from studykit.allocation.bits import RecordedBits
from studykit.allocation.entries import (
    CLOCK_TOLERANCE,
    Entry,
    check_chain,
    facts_hash,
    moment_text,
    short_code,
    utc_moment,
    written_again,
)
from studykit.allocation.method import Draw, draw, written_probabilities
from studykit.allocation.methods import method_from
from studykit.allocation.past import Past
from studykit.allocation.sealed import remade_findings
from studykit.allocation.slips import check_slips, is_opened_slip, published_list
from studykit.allocation.together import check_splits
from studykit.errors import Finding, StudykitError
from studykit.protocol.local_time import in_zone, is_known


def audit(
    entries: Sequence[Entry],
    beside: Sequence[Finding] = (),
    *,
    receipts: Iterable[Receipt] = (),
    anchors: Iterable[Anchor] = (),
    list_entropy: str = "",
    entry_delay_days: int = 14,
) -> AuditResult:
    """Check a whole ledger.

    Parameters
    ----------
    entries : sequence of Entry
        From the first; see `Ledger.unverified`.
    beside : sequence of Finding
        What is wrong with the file beside the chain.
    receipts : iterable of Receipt
        As many as can be collected from clients.
    anchors : iterable of Anchor
        Codes that earlier audits printed and somebody kept elsewhere.
    list_entropy : str
        Where slips of a sealed list are opened, what the outsider made the list from; for after recruitment.
    entry_delay_days : int
        An event entered later than this is noted.
    """
    collected, kept = tuple(receipts), tuple(anchors)
    findings: list[Finding] = [*check_chain(entries), *beside]
    number = len(entries)
    anchor = Anchor(entries[-1].position, short_code(entries[-1].code)) if entries else None
    findings += _anchors(entries, kept)
    entries, unreadable = _readable(entries)
    findings += unreadable
    findings += _times(entries, entry_delay_days)
    findings += _zones(entries)
    draws, trouble = replay_draws(entries)
    findings += trouble
    findings += check_splits(entries)
    findings += check_slips(entries)
    findings += _remade(entries, list_entropy)
    findings += _receipts(entries, collected)
    findings += _conduct(entries)
    allocations = allocations_from(entries)
    arms = tuple(dict.fromkeys(arm for allocation in allocations for arm in allocation.method["arms"]))
    kinds: dict[str, int] = {}
    for entry in entries:
        kinds[entry.kind] = kinds.get(entry.kind, 0) + 1
    return AuditResult(
        entries=number,
        replayed=len(draws),
        receipts_checked=len(collected) + len(kept),
        findings=tuple(findings),
        arms=arms,
        balance=_balance(allocations, arms),
        predictability=_predictability(draws, allocations),
        anchor=anchor,
        locked=locked_from(entries),
        kinds=kinds,
        slips=sum(map(is_opened_slip, entries)),
        lists_remade=int(bool(list_entropy)),
    )


def _remade(entries: Sequence[Entry], entropy: str) -> tuple[Finding, ...]:
    """The published list in force, made again from what the outsider kept."""
    if not entropy:
        return ()
    locked = locked_from(entries)
    named = {} if locked is None else locked.current_method or {}
    published = published_list(entries, str(named.get("commitment")))
    if published is None:
        return (_stop("ledger", "a published list", "none, so that there is nothing to make again"),)
    return remade_findings(published, entropy)


def replay_draws(entries: Sequence[Entry]) -> tuple[tuple[Draw, ...], tuple[Finding, ...]]:
    """Repeat every draw from its recorded entropy and what was known at the time."""
    past = Past()
    draws: list[Draw] = []
    findings: list[Finding] = []
    methods: dict[str, Any] = {}
    for entry in entries:
        if entry.kind != "allocation" or is_opened_slip(entry):
            continue
        where = f"ledger, entry {entry.position}"
        try:
            body = entry.body
            text = written_again(body["method"])
            if text not in methods:
                methods[text] = method_from(body["method"])
            method = methods[text]
            bits = RecordedBits(body["entropy"])
            again = draw(method, past.state(method, text), stratum=body["stratum"], bits=bits)
            written = written_probabilities(method.arms, again)
            if again.arm != body["arm"]:
                findings.append(_stop(where, f"arm {again.arm}, which the draw gives", f"arm {body['arm']}"))
            if written != body["probabilities"]:
                findings.append(_stop(where, f"probabilities {written}", str(body["probabilities"])))
            draws.append(again)
            past.add(body["stratum"], body["arm"], text)
        except (StudykitError, KeyError, TypeError, ValueError) as error:
            findings.append(_stop(where, "a draw that can be repeated", str(error)))
    return tuple(draws), tuple(findings)


def _stop(where: str, expected: str, got: str) -> Finding:
    return Finding("stop", where, expected, got, "Ask whoever keeps copies and receipts before going on.")


def contradictions(
    entries: Sequence[Entry], receipts: Sequence[Receipt], anchors: Sequence[Anchor]
) -> tuple[Finding, ...]:
    """Receipts and codes kept elsewhere that the ledger contradicts."""
    return (*_anchors(entries, anchors), *_receipts(entries, receipts))


def _receipts(entries: Sequence[Entry], receipts: Sequence[Receipt]) -> list[Finding]:
    """Receipts that the ledger contradicts."""
    known = {allocation.client: allocation.receipt() for allocation in allocations_from(entries)}
    findings = []
    for receipt in receipts:
        inside = known.get(receipt.client)
        if inside == receipt:
            continue
        got = (
            "no such client"
            if inside is None
            else f"entry {inside.position}, arm {inside.arm}, code {inside.code}"
        )
        expected = f"entry {receipt.position}, arm {receipt.arm}, code {receipt.code}, as on the receipt"
        findings.append(_stop(f"ledger, client {receipt.client}", expected, got))
    return findings


def _anchors(entries: Sequence[Entry], anchors: Sequence[Anchor]) -> list[Finding]:
    """Codes kept elsewhere that the ledger contradicts."""
    codes = {entry.position: short_code(entry.code) for entry in entries}
    return [
        _stop(
            f"ledger, entry {anchor.position}",
            f"code {anchor.code}, as kept elsewhere",
            codes.get(anchor.position, "no such entry: the end of the ledger is missing"),
        )
        for anchor in anchors
        if codes.get(anchor.position) != anchor.code
    ]


def _times(entries: Sequence[Entry], entry_delay_days: int) -> list[Finding]:
    """Clocks that ran backwards, and events entered late."""
    findings = []
    for before, entry in itertools.pairwise(entries):
        if (
            entry.kind != "clock"
            and utc_moment(entry.entry_time) < utc_moment(before.entry_time) - CLOCK_TOLERANCE
        ):
            findings.append(
                Finding(
                    "warn",
                    f"ledger, entry {entry.position}",
                    f"a time after {before.entry_time}",
                    entry.entry_time,
                    "The clock ran backwards.",
                )
            )
    for entry in entries:
        event = dt.datetime.fromisoformat(entry.event_time)
        event = event if event.tzinfo else event.replace(tzinfo=utc_moment(entry.entry_time).tzinfo)
        days = (utc_moment(entry.entry_time) - event).days
        if days > entry_delay_days:
            findings.append(
                Finding(
                    "note",
                    f"ledger, entry {entry.position} ({entry.kind})",
                    f"to be entered within {entry_delay_days} days",
                    f"{days} days",
                )
            )
    return findings


def _zones(entries: Sequence[Entry]) -> list[Finding]:
    """Entries whose day is another one in the time zone that they name, and those that name none."""
    unnamed, findings = [], []
    for entry in entries:
        zone, moment = entry.body.get("time_zone", ""), utc_moment(entry.entry_time)
        if not zone:
            unnamed.append(entry)
        elif is_known(zone) and (there := in_zone(moment, zone)).utcoffset() != moment.utcoffset():
            where, told = f"ledger, entry {entry.position}", f"{moment_text(there)}, the time in {zone}"
            doubt = "This computer may know other rules of that zone."
            findings.append(Finding("warn", where, told, entry.entry_time, doubt))
    drawn = [entry for entry in unnamed if entry.kind == "allocation"]
    if drawn:
        offsets = dict.fromkeys(entry.entry_time[23:].replace("Z", "UTC") for entry in drawn)
        findings.append(
            Finding("note", "ledger", "a time zone with every allocation",
                    f"{len(drawn)} without, first at entry {drawn[0].position}",
                    f"Their days are read as they were written ({', '.join(offsets)}).")
        )  # fmt: skip
    return findings


def _conduct(entries: Sequence[Entry]) -> list[Finding]:
    """Interruptions and allocations that a reader should know of, or that the rules do not allow."""
    findings = []
    for entry in entries:
        if entry.kind == "withdrawal":
            body = entry.body
            what = f"client {body['client']}: {body['what']}, {body['day']}"
            findings.append(Finding("note", f"ledger, entry {entry.position}", "no withdrawal", what))
        elif entry.kind in ("clock", "home", "reopening", "unblinding", "handover"):
            what = f"an entry of the kind {entry.kind}: {entry.body.get('reason', '')}"
            findings.append(Finding("note", f"ledger, entry {entry.position}", "no interruption", what))
    return [*findings, *_rules(entries), *_simulated(entries)]


def _rules(entries: Sequence[Entry]) -> list[Finding]:
    """Allocations before the lock, twice, by another method, or on another machine."""
    findings = []
    seen: dict[str, int] = {}
    decisions: list[Entry] = []
    locked: Locked | None = None
    for entry in entries:
        if entry.kind in ("lock", "amendment", "home", "split"):
            decisions.append(entry)
            locked = locked_from(decisions)
        if entry.kind != "allocation":
            continue
        where = f"ledger, entry {entry.position}"
        made = allocation_from(entry)
        told = entry.body.get("facts_hash")
        if told is not None and told != facts_hash(made.stratum, made.facts):
            findings.append(_stop(where, "facts that fit the hash fixed at the draw", "other facts"))
        first = seen.setdefault(made.client.casefold(), entry.position)
        if first != entry.position:
            findings.append(_stop(where, "a client without an arm", f"one allocated at entry {first}"))
        if locked is None:
            findings.append(_stop(where, "a locked protocol before the first client", "none"))
            continue
        if made.method != locked.current_method:
            findings.append(_stop(where, "the method of the locked protocol", "another method"))
        if entry.body.get("protocol_hash") != locked.current_hash:
            findings.append(_stop(where, "the hash of the protocol in force", "another hash"))
        if made.machine != locked.home:
            findings.append(_stop(where, f"home machine {locked.home}", f"machine {made.machine}"))
    return findings


def _simulated(entries: Sequence[Entry]) -> list[Finding]:
    """Draws that did not come from the operating system."""
    drawn = ("allocation", "split")
    sources = [entry.body.get("entropy_source") for entry in entries if entry.kind in drawn]
    number = sum(source == "simulated" for source in sources)
    if not number:
        return []
    return [
        Finding(
            "warn",
            "ledger",
            "draws from the operating system's entropy",
            f"{number} simulated draws",
            "Right for a demonstration; a real study must not hold any.",
        )
    ]


def _readable(entries: Sequence[Entry]) -> tuple[list[Entry], list[Finding]]:
    """Entries whose content can be read, and a finding for every other one."""
    readable, findings = [], []
    for entry in entries:
        try:
            utc_moment(entry.entry_time)
            utc_moment(entry.event_time)
            dict(entry.body)
            if entry.kind == "allocation":
                allocation_from(entry)
            locked_from([entry])
            readable.append(entry)
        except (StudykitError, KeyError, TypeError, ValueError) as error:
            findings.append(
                _stop(f"ledger, entry {entry.position}", "an entry that can be read", repr(error))
            )
    return readable, findings


def _balance(allocations: Sequence[Allocation], arms: tuple[str, ...]) -> tuple[Balance, ...]:
    """Clients per arm: over all, by each factor, by each combination; as corrected, like the analysis."""
    rows: dict[tuple[str, str], list[int]] = {("all", "all"): [0] * len(arms)}
    for allocation in allocations:
        stratum = allocation.true_stratum
        keys = [("all", "all"), *stratum.items()]
        if len(stratum) > 1:
            names = sorted(stratum)
            keys.append((" and ".join(names), ", ".join(stratum[name] for name in names)))
        for key in keys:
            rows.setdefault(key, [0] * len(arms))[arms.index(allocation.arm)] += 1
    ordered = sorted(rows.items(), key=lambda item: (item[0][0] != "all", " and " in item[0][0], item[0]))
    return tuple(Balance(factor, level, tuple(counts)) for (factor, level), counts in ordered)


def _predictability(draws: Sequence[Draw], allocations: Sequence[Allocation]) -> Predictability:
    """What the best guesser would have got right; without any knowledge he names the commoner arm."""
    return Predictability(
        draws=len(draws),
        certain=sum(made.was_certain for made in draws),
        expected_correct=float(sum(made.best_guess for made in draws)),
        by_chance=float(sum(_commoner_share(made) for made in allocations if made.probabilities)),
    )


def _commoner_share(allocation: Allocation) -> float:
    ratio = allocation.method.get("ratio") or [1] * len(allocation.probabilities)
    return float(max(ratio) / sum(ratio))
