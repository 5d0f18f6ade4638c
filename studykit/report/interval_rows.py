"""Rows of estimates with their intervals: name and numbers above, the interval below.

Trials and look-backs draw their contrasts here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import wrap
from typing import Any

from matplotlib.axes import Axes
from matplotlib.transforms import blended_transform_factory

from studykit.report.numbers import Scale, number
from studykit.report.style import FAINT, INK, PAPER, SOFT
from studykit.results import Interval

_LETTERS = 50  # that fit beside each other in a row


@dataclass(frozen=True, slots=True)
class Mark:
    """How an estimate is drawn: shape, size in points, filled or open, line whole or dotted."""

    shape: str = "o"
    size: float = 4.5
    filled: bool = False
    dotted: bool = False


HEAVY = Mark("D", 7.0, filled=True)


@dataclass(frozen=True, slots=True)
class IntervalRow:
    """One estimate to draw; ``heavy`` marks the main one."""

    label: str
    value: float
    interval: Interval
    heavy: bool = False
    mark: Mark | None = None


def draw_interval_rows(
    rows: Sequence[IntervalRow],
    ax: Axes,
    *,
    scale: Scale,
    axis_label: str,
    smallest_worthwhile: float | None = None,
    logarithmic: bool = False,
) -> None:
    """One row an estimate.

    Parameters
    ----------
    rows : sequence of IntervalRow
        All on one scale.
    ax : matplotlib Axes
    scale : Scale
    axis_label : str
    smallest_worthwhile : float, optional
        In the unit shown; differences smaller than this either way are hatched.
    logarithmic : bool
        For ratios.
    """
    ends: list[float] = [scale.null]
    y = 0.0
    for row in rows:
        shown = f"{_bare(scale, row.value)} {scale.interval(row.interval)}"
        lines = wrap(row.label, max(16, _LETTERS - len(shown))) or [""]
        y -= 0.42 * (len(lines) - 1)
        _row_texts(ax, y + 0.36, lines, shown, heavy=row.heavy)
        ends += _row_marks(ax, y, scale, row)
        y -= 1.0
    _axis(ax, ends, y, scale, smallest_worthwhile, logarithmic=logarithmic)
    ax.set_xlabel(axis_label)


def rows_needed(labels: Sequence[str], *, beside: int = 18) -> float:
    """Height of the picture in rows, where the numbers take ``beside`` letters."""
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


def _row_marks(ax: Axes, y: float, scale: Scale, row: IntervalRow) -> list[float]:
    """Draw one interval and its estimate; give back the ends that are finite."""
    lower, middle, upper = (
        scale.shown(value) for value in (row.interval.lower, row.value, row.interval.upper)
    )
    ends = [end for end in (lower, upper) if math.isfinite(end)]
    mark = row.mark or (HEAVY if row.heavy else Mark())
    if len(ends) == 2:
        dashes = (0, (1, 1.6)) if mark.dotted else "-"
        ax.hlines(y, lower, upper, color=INK, linewidth=2.6 if row.heavy else 1.2, linestyle=dashes, zorder=3)
    if math.isfinite(middle):
        ax.plot(
            middle, y, marker=mark.shape, markersize=mark.size, color=INK,
            markerfacecolor=INK if mark.filled else "white", zorder=4,
        )  # fmt: skip
    return ends


def _axis(
    ax: Axes, ends: list[float], bottom: float, scale: Scale, smallest: float | None, *, logarithmic: bool
) -> None:
    low, high = min(ends), max(ends)
    if smallest is not None:
        low, high = min(low, scale.null - 1.2 * smallest), max(high, scale.null + 1.2 * smallest)
    if logarithmic:
        ax.set_xscale("log")
        low, high = max(low, 1e-3), min(high, 1e3)
        pad = (high / low) ** 0.06 if high > low else 1.1
        ax.set_xlim(low / pad, high * pad)
        known = _FINE_RATIOS if high / low < 3 else _RATIOS
        ticks = [tick for tick in known if low / pad <= tick <= high * pad]
        ax.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
        ax.set_xticks([], minor=True)
    else:
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


_FINE_RATIOS = (0.4, 0.5, 0.6, 0.7, 0.8, 1.0, 1.25, 1.5, 2.0, 2.5)
_RATIOS = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
