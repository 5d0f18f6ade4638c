r"""The whole effect of beginning partner reps on staying, what they do through attendance included.

Partner reps may keep clients by making them come more often. Whoever compares sessions at the same recent
attendance takes that way of working out. Here attendance decides who begins, and is left to move afterwards:
a marginal structural model (Robins, Hernán & Brumback 2000, Epidemiology 11:550) of the hazard of a day.

Legend: session j of client i on day :math:`d_j`, gap :math:`g_j` since the session before (one day for the
first), begun :math:`A_j`. The session is the last one with probability
:math:`1-\exp\{-g_j\lambda(d_j,A_j)\}`: a hazard per day, judged at sessions, so that beginning, which can
happen at a session only, makes nobody immortal. Each session counts by the stabilised weight

.. math:: w_j=\prod_{k\le j}\frac{q_k}{p_k},

the product up to the session at which partner reps began; :math:`p_k` is the chance of what was done, begun
or not, given attendance up to then, trainer, season and time since joining; :math:`q_k` the chance given what
was known on joining, again per day: :math:`1-\exp(-g_k\kappa)` of beginning.

The share still training after day t, had all begun at the first session or none, is the mean over clients of
:math:`\exp\{-\sum_{d\le t-a}\lambda(d,A)\}`, a being the absence that confirms a departure.

Errors: sums over clusters of influences, the weights taken as known. That they are estimated would make the
errors smaller in many clients (Henmi & Eguchi 2004, Biometrika 91:929, from memory); in the 60 to 600 new
clients of a studio the smaller errors covered too little, these did not (analysis/09).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from studykit.errors import ConvergenceError
from studykit.lookback.adjustment import (
    EXPOSURE,
    LEAST_ON_EACH_SIDE,
    NO_DESIGN,
    TENURE_KNOTS,
    Design,
    Term,
    TrainerRole,
    build_design,
    fact_terms,
    season_term,
    tenure_terms,
    too_few_departures,
    trainer_role,
)
from studykit.lookback.associations import cluster_estimate, curve_of, ratio, with_shares
from studykit.lookback.episodes import (
    RECENT_DAYS,
    Episodes,
    SessionFacts,
    at_first_session,
    first_rows,
    leave_out,
    session_facts,
)
from studykit.lookback.log import AttendanceLog, Bools, Floats, Integers
from studykit.lookback.look_back_results import Answer, Method
from studykit.lookback.session_clock import (
    CURVES,
    DAYS_BETWEEN_POINTS,
    ROLES,
    sessions_at_risk,
)
from studykit.lookback.standardised_curves import StandardisedCurve
from studykit.lookback.weighting import fit_logistic
from studykit.results import RowCount, frozen_array
from studykit.retention.discrete_hazard import DiscreteHazardModel

METHOD: Method = "whole effect"
ESTIMAND = (
    "Among clients who joined within the records: the share that would have left by day {horizon} had all, "
    "or none, begun partner reps at the first session, whatever partner reps do to attendance included."
)
IN_WORDS = (
    "Marginal structural model: hazards per day judged at sessions (complementary log-log), {trainers}; "
    "sessions weighted by the inverse chance of having begun or not by then, given attendance up to then; "
    "standard errors by clusters ({clusters}) with small-sample correction (CR2, Satterthwaite), "
    "the weights taken as known."
)
NEVER = -2  # came to no session


@dataclass(frozen=True, slots=True, eq=False)
class NewStarters:
    """Sessions of clients who joined within the records, sorted by client and day.

    Parameters
    ----------
    place : ndarray of int, shape (m,)
        Which of the episodes' sessions.
    gap : ndarray, shape (m,)
        Days since the session before; 1 for the first.
    first : ndarray of bool, shape (m,)
    begins, begun, open : ndarray of bool, shape (m,)
        Partner reps begin at this session; have begun by it; had not begun before it, and it was written
        whether they did.
    since : ndarray of int, shape (m,)
        Days since they began; 0 before and on the day itself.
    judged : ndarray of bool, shape (m,)
        The session is a row of the analysis.
    rows : RowCount
    """

    place: Integers
    gap: Floats
    first: Bools
    begins: Bools
    begun: Bools
    open: Bools
    since: Integers
    judged: Bools
    rows: RowCount


def new_starters(episodes: Episodes, facts: SessionFacts) -> NewStarters:
    """What is known of each session of a new client, from the sessions up to it."""
    owner, day = episodes.episode, episodes.day
    head = first_rows(owner)
    first = head == np.arange(owner.size)
    previous = np.where(first, day - 1, np.r_[0, day[:-1]])
    before = np.where(first, False, np.r_[False, facts.begun[:-1]])
    begins = facts.begun & ~before
    began_on = np.zeros(episodes.client.size, dtype=np.int64)
    began_on[owner[begins]] = day[begins]
    since = np.where(facts.begun, day - began_on[owner], 0)
    new = episodes.new[owner]
    kept, count = leave_out(
        RowCount(owner.size, owner.size, unit="sessions"),
        ("of members from before the records, whose first partner reps are not known", ~new),
        ("too near the ends of the records to be judged", ~episodes.judged),
        ("partner reps neither yes nor no", ~(facts.known | facts.begun)),
    )
    place = np.flatnonzero(new)
    return NewStarters(
        place=place,
        gap=np.maximum(day - previous, 1)[place].astype(float),
        first=first[place],
        begins=begins[place],
        begun=facts.begun[place],
        open=(~before & facts.known)[place],
        since=since[place],
        judged=kept[place],
        rows=count,
    )


def answer_whole_effect(
    log: AttendanceLog,
    episodes: Episodes,
    *,
    horizon: int,
    least_events: int,
    facts: SessionFacts | None = None,
) -> Answer:
    """Compare the share that would have left had all new clients begun at once, or none.

    Parameters
    ----------
    log : AttendanceLog
    episodes : Episodes
        Of the same log.
    horizon : int
        Days since joining.
    least_events : int
        Departures needed, of which five after exposed and as many after unexposed sessions.
    facts : SessionFacts, optional
        Read from the log unless given.
    """
    known = session_facts(log, episodes) if facts is None else facts
    sessions = new_starters(episodes, known)
    judged = sessions.place[sessions.judged]
    exposed = sessions.begun[sessions.judged]
    owner = episodes.episode[judged]
    at_first = at_first_session(episodes, known.trainer, missing=NEVER)
    trainers = trainer_role(exposed.astype(float), at_first[owner], owner)
    reason = (
        _refusal(episodes.last[judged], exposed, least_events)
        or trainers.refusal
        or _too_few_followed(episodes, sessions, horizon)
    )
    if reason:
        return replace(_described(episodes, sessions, trainers, horizon), refused=reason)
    weight = begin_weights(log, episodes, known, sessions, at_first, by_trainer=trainers.role == "strata")
    terms = _terms(
        episodes.day[judged],
        sessions.since[sessions.judged],
        sessions.first[sessions.judged],
        fact_terms(log.facts, episodes.client[owner]),
    )
    last = episodes.last[judged]
    design = build_design(exposed.astype(float), terms, strata=trainers.strata, events=int(last.sum()))
    answer = _described(episodes, sessions, trainers, horizon, design)
    try:
        model = design.fit(
            last,
            strata=trainers.strata,
            clusters=trainers.clusters,
            weights=weight[sessions.judged],
            offset=np.log(sessions.gap[sessions.judged]),
        )
    except ConvergenceError as error:
        return replace(answer, refused=str(error))
    at_risk = _at_risk(episodes, known, horizon)
    answer = replace(answer, checks=(*answer.checks, *_inequality(weight[sessions.judged])))
    clients, rows = np.unique(owner, return_index=True)
    population = _Population(
        stratum=trainers.strata[rows],
        cluster=trainers.clusters[rows],
        first_day=episodes.day[judged[rows]],
        facts=fact_terms(log.facts, episodes.client[clients]),
    )
    return _with_curves(answer, model, design, population, at_risk, absence=episodes.rule.absence_days)


def _refusal(last: Bools, exposed: Bools, least_events: int) -> str:
    if not last.size:
        return "no session of a client who joined within the records could be judged"
    if exposed.all() or not exposed.any():
        side = "with" if exposed.any() else "without"
        return f"every session of new clients counts as {side} partner reps"
    return too_few_departures(
        "among clients who joined within the records",
        (int(last[exposed].sum()), int(last[~exposed].sum())),
        ("after partner reps had begun", "before"),
        least_events,
    )


def _too_few_followed(episodes: Episodes, sessions: NewStarters, horizon: int) -> str:
    """Why the share of one side at the horizon would be a guess; empty where enough were followed so far."""
    place = sessions.place[sessions.begins]
    began = np.zeros(episodes.client.size, dtype=bool)
    began[episodes.episode[place[episodes.day[place] <= horizon]]] = True
    followed = episodes.new & (episodes.time >= horizon)
    sides = {"who had begun": int((followed & began).sum()), "who had not": int((followed & ~began).sum())}
    fewest = min(sides, key=sides.__getitem__)
    if sides[fewest] >= LEAST_ON_EACH_SIDE:
        return ""
    return (
        f"{sides[fewest]} new clients {fewest} were followed to day {horizon}; at least "
        f"{LEAST_ON_EACH_SIDE} are needed on each side"
    )


def begin_weights(
    log: AttendanceLog,
    episodes: Episodes,
    facts: SessionFacts,
    sessions: NewStarters,
    at_first: Integers,
    *,
    by_trainer: bool,
) -> Floats:
    """Stabilised weights of the sessions of new starters, for having begun or not by then.

    Parameters
    ----------
    log, episodes, facts, sessions
        Of the same records.
    at_first : ndarray of int, shape (n,)
        Trainer of each client's first session.
    by_trainer : bool
        Trainers differ from session to session in who begins: their chances are their own.
    """
    rows = np.flatnonzero(sessions.open)
    place = sessions.place[rows]
    owner, day = episodes.episode[place], episodes.day[place].astype(float)
    line, bends = tenure_terms(day)
    columns = [facts.recent[place], facts.overall[place], line.columns, bends.columns]
    columns.append(season_term(log.session_day[episodes.row[place]]).columns)
    columns += [term.columns for term in fact_terms(log.facts, episodes.client[owner])]
    labels, group = np.unique(at_first[owner] if by_trainer else np.zeros_like(owner), return_inverse=True)
    if by_trainer:
        columns.append((facts.trainer[place, None] == np.unique(facts.trainer[place])[1:]).astype(float))
    begins = sessions.begins[rows]
    fit = fit_logistic(np.column_stack(columns), begins, np.ones((1, rows.size)))
    chance = fit.chance[0]
    per_day = _rate(begins, sessions.gap[rows], _stretch(day, sessions.first[rows]), group, labels.size)
    usual = -np.expm1(-per_day * sessions.gap[rows])
    factor = np.zeros(sessions.place.size)
    factor[rows] = np.log(np.where(begins, usual / chance, (1.0 - usual) / (1.0 - chance)))
    running = np.cumsum(factor)
    head = first_rows(episodes.episode[sessions.place])
    return frozen_array(np.exp(running - (running - factor)[head]))


def _inequality(weight: Floats) -> tuple[tuple[str, float], ...]:
    """How unequally the rows count: the largest weight, and the effective number over the number."""
    return (
        ("largest weight", float(weight.max())),
        ("effective share of sessions", float(weight.sum() ** 2 / (weight**2).sum() / weight.size)),
    )


def _stretch(day: Floats, first: Bools) -> Integers:
    """Stretches of time since joining in which the usual rate is constant; the first session is one."""
    return np.where(first, 0, 1 + np.searchsorted(TENURE_KNOTS, day, side="right"))


def _rate(begins: Bools, gap: Floats, stretch: Integers, group: Integers, groups: int) -> Floats:
    """Beginnings per day in each stretch and group, drawn towards those of the stretch by one of them."""
    stretches = int(stretch.max()) + 1
    whole = (np.bincount(stretch, begins) + 0.5) / (np.bincount(stretch, gap) + 1.0)
    cell = stretch * groups + group
    number = np.bincount(cell, begins, minlength=stretches * groups)
    days = np.bincount(cell, gap, minlength=stretches * groups)
    own = (number + 1.0) / (days + 1.0 / np.repeat(whole, groups))
    return np.asarray(own[cell])


def _terms(
    day: Integers | Floats, since: Integers | Floats, first: Bools, facts: tuple[Term, ...]
) -> tuple[Term, ...]:
    """What the hazard depends on besides the exposure: nothing that partner reps can have changed.

    What they do to attendance shows from the next session on, and fully once the weeks by which attendance is
    judged have passed.
    """
    line, bends = tenure_terms(np.where(first, 0.0, day))
    return (
        Term(
            "time since partner reps began",
            np.column_stack((since > 0, np.minimum(since / RECENT_DAYS, 1.0))),
        ),
        Term(line.name, np.column_stack((line.columns, first))),
        *facts,
        bends,
    )


def _at_risk(episodes: Episodes, facts: SessionFacts, horizon: int) -> Integers:
    risk = sessions_at_risk(episodes, facts)
    new = episodes.new[episodes.episode[risk.place]]
    return risk.intervals.select(np.flatnonzero(new)).at_risk(horizon)


@dataclass(frozen=True, slots=True, eq=False)
class _Population:
    """The clients over whom the curves are averaged, one entry each."""

    stratum: Integers
    cluster: Integers
    first_day: Integers
    facts: tuple[Term, ...]


def _with_curves(
    answer: Answer,
    model: DiscreteHazardModel,
    design: Design,
    population: _Population,
    at_risk: Integers,
    *,
    absence: int,
) -> Answer:
    """The answer with both curves, and what they say at the horizon."""
    horizon = at_risk.size - 1
    days = (*range(DAYS_BETWEEN_POINTS, horizon, DAYS_BETWEEN_POINTS), horizon)
    one, none = (
        _curve(model, design, population, begun=begun, days=days, absence=absence) for begun in (True, False)
    )
    freedom = model.log_hazard_ratio(EXPOSURE).degrees_of_freedom
    stayed = (float(one.share[horizon]), float(none.share[horizon]))
    answer = with_shares(answer, stayed, (one.influence[-1], none.influence[-1]), model)
    on_log = [
        curve.influence[-1] / (share * math.log(share))
        for curve, share in zip((one, none), stayed, strict=True)
    ]
    return replace(
        answer,
        hazard_ratio=ratio(
            cluster_estimate(
                math.log(math.log(stayed[0]) / math.log(stayed[1])), on_log[0] - on_log[1], model
            )
        ),
        curves=tuple(
            curve_of(label, curve, days, at_risk, from_day=0, freedom=freedom)
            for label, curve in zip(CURVES["begun"], (one, none), strict=True)
        ),
    )


def _curve(
    model: DiscreteHazardModel,
    design: Design,
    population: _Population,
    *,
    begun: bool,
    days: tuple[int, ...],
    absence: int,
) -> StandardisedCurve:
    """Share still training had all, or none, begun at the first session.

    A hazard is that of the day times that of the client, so that sums over days are the same for everybody.
    """
    time = np.arange(days[-1] + 1)
    nothing = tuple(Term(one.name, np.zeros((time.size, one.columns.shape[1]))) for one in population.facts)
    since = begun * time
    of_day = _row_columns(np.full(time.size, float(begun)), _terms(time, since, time == 0, nothing))
    zero = np.zeros(population.stratum.size)
    of_client = _row_columns(zero, _terms(zero, zero, zero > 0.0, population.facts))
    of_day, of_client = of_day[:, design.chosen], of_client[:, design.chosen]
    daily = np.exp(of_day @ model.coefficients)
    level = np.exp(model.intercepts[population.stratum] + of_client @ model.coefficients)
    later = np.where(time == 0, 0.0, daily)
    total, moments = np.cumsum(later), np.cumsum(later[:, None] * of_day, axis=0)
    at_first, number = population.first_day, population.stratum.size

    def sums(day: int) -> tuple[Floats, Floats]:
        """Of each client's daily hazards up to a day, the first session's among them, and its derivatives."""
        came = at_first <= day
        end = np.where(came, day, 0), np.where(came, at_first, 0)
        return (
            came * (daily[0] + total[end[0]] - total[end[1]]),
            came[:, None] * (daily[0] * of_day[0] + moments[end[0]] - moments[end[1]]),
        )

    share = np.ones(days[-1] + 1)
    for place in range(absence, days[-1] + 1):
        share[place] = float(np.exp(-level * sums(place - absence)[0]).mean())
    influence = np.zeros((len(days), int(population.cluster.max()) + 1))
    for row, last in enumerate(days):
        if last >= absence:
            hazard, by_coefficient = sums(last - absence)
            stayed = np.exp(-level * hazard)
            slope = -level * stayed / number
            of_coefficients = slope @ by_coefficient + (slope * hazard) @ of_client
            of_intercepts = np.bincount(population.stratum, slope * hazard, minlength=model.intercepts.size)
            own = np.bincount(
                population.cluster, (stayed - share[last]) / number, minlength=influence.shape[1]
            )
            influence[row] = own + model.influence(of_coefficients, of_intercepts.astype(float))
    return StandardisedCurve(
        share=frozen_array(share),
        influence=frozen_array(influence),
        largest_weight=1.0,
        effective_share=1.0,
    )


def _row_columns(exposed: Floats, terms: tuple[Term, ...]) -> Floats:
    return np.hstack([exposed[:, None], *(term.columns for term in terms)])


def _described(
    episodes: Episodes, sessions: NewStarters, trainers: TrainerRole, horizon: int, design: Design = NO_DESIGN
) -> Answer:
    """What is compared, in whom and how, before there are numbers."""
    judged = sessions.place[sessions.judged]
    exposed, last = sessions.begun[sessions.judged], episodes.last[judged]
    model, clusters = ROLES.get(trainers.role, ROLES["clusters"])
    weighted = ("attendance up to each session, as it decided who began",) if design.names else ()
    return Answer(
        method=METHOD,
        estimand=ESTIMAND.format(horizon=horizon),
        clients=int(np.unique(episodes.episode[judged]).size),
        events=int(last.sum()),
        unit="sessions",
        rows=sessions.rows,
        adjusted_for=(*design.adjusted_for, *trainers.adjusted_for, *weighted),
        method_in_words=IN_WORDS.format(trainers=model, clusters=clusters) + design.omission,
        checks=(
            ("sessions with partner reps begun", float(exposed.sum())),
            ("other sessions", float((~exposed).sum())),
            ("departures with partner reps begun", float(last[exposed].sum())),
            ("other departures", float(last[~exposed].sum())),
        ),
    )
