"""Before and after a date of adoption: departures by month, with trainers who did not adopt as comparison.

With a comparison, months are strata, so that a bad month counts for everybody, and trainers keep their own
level (difference in differences). Without one, the course of time is a straight line, a wave of the year
where there are two years of records, and a change of level and of slope at the adoption (interrupted time
series).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from studykit.errors import ConvergenceError
from studykit.lookback.adjustment import EXPOSURE, NO_DESIGN, Design, Term, build_design, too_few_departures
from studykit.lookback.adoption import BANDS, AdoptionCells, FollowUp, adoption_cells, follow_up
from studykit.lookback.associations import curve_with_errors, difference, ratio
from studykit.lookback.episodes import Episodes
from studykit.lookback.log import UNKNOWN_DAY, AttendanceLog, Bools, Floats, Integers
from studykit.lookback.look_back_results import Answer
from studykit.results import Estimate, RowCount
from studykit.retention.discrete_hazard import fit_discrete_hazards

LEAST_MONTHS = 6  # of records on either side of an adoption
MONTHS_FOR_SEASON = 24
LEAST_TRAINERS = 2  # that adopted, and that did not, for trainers as clusters
DAYS_BETWEEN_POINTS = 7
MONTH = 365.25 / 12.0

ESTIMAND = (
    "Did clients leave more or less often after their trainer adopted partner reps than before? What would "
    "have been is taken to have gone on as before{compared}. The shares are of clients who left by day "
    "{horizon} since joining."
)
COMPARED = ", month by month as with trainers who did not adopt"
METHOD = (
    "Hazards of leaving per client-day, dated by the last session, {model}; {error}. Clients stay with the "
    "trainer of their first session."
)
WITH_COMPARISON = (
    "with a level of its own for every month and every trainer, by time since joining (difference in "
    "differences)"
)
WITHOUT_COMPARISON = (
    "with a straight line over time, a change of level and of slope at the adoption read in the middle of "
    "the time after it, by time since joining{season} (interrupted time series)"
)
BY_TRAINER = "standard errors by trainers with small-sample correction (CR2, Satterthwaite)"
BY_MONTH = (
    "standard errors by months, neighbouring ones allowed to be alike (the larger of Newey-West and CR2), "
    "t on the smaller degrees of freedom"
)


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Rows of the analysis: each cell once with its departures, once with its other client-days.

    Parameters
    ----------
    cell : ndarray of int, shape (m,)
    event : ndarray of bool, shape (m,)
    weight : ndarray, shape (m,)
    """

    cell: Integers
    event: Bools
    weight: Floats


def answer_before_after(
    log: AttendanceLog, episodes: Episodes, *, horizon: int, least_events: int = 20
) -> Answer:
    """Compare departures after a date of adoption with those before it.

    Parameters
    ----------
    log : AttendanceLog
        ``adopted`` says who adopted when; marks of partner reps are not used.
    episodes : Episodes
        Of the same log.
    horizon : int
        Days since joining.
    least_events : int
        Departures needed among clients of trainers who adopted, of which five on each side.

    Returns
    -------
    Answer
        With ``refused`` where there are no dates, fewer than `LEAST_MONTHS` months on a side, or too few
        departures.
    """
    follow, rows = follow_up(log, episodes)
    describe = partial(_described, rows, follow, horizon)
    reason = _too_short(log, follow, episodes.cut_day)
    if reason:
        return replace(describe(), refused=reason)
    cells = adoption_cells(follow, log.adopted, first_day=log.first_day, last_day=episodes.cut_day)
    reason = _too_few(cells, least_events)
    if reason:
        return replace(describe(), refused=reason)
    compared = _has_comparison(cells)
    used = cells if compared else _only(cells, cells.adopter)
    analysed = _rows(used)
    strata = (used.month if compared else np.zeros_like(used.month))[analysed.cell]
    design = _design(used, analysed, strata, compared)
    by_trainer = compared and _enough_trainers(used)
    answer = describe(design, compared=compared, by_trainer=by_trainer)
    try:
        estimate = (
            _by_trainer(design, used, analysed) if by_trainer else _by_month(design, used, analysed, strata)
        )
    except ConvergenceError as error:
        return replace(answer, refused=str(error))
    answer = replace(answer, hazard_ratio=ratio(estimate), checks=_checks(used, estimate))
    return _with_curves(answer, estimate, used, horizon, _seen_by_tenure(follow, log.adopted, horizon))


