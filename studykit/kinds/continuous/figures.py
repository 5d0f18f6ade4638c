"""Pictures of a continuous outcome."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from textwrap import wrap

import numpy as np
from matplotlib.axes import Axes

from studykit.kinds.continuous.results import ArmVisitMean, ContinuousResult, ObservedSeries
from studykit.report.curve_lines import end_labels
from studykit.report.report_context import name_of
from studykit.report.style import FAINT, INK, ArmLook, check_drawable, look
from studykit.results import Estimate


def draw_trajectories(
    outcome: ContinuousResult,
    ax: Axes,
    *,
    confidence_level: float = 0.95,
    names: Mapping[str, str] | None = None,
) -> None:
    """Model means with their intervals by arm over visits, over the clients' own lines in grey.

    Parameters
    ----------
    outcome : ContinuousResult
    ax : matplotlib Axes
    confidence_level : float
        Of the intervals.
    names : mapping of str to str, optional
        Names of arms and visits by code; without it the codes are written with spaces.
    """
    check_drawable("draw_trajectories", ax, outcome, ContinuousResult)
    arms = list(dict.fromkeys(mean.arm for mean in outcome.means))
    _clients_lines(ax, outcome.series)
    span = max((mean.day for mean in outcome.means), default=1) / 7.0
    ends: list[tuple[float, str, str]] = []
    for place, arm in enumerate(arms):
        means = sorted((mean for mean in outcome.means if mean.arm == arm), key=lambda mean: mean.day)
        shift = (place - (len(arms) - 1) / 2.0) * 0.015 * span
        _mean_line(ax, means, look(place), shift, confidence_level)
        ends.append((means[-1].value, name_of(arm, names), look(place).ink))
    _visit_ticks(ax, outcome.means)
    low, high = _frame(outcome, confidence_level)
    ax.set_ylim(low, high)
    ax.set_xlim(-0.04 * span, 1.04 * span)
    end_labels(ax, ends, x=span * 1.06, low=low, high=high)
    kind = "geometric mean" if outcome.scale == "log" else "mean"
    ax.set_ylabel("\n".join(wrap(f"{outcome.name}, {outcome.unit} ({kind})", 32)))
    ax.set_xlabel("weeks from allocation")


def _clients_lines(ax: Axes, series: Sequence[ObservedSeries]) -> None:
    """Every client's own scores, a thin line each."""
    import seaborn as sns  # slow to import

    if not series:
        return
    seen = [np.isfinite(one.scores) for one in series]
    weeks = [np.asarray(one.days)[known] / 7.0 for one, known in zip(series, seen, strict=True)]
    scores = [one.scores[known] for one, known in zip(series, seen, strict=True)]
    client = np.repeat(np.arange(len(series)), [part.size for part in scores])
    sns.lineplot(
        x=np.concatenate(weeks), y=np.concatenate(scores), units=client, estimator=None, color=FAINT,
        linewidth=0.6, zorder=1, legend=False, ax=ax,
    )  # fmt: skip


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


def _frame(outcome: ContinuousResult, confidence_level: float) -> tuple[float, float]:
    """The middle nine tenths of the clients' scores, and all of the intervals."""
    scores = [series.scores[np.isfinite(series.scores)] for series in outcome.series]
    seen = np.concatenate(scores) if scores else np.array([])
    ends = [
        end
        for mean in outcome.means
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


def can_shift_both(outcome: ContinuousResult) -> bool:
    """Whether both arms have scores missing that could lie elsewhere than the model expects."""
    return len(outcome.tipping_points) == 2 and all(point.slope for point in outcome.tipping_points)


def draw_tipping_plane(
    outcome: ContinuousResult,
    ax: Axes,
    *,
    confidence_level: float = 0.95,
    names: Mapping[str, str] | None = None,
) -> None:
    """The shifts of both arms' missing scores at which the estimate, or an end of its interval, is zero.

    Parameters
    ----------
    outcome : ContinuousResult
        With scores missing in both arms.
    ax : matplotlib Axes
    confidence_level : float
    names : mapping of str to str, optional
        Names of arms by code; without it the codes are written with spaces.
    """
    check_drawable("draw_tipping_plane", ax, outcome, ContinuousResult)
    compared, reference = outcome.tipping_points
    estimate = outcome.primary.estimate
    assert isinstance(estimate, Estimate)
    multiplier = estimate.confidence_interval(confidence_level).width / 2.0 / estimate.standard_error
    log = outcome.scale == "log"
    reach = _reach(outcome, estimate, multiplier)
    across = np.linspace(-reach, reach, 201)
    x, y = np.meshgrid(across, across)
    value = estimate.value + compared.slope * x + reference.slope * y
    variance = np.full_like(value, estimate.standard_error**2)
    for point, shift in ((compared, x), (reference, y)):
        variance = variance + shift**2 * point.missing_share * (1.0 - point.missing_share) / point.clients
    half = multiplier * np.sqrt(variance)
    shown = 100.0 * np.expm1(across) if log else across
    for surface, dashes in ((value, "-"), (value - half, "--"), (value + half, "--")):
        if surface.min() < 0.0 < surface.max():
            ax.contour(shown, shown, surface, levels=[0.0], colors=[INK], linestyles=[dashes], linewidths=1.3)
    ax.plot([0.0], [0.0], marker="+", markersize=10, color=INK)
    unit = "%" if log else outcome.unit
    ax.set_xlabel(f"shift of scores missing with {name_of(compared.arm, names)}, {unit}")
    label = f"shift of scores missing with {name_of(reference.arm, names)}, {unit}"
    ax.set_ylabel("\n".join(wrap(label, 30)))


def _reach(outcome: ContinuousResult, estimate: Estimate, multiplier: float) -> float:
    """Far enough to see a line on each axis, on the analysis scale; at most to a half or the double."""
    steepest = max(abs(point.slope) for point in outcome.tipping_points)
    wanted = 1.3 * (abs(estimate.value) + multiplier * estimate.standard_error) / steepest
    return min(wanted, math.log(2.0)) if outcome.scale == "log" else wanted
