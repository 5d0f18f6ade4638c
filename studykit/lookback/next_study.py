"""Numbers from these records for planning the randomised study, in sentences and as assumptions."""

from __future__ import annotations

import math

import numpy as np

from studykit.errors import ArgumentError, FitError
from studykit.lookback.episodes import Episodes, at_first_session
from studykit.lookback.log import UNKNOWN, AttendanceLog
from studykit.lookback.look_back_results import NextStudy
from studykit.planning.clusters import design_effect
from studykit.planning.own_spread import Figure, intraclass_correlation, weibull_shape
from studykit.planning.two_proportions import clients_for_shares, score_interval_width
from studykit.results import Interval
from studykit.retention.censored import CensoredTimes
from studykit.retention.curves import RetainedShare, first_day_at_risk, kaplan_meier

LEAST_AT_RISK = 10
DIFFERENCES = (0.20, 0.10, 0.05)  # in shares, for which the clients needed are told
EXAMPLE_CLIENTS = 40  # where fewer train now
MONTH = 365.25 / 12.0
FEW_TO_TELL = 0.02  # no share within so much of 0 or 1 after a difference is planned for


def plan_next_study(log: AttendanceLog, episodes: Episodes, *, horizon: int) -> NextStudy:
    """Retention, attendance, spread between trainers and new clients, for planning.

    Parameters
    ----------
    log : AttendanceLog
    episodes : Episodes
        Of the same log.
    horizon : int
        Days since joining, and of the study.

    Returns
    -------
    NextStudy
        ``retained`` and ``trainer_spread`` are not a number where the records are too short or too few.
    """
    retained = _retained(episodes, horizon)
    spread = _spread(log, episodes, horizon)
    interval = None if retained is None else retained.confidence_interval(0.95)
    share = math.nan if retained is None else retained.value
    sessions = _sessions_per_week(episodes)
    per_month = float(episodes.new.sum()) / max((log.last_day - log.first_day + 1) / MONTH, 1e-9)
    training = int((~episodes.event).sum())
    return NextStudy(
        retained_at_horizon=interval,
        retained=share,
        sessions_per_week=sessions,
        trainer_spread=math.nan if spread is None else spread.value,
        clients_per_month=per_month,
        sentences=(
            *_of_records(share, interval, sessions, per_month, horizon),
            *_of_size(share, training),
            *_of_trainers(spread, training, len(log.trainers)),
        ),
        trainer_spread_interval=None
        if spread is None
        else Interval(spread.low, spread.high, 0.95, "F of the mean squares, cut at 0"),
        clients_training=training,
        assumptions=_assumptions(log, share, interval, (spread, _shape(episodes)), sessions, per_month),
    )


def _retained(episodes: Episodes, horizon: int) -> RetainedShare | None:
    """From the first day with enough clients at risk; ``None`` where too few are at the horizon."""
    times = episodes.times()
    begin = first_day_at_risk(times, LEAST_AT_RISK)
    if begin > 0.0 or int(times.at_risk([horizon])[0]) < LEAST_AT_RISK:
        return None  # a curve that begins later would leave out the first weeks, in which most leave
    return kaplan_meier(times).at(horizon)


def _spread(log: AttendanceLog, episodes: Episodes, horizon: int) -> Figure | None:
    """Over the trainers of the first session, among new clients who joined early enough to be judged."""
    trainer = at_first_session(episodes, log.session_trainer[episodes.row], missing=UNKNOWN)
    judged = episodes.new & (episodes.joined + horizon <= log.last_day) & (trainer != UNKNOWN)
    stayed = ~(episodes.event & (episodes.time <= horizon))
    try:
        return intraclass_correlation(stayed[judged].astype(float), trainer[judged])
    except FitError:
        return None


def _shape(episodes: Episodes) -> Figure | None:
    """Of the times of last sessions of new clients; below 1 most leave early."""
    came = episodes.new & (episodes.last_attended >= 0)
    last = np.where(episodes.event, episodes.last_attended + 1, episodes.time)[came]
    try:
        return weibull_shape(CensoredTimes(np.maximum(last, 1), episodes.event[came]))
    except (FitError, ArgumentError):  # too few departures, or nobody at all
        return None


