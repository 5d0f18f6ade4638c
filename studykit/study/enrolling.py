"""Enrolling one client: facts from the records, then the draw, or the next slip of an outsider's list."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from studykit.errors import AllocationRefused, DataError, DesignError, Finding
from studykit.study.checking import stop_on_ledger
from studykit.study.draw_facts import fixed, lost_record_findings
from studykit.study.rights import require_right

if TYPE_CHECKING:
    from studykit.allocation.acts import Receipt
    from studykit.allocation.ledger import Ledger
    from studykit.allocation.method import AllocationMethod
    from studykit.allocation.slips import CalledSlip
    from studykit.allocation.splits import Split, SplitPlan
    from studykit.records.enrolment import EnrolmentFacts
    from studykit.study.snapshot import Snapshot


def enrolment(now: Snapshot, client: str) -> EnrolmentFacts:
    """Facts of a client; see `studykit.study.Study.enrolment`."""
    from studykit.allocation.ledger_home import synchronised_folder
    from studykit.records.enrolment import enrolment_facts

    now.need_lock()
    facts = enrolment_facts(now.records, now.protocol, client, today=now.today)
    if left := now.handovers.left.get(str(facts.facts["trainer"])):
        gone = f"The trainer of {facts.client} left ({left}). Enter in records/clients who trains the client."
        facts = replace(facts, missing=(*facts.missing, gone))
    cautions = [*facts.cautions, *_lapsed(now, str(facts.facts["trainer"]))]
    if why := synchronised_folder(now.folder):
        cautions.append(f"Two copies of the ledger may come about: {why}. Enrol on one machine only.")
    return replace(facts, cautions=tuple(cautions))


def _lapsed(now: Snapshot, trainer: str) -> Iterator[str]:
    """A sign-off that has lapsed: said before the question, and no refusal.

    Sheets withhold partner reps until the trainer is checked anew, so that nobody is harmed; and a trainer
    whose clients are all in the other arm has no practice, and would keep each next client out of the study.
    """
    from studykit.outcomes.client_day import sign_off_of
    from studykit.records.enrolment import needs_every_sign_off

    if not trainer or not needs_every_sign_off(now.protocol):
        return
    found = sign_off_of(now.records, trainer, today=now.today, days=now.protocol.trainers.sign_off_days)
    if found.holds_until is not None and not found.holds:
        yield (
            f"The sign-off of {trainer} for partner reps has lapsed after {found.holds_until}. Check "
            f"{trainer} anew and write the day into records/trainers; until then no partner reps are given."
        )


def enrol(now: Snapshot, ledger: Ledger, client: str, *, by: str) -> Receipt:
    """Draw a client's arm; see `studykit.study.Study.enrol`."""
    method = _method(now)
    if now.protocol.sealed_list:
        raise DesignError(
            where="enrol", expected="a slip of the sealed list that the protocol names", got="a draw",
            todo="Call the slip (call_slip), open the envelope, record its word (open_slip).",
        )  # fmt: skip
    facts = _ready(now, ledger, client, by=by)
    stratum, told = dict(facts.stratum), dict(facts.facts)
    return ledger.allocate(
        facts.client, stratum=stratum, facts=told, method=method, by=by,
        fixed=fixed(now.records, stratum, told),
    )  # fmt: skip


def _method(now: Snapshot) -> AllocationMethod[Any]:
    """How the client's arm is drawn; refused where it was drawn elsewhere."""
    from studykit.allocation.asked import method_for

    method = _with_trainer(now) if now.protocol.draws_trainers else method_for(now.protocol)
    if method is None:
        raise DesignError(
            where="enrol", expected="a study that allocates here", got='allocation = "external"'
        )
    return method


def allocate_trainers(now: Snapshot, ledger: Ledger, *, by: str) -> Split:
    """Draw the arms of all trainers; see `studykit.study.Study.allocate_trainers`."""
    from studykit.allocation.together import allocate_trainers as draw

    need_ready_to_split(now, ledger, by=by)
    listed = bool(getattr(now.protocol.allocation, "clients_listed", False))
    return draw(ledger, trainer_facts(now), plan=_plan(now), by=by, clients_listed=listed)


