"""Partner reps begun or not, on the session clock: every attended session is at risk of being the last.

A departure is confirmed weeks after the last session. On a clock of days, whoever had partner reps in a
session could not be seen to leave for those weeks, and partner reps would look protective even if they did
nothing. On the session clock exposed and unexposed sessions are judged alike: a session with partner reps
begun by then is the last one, or it is not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from studykit.errors import ConvergenceError
from studykit.lookback.adjustment import (
    EXPOSURE,
    NO_DESIGN,
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
from studykit.lookback.associations import curve_of, ratio, with_shares
from studykit.lookback.episodes import RECENT_DAYS, Episodes, SessionFacts, leave_out, session_facts
from studykit.lookback.log import AttendanceLog, Bools, Floats, Integers
from studykit.lookback.look_back_results import Answer
from studykit.lookback.standardised_curves import SessionIntervals, standardise
from studykit.results import RowCount
from studykit.retention.discrete_hazard import DiscreteHazardModel

Exposure = Literal["begun", "done", "some", "most", "begun, first 90 days"]
FIRST_DAYS = 90

LEAST_AT_RISK = 10
DAYS_BETWEEN_POINTS = 28

ESTIMAND = (
    "{asked} Sessions are compared at the same time since joining and the same recent attendance{strata}. "
    "The shares say how many would have left by day {horizon}, had all clients {regime}, or none."
)
METHOD = (
    "Discrete-time hazard model, per session (complementary log-log), with {trainers}. Standard errors are "
    "by clusters ({clusters}) with small-sample correction (CR2, Satterthwaite). Curves are standardised "
    "over the clients seen; attendance is taken as it was."
)
CAUTION = (
    " Whoever is about to leave may be given no partner reps in the last sessions; that alone would "
    "look like this."
)
EXPOSURES: dict[str, tuple[str, str, str]] = {
    "begun": (
        "Was a session more or less often a client's last one, once he or she had begun partner reps?",
        "begun partner reps at the first session",
        "partner reps begun",
    ),
    "done": (
        "Was a session with partner reps more or less often a client's last one than a session without?",
        "had partner reps in every session",
        "partner reps in them",
    ),
    "some": (
        "With partner reps in up to half of four weeks' sessions: was one more often last than with none?",
        "had them in some sessions",
        "partner reps in some sessions",
    ),
    "most": (
        "With partner reps in most of four weeks' sessions: was one more often last than with none?",
        "had them in most sessions",
        "partner reps in most sessions",
    ),
    "begun, first 90 days": (
        "In the first 90 days: was a session more or less often the last one, once partner reps had begun?",
        "begun partner reps at the first session",
        "partner reps begun, first 90 days",
    ),
}
CURVES: dict[str, tuple[str, str]] = {
    "begun": ("partner reps from the start", "no partner reps"),
    "done": ("partner reps in every session", "no partner reps"),
}
ROLES = {
    "one": ("one trainer", "clients"),
    "strata": ("a baseline of its own for each trainer", "clients"),
    "clusters": ("trainers compared with each other", "trainers"),
}


@dataclass(frozen=True, slots=True, eq=False)
class SessionsAtRisk:
    """The rows of the analysis.

    Parameters
    ----------
    place : ndarray of int, shape (m,)
        Which of the episodes' sessions.
    exposed : ndarray of bool, shape (m,)
    last : ndarray of bool, shape (m,)
    intervals : SessionIntervals
    rows : RowCount
    exposure : {"begun", "done"}
    """

    place: Integers
    exposed: Bools
    last: Bools
    intervals: SessionIntervals
    rows: RowCount
    exposure: Exposure = "begun"


def sessions_at_risk(episodes: Episodes, facts: SessionFacts, exposure: Exposure = "begun") -> SessionsAtRisk:
    """Sessions that are judged and whose exposure is known."""
    begun = exposure.startswith("begun")
    share = _share_lately(episodes, facts)
    other = np.zeros(share.size, dtype=bool)
    if exposure in ("some", "most"):
        other = (share > 0.0) & ((share > 0.5) == (exposure == "some"))
    exposed = {"begun": facts.begun, "done": facts.done}.get(exposure.split(",")[0], share > 0.0)
    kept, count = leave_out(
        RowCount(share.size, share.size, unit="sessions"),
        ("too near the ends of the records to be judged", ~episodes.judged),
        ("partner reps neither yes nor no", ~(facts.known | (begun & facts.begun))),
        ("there before marks were made, so that partner reps may have begun before", begun & ~facts.settled),
        ("another frequency of partner reps", other),
        (f"after day {FIRST_DAYS}", (episodes.day > FIRST_DAYS) & (exposure == "begun, first 90 days")),
    )
    place = np.flatnonzero(kept)
    owner = episodes.episode[place]
    before = np.maximum(place - 1, 0)
    follows = (place > 0) & (episodes.episode[before] == owner)
    start = np.where(follows, episodes.confirmable_on[before], episodes.entry[owner])
    return SessionsAtRisk(
        place=place,
        exposed=exposed[place],
        last=episodes.last[place],
        intervals=SessionIntervals(
            client=owner,
            start=np.maximum(start, episodes.entry[owner]),
            stop=episodes.confirmable_on[place],
            end=episodes.time[owner],
        ),
        rows=count,
        exposure=exposure,
    )


def _share_lately(episodes: Episodes, facts: SessionFacts) -> Floats:
    """Share with partner reps of a client's sessions in the 28 days up to each that say so, this one too."""
    step = int(episodes.day.max(initial=0)) + RECENT_DAYS + 1
    key = episodes.episode * step + episodes.day
    begin = np.searchsorted(key, np.maximum(key - RECENT_DAYS, episodes.episode * step), side="left")
    done, known = (np.concatenate(([0], np.cumsum(flags))) for flags in (facts.done, facts.known))
    end = np.arange(key.size) + 1
    return np.asarray((done[end] - done[begin]) / np.maximum(known[end] - known[begin], 1), dtype=float)