def _too_short(log: AttendanceLog, follow: FollowUp, last_day: int) -> str:
    dates = log.adopted[log.adopted != UNKNOWN_DAY]
    inside = dates[(dates > log.first_day) & (dates <= log.last_day)]
    if not inside.size:
        return "no trainer is known to have adopted partner reps at a date within the records"
    before = (int(inside.max()) - log.first_day) / MONTH
    after = (last_day + 1 - int(inside.min())) / MONTH
    if min(before, after) < LEAST_MONTHS:
        return (
            f"{before:.1f} months of records before an adoption and {after:.1f} after one; at least "
            f"{LEAST_MONTHS} on each side are needed"
        )
    return "" if follow.end.size else "no client can be followed"


def _too_few(cells: AdoptionCells, least_events: int) -> str:
    gone = [float(cells.departures[cells.adopter & (cells.adopted == side)].sum()) for side in (False, True)]
    return too_few_departures(
        "among clients of trainers who adopted", (gone[0], gone[1]), ("before", "after"), least_events
    )


def _has_comparison(cells: AdoptionCells) -> bool:
    """Whether somebody had not adopted while somebody had: others, or those who adopted later."""
    months = np.unique(cells.month[cells.adopted])
    return bool(np.isin(cells.month[~cells.adopted & ~cells.adopter], months).any())


def _only(cells: AdoptionCells, kept: Bools) -> AdoptionCells:
    columns = ("trainer", "month", "band", "adopted", "adopter", "since", "days", "departures")
    return AdoptionCells(
        **{name: getattr(cells, name)[kept] for name in columns}, first_month=cells.first_month
    )


def _rows(cells: AdoptionCells) -> Rows:
    number = len(cells.days)
    cell = np.tile(np.arange(number), 2)
    event = np.repeat([True, False], number)
    weight = np.concatenate((cells.departures, cells.days - cells.departures))
    kept = weight > 0.0
    return Rows(cell[kept], event[kept], weight[kept])


def _design(cells: AdoptionCells, rows: Rows, strata: Integers, compared: bool) -> Design:
    """Adoption first; then trainers and time since joining; without a comparison the course of time."""
    trainers = np.unique(cells.trainer)
    terms = [
        Term("trainer", (cells.trainer[:, None] == trainers[None, 1:]).astype(float)),
        Term(
            "time since joining",
            (cells.band[:, None] == np.arange(1, len(BANDS))[None, :]).astype(float),
        ),
    ]
    if not compared:
        months = float(cells.month.max())
        after = np.where(cells.adopted, cells.since, 0.0)
        days = cells.days * cells.adopted
        middle = float(after @ days / days.sum())
        terms += [
            Term("course of time", cells.month[:, None] / max(months, 1.0)),
            Term("course of time after the adoption", np.where(cells.adopted, after - middle, 0.0)[:, None]),
        ]
        if months + 1 >= MONTHS_FOR_SEASON:
            angle = 2.0 * np.pi * ((cells.first_month + cells.month) % 12) / 12.0
            terms.append(Term("season", np.column_stack((np.cos(angle), np.sin(angle)))))
    spread = tuple(Term(term.name, term.columns[rows.cell]) for term in terms)
    events = int(cells.departures.sum())
    return build_design(cells.adopted[rows.cell].astype(float), spread, strata=strata, events=events)


def _enough_trainers(cells: AdoptionCells) -> bool:
    sides = [np.unique(cells.trainer[cells.adopter == side]).size for side in (False, True)]
    return min(sides) >= LEAST_TRAINERS


