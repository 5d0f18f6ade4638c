"""Pictures of a look back: out of 100 clients, curves, every answer with its interval, balance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from textwrap import wrap

import numpy as np
from matplotlib.axes import Axes
from matplotlib.transforms import blended_transform_factory

from studykit.lookback.answer_sentences import answer_label, lead_answer
from studykit.lookback.look_back_results import Balance, Curve, LookBack
from studykit.report.curve_lines import CurveLine, draw_curve_lines
from studykit.report.interval_rows import IntervalRow, draw_interval_rows
from studykit.report.numbers import RATIO, Scale
from studykit.report.style import FAINT, INK, LOOKS, PAPER, SOFT, check_drawable
from studykit.report.style import look as look_of
from studykit.results import Interval

OF_100 = Scale("of 100", 0, -100.0)
"""A difference in shares that left, shown as clients more or fewer who stay."""


def draw_out_of_100(staying: Sequence[tuple[str, float, float, float]], ax: Axes, *, horizon: int) -> None:
    """One field of 100 clients for each group, with a band of marks for what the interval leaves open.

    Parameters
    ----------
    staying : sequence of (str, float, float, float)
        Name of the group, clients of 100 who stay, and the ends of the interval; the reference first.
    ax : matplotlib Axes
    horizon : int
    """
    wide = 12.5
    for place, (name, stays, low, high) in enumerate(staying):
        ink = look_of(place).ink
        across, down = np.arange(100) % 10 + place * wide, -(np.arange(100) // 10)
        ends = (0, round(low), round(high), 100)
        for (begin, end), face, size in zip(pairwise(ends), (ink, ink, PAPER), (34, 9, 34), strict=True):
            ax.scatter(
                across[begin:end], down[begin:end], s=size, facecolor=face, edgecolor=ink, linewidths=0.9,
                alpha=0.75 if face == PAPER else 1.0,
            )  # fmt: skip
        middle = place * wide + 4.5
        told = f"{round(stays)} of 100 ({round(low)} to {round(high)})"
        ax.text(middle, 2.3, told, ha="center", color=ink, fontsize=10, fontweight="bold")
        ax.text(middle, 1.2, name, ha="center", color=ink, fontweight="bold")
    middle = (len(staying) - 1) * wide / 2 + 4.5
    told = f"training on day {horizon}: full yes, small not known, open no"
    ax.text(middle, -10.6, told, ha="center", color=SOFT, fontsize=8.5)
    ax.set_xlim(-0.8, wide * (len(staying) - 1) + 9.8)
    ax.set_ylim(-11.2, 3.4)
    ax.set_aspect("equal")
    ax.axis("off")


def curve_line(curve: Curve, horizon: int) -> CurveLine:
    """A curve with numbers at risk at rounded days."""
    days = np.asarray(risk_days(horizon), dtype=float)
    first, last = (float(curve.day[0]), float(curve.day[-1])) if len(curve.day) else (0.0, 0.0)
    inside = days[(days >= first) & (days <= last)]
    place = np.searchsorted(curve.day, inside, side="right") - 1
    return CurveLine(
        curve.label, curve.day, curve.share, curve.lower, curve.upper, last, inside, curve.at_risk[place]
    )


def risk_days(horizon: int) -> tuple[int, ...]:
    """At most seven days up to the horizon, by whole fours of weeks where they fit.

    Examples
    --------
    >>> risk_days(182), risk_days(30)
    ((0, 28, 56, 84, 112, 140, 182), (0, 28, 30))
    """
    step = 28 * max(1, math.ceil(horizon / 28 / 6.5))
    days = [day for day in range(0, horizon, step) if horizon - day > step / 2 or horizon <= step + 2]
    return (*days, horizon)


def draw_staying(curves: Sequence[Curve], ax: Axes, *, horizon: int, start: str = "joining") -> None:
    """Shares of clients still training, with bands and numbers at risk; the reference first."""
    for curve in curves:
        check_drawable("draw_staying", ax, curve, Curve)
    draw_curve_lines(
        [curve_line(curve, horizon) for curve in curves], ax, horizon=float(horizon), start=start
    )


def difference_rows(look: LookBack) -> list[IntervalRow]:
    """Answers that have a difference, as clients of 100 more who stay."""
    rows = []
    for answer in look.answers:
        found = answer.risk_difference
        if found is not None and not answer.refused:
            ends = found.interval
            turned = Interval(ends.upper, ends.lower, ends.confidence_level, ends.method)
            rows.append(
                IntervalRow(answer_label(answer), found.value, turned, heavy=answer is lead_answer(look))
            )
    return rows


def ratio_rows(look: LookBack) -> list[IntervalRow]:
    """Answers that have a hazard ratio."""
    return [
        IntervalRow(
            answer_label(answer), answer.hazard_ratio.value, answer.hazard_ratio.interval,
            heavy=answer is lead_answer(look),
        )
        for answer in look.answers
        if answer.hazard_ratio is not None and not answer.refused
    ]  # fmt: skip


def draw_answers(look: LookBack, ax: Axes, *, ratios: bool = False) -> None:
    """Every answer with its interval, the one named in advance heavier.

    Parameters
    ----------
    look : LookBack
    ax : matplotlib Axes
    ratios : bool
        Departures among those at risk as hazard ratios, in place of clients of 100 more or fewer who stay.
    """
    check_drawable("draw_answers", ax, look, LookBack)
    if ratios:
        label = "hazard ratio of leaving\n(left of 1: fewer departures with partner reps)"
        draw_interval_rows(ratio_rows(look), ax, scale=RATIO, axis_label=label, logarithmic=True)
    else:
        label = "clients of 100 more who stayed, with partner reps"
        draw_interval_rows(difference_rows(look), ax, scale=OF_100, axis_label=label)


def draw_balance(balance: Sequence[Balance], ax: Axes) -> None:
    """How far the groups lay apart in each fact before time zero; filled marks after weighting."""
    for item in balance:
        check_drawable("draw_balance", ax, item, Balance)
    y = 0.0
    beside = blended_transform_factory(ax.transAxes, ax.transData)
    largest = 0.25
    for item in balance:
        before, after = abs(item.standardised_difference), abs(item.after_weighting)
        lines = wrap(item.fact, 44) or [""]
        y -= 0.42 * (len(lines) - 1)
        for place, line in enumerate(reversed(lines)):
            ax.text(0.0, y + 0.34 + 0.42 * place, line, transform=beside, fontsize=8.5, va="center")
        known = [value for value in (before, after) if math.isfinite(value)]
        if len(known) == 2:
            ax.hlines(y, min(known), max(known), color=FAINT, linewidth=1.4, zorder=2)
        if math.isfinite(before):
            ax.plot(before, y, marker="o", color=LOOKS[0].ink, markerfacecolor=PAPER, markersize=6, zorder=3)
        if math.isfinite(after):
            ax.plot(after, y, marker="o", color=LOOKS[1].ink, markersize=6, zorder=4)
        largest = max([largest, *known])
        y -= 1.0
    ax.axvline(0.1, color=SOFT, linewidth=0.9, linestyle=(0, (4, 3)), zorder=1)
    ax.set_xlim(0.0, 1.06 * largest)
    ax.set_ylim(y + 0.45, 0.85)
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    weighted = any(math.isfinite(item.after_weighting) for item in balance)
    shown = "open: as recorded, filled: after weighting" if weighted else "as recorded"
    ax.set_xlabel(f"distance between the groups, in standard deviations\n({shown}; dashed: 0.1)", color=INK)


def balance_height(balance: Sequence[Balance]) -> float:
    """Inches for the picture."""
    return 0.9 + 0.4 * sum(1.0 + 0.42 * (len(wrap(item.fact, 44) or [""]) - 1) for item in balance)
