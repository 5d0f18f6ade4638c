"""Pictures of results: every interval comes from the result, every line carries its own label.

Each ``draw_…`` function draws into an axes and returns nothing else; what it cannot draw it leaves
empty with a word on why. Saving and sizes are in `studykit.report.style` and `studykit.report.gallery`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from textwrap import wrap
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.transforms import blended_transform_factory
from numpy.typing import NDArray

from studykit.outcomes.results import (
    ArmVisitMean,
    DeliveryResult,
    OutcomeEstimate,
    RetentionCurvePoints,
    RetentionResult,
    StrengthResult,
    StudyResults,
)
from studykit.report.flow import draw_flow
from studykit.report.numbers import PER_CENT_CHANGE, Scale, count_of, in_unit, number, points
from studykit.report.reading import Reading, spaced
from studykit.report.style import FAINT, INK, PAPER, SOFT, ArmLook, drawing_style, look

__all__ = [
    "draw_contrasts",
    "draw_delivery",
    "draw_effects",
    "draw_flow",
    "draw_retention",
    "draw_trajectories",
    "drawing_style",
    "rows_needed",
]

Names = Mapping[str, str]


def _name(code: str, names: Names | None) -> str:
    return (names or {}).get(code, spaced(code))


def draw_trajectories(
    strength: StrengthResult, ax: Axes, *, confidence_level: float = 0.95, names: Names | None = None
) -> None:
    """Model means with their intervals by arm over visits, over the clients' own lines in grey.

    Parameters
    ----------
    strength : StrengthResult
    ax : matplotlib Axes
    confidence_level : float
        Of the intervals.
    names : mapping of str to str, optional
        Names of arms and visits by code; without it the codes are written with spaces.
    """
    arms = list(dict.fromkeys(mean.arm for mean in strength.means))
    for series in strength.series:
        seen = np.isfinite(series.scores)
        ax.plot(
            np.asarray(series.days)[seen] / 7.0, series.scores[seen], color=FAINT, linewidth=0.6, zorder=1
        )
    span = max((mean.day for mean in strength.means), default=1) / 7.0
    ends: list[tuple[float, str, str]] = []
    for place, arm in enumerate(arms):
        means = sorted((mean for mean in strength.means if mean.arm == arm), key=lambda mean: mean.day)
        shift = (place - (len(arms) - 1) / 2.0) * 0.015 * span
        _mean_line(ax, means, look(place), shift, confidence_level)
        ends.append((means[-1].value, _name(arm, names), look(place).ink))
    _visit_ticks(ax, strength.means)
    low, high = _frame(strength, confidence_level)
    ax.set_ylim(low, high)
    ax.set_xlim(-0.04 * span, 1.04 * span)
    _end_labels(ax, ends, span * 1.06, low, high)
    kind = "geometric mean" if strength.scale == "log" else "mean"
    ax.set_ylabel("\n".join(wrap(f"{strength.name}, {strength.unit} ({kind})", 32)))
    ax.set_xlabel("weeks from allocation")


def _mean_line(
    ax: Axes, means: Sequence[ArmVisitMean], arm_look: ArmLook, shift: float, confidence_level: float
) -> None:
    weeks = [mean.day / 7.0 + shift for mean in means]
    values = [mean.value for mean in means]
    intervals = [mean.confidence_interval(confidence_level) for mean in means]
    ax.vlines(
        weeks,
        [i.lower for i in intervals],
        [i.upper for i in intervals],
        color=arm_look.ink,
        linewidth=1.4,
        zorder=3,
    )
    ax.plot(
        weeks, values, color=arm_look.ink, linestyle=arm_look.dashes, marker=arm_look.marker, markersize=5,
        markerfacecolor=arm_look.ink if arm_look.filled else "white", zorder=4,
    )  # fmt: skip


def _visit_ticks(ax: Axes, means: Sequence[ArmVisitMean]) -> None:
    days = sorted({mean.day for mean in means})
    ax.set_xticks([day / 7.0 for day in days], [f"{round(day / 7.0, 1):g}" for day in days])


def _frame(strength: StrengthResult, confidence_level: float) -> tuple[float, float]:
    """The middle nine tenths of the clients' scores, and all of the intervals."""
    scores = [series.scores[np.isfinite(series.scores)] for series in strength.series]
    seen = np.concatenate(scores) if scores else np.array([])
    ends = [
        end
        for mean in strength.means
        for interval in (mean.confidence_interval(confidence_level),)
        for end in (interval.lower, interval.upper)
        if math.isfinite(end)
    ]
    parts = list(ends) + (list(np.quantile(seen, [0.05, 0.95])) if seen.size else [])
    if not parts:
        return 0.0, 1.0
    low, high = min(parts), max(parts)
    pad = 0.06 * (high - low or abs(high) or 1.0)
    return low - pad, high + pad


