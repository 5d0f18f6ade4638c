"""The whole look back: everybody followed, the wrong comparison shown, the proper ones made."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from functools import partial
from numbers import Integral

import numpy as np

from studykit.errors import ArgumentError, DesignError, Finding
from studykit.lookback.answer_sentences import answer_label
from studykit.lookback.before_after import answer_before_after
from studykit.lookback.e_value import bound_unmeasured
from studykit.lookback.episodes import (
    Episodes,
    SessionFacts,
    first_session_as_joining,
    follow_clients,
    session_facts,
)
from studykit.lookback.joining_strategies import answer_strategies, strategy_balance
from studykit.lookback.landmark import answer_landmark
from studykit.lookback.log import UNKNOWN_DAY, AttendanceLog, Integers
from studykit.lookback.look_back_results import (
    Account,
    Answer,
    Curve,
    Ending,
    LookBack,
    Method,
    Month,
    OwnRetention,
    Sensitivity,
    TrialRow,
    UnmeasuredBound,
)
from studykit.lookback.naive import curve_of_times, naive_comparison
from studykit.lookback.negative_controls import negative_controls
from studykit.lookback.next_study import plan_next_study
from studykit.lookback.session_clock import Exposure, answer_session_clock
from studykit.lookback.silence import how_it_ends, refuse_silence
from studykit.lookback.verdict import Verdict, choose_verdict
from studykit.results import RowCount
from studykit.retention.clock import RetentionRule

HORIZON = 182
LANDMARKS = (28, 56, 84)
LEAST_EVENTS = 20
LEAST_IN_QUARTER = 12  # clients, for a curve of their own
MOST_QUARTERS = 6
EXPLORATORY: tuple[Exposure, ...] = ("some", "most", "begun, first 90 days")
METHODS: tuple[Method, ...] = ("session clock", "landmark", "strategies from joining", "before and after")


def look_back(
    log: AttendanceLog,
    *,
    horizon: int = HORIZON,
    lead: Method = "session clock",
    absence_days: int = 28,
    landmarks: tuple[int, ...] | None = None,
    grace_weeks: int = 4,
    bootstrap: int | None = None,
    seed: int = 1,
    least_events: int = LEAST_EVENTS,
) -> LookBack:
    """Answer from attendance records alone whether partner reps and staying went together.

    Parameters
    ----------
    log : AttendanceLog
    horizon : int
        Days since joining up to which clients are compared.
    lead : str
        The answer that counts, named before the records are opened: "session clock", "landmark",
        "strategies from joining" or "before and after". Records without marks of partner reps allow the last
        one only.
    absence_days : int
        Countable days without attendance that make a departure.
    landmarks : tuple of int
        Days since joining, ascending, more than ``absence_days`` before the horizon; unless given, those of
        28, 56 and 84 that are.
    grace_weeks : int
        Weeks within which new starters begin partner reps, or do not.
    bootstrap : int, optional
        Resamples of clients for the comparison of strategies; by default 500 up to 2,000 clients, none above.
    seed : int
        Of the resamples.
    least_events : int
        Departures below which a comparison is not made.

    Returns
    -------
    LookBack
        Where nobody's joining date is known, first sessions stand for them (`first_session_as_joining`).

    Raises
    ------
    ArgumentError
        If an option cannot be used.
    DesignError
        If nobody can be followed for a day, or nobody trained for so long that all would count as departed.

    Examples
    --------
    >>> from studykit.lookback.attendance_reading import read_attendance
    >>> from studykit.shipped import shipped
    >>> export = shipped("synthetic_data") / "attendance" / "export.csv"
    >>> log = read_attendance(export, columns={"client_id": "client"})
    >>> look = look_back(log, bootstrap=0)
    >>> look.lead, look.clients, [answer.method for answer in look.answers][:2]
    ('session clock', 165, ['session clock', 'session clock'])
    """
    _check_whole(horizon=horizon, absence_days=absence_days, grace_weeks=grace_weeks)
    if landmarks is None:
        landmarks = tuple(day for day in LANDMARKS if day + absence_days < horizon)
    _check(horizon, lead, absence_days, landmarks, grace_weeks, bootstrap, least_events)
    refuse_silence(log, absence_days)
    rule = RetentionRule(absence_days=absence_days)
    log, supposed = first_session_as_joining(log, quiet_days=2 * absence_days)
    episodes = follow_clients(log, rule=rule)
    facts = session_facts(log, episodes)
    chosen = _lead(log, lead, marked := log.marked and bool(facts.done.any()))
    ask = partial(
        answer_session_clock, log, episodes, horizon=horizon, least_events=least_events, facts=facts
    )
    answers: tuple[Answer, ...] = ()
    if marked:
        at = partial(answer_landmark, log, episodes, horizon=horizon, least_events=least_events, facts=facts)
        strategies = answer_strategies(
            log, episodes, horizon=horizon, weeks=grace_weeks, least_events=least_events,
            resamples=bootstrap, seed=seed,
        )  # fmt: skip
        answers = (ask(), ask(exposure="done"), *map(at, landmarks), strategies)
    if (log.adopted != UNKNOWN_DAY).any():
        answers += (answer_before_after(log, episodes, horizon=horizon, least_events=least_events),)
    ordered = tuple(sorted(answers, key=lambda answer: answer.method != chosen))
    retention = curve_of_times("everybody", episodes.times(), horizon)
    more = partial(_other_weeks, log, episodes, horizon=horizon, least_events=least_events)
    bound = _bound(ordered, chosen)
    exploratory = tuple(ask(exposure=kind) for kind in EXPLORATORY) if marked else ()
    returned = came_back(log, episodes)
    return LookBack(
        lead=chosen,
        naive=naive_comparison(episodes, facts, horizon=horizon) if marked else None,
        answers=ordered,
        retention=retention,
        balance=strategy_balance(log, episodes, horizon=horizon, weeks=grace_weeks) if marked else (),
        bound=bound,
        target_trial=target_trial(log, episodes, horizon=horizon),
        next_study=plan_next_study(log, episodes, horizon=horizon),
        rows=episodes.clients,
        clients=int(episodes.client.size),
        new_clients=int(episodes.new.sum()),
        existing_clients=int((~episodes.new).sum()),
        events=int(episodes.event.sum()),
        horizon=horizon,
        first_day=log.first_day,
        last_day=log.last_day,
        cut_day=episodes.cut_day,
        findings=(*log.findings, *supposed, *_findings(log, episodes, facts, returned)),
        source=log.source,
        sensitivity=(
            *_sensitivity(log, horizon=horizon, least_events=least_events, marked=marked, rule=rule),
            *(more(weeks=grace_weeks, retention=retention) if marked else ()),
        ),
        negative_controls=negative_controls(log, episodes, facts, horizon=horizon, least_events=least_events),
        account=account_of(log, episodes, ordered),
        verdict=_verdict(ordered, chosen, bound, doubtful=is_doubtful(episodes, returned)),
        returned=returned,
        ending=Ending(*how_it_ends(log, absence_days), absence_days),
        own=own_retention(log, episodes, horizon),
        exploratory=exploratory,
        why_none="" if chosen else _why_none(log),
    )


def _why_none(log: AttendanceLog) -> str:
    """Why nothing can be compared: nothing marked, nothing but no, or nothing among those followed."""
    if not log.marked:
        return "no session is marked with partner reps, and no day is known from which a trainer used them"
    if (log.session_partner_reps > 0).any():
        return "no session with partner reps is among those of the clients that can be followed"
    return "every mark says that there were no partner reps"


def _verdict(
    answers: tuple[Answer, ...], lead: Method | None, bound: UnmeasuredBound | None, *, doubtful: bool
) -> Verdict:
    """For the lead: its difference in staying, and how strong an unrecorded reason would have to be."""
    first = next((answer for answer in answers if answer.method == lead), None)
    found = None if first is None or first.refused else first.risk_difference
    ends = None if found is None else (-found.interval.upper, -found.interval.lower)
    return choose_verdict(ends, bound.e_value_of_interval if bound else 1.0, doubtful=doubtful)


def account_of(log: AttendanceLog, episodes: Episodes, answers: tuple[Answer, ...]) -> Account:
    """Every row of the file once, from the file to each answer."""
    attended = len(log.session_day)
    missed = log.rows.used - attended
    left_out = (*log.rows.left_out, *((("cancelled or not kept", missed),) if missed else ()))
    return Account(
        RowCount(log.rows.supplied, attended, left_out, log.rows.unit),
        episodes.sessions,
        tuple((answer_label(answer), answer.rows) for answer in answers),
    )


def came_back(log: AttendanceLog, episodes: Episodes) -> int:
    """Clients who came again after what counts as their departure."""
    last = np.full(len(log.clients), UNKNOWN_DAY, dtype=np.int64)
    np.maximum.at(last, log.session_client, log.session_day)
    return int((episodes.event & (last[episodes.client] >= episodes.joined + episodes.time)).sum())


def is_doubtful(episodes: Episodes, returned: int) -> bool:
    """Whether everybody left, nobody did, or most who left came back."""
    left = int(episodes.event.sum())
    return left in (0, episodes.event.size) or 2 * returned > left


def own_retention(log: AttendanceLog, episodes: Episodes, horizon: int) -> OwnRetention:
    """The studio's own curve by quarter of joining, and who joined, left and trained month by month."""
    quarters = (episodes.joined.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)) // 3
    times = episodes.times()
    curves = tuple(
        curve_of_times(f"joined {1970 + quarter // 4} quarter {quarter % 4 + 1}", times.select(own), horizon)
        for quarter in np.unique(quarters[episodes.new]).tolist()
        if (own := episodes.new & (quarters == quarter)).sum() >= LEAST_IN_QUARTER
    )[-MOST_QUARTERS:]

    def months(days: Integers) -> list[str]:
        return [str(month) for month in days.astype("datetime64[D]").astype("datetime64[M]")]

    left = episodes.event & (episodes.last_attended >= 0)
    joined = Counter(months(episodes.joined[episodes.new]))
    gone = Counter(months((episodes.joined + episodes.last_attended)[left]))
    visits = set(zip(months(log.session_day), log.session_client.tolist(), strict=True))
    came = Counter(month for month, _ in visits)
    every = sorted({*joined, *gone, *came})
    return OwnRetention(
        curves, tuple(Month(month, joined[month], gone[month], came[month]) for month in every)
    )