def _sessions_per_week(episodes: Episodes) -> float:
    """While clients trained: the weeks after a last session are left out."""
    came = episodes.last_attended >= 0
    until = np.where(episodes.event, episodes.last_attended + 1, episodes.time)
    begin = np.where(episodes.new, 0, at_first_session(episodes, episodes.day, missing=0))
    days = float(np.maximum(until - begin, 0.0)[came].sum())
    return 7.0 * len(episodes.row) / days if days > 0.0 else math.nan


def _of_records(
    share: float, interval: Interval | None, sessions: float, per_month: float, horizon: int
) -> tuple[str, ...]:
    weeks = f"{horizon / 7:.0f} weeks"
    if interval is None:
        kept = (
            f"Too few clients were followed from joining to {weeks} for a share still training; records of "
            "more months would give it."
        )
    else:
        kept = (
            f"Of 100 clients who join, about {100 * share:.0f} still train after {weeks} (95 % interval "
            f"{100 * interval.lower:.0f} to {100 * interval.upper:.0f})."
        )
    came = (
        f"While they train, clients come {sessions:.1f} times a week; {per_month:.1f} new ones join a month."
    )
    return kept, came


def _of_size(share: float, training: int) -> tuple[str, ...]:
    if not FEW_TO_TELL < share < 1.0 - FEW_TO_TELL:
        return ()
    clients = max(training, EXAMPLE_CLIENTS)
    half = clients / 2.0
    width = score_interval_width(share, share, (half, half))
    whose = f"the {training} clients who train now" if training == clients else f"{clients} clients"
    told = (
        f"With {whose}, half of them drawn to partner reps, the difference would be known to within "
        f"{50 * width:.0f} points either way."
    )
    needed = []
    for difference in DIFFERENCES:
        other = share + difference if share + difference < 1.0 - FEW_TO_TELL else share - difference
        if not FEW_TO_TELL < other < 1.0:
            continue
        total = 2 * math.ceil(clients_for_shares(share, other).raw)
        needed.append(f"{100 * difference:.0f} points, {total} clients")
    if not needed:
        return (told,)
    wanted = (
        "To find a difference with a chance of 80 %, every trainer giving both ways, it needs about: "
        f"for {'; for '.join(needed)}."
    )
    return told, wanted


def _of_trainers(spread: Figure | None, training: int, trainers: int) -> tuple[str, ...]:
    if spread is None:
        return ("The spread between trainers cannot be told from these records.",)
    per_trainer = max(training / max(trainers, 1), 1.0)
    factor = design_effect(per_trainer, min(spread.value, 0.99))
    told = (
        f"Of the spread in who stays, {100 * spread.value:.0f} % lies between trainers (95 % interval "
        f"{100 * spread.low:.0f} to {100 * spread.high:.0f} %; {spread.clients} new clients)."
    )
    if factor < 1.05:
        advice = "Let chance decide client by client, with every trainer giving both ways all the same."
    else:
        advice = (
            f"Were each trainer to give one way only, {factor:.1f} times as many clients would be needed; "
            "let every trainer give both ways, and chance decide client by client."
        )
    return told, advice


def _assumptions(
    log: AttendanceLog,
    share: float,
    interval: Interval | None,
    figures: tuple[Figure | None, Figure | None],
    sessions: float,
    per_month: float,
) -> tuple[str, ...]:
    """Tables for the planning part of a protocol, text by text; nothing that is not known."""
    source = f"own attendance records, {_date(log.first_day)} to {_date(log.last_day)}, looking back"
    tables: list[tuple[str, float, tuple[float, float] | None]] = []
    if interval is not None:
        tables.append(("retention_reference", share, (interval.lower, interval.upper)))
    for key, figure in zip(("trainer_icc_retention", "departure_shape"), figures, strict=True):
        if figure is not None:
            tables.append((key, figure.value, (figure.low, figure.high)))
    if math.isfinite(sessions):
        tables.append(("sessions_per_week", sessions, None))
    if per_month > 0.0:
        tables.append(("clients_per_month", per_month, None))
    return tuple(_table(key, value, ends, source) for key, value, ends in tables)


def _table(key: str, value: float, ends: tuple[float, float] | None, source: str) -> str:
    lines = [f"[planning.{key}]", f"value = {value:.3g}"]
    if ends is not None:
        lines += [f"low = {ends[0]:.3g}", f"high = {ends[1]:.3g}"]
    return "\n".join((*lines, f'source = "{source}"', 'evidence = "moderate"'))


def _date(day: int) -> str:
    return str(np.datetime64(0, "D") + np.timedelta64(day, "D"))