def _end_labels(ax: Axes, ends: list[tuple[float, str, str]], x: float, low: float, high: float) -> None:
    """Names at the ends of lines, wrapped, and pushed apart so that they do not touch."""
    ordered = sorted(ends)
    names = [wrap(label, _LABEL) or [""] for _, label, _ in ordered]
    heights = [value for value, _, _ in ordered]
    line = 0.058 * (high - low)
    for place in range(1, len(heights)):
        gap = line * (0.3 + (len(names[place - 1]) + len(names[place])) / 2.0)
        heights[place] = max(heights[place], heights[place - 1] + gap)
    excess = (sum(heights) - sum(value for value, _, _ in ordered)) / max(1, len(heights))
    for height, name, (_, _, ink) in zip(heights, names, ordered, strict=True):
        text = "\n".join(name)
        ax.text(x, height - excess, text, color=ink, va="center", fontweight="bold", linespacing=1.0)


_LABEL = 15  # letters in a line of a label at the end of a curve


def draw_retention(retention: RetentionResult, ax: Axes, *, names: Names | None = None) -> None:
    """Share of clients still retained over time, with intervals and the numbers at risk below.

    A curve ends where fewer clients remain than the protocol asks for.
    """
    horizon = float(retention.horizon_day)
    ends: list[tuple[float, str, str]] = []
    for place, curve in enumerate(retention.curves):
        arm_look = look(place)
        end = min(curve.stops_at, horizon)
        days, lines = _steps(curve, end)
        ax.fill_between(
            days, 100 * lines[1], 100 * lines[2], step="post", color=arm_look.ink, alpha=0.1, linewidth=0
        )
        for edge in lines[1:]:
            ax.step(
                days, 100 * edge, where="post", color=arm_look.ink, linestyle=arm_look.dashes, linewidth=0.5
            )
        ax.step(days, 100 * lines[0], where="post", color=arm_look.ink, linestyle=arm_look.dashes, zorder=3)
        ends.append((100 * float(lines[0][-1]), _name(curve.arm, names), arm_look.ink))
    ax.set_ylim(0, 103)
    ax.set_xlim(0, horizon)
    _end_labels(ax, ends, horizon * 1.02, 0, 103)
    ticks = _ticks(retention)
    ax.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    ax.set_ylabel("clients still training, %")
    ax.set_xlabel("days from allocation")
    _risk_table(retention, ax, names)


