"""New starters: beginning partner reps within the first weeks compared with not beginning in these weeks.

Every client is cloned onto both strategies, a clone leaves when it deviates, and those that stay are weighted
for those that left. What that does to time, and why nobody is made immortal, stands in
`studykit.lookback.clones`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from studykit.lookback.adjustment import standardised_differences
from studykit.lookback.associations import curve_with_errors, difference_of_shares, ratio
from studykit.lookback.clones import Starters, starters_of
from studykit.lookback.episodes import Episodes
from studykit.lookback.log import AttendanceLog, Floats, Integers
from studykit.lookback.look_back_results import Answer, Association, Balance
from studykit.lookback.strategy_estimates import (
    TRAINERS_RESAMPLED_FROM,
    ClonedStudy,
    Estimates,
    Weighted,
    clone,
    estimate,
    influence_on_retained,
    resample_clients,
    standard_error,
    weigh,
)
from studykit.lookback.weighting import Stretches
from studykit.randomness import stream
from studykit.results import Estimate, RowCount

WEEKS = 4
RESAMPLES = 500
CURVE_RESAMPLES = 100  # for the bands alone, where the comparison has a robust error
BOOTSTRAP_UP_TO = 2_000  # clients; above, robust standard errors unless resamples are asked for
LEAST_CLIENTS = 20
LEAST_ON_EACH_SIDE = 10  # clients who began within the weeks, and who had a session and did not
LEAST_AT_RISK = 5  # clones that are followed to the horizon, either side
DAYS_BETWEEN_POINTS = 7

ESTIMAND = (
    "Would fewer new clients leave by day {horizon} if all began partner reps within {weeks} weeks, rather "
    "than none? Those count whose trainer worked with partner reps when they joined. Beginning is at the "
    "first session on or after a day drawn evenly from these weeks."
)
METHOD = (
    "Target trial emulation by cloning, censoring and weighting: every client is cloned onto both ways of "
    "starting, and a clone leaves where it deviates. Those that stay stand for those that left, by the "
    "inverse of the chance to stay (pooled logistic model per session). A client who stopped coming before "
    "beginning stays in both. {error} The interval of the difference comes from those of both shares on the "
    "logit scale. No weight is cut off."
)


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """How far estimates vary by chance.

    Parameters
    ----------
    degrees_of_freedom : float
        Of the t distribution: the effective number of clients (trainers) that carry the spread.
    log_risk_ratio, log_hazard_ratio : float
        Standard errors; ``nan`` where there is none.
    correlation : float
        Of the two shares at the horizon.
    shares : tuple of float
        Standard errors of these shares, begun first.
    start, refrain : ndarray, shape (horizon + 1,)
        Standard errors of the curves.
    method : str
        Of the intervals.
    words : str
    """

    degrees_of_freedom: float
    log_risk_ratio: float
    log_hazard_ratio: float
    correlation: float
    shares: tuple[float, float]
    start: Floats
    refrain: Floats
    method: str
    words: str


def answer_strategies(
    log: AttendanceLog,
    episodes: Episodes,
    *,
    horizon: int,
    weeks: int = WEEKS,
    least_events: int = 20,
    resamples: int | None = None,
    seed: int = 1,
) -> Answer:
    """Compare beginning partner reps within the first weeks with not beginning in these weeks.

    Parameters
    ----------
    log : AttendanceLog
    episodes : Episodes
        Of the same log.
    horizon : int
        Days since joining.
    weeks : int
        The grace period.
    least_events : int
        Departures by the horizon that are needed.
    resamples : int, optional
        Of clients; 500 up to 2,000 clients unless given, none above.
    seed : int
        Of the resamples.

    Returns
    -------
    Answer
        The hazard ratio is an average over the follow-up, in which both strategies allow partner reps after
        the first weeks; the difference leads.
    """
    starters, rows = starters_of(log, episodes, grace=7 * weeks)
    return compare_strategies(
        starters,
        rows,
        horizon=horizon,
        weeks=weeks,
        least_events=least_events,
        resamples=resamples,
        seed=seed,
    )


def compare_strategies(
    starters: Starters,
    rows: RowCount,
    *,
    horizon: int,
    weeks: int = WEEKS,
    least_events: int = 20,
    resamples: int | None = None,
    seed: int = 1,
) -> Answer:
    """The same from arrays.

    Parameters
    ----------
    starters : Starters
    rows : RowCount
        Clients used and left out.
    horizon, weeks, least_events, resamples, seed
        As in `answer_strategies`.
    """
    events = int((starters.departed & (starters.end <= horizon)).sum())
    answer = Answer(
        method="strategies from joining",
        estimand=ESTIMAND.format(horizon=horizon, weeks=weeks),
        clients=rows.used,
        events=events,
        unit="clients",
        rows=rows,
        method_in_words=METHOD.format(error=""),
    )
    reason = _refusal(starters, events, weeks=weeks, least_events=least_events)
    if reason:
        return replace(answer, refused=reason)
    study = clone(starters, grace=7 * weeks, horizon=horizon)
    everybody = np.ones((1, len(starters.end)))
    weighted = weigh(study, everybody)
    found = estimate(study, everybody)
    at_risk = tuple(_followed(side, horizon) for side in study.sides)
    if not weighted.fits.converged[0] or min(side[-1] for side in at_risk) < LEAST_AT_RISK:
        reason = (
            f"too few clients stay with a strategy up to day {horizon}: "
            f"{at_risk[0][-1]} that begin, {at_risk[1][-1]} that do not; {LEAST_AT_RISK} of each are needed"
            if weighted.fits.converged[0]
            else "the model for beginning partner reps did not converge"
        )
        return replace(answer, refused=reason)
    number = _resamples(resamples, len(starters.end))
    spread = _spread(study, weighted, found, number, seed)
    answer = replace(
        answer,
        adjusted_for=study.names,
        method_in_words=METHOD.format(error=spread.words),
        checks=_checks(study, weighted, spread),
    )
    return _with_numbers(answer, found, spread, at_risk, weeks)


def _resamples(asked: int | None, clients: int) -> int:
    if asked is not None:
        return asked
    return RESAMPLES if clients <= BOOTSTRAP_UP_TO else 0


def _refusal(starters: Starters, events: int, *, weeks: int, least_events: int) -> str:
    clients = len(starters.end)
    early = (starters.session_partner_reps == 1) & (starters.session_day < 7 * weeks)
    began = len(np.unique(starters.session_client[early]))
    if clients < LEAST_CLIENTS or min(began, clients - began) < LEAST_ON_EACH_SIDE:
        return (
            f"too few new clients: {began} began partner reps within {weeks} weeks, {clients - began} did "
            f"not; at least {LEAST_CLIENTS} together and {LEAST_ON_EACH_SIDE} on each side are needed"
        )
    if events < least_events:
        return f"too few departures among new clients: {events}; at least {least_events} are needed"
    return ""


def _followed(side: Stretches, horizon: int) -> Integers:
    """Clones at risk on each day from 0 to the horizon."""
    days = np.arange(horizon + 1)
    days[0] = 1
    begun = np.searchsorted(np.sort(side.start), days, side="left")
    ended = np.searchsorted(np.sort(side.stop), days, side="left")
    return np.asarray(begun - ended, dtype=np.int64)


def _spread(study: ClonedStudy, weighted: Weighted, found: Estimates, resamples: int, seed: int) -> Spread:
    """Standard errors by resampling clients, or robust ones; t with the effective number of clients."""
    trainer = study.starters.trainer
    clients = len(trainer)
    whole = len(np.unique(trainer)) >= TRAINERS_RESAMPLED_FROM
    everybody = np.ones((1, clients))
    start, refrain = influence_on_retained(study, weighted, everybody)
    influence = refrain - start  # on the share that left, start minus refrain
    freedom = effective_number(influence[0], trainer if whole else np.arange(clients))
    drawn = resample_clients(
        trainer, resamples or CURVE_RESAMPLES, stream(seed, "look back", "strategies", study.horizon)
    )
    kept = None if resamples else weighted.fits
    bands = estimate(study, drawn, start=weighted.fits.coefficients[0], fitted=kept)
    unit = (
        "trainers" if whole else "clients within their trainer" if len(np.unique(trainer)) > 1 else "clients"
    )
    of_curves = (bands.start.std(axis=0, ddof=1), bands.refrain.std(axis=0, ddof=1))
    log_hazard = _finite_spread(bands.log_hazard_ratio)
    if resamples:
        return Spread(
            freedom,
            _finite_spread(bands.log_risk_ratio),
            log_hazard,
            _correlation(of_curves[0][-1], of_curves[1][-1], _finite_spread(bands.risk_difference)),
            (float(of_curves[0][-1]), float(of_curves[1][-1])),
            *of_curves,
            f"resampling of {unit}, effective-number",
            f"Standard errors from {resamples} resamples of {unit}, t on the effective number of them.",
        )
    left = 1.0 - np.array([found.start[0, -1], found.refrain[0, -1]])
    with np.errstate(divide="ignore", invalid="ignore"):
        log_ratio = refrain / left[1] - start / left[0]
    errors = [
        float(standard_error(one, everybody, trainer, whole_trainers=whole)[0])
        for one in (start, refrain, influence, log_ratio)
    ]
    return Spread(
        freedom,
        errors[3],
        log_hazard,
        _correlation(*errors[:3]),
        (errors[0], errors[1]),
        *of_curves,
        f"influence of {unit}, effective-number",
        f"Robust standard errors by {unit}, t on the effective number of them; curves' bands and the hazard "
        f"ratio from {CURVE_RESAMPLES} resamples under the same weights.",
    )


def _correlation(first: float, second: float, of_difference: float) -> float:
    """Of two estimates, from their standard errors and that of their difference."""
    if not first * second > 0.0:
        return 0.0
    return float(np.clip((first**2 + second**2 - of_difference**2) / (2.0 * first * second), -1.0, 1.0))


def effective_number(influence: Floats, unit: Integers) -> float:
    r"""Degrees of freedom of a variance that is a sum of squares over units.

    Parameters
    ----------
    influence : ndarray, shape (n,)
    unit : ndarray of int, shape (n,)
        Influences of one unit are added up.

    Notes
    -----
    Satterthwaite: twice the squared variance over the variance of it,
    :math:`2/\{\sum d^4/(\sum d^2)^2-1/n\}`, at most n - 1. For n normal influences it is n or so; a few that
    stand out bring it down.

    Examples
    --------
    >>> effective_number(np.array([1.0, -1.0, 1.0, -1.0]), np.arange(4))
    3.0
    >>> round(effective_number(np.array([5.0, 1.0, 1.0, 1.0, 1.0, 1.0]), np.arange(6)), 2)
    3.75
    """
    _, code = np.unique(unit, return_inverse=True)
    squares = np.bincount(code, influence) ** 2
    units = len(squares)
    concentration = float((squares**2).sum()) / max(float(squares.sum()) ** 2, 1e-300)
    above = concentration - 1.0 / units
    most = max(units - 1.0, 1.0)
    return most if above <= 2.0 / most else max(2.0 / above, 1.0)


def _finite_spread(values: Floats) -> float:
    finite = values[np.isfinite(values)]
    return float(finite.std(ddof=1)) if finite.size > values.size // 2 else math.nan


def _with_numbers(
    answer: Answer, found: Estimates, spread: Spread, at_risk: tuple[Integers, ...], weeks: int
) -> Answer:
    def logarithm(value: float, error: float) -> Association | None:
        usable = math.isfinite(value) and math.isfinite(error)
        return ratio(Estimate(value, error, spread.degrees_of_freedom, spread.method)) if usable else None

    horizon = len(found.start[0]) - 1
    days = np.unique(np.r_[np.arange(0, horizon, DAYS_BETWEEN_POINTS), horizon])
    stayed = float(found.start[0, -1]), float(found.refrain[0, -1])
    sides = (
        (f"partner reps begun within {weeks} weeks", found.start[0], spread.start),
        (f"no partner reps in the first {weeks} weeks", found.refrain[0], spread.refrain),
    )
    curves = tuple(
        curve_with_errors(
            label, days, share[days], error[days], followed[days], freedom=spread.degrees_of_freedom
        )
        for (label, share, error), followed in zip(sides, at_risk, strict=True)
    )
    return replace(
        answer,
        hazard_ratio=logarithm(float(found.log_hazard_ratio[0]), spread.log_hazard_ratio),
        risk_difference=difference_of_shares(
            (1.0 - stayed[0], 1.0 - stayed[1]),
            spread.shares,
            correlation=spread.correlation,
            degrees_of_freedom=spread.degrees_of_freedom,
            method=spread.method,
        ),
        risk_ratio=logarithm(float(found.log_risk_ratio[0]), spread.log_risk_ratio),
        out_of_100=(100.0 * stayed[0], 100.0 * stayed[1]),
        curves=curves,
    )


def final_weights(study: ClonedStudy, weighted: Weighted, place: int) -> Floats:
    """Last weight of each client's clone on one side, 0 where the clone deviated; shape (clients,)."""
    side, rows = study.sides[place], study.rows
    last = np.r_[side.client[1:] != side.client[:-1], True]
    found = np.zeros(len(study.starters.end))
    found[side.client[last]] = weighted.sides[place][0, last]
    deviated = (~rows.started & (rows.strategy_chance >= 1.0)) if place == 0 else (rows.started & rows.within)
    found[rows.client[deviated & (rows.day <= study.horizon)]] = 0.0
    return found