@dataclass(frozen=True, slots=True)
class TrainersToDraw:
    """The trainers as they are repeated before the draw.

    Parameters
    ----------
    facts : mapping of str to mapping of str to float
        What the draw balances, by code of trainer.
    clients : mapping of str to int
        Clients listed with each trainer.
    findings : tuple of Finding
        What a reader should know before the draw.
    """

    facts: Mapping[str, Mapping[str, float]]
    clients: Mapping[str, int]
    findings: tuple[Finding, ...]

    def text(self) -> str:
        """Lines to be read aloud."""
        lines = [f"{len(self.facts)} trainers"]
        for code, numbers in self.facts.items():
            told = [f"{name.replace('_', ' ')} {value:g}" for name, value in numbers.items()]
            lines.append(f"  {code}: {', '.join([*told, f'{self.clients[code]} clients listed'])}")
        return "\n".join([*lines, *(f"  LOOK AT: {finding}" for finding in self.findings)])


def trainers_to_draw(now: Snapshot) -> TrainersToDraw:
    """The trainers who would be drawn now, and what to look at; nothing is drawn.

    Raises
    ------
    AllocationRefused, DesignError
        As `allocate_trainers`, but for what only the ledger can refuse.
    """
    from studykit.allocation.bits import RecordedBits
    from studykit.allocation.splits import find_candidates

    plan = _plan(now)
    facts = trainer_facts(now)
    listed = [str(code) for code in now.records["clients"].columns["trainer"]]
    # Any bits will do: they only matter where splits are sampled, and these are not the ones of the draw.
    candidates = find_candidates(facts, plan, bits=RecordedBits("00" * 32))
    return TrainersToDraw(facts, {code: listed.count(code) for code in facts}, candidates.findings())


def need_ready_to_split(now: Snapshot, ledger: Ledger, *, by: str) -> None:
    """Refuse a draw of the trainers that could not be made now; see `need_ready`."""
    from studykit.allocation.together import check_may_split

    plan = _plan(now)
    require_right("allocate", by, now.protocol)
    _need_records(now)
    ledger.ready(lambda memory, surroundings: check_may_split(memory, plan, surroundings))


def _plan(now: Snapshot) -> SplitPlan:
    """How the trainers are split; refused where clients are drawn."""
    from studykit.allocation.asked import split_plan_for

    now.need_lock()
    stop_on_ledger(now)
    protocol = now.protocol
    plan = split_plan_for(protocol)
    if plan is None:
        raise DesignError(
            where="trainers", expected='a protocol with method = "trainers together"',
            got=f'method = "{protocol.allocation.method}"', todo="Here clients are drawn: enrol them.",
        )  # fmt: skip
    return plan


def trainer_facts(now: Snapshot) -> dict[str, dict[str, float]]:
    """What is known of every trainer who is to be drawn, by code.

    Raises
    ------
    AllocationRefused
        If a number is missing, or clients are to be listed first and are not.
    """
    protocol, records = now.protocol, now.records
    table, clients = records["trainers"], records["clients"]
    codes = [str(code) for code in table.columns["trainer"]]
    missing = [
        f"{name} of {code}"
        for name in protocol.trainer_facts
        for code, value in zip(codes, table.columns.get(name, ()), strict=True)
        if not math.isfinite(float(value))
    ]
    if missing:
        raise AllocationRefused(
            where=table.where, expected="every number that the draw balances", todo="Enter it first.",
            got=f"nothing for {', '.join(missing[:5])}",
        )  # fmt: skip
    own = {str(code) for code in clients.columns["trainer"]}
    listed = bool(getattr(protocol.allocation, "clients_listed", False))
    strange = [
        f"{client} ({trainer or 'no trainer'})"
        for client, trainer in zip(clients.columns["client"], clients.columns["trainer"], strict=True)
        if trainer not in codes
    ]
    if listed and strange:
        raise AllocationRefused(
            where=clients.where, expected="a trainer of records/trainers with every listed client",
            got=", ".join(strange[:5]), todo="Correct the code, or add the trainer; nothing was drawn.",
        )  # fmt: skip
    without = [code for code in codes if code not in own]
    if listed and (without or not codes):
        raise AllocationRefused(
            where=clients.where, expected="clients of every trainer, listed before the trainers are drawn",
            got=f"none of {', '.join(without)}" if without else "no trainers",
            todo="List them first; or write clients_listed = false, and recruit without knowing the arms.",
        )  # fmt: skip
    return {
        code: {name: float(table.columns[name][row]) for name in protocol.trainer_facts}
        for row, code in enumerate(codes)
    }