def _check_whole(**numbers: object) -> None:
    """Refuse texts, fractions and nothing where days or weeks are counted."""
    for name, number in numbers.items():
        if not isinstance(number, Integral):
            raise ArgumentError(where=f"look back, {name}", expected="a whole number", got=repr(number))


def _check(
    horizon: int,
    lead: str,
    absence_days: int,
    landmarks: tuple[int, ...],
    grace_weeks: int,
    bootstrap: int | None,
    least_events: int,
) -> None:
    """Refuse options that cannot be used."""
    where = "look back"
    if lead not in METHODS:
        raise ArgumentError(where=f"{where}, lead", expected=f"one of: {', '.join(METHODS)}", got=repr(lead))
    wrong = [day for day in landmarks if not 7 <= day < horizon - absence_days]
    for name, fine, expected, got in (
        ("horizon", horizon > absence_days, f"more than {absence_days} days", horizon),
        ("landmarks", not wrong, f"days from 7 to {absence_days} days before the horizon", wrong),
        ("grace_weeks", 1 <= grace_weeks <= horizon // 14, "weeks from 1 to half the horizon", grace_weeks),
        ("bootstrap", bootstrap is None or bootstrap >= 0, "a number of resamples from 0", bootstrap),
        ("least_events", least_events >= 10, "at least 10 departures", least_events),
    ):
        if not fine:
            raise ArgumentError(where=f"{where}, {name}", expected=expected, got=str(got))


def _lead(log: AttendanceLog, lead: Method, marked: bool) -> Method | None:
    """The lead that the records allow: without marks before and after, without dates of adoption none."""
    if marked:
        return lead
    return "before and after" if (log.adopted != UNKNOWN_DAY).any() else None


def _bound(answers: tuple[Answer, ...], lead: Method | None) -> UnmeasuredBound | None:
    """For the lead; none where it has no number."""
    first = next((answer for answer in answers if answer.method == lead), None)
    return None if first is None or first.refused else bound_unmeasured(first)


def _sensitivity(
    log: AttendanceLog, *, horizon: int, least_events: int, marked: bool, rule: RetentionRule
) -> tuple[Sensitivity, ...]:
    """The same with a longer absence before it counts as leaving."""
    other = replace(rule, absence_days=2 * rule.absence_days)
    try:
        episodes = follow_clients(log, rule=other)
    except DesignError:  # the records are shorter than the longer absence
        return ()
    answer, which = None, "everybody"
    if marked:
        which = "session by session"
        answer = answer_session_clock(log, episodes, horizon=horizon, least_events=least_events)
    elif (log.adopted != UNKNOWN_DAY).any():
        which = "before and after"
        answer = answer_before_after(log, episodes, horizon=horizon, least_events=least_events)
    return (
        Sensitivity(
            f"{which}: {other.absence_days} instead of {rule.absence_days} days without attendance count as "
            "having left",
            answer,
            curve_of_times("everybody", episodes.times(), horizon),
        ),
    )


def _other_weeks(
    log: AttendanceLog, episodes: Episodes, *, horizon: int, least_events: int, weeks: int, retention: Curve
) -> tuple[Sensitivity, ...]:
    """The strategies from joining with half and twice the weeks within which to begin."""
    return tuple(
        Sensitivity(
            f"two strategies from joining: begin within {other} instead of {weeks} weeks",
            answer_strategies(
                log, episodes, horizon=horizon, weeks=other, least_events=least_events, resamples=0
            ),
            retention,
        )
        for other in (weeks // 2, 2 * weeks)
        if 1 <= other <= horizon // 14
    )


def _findings(
    log: AttendanceLog, episodes: Episodes, facts: SessionFacts, returned: int
) -> tuple[Finding, ...]:
    """What the reader should know of the records, besides what reading noticed."""
    found = []
    left = int(episodes.event.sum())
    if left == 0 or (2 * returned > left and not episodes.event.all()):
        found.append(
            Finding("stop", "look back, departures",
                    "departures that nearly all stay departures" if left else "clients who left",
                    f"{returned} of {left} who left came again" if left else f"none of {episodes.event.size}",
                    "Check the dates, the end of the records, and whether --absence DAYS fits this studio.")
        )  # fmt: skip
    if episodes.event.all():
        found.append(
            Finding("stop", "look back, departures", "clients who still train when the records end",
                    f"none of {episodes.event.size}",
                    "Check the dates and the end of the records, and whether they name former clients only.")
        )  # fmt: skip
    for reason, number in episodes.clients.left_out:
        found.append(
            Finding(
                "warn" if reason == "no joining date" else "note",
                "look back, clients",
                "clients who can be followed from joining",
                f"{number} of {episodes.clients.supplied} left out: {reason}",
                "Give their joining dates if they are known." if reason == "no joining date" else "",
            )
        )
    unmarked = int((~facts.known).sum())
    if log.marked and unmarked:
        found.append(
            Finding(
                "note",
                "look back, partner reps",
                "a mark in every session",
                f"{unmarked} of {facts.known.size} sessions of the clients followed have none",
                "Such sessions count for attendance only, unless partner reps had begun before.",
            )
        )
    return tuple(found)


def target_trial(log: AttendanceLog, episodes: Episodes, *, horizon: int) -> tuple[TrialRow, ...]:
    """Part by part, from who takes part to what must be true."""
    weeks, days = horizon // 7, episodes.rule.absence_days
    facts = ", ".join(fact.name for fact in log.facts)
    pauses = "and registered pauses " if log.pauses.client.size else ""
    marks = "a mark of partner reps in each session" if log.marked else "no mark of partner reps"
    notice = " Notice given is recorded, too." if (log.notice != UNKNOWN_DAY).any() else ""
    return (
        TrialRow(
            "Who takes part",
            "New clients who agree to either way of training and are fit for both",
            f"Everybody with a joining date: {int(episodes.new.sum())} who joined within the records and "
            f"{int((~episodes.new).sum())} existing members, who enter late. Fitness for partner reps is "
            "not known.",
        ),
        TrialRow(
            "What is compared",
            "Conventional sets with partner reps, done as a protocol says, with conventional sets only",
            f"Whatever trainers did: {marks}, not how hard, how many or how well.",
        ),
        TrialRow(
            "Who decides",
            "Chance, concealed until the client is enrolled",
            "Trainers and clients, for reasons that may bear on staying. Adjustment reaches only what is "
            f"recorded: attendance, time since joining, season, trainer{', ' + facts if facts else ''}.",
        ),
        TrialRow(
            "Time zero",
            "The day of allocation",
            "Joining; for existing members the day on which the records can first tell that they "
            "still train. "
            "Partner reps count from the session at which they begin, never before.",
        ),
        TrialRow(
            "Follow-up",
            f"{weeks} weeks, and {days} days more to judge the last absence",
            f"To the end of the records; the last {days} countable days only judge what came before. "
            "Clients who "
            "joined late are followed for less.",
        ),
        TrialRow(
            "Outcome",
            f"Still training after {weeks} weeks, by the same rule for everybody",
            f"The same rule: left when {days} days without attendance have passed, closures "
            f"{pauses}not counted."
            f"{notice}",
        ),
        TrialRow(
            "What is estimated",
            "The difference made by being offered partner reps",
            "How leaving went together with partner reps, among clients alike in what is recorded",
        ),
        TrialRow(
            "What must be true",
            "That nobody is lost from view",
            "That, among clients alike in what is recorded, beginning partner reps had nothing to do with "
            "staying for any other reason; that records of sessions and marks are complete",
        ),
    )
