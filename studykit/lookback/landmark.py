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

from studykit.errors import ArgumentError, ConvergenceError
from studykit.lookback.adjustment import (
    EXPOSURE,
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
from studykit.lookback.associations import ratio, with_shares
from studykit.lookback.episodes import (
    RECENT_DAYS,
    Episodes,
    SessionFacts,
    leave_out,
    log_rate,
    session_facts,
)
from studykit.lookback.log import AttendanceLog, Bools, Floats, Integers
from studykit.lookback.look_back_results import Answer, Association
from studykit.lookback.naive import curve_of_times
from studykit.lookback.standardised_curves import standardised_share
from studykit.results import RowCount
from studykit.retention.censored import CensoredTimes
from studykit.retention.hazard import fit_hazards

EVENTS_PER_COLUMN = 10  # one row for each client: fewer columns than sessions can bear
DAYS_BETWEEN_BANDS = 7
BANDS = 4
FOLLOWED = "clients followed to the horizon"

ESTIMAND = (
    "Of new clients who came again after day {landmark}: did those with partner reps by then leave more or "
    "less often by day {horizon}? The others may begin later. Clients are compared at the same time since "
    "the last session and the same attendance so far{strata}."
)
METHOD = (
    "Landmark analysis: proportional hazards from day {known} on, when all who had stopped by day {landmark} "
    "are known. Each week since the last session{strata} has a baseline of its own{clusters}. Shares that "
    "left come from a complementary log-log model of those who joined early enough, standardised over them."
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
    still = (episodes.time > known_on(episodes, landmark)) & (episodes.last_attended > landmark)
    kept, count = leave_out(
        RowCount(clients.size, clients.size, unit="clients"),
        ("joined before the records begin", ~episodes.new),
        ("stopped, or records end, by then", ~still),
        ("no session by the landmark", upto <= first),
        ("no session of which partner reps were marked", marked[upto] <= marked[first]),
    )
    last = upto[kept] - 1
    days = np.full(last.size, landmark)
    return LandmarkRows(
        episode=np.flatnonzero(kept),
        exposed=facts.begun[last],
        recency=landmark - episodes.day[last],
        recent=log_rate((upto - since)[kept], np.minimum(days, 28)),
        overall=log_rate((upto - first)[kept], days),
        trainer=_usual_trainer(episodes, facts, landmark)[kept],
        rows=count,
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
    time, from_day = episodes.time[rows.episode], known_on(episodes, landmark)
    times = (
        CensoredTimes(
            np.minimum(time, horizon),
            episodes.event[rows.episode] & (time <= horizon),
            entry=np.full(time.size, from_day),
        )
        if time.size and from_day < horizon
        else None
    )
    trainers = trainer_role(rows.exposed.astype(float), rows.trainer, rows.episode)
    departures = _departures(rows, times)
    answer = _described(rows, times, trainers, departures, landmark=landmark, horizon=horizon, known=from_day)
    reason = too_few_departures(
        f"after day {landmark}", departures, ("with partner reps", "without"), least_events
    )
    if times is None or reason or trainers.refusal:
        return replace(answer, refused=reason or trainers.refusal)
    terms = landmark_terms(log, episodes, rows, landmark)
    found_ratio, design = landmark_hazard_ratio(times, rows, trainers, terms, times.events)
    enough = episodes.joined[rows.episode] + horizon <= log.last_day
    answer = replace(
        answer,
        hazard_ratio=found_ratio,
        adjusted_for=(*design.adjusted_for, *trainers.adjusted_for),
        method_in_words=answer.method_in_words + design.omission,
    )
    answer = _with_shares(answer, rows, times, trainers, terms, enough)
    nothing = answer.hazard_ratio is None and answer.risk_difference is None
    return replace(answer, refused="neither a ratio nor a difference can be estimated" if nothing else "")


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
        own = model.log_hazard_ratio(EXPOSURE)
        if clusters is not None:  # two means of trainers: the divisor is trainers minus two, as in a t-test
            error = own.standard_error * math.sqrt((model.clusters - 1.0) / (model.clusters - 2.0))
            own = replace(own, standard_error=error)
        else:
            freedom = max(times.events - len(design.names), 1.0)
            own = replace(own, degrees_of_freedom=freedom, method="information, departures minus columns")
    except ConvergenceError:
        return None, design
    return ratio(own), design


def _with_shares(
    answer: Answer,
    rows: LandmarkRows,
    times: CensoredTimes,
    trainers: TrainerRole,
    terms: tuple[Term, ...],
    enough: Bools,
) -> Answer:
    """The answer with the shares that left by the horizon, of those whose horizon lies within the records."""
    left, exposed = times.event[enough], rows.exposed[enough]
    if min(left[exposed].sum(), left[~exposed].sum()) < LEAST_ON_EACH_SIDE:
        return answer
    strata = np.unique(trainers.strata[enough], return_inverse=True)[1].astype(np.int64)
    clusters = np.unique(trainers.clusters[enough], return_inverse=True)[1].astype(np.int64)
    own = tuple(Term(term.name, term.columns[enough]) for term in terms)
    design = build_design(
        exposed.astype(float), own, strata=strata, events=int(left.sum()), per_column=EVENTS_PER_COLUMN
    )
    try:
        model = design.fit(left, strata=strata, clusters=clusters)
    except (ArgumentError, ConvergenceError):  # partner reps do not vary within trainers, or separate
        return answer
    (stayed_with, with_reps), (stayed_without, without) = (
        standardised_share(model, design.columns, strata, clusters, exposure=exposure)
        for exposure in (1.0, 0.0)
    )
    return replace(
        with_shares(answer, (stayed_with, stayed_without), (with_reps, without), model),
        checks=(*answer.checks[:-1], (FOLLOWED, float(enough.sum()))),
    )


def _departures(rows: LandmarkRows, times: CensoredTimes | None) -> tuple[int, int]:
    """After the landmark, with partner reps and without."""
    if times is None:
        return 0, 0
    return int(times.event[rows.exposed].sum()), int(times.event[~rows.exposed].sum())


def _described(
    rows: LandmarkRows,
    times: CensoredTimes | None,
    trainers: TrainerRole,
    departures: tuple[int, int],
    **days: int,
) -> Answer:
    """What is compared, in whom and how, before there are numbers; the curves are those recorded."""
    within, exposed = trainers.role == "strata", rows.exposed
    groups = (("partner reps", exposed), ("none", ~exposed))
    method = METHOD.format(
        strata=" and each trainer" if within else "",
        clusters=" and robust standard errors by trainers" if trainers.role == "clusters" else "",
        **days,
    )
    return Answer(
        method="landmark",
        estimand=ESTIMAND.format(strata=", within trainers" if within else "", **days),
        curves=tuple(
            curve_of_times(
                f"{label} by day {days['landmark']}, as recorded", times.select(group), days["horizon"]
            )
            for label, group in groups
            if times is not None and group.any()
        ),
        clients=int(exposed.size),
        events=sum(departures),
        unit="clients",
        rows=rows.rows,
        adjusted_for=trainers.adjusted_for,
        method_in_words=method,
        checks=(
            ("landmark", float(days["landmark"])),
            ("clients with partner reps by then", float(exposed.sum())),
            ("clients without", float((~exposed).sum())),
            ("departures with partner reps", float(departures[0])),
            ("departures without", float(departures[1])),
            (FOLLOWED, 0.0),
        ),
        variant=f"day {days['landmark']}",
    )
