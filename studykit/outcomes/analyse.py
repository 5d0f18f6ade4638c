"""All outcomes of a study from its frozen rows."""

from __future__ import annotations

from collections.abc import Sequence

from studykit.errors import Finding, FitError
from studykit.outcomes.baseline import baseline_table
from studykit.outcomes.client_periods import by_client_period
from studykit.outcomes.decision import decide
from studykit.outcomes.delivery import analyse_delivery
from studykit.outcomes.flow import trace_flow
from studykit.outcomes.harms import analyse_harms
from studykit.outcomes.kind_analysis import analysis_of
from studykit.outcomes.limits import collect_limits, early_remarks
from studykit.outcomes.rerandomisation import RedrawnArms
from studykit.outcomes.results import OutcomeResult, Provenance, RerandomisationTest, StudyResults, leading
from studykit.protocol.types import Protocol
from studykit.records.rows import StudyRows


def analyse_rows(
    protocol: Protocol,
    rows: StudyRows,
    *,
    provenance: Provenance,
    randomised: bool,
    findings: Sequence[Finding] = (),
    drawn: RedrawnArms | None = None,
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
    drawn : RedrawnArms, optional
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
    outcomes = _outcomes(protocol, rows, refused)
    if not outcomes:
        raise FitError(
            where="analysis",
            expected="records that are enough for a result",
            got="too few so far",
            todo=" ".join(f"The {note.where} needs {note.expected}." for note in refused)
            + " Enter more records, or analyse later.",
        )
    by_arm = by_client_period(protocol, rows)
    harms, delivery = analyse_harms(protocol, by_arm), analyse_delivery(protocol, by_arm)
    flow, flow_remarks = trace_flow(rows, leading(outcomes))
    return StudyResults(
        title=protocol.study.title,
        arms=tuple((code, protocol.arm(code).name) for code in protocol.arm_codes),
        comparison=(protocol.comparison_arm.code, protocol.reference_arm.code),
        confidence_level=protocol.analysis.confidence_level,
        randomised=randomised,
        outcomes=outcomes,
        harms=harms,
        delivery=delivery,
        flow=flow,
        baseline=baseline_table(protocol, rows),
        decisions=decide(
            protocol, [item.primary for item in outcomes if item.primary.role == "primary"], look=look
        ),
        assessor_blind=rows.assessor_blind,
        remarks=(
            *early_remarks(look),
            *collect_limits(
                protocol,
                rows,
                randomised=randomised,
                outcomes=outcomes,
                delivery=delivery,
                harms=harms,
                refused=refused,
            ),
            *flow_remarks,
        ),
        findings=(*findings, *refused),
        provenance=provenance,
        rerandomisation=_rerandomised(protocol, rows, outcomes, drawn),
    )


def _outcomes(protocol: Protocol, rows: StudyRows, refused: list[Finding]) -> tuple[OutcomeResult, ...]:
    """Every outcome that can be estimated, in the order of the report."""
    found = []
    for outcome in protocol.outcomes_to_report:
        try:
            found.append(analysis_of(outcome).analyse(protocol, outcome, rows))
        except FitError as reason:
            refused.append(_too_early(f"outcome {outcome.code}", reason))
    return tuple(found)


def _rerandomised(
    protocol: Protocol, rows: StudyRows, outcomes: Sequence[OutcomeResult], drawn: RedrawnArms | None
) -> tuple[RerandomisationTest, ...]:
    """Re-randomisation tests of the outcomes that were analysed, each against the arms drawn again."""
    if drawn is None:
        return ()
    analysed = {result.code for result in outcomes}
    return tuple(
        analysis_of(outcome).rerandomise(protocol, outcome, rows, drawn=drawn)
        for outcome in protocol.outcomes_to_report
        if outcome.code in analysed
    )


def _too_early(where: str, reason: FitError) -> Finding:
    """The warning that the records do not allow an estimate (yet)."""
    return Finding(
        "warn",
        where,
        reason.expected or "records that allow an estimate",
        reason.got or str(reason),
        f"{reason.todo} The outcome is left out of the results.".lstrip(),
    )