def _steps(curve: RetentionCurvePoints, end: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    inside = curve.days <= end
    days = np.append(curve.days[inside], end)
    lines = np.vstack([curve.retained[inside], curve.lower[inside], curve.upper[inside]])
    return days, np.hstack([lines, lines[:, -1:]])


def _ticks(retention: RetentionResult) -> list[float]:
    """Days of the risk table up to the horizon, thinned to at most seven so that they do not touch."""
    days = sorted(
        {
            float(day)
            for curve in retention.curves
            for day in curve.at_risk_days
            if day <= retention.horizon_day
        }
    ) or [0.0, float(retention.horizon_day)]
    every = math.ceil((len(days) - 1) / 6) or 1
    kept = days[::every]
    if kept[-1] != days[-1]:
        spacing = (days[-1] - days[0]) / 12
        kept = [day for day in kept if days[-1] - day > spacing] + [days[-1]]
    return kept


def _risk_table(retention: RetentionResult, ax: Axes, names: Names | None) -> None:
    """Numbers at risk, in lines at fixed distances below the axis, whatever its height."""
    below = blended_transform_factory(ax.transData, ax.transAxes)
    _below(ax, below, 0.0, _RISK_TOP, "clients at risk", SOFT, "left")
    for place, curve in enumerate(retention.curves):
        line = _RISK_TOP - _RISK_LINE * (1 + 2 * place)
        _below(ax, below, 0.0, line, _name(curve.arm, names), look(place).ink, "left")
        for tick in _ticks(retention):
            found = np.flatnonzero(np.asarray(curve.at_risk_days) == tick)
            if found.size:
                text = f"{curve.at_risk[found[0]]:.0f}"
                _below(ax, below, tick, line - _RISK_LINE, text, INK, "left" if tick == 0.0 else "center")


_RISK_TOP, _RISK_LINE = -38.0, 11.0  # points below the axis, and from line to line


def _below(ax: Axes, where: Any, x: float, drop: float, text: str, ink: str, side: str) -> None:
    ax.annotate(
        text, xy=(x, 0.0), xycoords=where, xytext=(0.0, drop), textcoords="offset points", color=ink,
        fontsize=8, va="center", ha=side, annotation_clip=False,
    )  # fmt: skip


def draw_effects(
    results: StudyResults | StrengthResult | RetentionResult,
    ax: Axes,
    *,
    confidence_level: float = 0.95,
    names: Names | None = None,
) -> None:
    """Differences between the arms with their intervals, main result first, sensitivity below.

    With a whole study's results, the first continuous outcome is drawn, else retention; quantities of
    different units never share an axis.
    """
    if isinstance(results, StudyResults):
        confidence_level = results.confidence_level
        retention = results.retention
        chosen = results.continuous[0] if results.continuous or retention is None else retention
        clients = results.flow.allocated
    else:
        chosen, clients = results, results.primary.rows.supplied
    if isinstance(chosen, StrengthResult):
        scale = PER_CENT_CHANGE if chosen.scale == "log" else in_unit(chosen.unit)
        estimates = strength_estimates(chosen)
    else:
        scale, estimates = points(clients), retention_estimates(chosen)
    labels = [spaced(estimate.name) for estimate in estimates]
    for code, name in (names or {}).items():
        labels = [label.replace(spaced(code), name) for label in labels]
    draw_contrasts(estimates, ax, scale=scale, labels=labels, smallest_worthwhile=chosen.smallest_worthwhile,
                   confidence_level=confidence_level)  # fmt: skip


def strength_estimates(strength: StrengthResult) -> tuple[OutcomeEstimate, ...]:
    """The contrasts of a continuous outcome that share the scale of the primary one."""
    visits = tuple(estimate for estimate in strength.by_visit if estimate.name != strength.primary.name)
    exercises = strength.by_exercise if len(strength.by_exercise) > 1 else ()
    return _on_one_scale(strength.primary, (*visits, *exercises, *strength.other_arms, *strength.sensitivity))


def retention_estimates(retention: RetentionResult) -> tuple[OutcomeEstimate, ...]:
    """The contrasts of retention that are differences in shares."""
    return _on_one_scale(retention.primary, retention.sensitivity)


def _on_one_scale(primary: OutcomeEstimate, others: Sequence[OutcomeEstimate]) -> tuple[OutcomeEstimate, ...]:
    same = (primary.presentation, primary.unit)
    return (primary, *(item for item in others if (item.presentation, item.unit) == same))


def draw_contrasts(
    estimates: Sequence[OutcomeEstimate],
    ax: Axes,
    *,
    scale: Scale,
    labels: Sequence[str],
    smallest_worthwhile: float | None = None,
    confidence_level: float = 0.95,
) -> None:
    """One row an estimate: its name and numbers above, its interval below.

    Parameters
    ----------
    estimates : sequence of OutcomeEstimate
        All on one scale; the first is drawn heavier.
    ax : matplotlib Axes
    scale : Scale
    labels : sequence of str
        One an estimate.
    smallest_worthwhile : float, optional
        In the unit shown; differences smaller than this either way are hatched.
    confidence_level : float
    """
    ends: list[float] = [scale.null]
    y = 0.0
    for place, (estimate, label) in enumerate(zip(estimates, labels, strict=True)):
        interval = estimate.confidence_interval(confidence_level)
        shown = f"{_bare(scale, estimate.value)} {scale.interval(interval)}"
        lines = wrap(label, max(16, _LETTERS - len(shown))) or [""]
        y -= 0.42 * (len(lines) - 1)
        heavy = place == 0
        _row_texts(ax, y + 0.36, lines, shown, heavy=heavy)
        ends += _row_marks(ax, y, scale, (interval.lower, estimate.value, interval.upper), heavy=heavy)
        y -= 1.0
    _contrast_axis(ax, ends, y, scale, smallest_worthwhile)


_LETTERS = 50  # that fit beside each other in a row of a contrast plot


def rows_needed(labels: Sequence[str], *, beside: int = 18) -> float:
    """Height of a contrast plot in rows, where the numbers take ``beside`` letters."""
    lines = [len(wrap(label, max(16, _LETTERS - beside)) or [""]) for label in labels]
    return float(sum(1.0 + 0.42 * (count - 1) for count in lines))


def _bare(scale: Scale, value: float) -> str:
    """The estimate without its unit, which follows after the interval."""
    return number(scale.shown(value), scale.decimals, signed=scale.null == 0.0)


def _row_texts(ax: Axes, y: float, lines: Sequence[str], shown: str, *, heavy: bool) -> None:
    style: dict[str, Any] = {
        "transform": blended_transform_factory(ax.transAxes, ax.transData), "va": "center", "fontsize": 8.5,
        "fontweight": "bold" if heavy else "normal",
        "bbox": {"facecolor": PAPER, "edgecolor": "none", "pad": 0.8, "alpha": 0.85},
    }  # fmt: skip
    for place, line in enumerate(reversed(lines)):
        ax.text(0.0, y + 0.42 * place, line, ha="left", **style)
    ax.text(1.0, y, shown, ha="right", **style)


def _row_marks(
    ax: Axes, y: float, scale: Scale, values: tuple[float, float, float], *, heavy: bool
) -> list[float]:
    """Draw one interval and its estimate; give back the ends that are finite."""
    lower, middle, upper = (scale.shown(value) for value in values)
    ends = [end for end in (lower, upper) if math.isfinite(end)]
    if len(ends) == 2:
        ax.hlines(y, lower, upper, color=INK, linewidth=2.6 if heavy else 1.2, zorder=3)
    if math.isfinite(middle):
        ax.plot(
            middle, y, marker="D" if heavy else "o", markersize=7 if heavy else 4.5, color=INK,
            markerfacecolor=INK if heavy else "white", zorder=4,
        )  # fmt: skip
    return ends


def _contrast_axis(ax: Axes, ends: list[float], bottom: float, scale: Scale, smallest: float | None) -> None:
    low, high = min(ends), max(ends)
    if smallest is not None:
        low, high = min(low, scale.null - 1.2 * smallest), max(high, scale.null + 1.2 * smallest)
    pad = 0.06 * (high - low or 1.0)
    ax.set_xlim(low - pad, high + pad)
    ax.set_ylim(bottom + 0.45, 0.75)
    ax.axvline(scale.null, color=SOFT, linewidth=0.9, zorder=1)
    if smallest is not None:
        ax.axvspan(
            scale.null - smallest,
            scale.null + smallest,
            facecolor="none",
            edgecolor=FAINT,
            hatch="////",
            linewidth=0,
            zorder=0,
        )
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    unit = {"%": "per cent"}.get(scale.unit, scale.unit)
    hatched = "" if smallest is None else "\nhatched: too small to matter by the protocol"
    ax.set_xlabel(f"difference, {unit}{hatched}" if unit else f"ratio{hatched}")


def draw_delivery(delivery: DeliveryResult, ax: Axes, *, names: Names | None = None) -> None:
    """Shares of what was planned, by arm: attended sessions, sessions and sets with partner reps."""
    lines, arms = _delivery_lines(delivery), [arm.arm for arm in delivery.arms]
    for row, (label, shares) in enumerate(lines):
        y = -float(row)
        ax.text(
            0.0,
            y + 0.42,
            label,
            transform=blended_transform_factory(ax.transAxes, ax.transData),
            va="center",
            ha="left",
            fontsize=8.5,
            fontweight="bold",
        )
        for line, (arm, count, of) in enumerate(shares):
            arm_look, level = look(arms.index(arm)), y + 0.2 - 0.32 * line
            share = 100.0 * count / of
            ax.hlines(level, 0, share, color=arm_look.ink, linewidth=2.2, linestyle=arm_look.dashes, zorder=2)
            ax.plot(
                share, level, marker=arm_look.marker, color=arm_look.ink, markersize=5, zorder=3,
                markerfacecolor=arm_look.ink if arm_look.filled else "white",
            )  # fmt: skip
            text = f"{_name(arm, names)}: {count_of(count, of)}"
            right = share < 45
            ax.text(
                share + (3 if right else -3), level - 0.145, text, color=arm_look.ink, fontsize=8,
                va="center", ha="left" if right else "right", zorder=4,
            )  # fmt: skip
    ax.set_xlim(-1, 103)
    ax.set_ylim(-len(lines) + 0.35, 0.65)
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    ax.set_xlabel("per cent")


def _delivery_lines(delivery: DeliveryResult) -> list[tuple[str, list[tuple[str, int, int]]]]:
    arms = delivery.arms
    attended = [(arm.arm, arm.attended, arm.booked) for arm in arms]
    with_reps = [(arm.arm, arm.with_partner_reps, arm.attended) for arm in arms]
    met = [(arm.arm, arm.partner_sets_as_planned, arm.partner_sets) for arm in arms if arm.fidelity_word]
    lines = [
        ("sessions attended, of those booked", attended),
        ("sessions with partner reps, of those attended", with_reps),
        ("sets with partner reps that met the protocol's rule", met),
    ]
    known = [(label, [share for share in shares if share[2] > 0]) for label, shares in lines]
    return [(label, shares) for label, shares in known if shares]


def names_of(reading: Reading) -> dict[str, str]:
    """Names of arms, visits and exercises by code, for the drawing functions."""
    names = {code: reading.arm(code) for code in reading.arms}
    if reading.protocol is not None:
        names |= {visit.code: visit.name for visit in reading.protocol.visits}
        names |= {exercise.code: exercise.name for exercise in reading.protocol.exercises}
    return names
