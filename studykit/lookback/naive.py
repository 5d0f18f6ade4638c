"""The comparison that must not be made, "ever had partner reps" against "never", and why it misleads.

Whoever had partner reps on day 60 had to stay until day 60: those days cannot hold a departure, yet they are
counted as days with partner reps (Gail 1972; Suissa 2008).
"""

from __future__ import annotations

import math

import numpy as np

from studykit.errors import ArgumentError, ConvergenceError
from studykit.lookback.adjustment import EXPOSURE
from studykit.lookback.associations import ratio
from studykit.lookback.episodes import Episodes, SessionFacts
from studykit.lookback.log import Bools, Floats
from studykit.lookback.look_back_results import Association, Curve, Naive
from studykit.results import frozen_array
from studykit.retention.censored import CensoredTimes
from studykit.retention.curves import first_day_at_risk, kaplan_meier
from studykit.retention.hazard import fit_hazards

LEAST_AT_RISK = 10
MOST_POINTS = 200


def compare_ever(times: CensoredTimes, began: Floats, *, horizon: float, confirmed_after: int = 0) -> Naive:
    """Compare those who ever began with those who never did, as nobody should, and with days split there.

    Parameters
    ----------
    times : CensoredTimes
    began : ndarray of float, shape (n,)
        Day on which exposure began, on the clock of ``times``; infinite for never.
    horizon : float
        Curves end there.
    confirmed_after : int
        Days after the last session on which a departure is confirmed, 0 where it is dated at once.

    Returns
    -------
    Naive
        ``hazard_ratio`` is the wrong one; ``split_hazard_ratio`` counts days before as days without.

    Examples
    --------
    >>> times = CensoredTimes([4, 6, 9, 12, 15, 20], [1, 1, 1, 1, 1, 0])
    >>> found = compare_ever(times, np.array([np.inf, np.inf, np.inf, 5.0, np.inf, 8.0]), horizon=20)
    >>> found.person_days_reclassified, found.person_days
    (13, 66)
    """
    ever = began < times.time
    waited = np.where(ever, np.clip(began, times.entry, None) - times.entry, 0.0)
    wrong = _ratio(times, ever.astype(float))
    split_times, begun = split_at_start(times, np.where(ever, began, np.inf))
    split = _ratio(split_times, begun)
    days = float(np.sum(times.time - times.entry))
    return Naive(
        hazard_ratio=wrong,
        person_days_reclassified=round(float(waited.sum())),
        person_days=round(days),
        curves=tuple(
            curve_of_times(label, times.select(group), horizon)
            for label, group in (("ever had partner reps", ever), ("never had them", ~ever))
            if group.any()
        ),
        why=_why(ever, waited, days, wrong, split, confirmed_after),
        split_hazard_ratio=split,
    )


def split_at_start(times: CensoredTimes, began: Floats) -> tuple[CensoredTimes, Floats]:
    """One row per client and state, days before the start as days without; and the state of each row.

    Examples
    --------
    >>> rows, begun = split_at_start(CensoredTimes([9, 7], [True, False]), np.array([4.0, np.inf]))
    >>> rows.entry.tolist(), rows.time.tolist(), rows.event.tolist(), begun.tolist()
    ([0.0, 0.0, 4.0], [4.0, 7.0, 9.0], [False, False, True], [0.0, 0.0, 1.0])
    """
    after = began < times.time
    before = began > times.entry
    stop = np.minimum(times.time, began)
    rows = CensoredTimes(
        np.concatenate((stop[before], times.time[after])),
        np.concatenate(((times.event & ~after)[before], times.event[after])),
        entry=np.concatenate((times.entry[before], np.maximum(times.entry, began)[after])),
    )
    return rows, np.concatenate((np.zeros(int(before.sum())), np.ones(int(after.sum()))))


