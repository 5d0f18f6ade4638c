"""The flow of clients through the study, with the identities that its boxes must obey."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from studykit.errors import StudykitError
from studykit.outcomes.results import Counts, FlowArm, FlowResult, OutcomeResult
from studykit.records.rows import StudyRows

WAITING = "eligible, not yet allocated"
NO_SESSION = "no session attended"


def trace_flow(rows: StudyRows, outcomes: Sequence[OutcomeResult]) -> tuple[FlowResult, tuple[str, ...]]:
    """Boxes of the flow diagram, and remarks on what could not be drawn.

    Parameters
    ----------
    rows : StudyRows
    outcomes : sequence of OutcomeResult
        Those that the boxes tell of: those that answers begin with.

    Raises
    ------
    StudykitError
        If boxes do not add up: a fault of this program, not of the records.
    """
    assessed, excluded, remarks = _top(rows)
    arms = tuple(_one_arm(rows, code, outcomes) for code in range(len(rows.clients.arm_labels)))
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
        pairs.append((f"{arm.arm}, received", arm.allocated, arm.received + _total(arm.not_received)))
        pairs += [
            (f"{arm.arm}, analysed for {one.name}", arm.allocated, one.analysed + _total(one.not_analysed))
            for one in arm.outcomes
        ]
    for name, whole, parts in pairs:
        if whole != parts:
            raise StudykitError(
                where=f"flow, {name}",
                expected=f"parts that add up to {whole}",
                got=str(parts),
                todo="The flow of clients must account for everybody; look at the records of this arm.",
            )
    for arm in flow.arms:
        for one in arm.outcomes:
            if one.measured is not None and one.measured > one.analysed:
                raise StudykitError(
                    where=f"flow, {arm.arm}, analysed for {one.name}",
                    expected=f"at least the {one.measured} measured",
                    got=str(one.analysed),
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


def _one_arm(rows: StudyRows, code: int, outcomes: Sequence[OutcomeResult]) -> FlowArm:
    clients = rows.clients
    own = clients.arm == code
    label, allocated = clients.arm_labels[code], int(own.sum())
    not_received = _not_received(rows, own)
    trainers = clients.trainer[own & (clients.trainer >= 0)]
    loads = np.unique(trainers, return_counts=True)[1]
    return FlowArm(
        arm=label,
        allocated=allocated,
        received=allocated - _total(not_received),
        not_received=not_received,
        outcomes=tuple(outcome.flow(label, allocated) for outcome in outcomes),
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
