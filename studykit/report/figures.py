"""Pictures of results: every interval comes from the result, every line carries its own label.

Each ``draw_…`` function draws into an axes and returns nothing else; what it cannot draw it leaves
empty with a word on why. Saving and sizes are in `studykit.report.style` and `studykit.report.gallery`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from textwrap import wrap

import numpy as np
from matplotlib.axes import Axes
from matplotlib.transforms import blended_transform_factory

from studykit.errors import ArgumentError
from studykit.outcomes.results import (
    ArmVisitMean,
    DeliveryResult,
    OutcomeEstimate,
    RetentionResult,
    StrengthResult,
    StudyResults,
)
from studykit.report.curve_lines import CurveLine, draw_curve_lines, end_labels
from studykit.report.flow import draw_flow
from studykit.report.interval_rows import IntervalRow, draw_interval_rows, rows_needed
from studykit.report.lookback_figures import draw_answers, draw_balance, draw_out_of_100, draw_staying
from studykit.report.numbers import PER_CENT_CHANGE, Scale, count_of, in_unit, points
from studykit.report.reading import Reading, spaced
from studykit.report.style import FAINT, ArmLook, check_drawable, drawing_style, look

__all__ = [
    "draw_answers",
    "draw_balance",
    "draw_contrasts",
    "draw_delivery",
    "draw_effects",
    "draw_flow",
    "draw_out_of_100",
    "draw_retention",
    "draw_staying",
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
    check_drawable("draw_trajectories", ax, strength, StrengthResult)
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
    end_labels(ax, ends, x=span * 1.06, low=low, high=high)
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


def draw_retention(retention: RetentionResult, ax: Axes, *, names: Names | None = None) -> None:
    """Share of clients still retained over time, with intervals and the numbers at risk below.

    A curve ends where fewer clients remain than the protocol asks for.
    """
    check_drawable("draw_retention", ax, retention, RetentionResult)
    lines = [
        CurveLine(
            _name(curve.arm, names), curve.days, curve.retained, curve.lower, curve.upper, curve.stops_at,
            curve.at_risk_days, curve.at_risk,
        )
        for curve in retention.curves
    ]  # fmt: skip
    draw_curve_lines(lines, ax, horizon=float(retention.horizon_day), start="allocation")


def draw_effects(
    results: StudyResults | StrengthResult | RetentionResult,
    ax: Axes,
    *,
    confidence_level: float = 0.95,
    names: Names | None = None,
) -> None:
    """Differences between the arms with their intervals, main result first, sensitivity below.

    With a whole study's results, the first continuous outcome is drawn, else retention; quantities of
    different units never share an axis. Rows do not shrink: on a figure 4.2 inches wide each takes about 0.4
    inches of height, and more where its name is long (`rows_needed`); a main analysis with all its
    sensitivity needs some 10 inches.
    """
    check_drawable("draw_effects", ax, results, StudyResults, StrengthResult, RetentionResult)
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
    for estimate in estimates:
        check_drawable("draw_contrasts", ax, estimate, OutcomeEstimate)
    if len(labels) != len(estimates):
        raise ArgumentError(
            where="draw_contrasts", expected=f"{len(estimates)} labels", got=str(len(labels)),
            todo="Give one label for each estimate.",
        )  # fmt: skip
    rows = [
        IntervalRow(label, estimate.value, estimate.confidence_interval(confidence_level), heavy=place == 0)
        for place, (estimate, label) in enumerate(zip(estimates, labels, strict=True))
    ]
    unit = {"%": "per cent"}.get(scale.unit, scale.unit)
    hatched = "" if smallest_worthwhile is None else "\nhatched: too small to matter by the protocol"
    axis_label = f"difference, {unit}{hatched}" if unit else f"ratio{hatched}"
    draw_interval_rows(rows, ax, scale=scale, axis_label=axis_label, smallest_worthwhile=smallest_worthwhile)


def draw_delivery(delivery: DeliveryResult, ax: Axes, *, names: Names | None = None) -> None:
    """Shares of what was planned, by arm: attended sessions, sessions and sets with partner reps."""
    check_drawable("draw_delivery", ax, delivery, DeliveryResult)
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
