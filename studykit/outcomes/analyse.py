"""All outcomes of a study from its frozen rows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import TypeVar

from studykit.errors import Finding, FitError
from studykit.kinds.continuous.rerandomisation import rerandomise, rerandomise_within
from studykit.kinds.continuous.result import analyse_strength
from studykit.kinds.continuous.within_result import analyse_within
from studykit.kinds.retention.rerandomisation import rerandomise_retention
from studykit.kinds.retention.result import analyse_retention
from studykit.outcomes.baseline import baseline_table
from studykit.outcomes.client_periods import by_client_period
from studykit.outcomes.decision import decide
from studykit.outcomes.delivery import analyse_delivery
from studykit.outcomes.flow import trace_flow
from studykit.outcomes.harms import analyse_harms
from studykit.outcomes.limits import collect_limits, early_remarks
from studykit.outcomes.rerandomisation import DrawnArms
from studykit.outcomes.results import (
    OutcomeEstimate,
    Provenance,
    RerandomisationTest,
    RetentionResult,
    StrengthResult,
    StudyResults,
)
from studykit.protocol.types import Protocol
from studykit.records.rows import StrengthRows, StudyRows

Result = TypeVar("Result")


def analyse_rows(
    protocol: Protocol,
    rows: StudyRows,
    *,
    provenance: Provenance,
    randomised: bool,
    findings: Sequence[Finding] = (),
    drawn: DrawnArms | None = None,
    look: int | None = None,
) -> StudyResults:
    """Analyse every outcome of the protocol.

    Parameters
    ----------
    protocol : Protocol
    rows : StudyRows
        With one entry of ``strength`` per continuous outcome of the protocol.
    provenance : Provenance
        What the results are made from.
    randomised : bool
        Whether the ledger's draws exist and verify (or, for a trial allocated elsewhere, its description
        says so).
    findings : sequence of Finding
        Met on the way; carried along.
    drawn : DrawnArms, optional
        What the method of allocation might have given instead, for the re-randomisation tests.
    look : int, optional
        Before the end of follow-up: which planned look this is, counted from 1; 0 if it is none.

    Returns
    -------
    StudyResults
        An outcome that cannot be estimated yet is left out, with a finding that says why.

    Raises
    ------
    FitError
        If no outcome at all can be estimated.
    DesignError
        If one trainer alone delivers an arm.
    """
    refused: list[Finding] = []
    retention = None
    if rows.retention is not None and protocol.retention_outcome is not None:
        spells = rows.retention
        code = protocol.retention_outcome.code
        retention = _unless_too_early(f"outcome {code}", lambda: analyse_retention(protocol, spells), refused)
    continuous = _continuous(protocol, rows, refused)
    if retention is None and not continuous:
        raise FitError(
            where="analysis",
            expected="at least one outcome that can be estimated",
            got="; ".join(f"{note.where}: {note.got} in place of {note.expected}" for note in refused)
            or "none",
            todo="Enter more records, or analyse later.",
        )
    by_arm = by_client_period(protocol, rows)
    harms, delivery = analyse_harms(protocol, by_arm), analyse_delivery(protocol, by_arm)
    flow, flow_remarks = trace_flow(rows, strength=continuous[0] if continuous else None, retention=retention)
    return StudyResults(
        title=protocol.study.title,
        arms=tuple((code, protocol.arm(code).name) for code in protocol.arm_codes),
        comparison=(protocol.comparison_arm.code, protocol.reference_arm.code),
        confidence_level=protocol.analysis.confidence_level,
        randomised=randomised,
        retention=retention,
        continuous=continuous,
        harms=harms,
        delivery=delivery,
        flow=flow,
        baseline=baseline_table(protocol, rows),
        decisions=decide(protocol, _primaries(retention, continuous), look=look),
        assessor_blind=rows.assessor_blind,
        remarks=(
            *early_remarks(look),
            *collect_limits(
                protocol,
                rows,
                randomised=randomised,
                retention=retention,
                continuous=continuous,
                delivery=delivery,
                harms=harms,
                refused=refused,
            ),
            *flow_remarks,
        ),
        findings=(*findings, *refused),
        provenance=provenance,
        rerandomisation=_rerandomised(protocol, rows, retention, continuous, drawn),
    )


def _rerandomised(
    protocol: Protocol,
    rows: StudyRows,
    retention: RetentionResult | None,
    continuous: Sequence[StrengthResult],
    drawn: DrawnArms | None,
) -> tuple[RerandomisationTest, ...]:
    """Re-randomisation tests of the outcomes that were analysed, each against the arms drawn again."""
    if drawn is None:
        return ()
    tests = []
    if retention is not None and rows.retention is not None:
        tests.append(rerandomise_retention(protocol, rows.retention, drawn=drawn))
    analysed = {result.code for result in continuous}
    for outcome, own in zip(protocol.continuous_outcomes, rows.strength, strict=True):
        if outcome.code in analysed:
            again = rerandomise_within if protocol.plan.within else rerandomise
            tests.append(again(protocol, outcome, own, drawn=drawn))
    return tuple(tests)


def _continuous(protocol: Protocol, rows: StudyRows, refused: list[Finding]) -> tuple[StrengthResult, ...]:
    by_code: dict[str, StrengthRows] = {scores.outcome: scores for scores in rows.strength}
    found = []
    analysis = analyse_within if protocol.plan.within else analyse_strength
    for outcome in protocol.continuous_outcomes:
        result = _unless_too_early(
            f"outcome {outcome.code}",
            partial(analysis, protocol, outcome, by_code[outcome.code], spells=rows.retention),
            refused,
        )
        if result is not None:
            found.append(result)
    return tuple(found)


def _unless_too_early(where: str, analysis: Callable[[], Result], refused: list[Finding]) -> Result | None:
    """The result, or a warning that the records do not allow it (yet)."""
    try:
        return analysis()
    except FitError as reason:
        refused.append(
            Finding(
                "warn",
                where,
                reason.expected or "records that allow an estimate",
                f"{reason.got} ({reason.where})" if reason.got and reason.where else str(reason),
                f"{reason.todo} The outcome is left out of the results.".lstrip(),
            )
        )
        return None


def _primaries(
    retention: RetentionResult | None, continuous: tuple[StrengthResult, ...]
) -> list[OutcomeEstimate]:
    found = [result.primary for result in continuous if result.primary.role == "primary"]
    if retention is not None and retention.primary.role == "primary":
        found.append(retention.primary)
    return found
