"""The flow of clients through the study, with the identities that its boxes must obey."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from studykit.errors import StudykitError
from studykit.outcomes.results import FlowArm, FlowResult, RetentionResult, StrengthResult
from studykit.records.rows import StudyRows

Counts = tuple[tuple[str, int], ...]
WAITING = "eligible, not yet allocated"
NO_SESSION = "no session attended"
NO_SCORE = "no score that the primary analysis could use"
UNKNOWN_STATUS = "status at the horizon not known"


def trace_flow(
    rows: StudyRows, *, strength: StrengthResult | None, retention: RetentionResult | None
) -> tuple[FlowResult, tuple[str, ...]]:
    """Boxes of the flow diagram, and remarks on what could not be drawn.

    Parameters
    ----------
    rows : StudyRows
    strength : StrengthResult or None
        The first continuous outcome.
    retention : RetentionResult or None

    Raises
    ------
    StudykitError
        If boxes do not add up: a fault of this program, not of the records.
    """
    assessed, excluded, remarks = _top(rows)
    arms = tuple(_one_arm(rows, code, strength, retention) for code in range(len(rows.clients.arm_labels)))
    known = rows.clients.allocated_on[~np.isnat(rows.clients.allocated_on)]
    flow = FlowResult(
        assessed=assessed,
        excluded=excluded,
        allocated=rows.clients.number,
        arms=arms,
        first_allocation=known.min() if known.size else np.datetime64("NaT", "D"),
        last_allocation=known.max() if known.size else np.datetime64("NaT", "D"),
        data_through=rows.data_through,
        sessions_known=rows.sessions is not None,
        departures_known=retention is not None,
    )
    check_identities(flow)
    return flow, remarks


def check_identities(flow: FlowResult) -> None:
    """Refuse a flow whose boxes do not add up.

    Raises
    ------
    StudykitError
    """
    pairs = [("allocated", flow.allocated, sum(arm.allocated for arm in flow.arms))]
    if flow.assessed is not None:
        pairs.append(("assessed", flow.assessed, _total(flow.excluded) + flow.allocated))
    for arm in flow.arms:
        pairs += [
            (f"{arm.arm}, received", arm.allocated, arm.received + _total(arm.not_received)),
            (
                f"{arm.arm}, analysed for strength",
                arm.allocated,
                arm.analysed_strength + _total(arm.not_analysed_strength),
            ),
            (
                f"{arm.arm}, analysed for retention",
                arm.allocated,
                arm.analysed_retention + _total(arm.not_analysed_retention),
            ),
        ]
    for name, whole, parts in pairs:
        if whole != parts:
            raise StudykitError(
                where=f"flow, {name}", expected=f"parts that add up to {whole}", got=str(parts)
            )
    for arm in flow.arms:
        if arm.observed_strength > arm.analysed_strength:
            raise StudykitError(
                where=f"flow, {arm.arm}",
                expected="no more clients with a score at the primary visit than analysed",
                got=f"{arm.observed_strength} and {arm.analysed_strength}",
            )


def _total(counts: Counts) -> int:
    return sum(number for _, number in counts)


def _counted(reasons: Sequence[str]) -> Counts:
    return tuple(sorted(Counter(reasons).items()))


def _top(rows: StudyRows) -> tuple[int | None, Counts, tuple[str, ...]]:
    """Assessed and excluded; None where the screening table does not cover the allocated clients."""
    screening = rows.screening
    if screening is None:
        return None, (), ()
    waiting = screening.assessed - _total(screening.excluded) - rows.clients.number
    if waiting < 0:
        remark = (
            f"The screening table lists {-waiting} fewer eligible people than were allocated: the top of the "
            "flow diagram is left out."
        )
        return None, (), (remark,)
    return screening.assessed, screening.excluded + (((WAITING, waiting),) if waiting else ()), ()


def _one_arm(
    rows: StudyRows, code: int, strength: StrengthResult | None, retention: RetentionResult | None
) -> FlowArm:
    clients = rows.clients
    own = clients.arm == code
    label, allocated = clients.arm_labels[code], int(own.sum())
    not_received = _not_received(rows, own)
    analysed, observed, seen_missing = _strength_numbers(strength, label, allocated)
    known, unknown, stopped = _retention_numbers(retention, label, allocated)
    trainers = clients.trainer[own & (clients.trainer >= 0)]
    loads = np.unique(trainers, return_counts=True)[1]
    lost = ((UNKNOWN_STATUS, unknown),) if unknown and retention is not None else ()
    return FlowArm(
        arm=label,
        allocated=allocated,
        received=allocated - _total(not_received),
        not_received=not_received,
        stopped=stopped,
        lost=(*lost, *seen_missing),
        analysed_strength=analysed,
        observed_strength=observed,
        not_analysed_strength=((NO_SCORE, allocated - analysed),) if allocated > analysed else (),
        analysed_retention=known,
        not_analysed_retention=((UNKNOWN_STATUS, unknown),) if unknown else (),
        trainers=loads.size,
        clients_per_trainer=(
            (float(np.median(loads)), int(loads.min()), int(loads.max())) if loads.size else (0.0, 0, 0)
        ),
    )


def _not_received(rows: StudyRows, own: NDArray[np.bool_]) -> Counts:
    """Clients who never had a session after allocation, by the reason of their departure."""
    if rows.sessions is None:
        return ()
    came = np.zeros(rows.clients.number, dtype=bool)
    came[rows.sessions.client[rows.sessions.attended & (rows.sessions.day >= 0)]] = True
    reasons = [
        (rows.retention.reasons[place] if rows.retention is not None else "") or NO_SESSION
        for place in np.flatnonzero(own & ~came)
    ]
    return _counted(reasons)


def _strength_numbers(strength: StrengthResult | None, label: str, allocated: int) -> tuple[int, int, Counts]:
    """Analysed, observed at the primary visit, and why the others were not observed."""
    if strength is None:
        return allocated, 0, ()
    missing = next(
        count for count in strength.missing if count.arm == label and count.visit == strength.primary_visit
    )
    lost = tuple(
        (f"no test at {strength.primary_visit}: {reason}", number) for reason, number in missing.reasons
    )
    return dict(strength.analysed)[label], missing.observed, lost


def _retention_numbers(
    retention: RetentionResult | None, label: str, allocated: int
) -> tuple[int, int, Counts]:
    """Clients with a known status, without, and the departed by reason."""
    if retention is None:
        return allocated, 0, ()
    status = next(status for status in retention.status if status.arm == label)
    return allocated - status.unknown, status.unknown, status.reasons