def answer_session_clock(
    log: AttendanceLog,
    episodes: Episodes,
    *,
    horizon: int,
    least_events: int,
    exposure: Exposure = "begun",
    facts: SessionFacts | None = None,
) -> Answer:
    """Compare sessions by partner reps up to and including each.

    Parameters
    ----------
    log : AttendanceLog
    episodes : Episodes
        Of the same log.
    horizon : int
        Days since joining.
    least_events : int
        Departures needed, of which five after exposed and as many after unexposed sessions.
    exposure : {"begun", "done"}
        Partner reps in this or any earlier session, as if a trial had told clients to begin; or in this very
        session, which follows what is done, but also whoever gets none because he or she is about to leave.
    facts : SessionFacts, optional
        Read from the log unless given.
    """
    known = session_facts(log, episodes) if facts is None else facts
    risk = sessions_at_risk(episodes, known, exposure)
    exposed = risk.exposed.astype(float)
    trainers = trainer_role(exposed, known.trainer[risk.place], risk.intervals.client)
    reason = _refusal(risk, trainers, least_events)
    if reason:
        return replace(_described(risk, trainers, horizon), refused=reason)
    design = _design(log, episodes, known, risk, trainers.strata)
    answer = _described(risk, trainers, horizon, design)
    try:
        model = design.fit(risk.last, strata=trainers.strata, clusters=trainers.clusters)
    except ConvergenceError as error:
        return replace(answer, refused=str(error))
    answer = replace(answer, hazard_ratio=ratio(model.log_hazard_ratio(EXPOSURE)))
    return _with_curves(answer, model, design, trainers, risk, horizon)


def _refusal(risk: SessionsAtRisk, trainers: TrainerRole, least_events: int) -> str:
    if not risk.place.size:
        return "no session of a client who is followed could be judged"
    if risk.exposed.all() or not risk.exposed.any():
        return "every session counts as " + ("with" if risk.exposed.any() else "without") + " partner reps"
    name = EXPOSURES[risk.exposure][2]
    few = too_few_departures(
        "in these records",
        (int(risk.last[risk.exposed].sum()), int(risk.last[~risk.exposed].sum())),
        (f"after sessions with {name}", "after others"),
        least_events,
    )
    return few or trainers.refusal