def _by_trainer(design: Design, cells: AdoptionCells, rows: Rows) -> Estimate:
    """Log hazard ratio with trainers as clusters.

    Months stand among the columns, not as strata: what they take from the few trainers then counts in the
    small-sample correction (as strata, 88 to 90 % were covered in simulation). A month without a departure
    says nothing and is left out.
    """
    month = cells.month[rows.cell]
    loud = np.bincount(cells.month, cells.departures) > 0.0
    spoken = loud[month]
    months = np.flatnonzero(loud)[1:]
    model = fit_discrete_hazards(
        rows.event[spoken],
        np.hstack((design.columns[spoken], (month[spoken, None] == months[None, :]).astype(float))),
        names=(*design.names, *(f"month {place}" for place in months.tolist())),
        clusters=cells.trainer[rows.cell][spoken],
        weights=rows.weight[spoken],
    )
    return model.log_hazard_ratio(EXPOSURE)


def _by_month(design: Design, cells: AdoptionCells, rows: Rows, strata: Integers) -> Estimate:
    """Log hazard ratio with months as clusters, neighbouring ones allowed to be alike."""
    model = design.fit(rows.event, strata=strata, clusters=cells.month[rows.cell], weights=rows.weight)
    one = model.log_hazard_ratio(EXPOSURE)
    first = np.zeros(len(design.names))
    first[0] = 1.0
    sums = model.influence(first, np.zeros(model.intercepts.size))  # by month, in order of time
    newey_west = newey_west_error(sums, columns=min(len(design.names) + 1, len(sums) - 2))
    freedom = min(one.degrees_of_freedom, max(float(len(sums) - len(design.names) - 1), 1.0))
    error = max(one.standard_error, newey_west)
    return Estimate(one.value, error, freedom, "months, smaller of two")


def newey_west_error(sums: Floats, *, columns: int) -> float:
    r"""Standard error from influences by month, neighbouring months allowed to be alike.

    Parameters
    ----------
    sums : ndarray, shape (months,)
        In order of time.
    columns : int
        Of the model, for the factor M / (M - columns).

    Notes
    -----
    :math:`\sum_m u_m^2+2\sum_{l=1}^{L}(1-\frac{l}{L+1})\sum_m u_mu_{m-l}`, Newey & West 1987, with
    :math:`L=\lfloor 4(M/100)^{2/9}\rfloor`.

    Examples
    --------
    >>> newey_west_error(np.array([1.0, -1.0, 1.0, -1.0]), columns=0)
    1.0
    """
    months = len(sums)
    lags = min(int(4.0 * (months / 100.0) ** (2.0 / 9.0)), months - 1)
    total = float(sums @ sums)
    for lag in range(1, lags + 1):
        total += 2.0 * (1.0 - lag / (lags + 1.0)) * float(sums[lag:] @ sums[:-lag])
    return math.sqrt(max(total, 0.0) * months / max(months - columns, 1))


def _with_curves(
    answer: Answer, estimate: Estimate, cells: AdoptionCells, horizon: int, at_risk: tuple[Integers, Integers]
) -> Answer:
    """The answer with curves at the hazards before the adoption, and at these times the hazard ratio.

    From cumulative hazards by time since joining before the adoption; their own error counts, too.
    """
    days = np.unique(np.r_[np.arange(0, horizon, DAYS_BETWEEN_POINTS), horizon])
    before = cells.adopter & ~cells.adopted
    hazard, variance = np.zeros(len(days)), np.zeros(len(days))
    for place, begins in enumerate(BANDS):
        ends = BANDS[place + 1] if place + 1 < len(BANDS) else np.inf
        own = before & (cells.band == place)
        exposed, gone = float(cells.days[own].sum()), float(cells.departures[own].sum())
        length = np.clip(np.minimum(days, ends) - begins, 0.0, None)
        if exposed > 0.0:
            hazard += length * -math.log1p(-min(gone / exposed, 0.999))
            variance += (length / exposed) ** 2 * gone
    theta = math.exp(estimate.value)
    share = (np.exp(-theta * hazard), np.exp(-hazard))
    own_error = np.sqrt(variance)
    error = (
        theta * share[0] * np.sqrt((hazard * estimate.standard_error) ** 2 + variance),
        share[1] * own_error,
    )
    labels = ("after the adoption", "as before the adoption")
    curves = tuple(
        curve_with_errors(label, days, one, spread, seen[days], freedom=estimate.degrees_of_freedom)
        for label, one, spread, seen in zip(labels, share, error, at_risk, strict=True)
    )
    at_horizon = _shares_at_horizon(answer, estimate, float(hazard[-1]), float(own_error[-1]))
    return replace(at_horizon, curves=curves)