def naive_comparison(episodes: Episodes, facts: SessionFacts, *, horizon: int) -> Naive | None:
    """The wrong comparison on a studio's records; ``None`` where all or none ever had partner reps.

    Clients are left out who came, and of whom no session says whether there were any.
    """
    sessions, marked = (
        np.bincount(owner, minlength=episodes.client.size)
        for owner in (episodes.episode, episodes.episode[facts.known])
    )
    told = (marked > 0) | (sessions == 0)
    began = first_begun(episodes, facts)[told]
    ever = np.isfinite(began)
    if ever.all() or not ever.any():
        return None
    times = episodes.times().select(told)
    return compare_ever(times, began, horizon=horizon, confirmed_after=episodes.rule.absence_days)


def first_begun(episodes: Episodes, facts: SessionFacts) -> Floats:
    """Day of each client's first session with partner reps in the records, infinite for none."""
    began = np.full(episodes.client.size, np.inf)
    rows = np.flatnonzero(facts.begun)[::-1]
    began[episodes.episode[rows]] = episodes.day[rows]
    return began


def curve_of_times(label: str, times: CensoredTimes, horizon: float) -> Curve:
    """Curve of Kaplan and Meier with delayed entry, from and to where `LEAST_AT_RISK` clients are at risk.

    Where so many are at risk only after the horizon, it runs as many days from there.
    """
    from_day = first_day_at_risk(times, LEAST_AT_RISK)
    start = from_day if math.isfinite(from_day) else float(times.entry.min())
    end = horizon if start < horizon else start + horizon
    followed = times.followed_to(end)
    curve = kaplan_meier(followed, from_day=start)
    band = curve.band()
    shown = band.days <= min(curve.stops_at(LEAST_AT_RISK), end)
    shown[0] = True
    if not math.isfinite(from_day):
        shown[1:] = False
    if shown.sum() > MOST_POINTS:
        places = np.flatnonzero(shown)
        shown[:] = False
        shown[places[np.unique(np.linspace(0, places.size - 1, MOST_POINTS).astype(int))]] = True
    lines = [band.days[shown], band.retained[shown], band.lower[shown], band.upper[shown]]
    last = min(curve.stops_at(LEAST_AT_RISK), end)
    if last > lines[0][-1] and math.isfinite(from_day):  # flat from the last departure on
        lines = [np.append(values, value) for values, value in zip(lines, (last, *_ends(lines)), strict=True)]
    days, share, lower, upper = lines
    return Curve(
        label=label,
        day=frozen_array(days),
        share=frozen_array(share),
        lower=frozen_array(lower),
        upper=frozen_array(upper),
        at_risk=frozen_array(followed.at_risk(np.maximum(days, start + 1.0))),
    )


def _ends(lines: list[Floats]) -> list[float]:
    return [float(values[-1]) for values in lines[1:]]


def _ratio(times: CensoredTimes, exposed: Floats) -> Association | None:
    try:
        return ratio(fit_hazards(times, exposed, names=(EXPOSURE,)).log_hazard_ratio(EXPOSURE))
    except (ArgumentError, ConvergenceError):
        return None


def _why(
    ever: Bools,
    waited: Floats,
    days: float,
    wrong: Association | None,
    split: Association | None,
    confirmed_after: int,
) -> str:
    late = int(np.sum(waited > 0.0))
    words = (
        f"Of {int(ever.sum())} clients who ever had partner reps, {late} had their first ones only after "
        f"they had stayed for a while. Those {waited.sum():.0f} of {days:.0f} client-days could not hold a "
        "departure, yet they count as days with partner reps. Whoever stays longer has more chances to be in "
        "that group. So partner reps look protective even where they do nothing."
    )
    if wrong is not None and split is not None:
        words += (
            f" With those days counted as days without, the hazard ratio moves from {wrong.value:.2f} "
            f"to {split.value:.2f}."
        )
    if confirmed_after:
        words += (
            f" Even that is no answer here: a departure is confirmed {confirmed_after} days after the last "
            "session. Whoever has just had partner reps cannot be seen to leave for as long. The other "
            "answers judge sessions, not days, or wait for a fixed day."
        )
    return words