def _design(
    log: AttendanceLog, episodes: Episodes, facts: SessionFacts, risk: SessionsAtRisk, strata: Integers
) -> Design:
    line, bends = tenure_terms(episodes.day[risk.place].astype(float))
    client = episodes.client[risk.intervals.client]
    terms = (
        Term("attendance in the 28 days before", facts.recent[risk.place][:, None]),
        line,
        Term("attendance since joining", facts.overall[risk.place][:, None]),
        *fact_terms(log.facts, client),
        season_term(log.session_day[episodes.row[risk.place]]),
        bends,
    )
    return build_design(risk.exposed.astype(float), terms, strata=strata, events=int(risk.last.sum()))


def _with_curves(
    answer: Answer,
    model: DiscreteHazardModel,
    design: Design,
    trainers: TrainerRole,
    risk: SessionsAtRisk,
    horizon: int,
) -> Answer:
    """The answer with curves and what they say at the horizon, unless too few were at risk."""
    at_risk = risk.intervals.at_risk(horizon)
    if risk.exposure not in CURVES:
        return answer
    enough = np.flatnonzero(at_risk[1:] >= LEAST_AT_RISK) + 1
    if not enough.size or enough[-1] < horizon:
        return answer
    from_day = int(enough[0]) - 1
    if (np.diff(enough) > 1).any():
        from_day = int(enough[np.flatnonzero(np.diff(enough) > 1)[-1] + 1]) - 1
    days = tuple(day for day in range(DAYS_BETWEEN_POINTS, horizon, DAYS_BETWEEN_POINTS) if day > from_day)
    days = (*days, horizon)
    both = [
        standardise(
            model,
            design.columns,
            trainers.strata,
            trainers.clusters,
            risk.intervals,
            exposure=exposure,
            from_day=from_day,
            days=days,
        )
        for exposure in (1.0, 0.0)
    ]
    freedom = model.log_hazard_ratio(EXPOSURE).degrees_of_freedom
    since = f", of those who still trained on day {from_day}" if from_day else ""
    return replace(
        with_shares(
            answer,
            (float(both[0].share[horizon]), float(both[1].share[horizon])),
            (both[0].influence[-1], both[1].influence[-1]),
            model,
        ),
        curves=tuple(
            curve_of(label + since, one, days, at_risk, from_day=from_day, freedom=freedom)
            for label, one in zip(CURVES[risk.exposure], both, strict=True)
        ),
        checks=(
            *answer.checks,
            ("largest weight in the curves", max(one.largest_weight for one in both)),
            ("effective share of sessions in the curves", min(one.effective_share for one in both)),
            ("first day of the curves", float(from_day)),
        ),
    )


def _described(
    risk: SessionsAtRisk, trainers: TrainerRole, horizon: int, design: Design = NO_DESIGN
) -> Answer:
    """What is compared, in whom and how, before there are numbers."""
    asked, regime, name = EXPOSURES[risk.exposure]
    model, clusters = ROLES.get(trainers.role, ROLES["clusters"])
    strata = ", within trainers" if trainers.role == "strata" else ""
    return Answer(
        method="session clock",
        estimand=ESTIMAND.format(asked=asked, regime=regime, strata=strata, horizon=horizon),
        clients=int(np.unique(risk.intervals.client).size),
        events=int(risk.last.sum()),
        unit="sessions",
        rows=risk.rows,
        adjusted_for=(*design.adjusted_for, *trainers.adjusted_for),
        method_in_words=METHOD.format(trainers=model, clusters=clusters)
        + design.omission
        + (CAUTION if risk.exposure == "done" else ""),
        checks=(
            (f"sessions with {name}", float(risk.exposed.sum())),
            ("other sessions", float((~risk.exposed).sum())),
            (f"departures with {name}", float(risk.last[risk.exposed].sum())),
            ("other departures", float(risk.last[~risk.exposed].sum())),
        ),
        variant=name,
    )
