"""Curves of clients still training: steps with bands, names at their ends, numbers at risk below.

Trials and look-backs draw their curves here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import wrap
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.transforms import blended_transform_factory
from numpy.typing import NDArray

from studykit.report.style import INK, SOFT, look

Floats = NDArray[np.float64]
_LABEL = 15  # letters in a line of a label at the end of a curve
_RISK_TOP, _RISK_LINE = -38.0, 11.0  # points below the axis, and from line to line


@dataclass(frozen=True, slots=True, eq=False)
class CurveLine:
    """One curve to draw.

    Parameters
    ----------
    label : str
    days, share, lower, upper : ndarray of float, shape (k,)
    ends_at : float
        Day on which the line ends.
    at_risk_days, at_risk : ndarray, shape (r,)
        Of the table below.
    """

    label: str
    days: Floats
    share: Floats
    lower: Floats
    upper: Floats
    ends_at: float
    at_risk_days: NDArray[Any]
    at_risk: NDArray[Any]


def draw_curve_lines(curves: Sequence[CurveLine], ax: Axes, *, horizon: float, start: str) -> None:
    """Draw curves up to the horizon, in per cent.

    Parameters
    ----------
    curves : sequence of CurveLine
        The reference first; the look goes by place.
    ax : matplotlib Axes
    horizon : float
        Last day of the picture.
    start : str
        What day 0 is.
    """
    ends: list[tuple[float, str, str]] = []
    for place, curve in enumerate(curves):
        arm_look = look(place)
        days, lines = _steps(curve, min(curve.ends_at, horizon))
        ax.fill_between(
            days, 100 * lines[1], 100 * lines[2], step="post", color=arm_look.ink, alpha=0.1, linewidth=0
        )
        for edge in lines[1:]:
            ax.step(
                days, 100 * edge, where="post", color=arm_look.ink, linestyle=arm_look.dashes, linewidth=0.5
            )
        ax.step(days, 100 * lines[0], where="post", color=arm_look.ink, linestyle=arm_look.dashes, zorder=3)
        ends.append((100 * float(lines[0][-1]), curve.label, arm_look.ink))
    ax.set_ylim(0, 103)
    ax.set_xlim(0, horizon)
    end_labels(ax, ends, x=horizon * 1.02, low=0, high=103)
    ticks = _ticks(curves, horizon)
    ax.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    ax.set_ylabel("clients still training, %")
    ax.set_xlabel(f"days from {start}")
    _risk_table(curves, ax, ticks)


def end_labels(
    ax: Axes, ends: Sequence[tuple[float, str, str]], *, x: float, low: float, high: float
) -> None:
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


def _steps(curve: CurveLine, end: float) -> tuple[Floats, Floats]:
    inside = curve.days <= end
    days = np.append(curve.days[inside], end)
    lines = np.vstack([curve.share[inside], curve.lower[inside], curve.upper[inside]])
    return days, np.hstack([lines, lines[:, -1:]])


def _ticks(curves: Sequence[CurveLine], horizon: float) -> list[float]:
    """Days of the risk table up to the horizon, thinned to at most seven so that they do not touch."""
    days = sorted({float(day) for curve in curves for day in curve.at_risk_days if day <= horizon}) or [
        0.0,
        float(horizon),
    ]
    every = math.ceil((len(days) - 1) / 6) or 1
    kept = days[::every]
    if kept[-1] != days[-1]:
        spacing = (days[-1] - days[0]) / 12
        kept = [day for day in kept if days[-1] - day > spacing] + [days[-1]]
    return kept


def _risk_table(curves: Sequence[CurveLine], ax: Axes, ticks: Sequence[float]) -> None:
    """Numbers at risk, in lines at fixed distances below the axis, whatever its height."""
    below = blended_transform_factory(ax.transData, ax.transAxes)
    _below(ax, below, 0.0, _RISK_TOP, "clients at risk", SOFT, "left")
    for place, curve in enumerate(curves):
        line = _RISK_TOP - _RISK_LINE * (1 + 2 * place)
        _below(ax, below, 0.0, line, curve.label, look(place).ink, "left")
        for tick in ticks:
            found = np.flatnonzero(np.asarray(curve.at_risk_days) == tick)
            if found.size:
                text = f"{curve.at_risk[found[0]]:.0f}"
                _below(ax, below, tick, line - _RISK_LINE, text, INK, "left" if tick == 0.0 else "center")


def _below(ax: Axes, where: Any, x: float, drop: float, text: str, ink: str, side: str) -> None:
    ax.annotate(
        text, xy=(x, 0.0), xycoords=where, xytext=(0.0, drop), textcoords="offset points", color=ink,
        fontsize=8, va="center", ha=side, annotation_clip=False,
    )  # fmt: skip
