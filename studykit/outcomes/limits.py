"""Limits that every reader must see: fixed sentences, each with the condition that brings it out."""

from __future__ import annotations

from collections.abc import Sequence

from studykit.errors import Finding
from studykit.outcomes.delivery import plans_partner_reps
from studykit.outcomes.results import DeliveryResult, HarmsResult, OutcomeResult
from studykit.protocol.outcome import OutcomeSection
from studykit.protocol.types import Protocol
from studykit.records.rows import StudyRows

SMALL_STUDY = (
    "The study has few clients: it can rule out neither benefit nor harm inside the intervals, and it speaks "
    "for people like those who took part."
)
PACKAGE = (
    "Partner reps also bring more work, more time, touch and attention: the comparison is of the whole "
    "package, "
    "and cannot say which part of it counts."
)
HYPOTHETICAL = (
    "Scores are seen only in clients who were tested. The result estimates what they would be had the "
    "programme "
    "gone on, if missing scores are like those of similar clients who were tested; it does not estimate the "
    "effect of offering the programme whatever happens afterwards."
)


EARLY = "This is an early reading, not the result:"


def early_remarks(look: int | None) -> tuple[str, ...]:
    """What a reading before the end of follow-up is worth; nothing at the end.

    Parameters
    ----------
    look : int or None
        Number of the planned look, 0 where none was due.
    """
    if look is None:
        return ()
    worth = f"look {look} was planned now" if look else "no look was planned now, so it decides nothing"
    return (f"{EARLY} the study goes on; {worth}.",)


def collect_limits(
    protocol: Protocol,
    rows: StudyRows,
    *,
    randomised: bool,
    outcomes: Sequence[OutcomeResult],
    delivery: DeliveryResult | None,
    harms: HarmsResult | None,
    refused: Sequence[Finding] = (),
) -> tuple[str, ...]:
    """All sentences that apply, in the order in which they are to be read.

    ``refused`` holds one finding for each outcome that could not be estimated, its place the outcome's
    code.
    """
    found = [SMALL_STUDY, *_refused(protocol, refused)]
    if not randomised:
        found.append(
            "The allocation was not verified as random, so differences between the arms may have other "
            "causes."
        )
    found += [protocol.plan.words.remark] if protocol.plan.words.remark else []
    found += _recruitment(protocol, rows)
    found += _trainer_remarks(outcomes)
    found += _roles(protocol)
    found += _blinding(protocol, rows)
    if any(plans_partner_reps(protocol, arm) for arm in protocol.arm_codes):
        found.append(PACKAGE)
    found += _contamination(delivery)
    found += [limit for outcome in outcomes for limit in outcome.limits()]
    if any(_is_hypothetical(outcome) for outcome in protocol.outcomes):
        found.append(HYPOTHETICAL)
    found += _harms(harms)
    found += _withdrawn(rows)
    return tuple(dict.fromkeys(found))


def _roles(protocol: Protocol) -> list[str]:
    """One person in two of the three roles of allocation: enrolling, drawing, testing."""
    roles = protocol.roles
    done = {"enrolled clients": roles.enrolment, "ran the draws": roles.allocation, "tested": roles.testing}
    who: dict[str, list[str]] = {}
    for what, code in done.items():
        if code.strip() and not code.casefold().startswith("not applicable"):
            who.setdefault(code.strip(), []).append(what)
    told = [f"One person, {code}, {' and '.join(what)}." for code, what in who.items() if len(what) > 1]
    if told and not protocol.is_external:
        told.append(_what_could_be_seen(protocol))
    return told


def _what_could_be_seen(protocol: Protocol) -> str:
    if protocol.draws_trainers:
        return "Once the trainers were drawn, this person could know a client's arm beforehand."
    if protocol.sealed_list:
        return "The arms were sealed from this person until each client was enrolled."
    return "No list of arms existed that this person could have seen."


def _refused(protocol: Protocol, refused: Sequence[Finding]) -> list[str]:
    """An outcome that is planned and missing must be seen to be missing."""
    why = {finding.where.removeprefix("outcome "): finding for finding in refused}
    return [
        f"The {outcome.role} outcome, {outcome.name}, could not be estimated: {why[outcome.code].got} in "
        f"place of {why[outcome.code].expected}."
        for outcome in protocol.outcomes
        if outcome.code in why
    ]


def _recruitment(protocol: Protocol, rows: StudyRows) -> list[str]:
    planned, number = protocol.planning.clients, rows.clients.number
    if protocol.is_external or number >= planned:
        return []
    return [f"{number} clients were allocated, {planned} were planned: intervals are wider than planned."]


def _trainer_remarks(outcomes: Sequence[OutcomeResult]) -> list[str]:
    return [text for item in outcomes for text in item.primary.remarks if "trainer" in text.lower()]


def _blinding(protocol: Protocol, rows: StudyRows) -> list[str]:
    counts = dict(rows.assessor_blind)
    total = sum(counts.values())
    if not total:
        return []
    knew, unrecorded = counts.get("no", 0), counts.get("not recorded", 0)
    found = []
    if knew:
        found.append(
            f"The assessor knew the arm at {knew} of {total} test results: such results can lean towards "
            f"what the "
            "assessor expects (unblinded assessors inflated effects on subjective scales by about 68 %, "
            "Hróbjartsson et al. 2013)."
        )
    if unrecorded:
        found.append(
            f"Whether the assessor knew the arm was not recorded for {unrecorded} of {total} test results."
        )
    if not knew and not unrecorded and not protocol.oversight.assessor_blinded:
        found.append("The protocol did not ask for an assessor who does not know the arm.")
    return found


def _contamination(delivery: DeliveryResult | None) -> list[str]:
    if delivery is None:
        return []
    return [
        f"{arm.contaminated_clients} of {arm.clients} clients of arm {arm.arm} had partner reps although "
        f"none were "
        "planned: a true difference is diluted."
        for arm in delivery.arms
        if arm.contaminated_clients
    ]


def _is_hypothetical(outcome: OutcomeSection) -> bool:
    return outcome.estimand is not None and outcome.estimand.strategies.leaves_studio == "hypothetical"


def _withdrawn(rows: StudyRows) -> list[str]:
    """What is not used because it was taken back, and what stays."""
    told = []
    for what, kept in (
        ("consent", "What was written down before is used, as the consent form says."),
        ("data", "Code, arm and day of the draw stay, so that each draw can be checked; so do harms."),
    ):
        own = [one for one in rows.withdrawn if one.what == what]
        if own:
            number, left_out = len(own), sum(one.rows for one in own)
            who = f"{number} client{'s' if number > 1 else ''} took {what} back"
            told.append(f"{who}: {left_out} rows of the records are not used. {kept}")
    return told


def _harms(harms: HarmsResult | None) -> list[str]:
    if harms is None:
        return []
    found = []
    if not harms.systematic:
        found.append(
            "Harms were not asked about at every session, so some may have gone unrecorded, and more so in "
            "one arm."
        )
    if harms.pause_reasons:
        found.append(
            f"The protocol's rule for pausing partner reps has struck: {'; '.join(harms.pause_reasons)}."
        )
    return found
