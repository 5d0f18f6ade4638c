"""Retention in time: curves, mean days retained, and the speed of leaving."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError, ConvergenceError, FitError
from studykit.kinds.retention.analysis import comparison_of
from studykit.kinds.retention.results import CurveTest, RetentionCurvePoints
from studykit.outcomes.results import OutcomeEstimate
from studykit.outcomes.trainers import TrainerPlan, unpaired_t
from studykit.protocol.types import Protocol
from studykit.records.rows import RetentionSpells
from studykit.results import Estimate, RowCount, frozen_array
from studykit.retention.censored import CensoredTimes, from_spells
from studykit.retention.clock import RetentionRule, spell
from studykit.retention.curves import kaplan_meier
from studykit.retention.hazard import hazard_ratio
from studykit.retention.log_rank import log_rank, log_rank_numbers
from studykit.retention.restricted_mean import restricted_mean, stratified_restricted_mean_difference

DAYS_BETWEEN_COUNTS = 28
MOST_COUNTS = 8


@dataclass(frozen=True, slots=True, eq=False)
class FollowedClients:
    """Times to the first departure of the clients with at least one day of follow-up.

    Parameters
    ----------
    times : CensoredTimes
    arm, trainer : ndarray of int
        Of those clients; ``trainer`` as recorded, -1 where none.
    arm_labels : tuple of str
    kept : ndarray of bool, shape (clients,)
        Who they are.
    to_horizon : ndarray of bool
        Of those clients: whether the records reach the horizon, whatever became of the client.
    remarks : tuple of str
    """

    times: CensoredTimes
    arm: NDArray[np.int64]
    arm_labels: tuple[str, ...]
    kept: NDArray[np.bool_]
    to_horizon: NDArray[np.bool_]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Wording:
    """What goes beside every estimate: the contrast, the estimand, and the clients of both arms."""

    contrast: str
    estimand: str
    supplied: int


def spells_to_horizon(spells: RetentionSpells, horizon: int, rule: RetentionRule) -> FollowedClients:
    """Times to the first departure, dated by the day it was confirmed, followed to the horizon.

    Raises
    ------
    FitError
        If nobody has been followed for a day.
    """
    found = [spell(history, horizon, rule=rule) for history in spells.histories]
    kept = np.array([one.time > one.entry for one in found], dtype=bool)
    if not kept.any():
        raise FitError(
            where="retention", expected="clients with at least one day of follow-up", got="none", todo=""
        )
    lost = int((~kept).sum())
    remarks = (f"{lost} clients without a day of follow-up are not in the curves.",) if lost else ()
    times = from_spells((one for one, keep in zip(found, kept, strict=True) if keep), cut_off=horizon)
    reaches = np.array([history.data_through >= horizon for history in spells.histories], dtype=bool)
    return FollowedClients(
        times, spells.clients.arm[kept], spells.clients.arm_labels, kept, reaches[kept], remarks
    )


def curve_of_arm(
    followed: FollowedClients, code: int, *, minimum_at_risk: int, confidence_level: float, horizon: int
) -> RetentionCurvePoints:
    """Retention curve of one arm with numbers at risk, cut where fewer than ``minimum_at_risk`` remain."""
    curve = kaplan_meier(followed.times.select(followed.arm == code))
    band = curve.band(confidence_level)
    end = min(curve.stops_at(minimum_at_risk), float(horizon))
    shown = band.days <= end
    last = int(np.flatnonzero(shown)[-1])
    counted = _counting_days(horizon)

    def drawn(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return frozen_array(np.append(values[shown], values[last]))  # the last step runs on to the end

    return RetentionCurvePoints(
        arm=followed.arm_labels[code],
        days=frozen_array(np.append(band.days[shown], end)),
        retained=drawn(band.retained),
        lower=drawn(band.lower),
        upper=drawn(band.upper),
        interval_method=band.method,
        at_risk_days=frozen_array(counted),
        at_risk=frozen_array(curve.numbers_at_risk(counted), float),
        stops_at=end,
    )


def _counting_days(horizon: int) -> NDArray[np.float64]:
    """Days under a curve at which those at risk are counted: whole four-week steps, and the horizon."""
    step = DAYS_BETWEEN_COUNTS * math.ceil(horizon / (DAYS_BETWEEN_COUNTS * MOST_COUNTS))
    days = [day for day in range(0, horizon, step) if horizon - day >= step / 2]
    return np.array([*days, horizon], dtype=float)


def compare_mean_days(
    followed: FollowedClients,
    *,
    compared_arm: int,
    trainers: TrainerPlan,
    wording: Wording,
    horizon: int,
) -> tuple[tuple[OutcomeEstimate, ...], tuple[str, ...]]:
    """Difference in mean days retained up to the horizon, within trainers or between them; and remarks.

    The rule stands before the data: the days are counted to the protocol's horizon, over the clients whose
    records reach it. Who they are follows from the days of allocation alone, so that leaving them out
    favours nobody: a client who left early counts only where one who stayed would have counted too. The
    shortest follow-up of any trainer is no reason to stop earlier, since the question would then change
    with the last trainer who joined.
    """
    compared_here = np.isin(followed.arm, (0, compared_arm))
    inside = compared_here & followed.to_horizon
    rows, remark = _rows_to_horizon(followed, compared_here, wording, horizon)
    if not inside.any():
        return (), remark
    times, compared = followed.times.select(inside), followed.arm[inside] == compared_arm
    trainer = trainers.trainer[followed.kept][inside]
    strata = (
        trainer if trainers.role in {"fixed", "random", "clusters"} else np.zeros(trainer.size, dtype=int)
    )
    try:
        if trainers.role == "clusters":
            estimate = _between_trainers(times, compared, strata, horizon)
            method = "restricted mean of each trainer, t on trainers minus two"
        else:
            estimate = stratified_restricted_mean_difference(
                times, compared, horizon=horizon, strata=strata
            ).estimate
            method = "restricted mean days by Kaplan-Meier, Greenwood-type variance, Welch t"
            method += ", within trainers" if trainers.role in {"fixed", "random"} else ""
    except FitError as reason:
        return (), (f"Mean days retained are not compared: {reason}", *remark)
    if estimate.standard_error == 0.0:
        same = "Mean days retained are not compared: within each arm they are the same for everybody."
        return (), (same, *remark)
    answer = OutcomeEstimate(
        name=f"mean days retained up to day {horizon}",
        contrast=wording.contrast,
        estimand=wording.estimand,
        unit="days",
        presentation="difference",
        estimate=estimate,
        role="supporting",
        method=method,
        rows=rows,
    )
    return (answer,), remark


def _rows_to_horizon(
    followed: FollowedClients, compared_here: NDArray[np.bool_], wording: Wording, horizon: int
) -> tuple[RowCount, tuple[str, ...]]:
    """Clients whose records reach the horizon, and a sentence on the others where there are any."""
    before = _followed_rows(wording, compared_here)
    short = compared_here & ~followed.to_horizon
    number = int(short.sum())
    if not number:
        return before, ()
    left_out = (*before.left_out, (f"records end before day {horizon}", number))
    rows = RowCount(before.supplied, before.used - number, left_out, before.unit)
    arms = ", ".join(
        f"{int((short & (followed.arm == code)).sum())} of {int((followed.arm == code).sum())} in {label}"
        for code, label in enumerate(followed.arm_labels)
        if (compared_here & (followed.arm == code)).any()
    )
    remark = (
        f"Mean days retained leave out clients whose records end before day {horizon}, whether they stayed "
        f"or left: {arms}."
    )
    return rows, (remark,) if rows.used else (f"{remark} Nobody remains to be compared yet.",)


def _followed_rows(wording: Wording, inside: NDArray[np.bool_]) -> RowCount:
    used = int(inside.sum())
    lost = wording.supplied - used
    return RowCount(wording.supplied, used, (("no day of follow-up", lost),) if lost else (), "clients")


def _between_trainers(
    times: CensoredTimes, compared: NDArray[np.bool_], strata: NDArray[np.int64], horizon: int
) -> Estimate:
    of_trainer = [strata == stratum for stratum in np.unique(strata)]
    means = np.array([restricted_mean(times.select(own), horizon).value for own in of_trainer])
    side = np.array([bool(compared[own][0]) for own in of_trainer])
    found = unpaired_t(means[None], np.ones((1, side.size), dtype=bool), side[None], confidence_level=0.95)
    return found.estimate("trainers as units")


def compare_speed_of_leaving(
    followed: FollowedClients, *, compared_arm: int, trainers: TrainerPlan, wording: Wording
) -> tuple[OutcomeEstimate | None, tuple[str, ...]]:
    """Hazard ratio of leaving, supporting only; None with a remark where it cannot be estimated."""
    inside = np.isin(followed.arm, (0, compared_arm))
    times, compared = followed.times.select(inside), followed.arm[inside] == compared_arm
    trainer = trainers.trainer[followed.kept][inside]
    crossed, clusters = trainers.role in {"fixed", "random"}, trainers.role == "clusters"
    if not times.events:
        return None, ("A hazard ratio is not estimated: nobody left.",)
    if compared.all() or not compared.any():
        return None, ("A hazard ratio is not estimated: clients of one arm only were followed.",)
    model = hazard_ratio(
        times, compared, strata=trainer if crossed else None, clusters=trainer if clusters else None
    )
    try:
        estimate = model.log_hazard_ratio("arm")
    except ConvergenceError:
        return None, (f"A hazard ratio cannot be estimated: {model.not_estimable}.",)
    method = f"Cox model, Efron ties, {model.departures} departures"
    method += ", stratified by trainer" if crossed else ""
    method += f", {estimate.method}" if clusters else ""
    answer = OutcomeEstimate(
        name="hazard ratio of leaving",
        contrast=wording.contrast,
        estimand=wording.estimand,
        unit="ratio",
        presentation="ratio",
        estimate=estimate,
        role="supporting",
        method=method,
        rows=_followed_rows(wording, inside),
    )
    return answer, ()


def compare_curves(
    followed: FollowedClients, *, compared_arm: int, trainers: TrainerPlan
) -> CurveTest | None:
    """Log-rank test of the two arms, within trainers where they delivered both.

    None where trainers are the units, whose clients are alike, and where there is nothing to compare.
    """
    inside = np.isin(followed.arm, (0, compared_arm))
    crossed = trainers.role in {"fixed", "random"}
    if trainers.role == "clusters":
        return None
    strata = trainers.trainer[followed.kept][inside] if crossed else None
    try:
        found = log_rank(followed.times.select(inside), followed.arm[inside], strata=strata)
    except ArgumentError:
        return None
    return CurveTest(found.statistic, found.degrees_of_freedom, found.p_value, crossed)


def curve_numbers(protocol: Protocol, spells: RetentionSpells) -> tuple[float, float]:
    """The log-rank numbers of the protocol's two arms, within trainers: what studies may add up."""
    comparison = comparison_of(protocol, spells)
    followed = spells_to_horizon(spells, comparison.outcome.horizon_day, comparison.rule)
    inside = np.isin(followed.arm, (0, comparison.compared_arm))
    trainer = comparison.trainers.trainer[followed.kept][inside]
    crossed = comparison.trainers.role in {"fixed", "random"}
    compared = followed.arm[inside] == comparison.compared_arm
    return log_rank_numbers(followed.times.select(inside), compared, strata=trainer if crossed else None)