def _with_trainer(now: Snapshot) -> AllocationMethod[Any]:
    """The arms that the trainers drew."""
    from studykit.allocation.methods import method_from

    described = now.need_lock().current_method or {}
    if described.get("method") != "with trainer":
        raise AllocationRefused(
            where="trainers", expected="trainers who have been drawn", got="none yet",
            todo="Draw them first, all at once: studykit trainers STUDY --by CODE.",
        )  # fmt: skip
    return method_from(described)


def call_slip(now: Snapshot, ledger: Ledger, client: str, *, by: str) -> CalledSlip:
    """Tie the next slip to a client; see `studykit.study.Study.call_slip`."""
    from studykit.allocation.slips import call_slip as call

    facts = _ready(now, ledger, client, by=by)
    stratum, told = dict(facts.stratum), dict(facts.facts)
    more = fixed(now.records, stratum, told)
    return call(ledger, facts.client, stratum=stratum, facts=told, by=by, fixed=more)


def open_slip(now: Snapshot, ledger: Ledger, client: str, *, word: str, by: str) -> Receipt:
    """Record an opened slip; see `studykit.study.Study.open_slip`."""
    from studykit.allocation.slips import open_slip as record

    require_right("allocate", by, now.protocol)
    return record(ledger, client.strip(), word=word, by=by)


def drawn_before(now: Snapshot, client: str, *, by: str) -> Receipt | None:
    """The receipt of a client who has an arm, for somebody who runs the draws; else ``None``."""
    given = {made.client.casefold(): made for made in now.allocations}
    made = given.get(client.strip().casefold())
    if made is None:
        return None
    require_right("allocate", by, now.protocol)
    return made.receipt()


def trainers_drawn_before(now: Snapshot, *, by: str) -> Split | None:
    """The split that was drawn, for somebody who runs the draws; else ``None``."""
    from studykit.allocation.together import split_of

    entry = next((entry for entry in now.entries if entry.kind == "split"), None)
    if entry is None:
        return None
    require_right("allocate", by, now.protocol)
    return split_of(entry)


def _ready(now: Snapshot, ledger: Ledger, client: str, *, by: str) -> EnrolmentFacts:
    """The facts of a client who can be allocated now."""
    facts = enrolment(now, client)
    need_ready(now, ledger, facts, by=by)
    return facts


def _need_records(now: Snapshot) -> None:
    """Refuse a draw beside a ledger that is not the last one, or records that have lost something."""
    stop_on_ledger(now)
    lost = lost_record_findings(now.entries, now.records)
    if stops := [finding for finding in lost if finding.severity == "stop"]:
        raise DataError(stops)


def need_ready(now: Snapshot, ledger: Ledger, facts: EnrolmentFacts, *, by: str) -> None:
    """Refuse a client who cannot be allocated now: nothing is asked or drawn before.

    Raises
    ------
    AllocationRefused
        If enrolment pauses, the ledger is not the last one, something is missing, or the ledger would refuse.
    ArgumentError
        If this person does not run the draws.
    """
    from studykit.allocation.slips import ready_to_call

    require_right("allocate", by, now.protocol)
    _need_records(now)
    if reasons := now.pause_reasons:
        raise AllocationRefused(
            where="pause rule on harms", expected="no reason to pause", got="; ".join(reasons),
            todo="Let the reviewer decide, and amend the protocol before going on.",
        )  # fmt: skip
    if facts.missing:
        raise AllocationRefused(
            where=f"client {facts.client}", expected="a client who is ready", got=" ".join(facts.missing),
            todo="Not in this study; nothing was drawn." if facts.excluded
            else "Complete the records first; nothing was drawn.",
        )  # fmt: skip
    stratum, told = dict(facts.stratum), dict(facts.facts)
    if now.protocol.sealed_list:
        ready_to_call(ledger, facts.client, stratum=stratum, facts=told)
    else:
        ledger.ready_to_allocate(facts.client, stratum=stratum, facts=told, method=_method(now))