def _shares_at_horizon(answer: Answer, estimate: Estimate, hazard: float, own_error: float) -> Answer:
    """Delta method for the shares that left, in the log hazard ratio and in the cumulative hazard before."""
    theta = math.exp(estimate.value)
    stayed = (math.exp(-theta * hazard), math.exp(-hazard))
    left = (1.0 - stayed[0], 1.0 - stayed[1])
    by_ratio = hazard * theta * stayed[0]
    by_hazard = theta * stayed[0] - stayed[1]
    on_difference = math.hypot(by_ratio * estimate.standard_error, by_hazard * own_error)
    on_log = math.hypot(
        by_ratio / left[0] * estimate.standard_error,
        (theta * stayed[0] / left[0] - stayed[1] / left[1]) * own_error,
    )
    freedom, method = estimate.degrees_of_freedom, estimate.method
    return replace(
        answer,
        out_of_100=(100.0 * stayed[0], 100.0 * stayed[1]),
        risk_difference=difference(Estimate(left[0] - left[1], on_difference, freedom, method)),
        risk_ratio=ratio(Estimate(math.log(left[0] / left[1]), on_log, freedom, method)),
    )


def _seen_by_tenure(follow: FollowUp, adopted: Integers, horizon: int) -> tuple[Integers, Integers]:
    """Clients of adopters seen at each day since joining, after and before the adoption."""
    on = adopted[follow.trainer]
    adopter = on != UNKNOWN_DAY
    found = []
    for low, high in (
        (np.maximum(follow.start, on), follow.end),
        (follow.start, np.minimum(follow.end, on)),
    ):
        inside = adopter & (low < high)
        changes = np.zeros(horizon + 2, dtype=np.int64)
        np.add.at(changes, np.clip((low - follow.joined)[inside], 0, horizon + 1), 1)
        np.add.at(changes, np.clip((high - follow.joined)[inside], 0, horizon + 1), -1)
        found.append(np.cumsum(changes)[: horizon + 1])
    return found[0], found[1]


def _described(
    rows: RowCount,
    follow: FollowUp,
    horizon: int,
    design: Design = NO_DESIGN,
    *,
    compared: bool = False,
    by_trainer: bool = False,
) -> Answer:
    """What is compared, in whom and how, before there are numbers."""
    season = ", with a wave of the year" if "season" in design.adjusted_for else ""
    model = WITH_COMPARISON if compared else WITHOUT_COMPARISON.format(season=season)
    return Answer(
        method="before and after",
        estimand=ESTIMAND.format(horizon=horizon, compared=COMPARED if compared else ""),
        clients=rows.used,
        events=int(follow.left.sum()),
        unit="clients",
        rows=rows,
        adjusted_for=design.adjusted_for,
        method_in_words=METHOD.format(model=model, error=BY_TRAINER if by_trainer else BY_MONTH),
    )


def _checks(cells: AdoptionCells, estimate: Estimate) -> tuple[tuple[str, float], ...]:
    def gone(side: bool) -> float:
        return float(cells.departures[cells.adopter & (cells.adopted == side)].sum())

    return (
        ("trainers who adopted", float(len(np.unique(cells.trainer[cells.adopter])))),
        ("trainers who did not", float(len(np.unique(cells.trainer[~cells.adopter])))),
        ("departures before the adoption", gone(False)),
        ("departures after the adoption", gone(True)),
        ("months", float(len(np.unique(cells.month)))),
        ("degrees of freedom", estimate.degrees_of_freedom),
    )
