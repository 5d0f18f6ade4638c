"""New starters who came again after a fixed day, by whether they had partner reps by then.

Membership comes from sessions up to the landmark only, so no day before it is counted for either side.
Whoever had left by then without anybody knowing is confirmed as having left within the next
`RetentionRule.absence_days`: those departures belong to the time before, and clients are at risk from the
day on which they are all known. Departures are dated by the day they were confirmed, and clients are compared
within weeks since the last session before the landmark.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError, ConvergenceError
from studykit.lookback.adjustment import (
    LEAST_ON_EACH_SIDE,
    Design,
    Term,
    TrainerRole,
    build_design,
    fact_terms,
    season_term,
    too_few_departures,
    trainer_role,
)
from studykit.lookback.episodes import Episodes
from studykit.lookback.exposure import RECENT_DAYS, SessionFacts, log_rate, session_facts
from studykit.lookback.inference import compare_shares, ratio
from studykit.lookback.log import AttendanceLog
from studykit.lookback.naive import curve_of_times
from studykit.lookback.results import Answer, Association, Curve
from studykit.lookback.standardised import standardised_share
from studykit.results import RowCount
from studykit.retention.censored import CensoredTimes
from studykit.retention.discrete_hazard import fit_discrete_hazards
from studykit.retention.hazard import fit_hazards

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Bools = NDArray[np.bool_]

EVENTS_PER_COLUMN = 10  # one row for each client: fewer columns than sessions can bear
DAYS_BETWEEN_BANDS = 7
BANDS = 4

ESTIMAND = (
    "Among new starters who came again after day {landmark}: leaving by day {horizon}, those with partner "
    "reps in some session by day {landmark} compared with those without by then, who may begin later; at the "
    "same time since the last session and the same attendance so far{strata}."
)
METHOD = (
    "Landmark on day {landmark}; proportional hazards from day {known} on, when all who had stopped "
    "before are "
    "known, with a baseline of its own for each week "
    "since the last session{strata}{clusters}; shares that left by day "
    "{horizon} by a complementary log-log model of those who joined early enough, standardised over "
    "them."
)


@dataclass(frozen=True, slots=True, eq=False)
class LandmarkRows:
    """New starters at risk after the landmark, one row each.

    Parameters
    ----------
    episode : ndarray of int, shape (n,)
    exposed : ndarray of bool, shape (n,)
    recency : ndarray of int, shape (n,)
        Days from the last session to the landmark.
    recent, overall : ndarray of float, shape (n,)
        Logarithm of sessions a week in the 28 days up to the landmark, and since joining.
    trainer : ndarray of int, shape (n,)
        With whom most sessions up to the landmark were.
    rows : RowCount
    """

    episode: Integers
    exposed: Bools
    recency: Integers
    recent: Floats
    overall: Floats
    trainer: Integers
    rows: RowCount


def known_on(episodes: Episodes, landmark: int) -> int:
    """Day on which all who had stopped by the landmark are known to have left, closures and pauses apart."""
    return landmark + episodes.rule.absence_days


def landmark_rows(episodes: Episodes, facts: SessionFacts, landmark: int) -> LandmarkRows:
    """Who came again, and what was known of each from sessions up to the landmark."""
    clients = np.arange(episodes.client.size)
    step = int(max(episodes.day.max(initial=0), landmark)) + 1
    key = episodes.episode * step + episodes.day
    upto = np.searchsorted(key, clients * step + landmark, side="right")
    since = np.searchsorted(key, clients * step + max(landmark - 27, 0), side="left")
    first = np.searchsorted(key, clients * step, side="left")
    marked = np.concatenate(([0], np.cumsum(facts.known)))
    # Who stopped by the landmark can be confirmed later still, where closures or pauses stop the clock.
    still = (
        episodes.new & (episodes.time > known_on(episodes, landmark)) & (episodes.last_attended > landmark)
    )
    came = upto > first
    known = marked[upto] > marked[first]
    kept = still & came & known
    last = upto[kept] - 1
    reasons = (
        ("joined before the records begin", int((~episodes.new).sum())),
        ("stopped, or records end, by then", int((episodes.new & ~still).sum())),
        ("no session by the landmark", int((still & ~came).sum())),
        ("no session of which partner reps were marked", int((still & came & ~known).sum())),
    )
    days = np.full(last.size, landmark)
    return LandmarkRows(
        episode=np.flatnonzero(kept),
        exposed=facts.begun[last],
        recency=landmark - episodes.day[last],
        recent=log_rate((upto - since)[kept], np.minimum(days, 28)),
        overall=log_rate((upto - first)[kept], days),
        trainer=_usual_trainer(episodes, facts, landmark)[kept],
        rows=RowCount(kept.size, last.size, tuple(one for one in reasons if one[1]), "clients"),
    )


def _usual_trainer(episodes: Episodes, facts: SessionFacts, landmark: int) -> Integers:
    """The trainer of most sessions of each client up to the landmark, the first code among equals."""
    early = episodes.day <= landmark
    code = facts.trainer[early] + 1  # not recorded counts as a trainer of its own
    width = int(code.max(initial=0)) + 1
    pairs, number = np.unique(episodes.episode[early] * width + code, return_counts=True)
    order = np.lexsort((-pairs, number))
    usual = np.full(episodes.client.size, -1)
    usual[pairs[order] // width] = pairs[order] % width - 1  # the most frequent is written last
    return usual


def answer_landmark(
    log: AttendanceLog,
    episodes: Episodes,
    landmark: int,
    *,
    horizon: int,
    least_events: int,
    facts: SessionFacts | None = None,
) -> Answer:
    """Compare new starters by whether they had had partner reps by the landmark.

    Parameters
    ----------
    log : AttendanceLog
    episodes : Episodes
    landmark, horizon : int
        Days since joining; follow-up begins `RetentionRule.absence_days` after the landmark.
    least_events : int
        Departures needed after the landmark, five of them on either side.
    facts : SessionFacts, optional
    """
    known = session_facts(log, episodes) if facts is None else facts
    rows = landmark_rows(episodes, known, landmark)
    time = episodes.time[rows.episode]
    times = (
        CensoredTimes(
            np.minimum(time, horizon),
            episodes.event[rows.episode] & (time <= horizon),
            entry=np.full(time.size, known_on(episodes, landmark)),
        )
        if time.size and known_on(episodes, landmark) < horizon
        else None
    )
    events = 0 if times is None else times.events
    with_reps = 0 if times is None else int(times.event[rows.exposed].sum())
    trainers = trainer_role(rows.exposed.astype(float), rows.trainer, rows.episode) if time.size else None
    build = _Builder(
        rows, times, trainers, landmark, known_on(episodes, landmark), horizon, events, with_reps
    )
    few = too_few_departures(
        f"after day {landmark}",
        (with_reps, events - with_reps),
        ("with partner reps", "without"),
        least_events,
    )
    if times is None or trainers is None or few or trainers.refusal:
        return build.refuse(few if trainers is None else few or trainers.refusal)
    terms = landmark_terms(log, episodes, rows, landmark)
    found_ratio, design = landmark_hazard_ratio(times, rows, trainers, terms, events)
    enough = episodes.joined[rows.episode] + horizon <= log.last_day
    return build.answer(found_ratio, design, _shares(rows, times, trainers, terms, enough))


def landmark_terms(
    log: AttendanceLog, episodes: Episodes, rows: LandmarkRows, landmark: int
) -> tuple[Term, ...]:
    """What was known on the landmark, to adjust for; after four weeks or less the two attendances are one."""
    calendar = episodes.joined[rows.episode] + landmark
    overall = (Term("attendance since joining", rows.overall[:, None]),) if landmark > RECENT_DAYS else ()
    return (
        Term("time since the last session", rows.recency[:, None].astype(float)),
        Term("attendance in the 28 days before", rows.recent[:, None]),
        *overall,
        *fact_terms(log.facts, episodes.client[rows.episode]),
        season_term(calendar),
    )


def landmark_hazard_ratio(
    times: CensoredTimes,
    rows: LandmarkRows,
    trainers: TrainerRole,
    terms: tuple[Term, ...],
    events: int,
) -> tuple[Association | None, Design]:
    """By proportional hazards, within weeks since the last session and trainers."""
    band = np.minimum(rows.recency // DAYS_BETWEEN_BANDS, BANDS - 1)
    strata = np.unique(trainers.strata * BANDS + band, return_inverse=True)[1].astype(np.int64)
    design = build_design(
        rows.exposed.astype(float), terms, strata=strata, events=events, per_column=EVENTS_PER_COLUMN
    )
    clusters = trainers.clusters if trainers.role == "clusters" else None  # one row for each client
    try:
        model = fit_hazards(times, design.columns, names=design.names, strata=strata, clusters=clusters)
        own = model.log_hazard_ratio(design.names[0])
        if clusters is not None:  # two means of trainers: the divisor is trainers minus two, as in a t-test
            error = own.standard_error * math.sqrt((model.clusters - 1.0) / (model.clusters - 2.0))
            own = replace(own, standard_error=error)
        else:
            freedom = max(times.events - len(design.names), 1.0)
            own = replace(own, degrees_of_freedom=freedom, method="information, departures minus columns")
    except ConvergenceError:
        return None, design
    return ratio(own), design


@dataclass(frozen=True, slots=True, eq=False)
class _Shares:
    risk_difference: Association | None = None
    risk_ratio: Association | None = None
    out_of_100: tuple[float, float] | None = None
    clients: int = 0


def _shares(
    rows: LandmarkRows,
    times: CensoredTimes,
    trainers: TrainerRole,
    terms: tuple[Term, ...],
    enough: Bools,
) -> _Shares:
    """Shares that left by the horizon, of those whose horizon lies within the records."""
    left, exposed = times.event[enough], rows.exposed[enough]
    sides = int(left[exposed].sum()), int(left[~exposed].sum())
    if min(sides) < LEAST_ON_EACH_SIDE:
        return _Shares()
    strata = np.unique(trainers.strata[enough], return_inverse=True)[1].astype(np.int64)
    clusters = np.unique(trainers.clusters[enough], return_inverse=True)[1].astype(np.int64)
    own = tuple(Term(term.name, term.columns[enough]) for term in terms)
    design = build_design(
        exposed.astype(float), own, strata=strata, events=int(left.sum()), per_column=EVENTS_PER_COLUMN
    )
    try:
        model = fit_discrete_hazards(
            left, design.columns, names=design.names, strata=strata, clusters=clusters
        )
    except (ArgumentError, ConvergenceError):  # partner reps do not vary within trainers, or separate
        return _Shares()
    both = [standardised_share(model, design.columns, strata, clusters, exposure=a) for a in (1.0, 0.0)]
    freedom = model.log_hazard_ratio(design.names[0]).degrees_of_freedom
    stayed = both[0][0], both[1][0]
    difference, share_ratio = compare_shares(
        stayed, (both[0][1], both[1][1]), freedom=freedom, inflation=model.small_sample_inflation
    )
    return _Shares(difference, share_ratio, (100.0 * stayed[0], 100.0 * stayed[1]), int(enough.sum()))


@dataclass(frozen=True, slots=True, eq=False)
class _Builder:
    """Puts an answer together, with or without numbers."""

    rows: LandmarkRows
    times: CensoredTimes | None
    trainers: TrainerRole | None
    landmark: int
    known: int
    horizon: int
    events: int
    with_reps: int

    def refuse(self, reason: str) -> Answer:
        return self._answer(None, None, _Shares(), reason)

    def answer(self, hazard_ratio: Association | None, design: Design, shares: _Shares) -> Answer:
        nothing = hazard_ratio is None and shares.risk_difference is None
        return self._answer(
            hazard_ratio,
            design,
            shares,
            "neither a ratio nor a difference can be estimated" if nothing else "",
        )

    def _answer(
        self, hazard_ratio: Association | None, design: Design | None, shares: _Shares, refused: str
    ) -> Answer:
        role = "one" if self.trainers is None else self.trainers.role
        within = role == "strata"
        days = {"landmark": self.landmark, "horizon": self.horizon, "known": self.known}
        method = METHOD.format(
            strata=" and each trainer" if within else "",
            clusters=" and robust standard errors by trainers" if role == "clusters" else "",
            **days,
        )
        method += "" if design is None else design.omission
        used = () if design is None else design.adjusted_for
        exposed = self.rows.exposed
        curves: tuple[Curve, ...] = ()
        if self.times is not None:
            curves = tuple(
                curve_of_times(
                    f"{label} by day {self.landmark}, as recorded", self.times.select(group), self.horizon
                )
                for label, group in (("partner reps", exposed), ("none", ~exposed))
                if group.any()
            )
        return Answer(
            method="landmark",
            estimand=ESTIMAND.format(strata=", within trainers" if within else "", **days),
            hazard_ratio=hazard_ratio,
            risk_difference=shares.risk_difference,
            out_of_100=shares.out_of_100,
            curves=curves,
            clients=int(exposed.size),
            events=self.events,
            unit="clients",
            rows=self.rows.rows,
            adjusted_for=(*used, *(("trainer",) if within else ())),
            method_in_words=method,
            checks=(
                ("landmark", float(self.landmark)),
                ("clients with partner reps by then", float(exposed.sum())),
                ("clients without", float((~exposed).sum())),
                ("departures with partner reps", float(self.with_reps)),
                ("departures without", float(self.events - self.with_reps)),
                ("clients followed to the horizon", float(shares.clients)),
            ),
            refused=refused,
            risk_ratio=shares.risk_ratio,
            variant=f"day {self.landmark}",
        )
