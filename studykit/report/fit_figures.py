"""Pictures of how well a mixed model fits: normal quantiles, profiles of variances, leaving out one by one.

Every interval comes from a result; what stands out carries its own label.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from textwrap import wrap

import numpy as np
from matplotlib.axes import Axes

from studykit.mixed import Influence, NormalQuantiles, ProfileInterval, VarianceProfile
from studykit.report.numbers import level
from studykit.report.style import FAINT, INK, SOFT

NAMED = 2  # labelled points at each end
FEW = 10  # levels that are all labelled
APART = 0.07  # of the height, between labels
LETTERS = 34  # in a line of a label
UPRIGHT = 22  # the same along a small upright axis


def draw_normal_quantiles(
    quantiles: NormalQuantiles, ax: Axes, *, label: str = "", named: bool = True
) -> None:
    """Sorted values against those of a normal distribution; on the grey line they would be normal.

    Parameters
    ----------
    quantiles : NormalQuantiles
    ax : matplotlib Axes
    label : str
        What they are; by default the name that the quantiles carry.
    named : bool
        Write the labels of the outermost points (clients, trainers; not row numbers).
    """
    observed, expected = quantiles.observed, quantiles.expected
    ends = np.array([expected[0], expected[-1]]) if len(expected) else np.zeros(2)
    ax.plot(ends, ends, color=SOFT, linewidth=1.0, zorder=1)
    ax.plot(expected, observed, "o", color=INK, markersize=3.2, markerfacecolor="white", zorder=3)
    if named and len(observed) > 2 * NAMED:
        low, high = float(min(observed[0], ends[0])), float(max(observed[-1], ends[1]))
        outer = [*range(NAMED), *range(len(observed) - NAMED, len(observed))]
        heights = _apart([float(observed[place]) for place in outer], APART * (high - low))
        for place, height in zip(outer, heights, strict=True):
            left = place < NAMED
            ax.annotate(
                str(quantiles.labels[place]), (float(expected[place]), height),
                xytext=(6 if left else -6, 0), textcoords="offset points", fontsize=7.5,
                ha="left" if left else "right", va="center",
            )  # fmt: skip
    ax.set_xlabel("expected if normal")
    ax.set_ylabel(_lines(f"{label or quantiles.what} (standard deviations)", UPRIGHT))


def draw_variance_profile(
    profile: VarianceProfile,
    ax: Axes,
    *,
    interval: ProfileInterval | None = None,
    label: str = "",
    unit: str = "",
    factor: float = 1.0,
) -> None:
    """How badly every other value of a variance or correlation fits: a valley, wide if little is known.

    Parameters
    ----------
    profile : VarianceProfile
    ax : matplotlib Axes
    interval : ProfileInterval, optional
        Of the same quantity; drawn where the valley has its depth.
    label : str
        What it is; by default the quantity's own name.
    unit : str
        Of what is shown.
    factor : float
        From the value to what is shown, such as 100 for per cent.
    """
    values, depth = factor * profile.values, np.abs(profile.signed_root)
    ax.plot(values, depth, color=INK, linewidth=1.6, zorder=3)
    ax.plot([factor * profile.estimate], [0.0], "D", color=INK, markersize=5, zorder=4, clip_on=False)
    if interval is not None:
        ends = interval.interval
        low, high = factor * ends.lower, factor * ends.upper
        left, right = max(low, float(values[0])), min(high, float(values[-1]))
        height = float(np.interp(right, values, depth))
        ax.hlines(height, left, right, color=SOFT, linewidth=2.2, zorder=2)
        ax.vlines([left, right], 0.0, height, color=SOFT, linewidth=0.8, linestyle=(0, (2, 2)), zorder=1)
        text = f"{level(ends.confidence_level)} interval\n{low:.3g} to {high:.3g}"
        ax.text(0.5 * (left + right), height, text, ha="center", va="bottom", fontsize=7.5)
    ax.set_ylim(0.0, max(float(depth.max()), 1.0) * 1.12)
    what = label or str(profile.quantity)
    ax.set_xlabel(_lines(f"{what}, {unit}" if unit else what))
    ax.set_ylabel(_lines("distance from the best fit", UPRIGHT))


def draw_influence(
    influence: Influence,
    ax: Axes,
    *,
    who: str,
    unit: str = "",
    shown: Callable[[float], float] = float,
    confidence_level: float = 0.95,
) -> None:
    """The contrast without each client, or without each trainer, beside the one with all.

    Parameters
    ----------
    influence : Influence
        With a contrast.
    ax : matplotlib Axes
    who : str
        What is left out, such as ``"client"``.
    unit : str
        Of what is shown.
    shown : callable
        From the contrast to what is shown, such as from a difference of logarithms to per cent.
    confidence_level : float
        Of the band: the interval with everybody.
    """
    whole, values = influence.contrast, influence.contrast_values
    if whole is None or values is None or not np.isfinite(values).any():
        ax.text(0.5, 0.5, "nothing to leave out", ha="center", va="center", transform=ax.transAxes)
        ax.set_axis_off()
        return
    left_out = np.array([shown(float(value)) for value in values])
    fitted = np.flatnonzero(np.isfinite(left_out))
    order = fitted[np.argsort(left_out[fitted], kind="stable")]
    rank = np.arange(len(order))
    band = whole.confidence_interval(confidence_level)
    lower, middle, upper, null = (shown(value) for value in (band.lower, whole.value, band.upper, 0.0))
    ax.axvspan(lower, upper, color=FAINT, alpha=0.6, linewidth=0, zorder=0)
    ax.axvline(middle, color=SOFT, linewidth=1.2, zorder=1)
    ax.axvline(null, color=SOFT, linewidth=0.9, linestyle=(0, (4, 3)), zorder=1)
    ax.plot(left_out[order], rank, "o", color=INK, markersize=3.6, markerfacecolor="white", zorder=3)
    chosen = rank if len(order) <= FEW else rank[[0, -1]]
    for place in chosen:
        ax.annotate(
            f"{influence.levels[order[place]]}", (float(left_out[order[place]]), float(place)), xytext=(6, 0),
            textcoords="offset points", va="center", fontsize=7.5, zorder=4,
        )  # fmt: skip
    ax.set_ylim(-0.08 * len(order) - 0.7, 1.12 * len(order) - 0.3)
    ax.text(middle, 1.12 * len(order) - 0.4, " with everybody", fontsize=7.5, va="top", ha="left")
    ax.text(null, 1.12 * len(order) - 0.4, " zero", fontsize=7.5, va="top", ha="left")
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    of = f", {unit}" if unit else ""
    ax.set_xlabel(f"contrast without one {who}{of}; grey: interval with everybody")


def _lines(text: str, letters: int = LETTERS) -> str:
    """In lines that fit beside a small picture."""
    return "\n".join(wrap(text, letters))


def _apart(heights: Sequence[float], least: float) -> list[float]:
    """Increasing heights, moved up where labels would lie on each other."""
    placed: list[float] = []
    for height in heights:
        placed.append(max(height, placed[-1] + least) if placed else height)
    return placed
