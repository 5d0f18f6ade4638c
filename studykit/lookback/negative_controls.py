"""Comparisons that partner reps cannot have moved: what they find is a fault of records or method.

Lipsitch, Tchetgen Tchetgen & Cohen 2010, Epidemiology 21:383. Two are possible here: bookings missed before
partner reps began, and a date of adoption that is made up, well before the true one.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from studykit.errors import ConvergenceError, DesignError
from studykit.lookback.adjustment import EXPOSURE, Term, build_design, fact_terms, season_term, tenure_terms
from studykit.lookback.associations import ratio
from studykit.lookback.before_after import answer_before_after
from studykit.lookback.episodes import RECENT_DAYS, Episodes, SessionFacts, first_rows, follow_clients
from studykit.lookback.log import UNKNOWN_DAY, AttendanceLog, Bools, Integers
from studykit.lookback.look_back_results import NegativeControl

LEAST_BEGINNING = 10  # clients who begin, at sessions with four weeks of records before
LEAST_MISSED = 20  # sessions with a missed booking in the four weeks before

MISSED = "Bookings missed in the 28 days before partner reps began"
MISSED_READING = (
    "ratio of missed bookings, sessions at which clients began compared with sessions at which they could "
    "have begun; away from 1, those who began were already more or less reliable than their attendance shows"
)
PLACEBO = "A made-up date of adoption, half-way before the true one"
PLACEBO_READING = (
    "hazard ratio after the made-up date; away from 1, something else was changing before partner reps came"
)


def negative_controls(
    log: AttendanceLog, episodes: Episodes, facts: SessionFacts, *, horizon: int, least_events: int
) -> tuple[NegativeControl, ...]:
    """Those controls that the records allow; the others are not listed.

    Parameters
    ----------
    log : AttendanceLog
    episodes : Episodes
    facts : SessionFacts
        Of the same log.
    horizon : int
        Days since joining.
    least_events : int
        Departures needed for the made-up date.
    """
    found = []
    if log.missed_client.size and facts.done.any():
        found.append(missed_before(log, episodes, facts))
    if (log.adopted != UNKNOWN_DAY).any():
        found.append(made_up_date(log, episodes, horizon=horizon, least_events=least_events))
    return tuple(found)


def missed_before(log: AttendanceLog, episodes: Episodes, facts: SessionFacts) -> NegativeControl:
    """Whether clients about to begin partner reps had missed bookings more or less often."""
    refuse = partial(NegativeControl, MISSED, None, MISSED_READING)
    first = first_rows(episodes.episode)
    begun_before = np.r_[False, facts.begun[:-1]] if facts.begun.size else facts.begun
    begun_before = begun_before & (first != np.arange(first.size))
    known_from = np.maximum(log.first_day - episodes.joined, 0)[episodes.episode]
    rows = np.flatnonzero(facts.known & ~begun_before & (episodes.day - known_from >= RECENT_DAYS))
    begins = facts.begun[rows]
    missed = _missed_lately(log, episodes, rows)
    if int(begins.sum()) < LEAST_BEGINNING or int(missed.sum()) < LEAST_MISSED:
        return refuse(
            f"too few: {int(begins.sum())} clients began and {int(missed.sum())} sessions followed a missed "
            f"booking; {LEAST_BEGINNING} and {LEAST_MISSED} are needed",
        )
    client = episodes.client[episodes.episode[rows]]
    strata = np.unique(facts.trainer[rows], return_inverse=True)[1].astype(np.int64)
    terms = (
        Term("attendance in the 28 days before", facts.recent[rows][:, None]),
        Term("attendance since joining", facts.overall[rows][:, None]),
        *tenure_terms(episodes.day[rows].astype(float)),
        season_term(episodes.joined[episodes.episode[rows]] + episodes.day[rows]),
        *fact_terms(log.facts, client),
    )
    design = build_design(begins.astype(float), terms, strata=strata, events=int(missed.sum()))
    try:
        model = design.fit(missed, strata=strata, clusters=client)
    except ConvergenceError as error:
        return refuse(str(error))
    return NegativeControl(MISSED, ratio(model.log_hazard_ratio(EXPOSURE)), MISSED_READING)


def _missed_lately(log: AttendanceLog, episodes: Episodes, rows: Integers) -> Bools:
    """Whether the client missed a booking in the 28 days before each of these sessions."""
    owner = episodes.client[episodes.episode[rows]]
    day = episodes.joined[episodes.episode[rows]] + episodes.day[rows] - log.first_day
    step = 10_000_000
    missed = np.sort(log.missed_client * step + (log.missed_day - log.first_day) + RECENT_DAYS)
    key = owner * step + day + RECENT_DAYS
    return np.asarray(np.searchsorted(missed, key) > np.searchsorted(missed, key - RECENT_DAYS))


def made_up_date(
    log: AttendanceLog, episodes: Episodes, *, horizon: int, least_events: int
) -> NegativeControl:
    """The comparison before and after, in records that end on the eve of the first adoption."""
    inside = (log.adopted > log.first_day) & (log.adopted <= log.last_day)
    refuse = partial(NegativeControl, PLACEBO, None, PLACEBO_READING)
    if not inside.any():
        return refuse("no trainer adopted at a date within the records")
    true_date = int(log.adopted[inside].min())
    made_up = (log.first_day + true_date) // 2
    kept = log.session_day < true_date
    earlier = replace(
        log,
        session_client=log.session_client[kept],
        session_day=log.session_day[kept],
        session_trainer=log.session_trainer[kept],
        session_partner_reps=log.session_partner_reps[kept],
        adopted=np.where(inside, made_up, log.adopted),
        last_day=true_date - 1,
    )
    try:
        shorter = follow_clients(earlier, rule=episodes.rule)
    except DesignError as error:
        return refuse(str(error))
    answer = answer_before_after(earlier, shorter, horizon=horizon, least_events=least_events)
    return NegativeControl(PLACEBO, answer.hazard_ratio, PLACEBO_READING, answer.refused)
