"""Harms by arm as allocated, with exact upper bounds, and the protocol's rule for pausing partner reps."""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from studykit.errors import FitError
from studykit.outcomes.estimands import contrast_text
from studykit.outcomes.exposure import days_in_care
from studykit.outcomes.results import HarmArm, HarmsResult, OutcomeEstimate
from studykit.protocol.types import Protocol
from studykit.records.rows import Harm, StudyRows
from studykit.results import RowCount
from studykit.retention.risk_difference import risk_difference
from studykit.retention.stratified_counts import count_by_stratum

Bools = NDArray[np.bool_]
SYSTEMATIC_SHARE = 0.8  # of attended sessions with the question asked, in every arm; a judgement
RELATED = ("possible", "probable")
UPPER_LEVEL = 0.95


def upper_bound(count: int, clients: int, *, confidence_level: float = UPPER_LEVEL) -> float:
    """Exact one-sided upper bound for a share (Clopper & Pearson 1934).

    Examples
    --------
    The rule of three: nothing seen in 40 clients leaves room for about 3 in 40.

    >>> round(upper_bound(0, 40), 4)
    0.0722
    """
    from scipy.special import betaincinv

    if count >= clients:
        return 1.0
    return float(betaincinv(count + 1.0, float(clients - count), confidence_level))


def pause_rule(protocol: Protocol, rows: StudyRows) -> tuple[str, ...]:
    """Reasons why partner reps must pause, in words that do not say which arm; empty where there are none.

    Parameters
    ----------
    protocol : Protocol
        Its ``harms`` section holds the limits.
    rows : StudyRows
        ``harms`` and the arms of ``clients``.
    """
    limits, reasons = protocol.harms, []
    arm = rows.clients.arm
    of_clients = [harm for harm in rows.harms if harm.client >= 0]
    serious = sum(harm.serious and harm.related in RELATED for harm in rows.harms)
    if serious >= limits.pause_serious_related:
        reasons.append(
            f"{serious} serious and possibly or probably related (limit {limits.pause_serious_related})"
        )
    for code in range(len(rows.clients.arm_labels)):
        allocated = int((arm == code).sum())
        own = [harm for harm in of_clients if arm[harm.client] == code]
        severe = sum(harm.severity == "severe" for harm in own)
        if severe >= limits.pause_severe_in_arm:
            reasons.append(f"{severe} severe in one arm (limit {limits.pause_severe_in_arm})")
        touched = {harm.client for harm in own if harm.severity in {"moderate", "severe"}}
        enough = len(touched) >= limits.pause_moderate_least
        if allocated and enough and len(touched) > limits.pause_moderate_share * allocated:
            reasons.append(
                f"moderate or severe harm in {len(touched)} of {allocated} clients of one arm "
                f"(limit {100.0 * limits.pause_moderate_share:g} %)"
            )
    return tuple(reasons)


def analyse_harms(protocol: Protocol, rows: StudyRows) -> HarmsResult | None:
    """Harms by arm as allocated; None where the records hold neither sessions nor harms."""
    if rows.sessions is None and not rows.harms:
        return None
    days = days_in_care(rows)
    arms = tuple(_one_arm(rows, code, days) for code in range(len(rows.clients.arm_labels)))
    asked = protocol.harms.asked == "every session"
    return HarmsResult(
        arms=arms,
        trainers_hurt=sum(harm.client < 0 and bool(harm.trainer) for harm in rows.harms),
        not_allocated=sum(harm.client < 0 and not harm.trainer for harm in rows.harms),
        systematic=asked and all(arm.asked_share >= SYSTEMATIC_SHARE for arm in arms if arm.sessions),
        difference=_difference(protocol, rows),
        pause_reasons=pause_rule(protocol, rows),
        kinds=_kinds(rows),
    )


def _one_arm(rows: StudyRows, code: int, days: NDArray[np.float64]) -> HarmArm:
    clients = np.flatnonzero(rows.clients.arm == code)
    inside = set(clients.tolist())
    own = [harm for harm in rows.harms if harm.client in inside]
    counted = [harm for harm in own if not harm.expected]
    grades = Counter(harm.severity for harm in counted)
    touched = {harm.client for harm in counted}
    attended, asked = _sessions_of(rows, code)
    return HarmArm(
        arm=rows.clients.arm_labels[code],
        clients=clients.size,
        sessions=attended,
        client_weeks=float(np.nansum(days[clients])) / 7.0,
        clients_with_harm=len(touched),
        events=len(counted),
        expected_events=len(own) - len(counted),
        serious=sum(harm.serious for harm in own),
        severe=grades["severe"],
        moderate=grades["moderate"],
        mild=grades["mild"],
        deaths=_deaths(rows, own, clients),
        withdrawn_through_harm=_withdrawn(rows, touched),
        asked_share=asked / attended if attended else float("nan"),
        upper_bound=upper_bound(len(touched), clients.size) if clients.size else float("nan"),
    )


def _sessions_of(rows: StudyRows, code: int) -> tuple[int, int]:
    """Sessions attended since allocation, and those at which the harms question was asked."""
    sessions = rows.sessions
    if sessions is None:
        return 0, 0
    attended = sessions.attended & (sessions.day >= 0) & (rows.clients.arm[sessions.client] == code)
    return int(attended.sum()), int((sessions.harm_asked[attended] == 1.0).sum())


def _deaths(rows: StudyRows, own: list[Harm], clients: NDArray[np.int64]) -> int:
    dead = {harm.client for harm in own if "death" in harm.kind.lower() or "died" in harm.kind.lower()}
    if rows.retention is not None:
        dead |= {int(place) for place in clients if rows.retention.reasons[place] == "death"}
    return len(dead)


def _withdrawn(rows: StudyRows, touched: set[int]) -> int:
    """Clients with a recorded harm who left for injury or illness."""
    if rows.retention is None:
        return 0
    return sum(rows.retention.reasons[place] == "injury or illness" for place in touched)


def _difference(protocol: Protocol, rows: StudyRows) -> OutcomeEstimate | None:
    """Difference in the share of clients with any harm, expected soreness apart."""
    code = rows.clients.arm_labels.index(protocol.comparison_arm.code)
    inside = np.isin(rows.clients.arm, (0, code))
    harmed = np.zeros(rows.clients.number)
    harmed[[harm.client for harm in rows.harms if harm.client >= 0 and not harm.expected]] = 1.0
    try:
        estimate = risk_difference(count_by_stratum(harmed[inside], rows.clients.arm[inside] == code))
    except FitError:
        return None  # one arm has no client yet
    return OutcomeEstimate(
        name="clients with any harm",
        contrast=contrast_text(rows.clients.arm_labels[code], rows.clients.arm_labels[0]),
        estimand="Difference in the share of allocated clients with at least one recorded harm other than "
        "expected soreness, by arm as allocated",
        unit="share",
        presentation="difference",
        estimate=estimate,
        role="supporting",
        method="risk difference, score interval (Miettinen and Nurminen)",
        rows=RowCount(int(inside.sum()), int(inside.sum()), (), "clients"),
    )


def _kinds(rows: StudyRows) -> tuple[tuple[str, str, int], ...]:
    counts = Counter(
        (harm.kind, rows.clients.arm_labels[rows.clients.arm[harm.client]])
        for harm in rows.harms
        if harm.client >= 0
    )
    return tuple((kind, arm, number) for (kind, arm), number in sorted(counts.items()))