def _checks(study: ClonedStudy, weighted: Weighted, spread: Spread) -> tuple[tuple[str, float], ...]:
    clients = len(study.starters.end)
    checks: list[tuple[str, float]] = []
    for place, words in ((0, "begin"), (1, "do not begin")):
        weight = final_weights(study, weighted, place)
        checks += [
            (f"clients whose records agree with the strategy, {words}", float((weight > 0.0).sum())),
            (f"mean weight, {words} (near 1 where the model fits)", float(weight.sum() / clients)),
            (f"largest weight, {words}", float(weight.max())),
            (f"effective number of clients, {words}", float(weight.sum() ** 2 / (weight**2).sum())),
        ]
    return (*checks, ("effective number of clients behind the interval", spread.degrees_of_freedom))


def strategy_balance(
    log: AttendanceLog, episodes: Episodes, *, horizon: int, weeks: int = WEEKS
) -> tuple[Balance, ...]:
    """How clients who agree with either strategy differed on the day of joining, before and after weighting.

    Parameters
    ----------
    log, episodes, horizon, weeks
        As in `answer_strategies`. Empty where nobody agrees with one of the strategies.
    """
    starters, _ = starters_of(log, episodes, grace=7 * weeks)
    if len(starters.end) < LEAST_CLIENTS:
        return ()
    study = clone(starters, grace=7 * weeks, horizon=horizon)
    weighted = weigh(study, np.ones((1, len(starters.end))))
    weights = tuple(final_weights(study, weighted, place) for place in (0, 1))
    if min(weight.sum() for weight in weights) <= 0.0:
        return ()
    facts, names = _described(log, starters)
    return standardised_differences(
        facts, weights[0] > 0.0, weights[1] > 0.0, names=names, weights=(weights[0], weights[1])
    )


def _described(log: AttendanceLog, starters: Starters) -> tuple[Floats, tuple[str, ...]]:
    """Facts on the day of joining, named level by level, and the first trainer."""
    names = ["date of joining, years", "season, winter to summer", "season, spring to autumn"]
    for fact in log.facts:
        names += [f"{fact.name}: {level}" for level in fact.levels[1:]] + [f"{fact.name}: not recorded"]
    trainers = np.unique(starters.trainer)
    columns = starters.facts
    if len(trainers) > 1:
        columns = np.column_stack((columns, starters.trainer[:, None] == trainers[None, :]))
        names += [
            f"trainer: {log.trainers[code] if code >= 0 else 'not recorded'}" for code in trainers.tolist()
        ]
    varies = np.ptp(columns, axis=0) > 0.0
    return columns[:, varies].astype(float), tuple(
        name for name, kept in zip(names, varies, strict=True) if kept
    )
