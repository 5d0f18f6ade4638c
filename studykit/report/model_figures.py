"""Pictures of a model from a data frame: means of one column within another, and its residuals."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from matplotlib.axes import Axes

from studykit.errors import ArgumentError
from studykit.mixed import MixedFit
from studykit.mixed.result import HasFit, as_fit
from studykit.report.numbers import level as level_text
from studykit.report.style import INK, SOFT, check_drawable, look
from studykit.results import Interval

_APART = 0.05  # of the height, between labels at the ends of lines


class NamedMean(Protocol):
    """A mean of named levels, with its interval."""

    @property
    def levels(self) -> tuple[tuple[str, str], ...]:
        """Columns and levels."""

    @property
    def value(self) -> float:
        """The mean."""

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """Its interval."""


class ManyMeans(Protocol):
    """Means, such as `FrameFit.means` gives."""

    @property
    def rows(self) -> Sequence[NamedMean]:
        """The means."""


def draw_interaction(means: ManyMeans, ax: Axes, *, unit: str = "", confidence_level: float = 0.95) -> None:
    """Means of one column within the levels of another, with intervals: a line for each level compared.

    Parameters
    ----------
    means : Means
        Such as ``fit.means("arm", by="visit")``: lines are arms, visits stand along the axis.
    ax : matplotlib Axes
        Labels stand inside the axes, so that nothing is cut at its edge.
    unit : str
        Of the outcome.
    confidence_level : float

    Raises
    ------
    ArgumentError
        If the means do not stand within exactly one other column.
    """
    check_drawable("draw_interaction", ax, means, object)
    rows = list(means.rows)
    if any(len(row.levels) != 2 for row in rows):
        raise ArgumentError(
            where="draw_interaction",
            expected="means of one column within one other",
            got=f"means by {', '.join(column for column, _ in rows[0].levels)}",
            todo='Ask for them with by=, such as fit.means("arm", by="visit").',
        )
    lines = list(dict.fromkeys(row.levels[0][1] for row in rows))
    places = list(dict.fromkeys(row.levels[1][1] for row in rows))
    ends: list[tuple[str, float, str]] = []
    for number, line in enumerate(lines):
        own = [row for row in rows if row.levels[0][1] == line]
        at = np.array([places.index(row.levels[1][1]) for row in own], dtype=float)
        at += 0.06 * (number - (len(lines) - 1) / 2)
        how = look(number)
        intervals = [row.confidence_interval(confidence_level) for row in own]
        ax.vlines(
            at, [i.lower for i in intervals], [i.upper for i in intervals], color=how.ink, linewidth=1.0
        )
        ax.plot(
            at, [row.value for row in own], color=how.ink, linestyle=how.dashes, marker=how.marker,
            markersize=5, markerfacecolor=how.ink if how.filled else "white",
        )  # fmt: skip
        ends.append((line, own[-1].value, how.ink))
    ax.set_xlim(-0.3, len(places) - 1 + 0.3 + 0.35 * max(len(places) - 1, 1))
    ax.set_xticks(range(len(places)), places)
    low, high = ax.get_ylim()
    height, least = -np.inf, _APART * (high - low)
    for name, value, ink in sorted(ends, key=lambda end: end[1]):
        height = max(value, height + least)
        ax.annotate(
            name, (len(places) - 1 + 0.1 * len(lines), height), xytext=(4, 0), textcoords="offset points",
            va="center", fontsize=8, color=ink,
        )  # fmt: skip
    ax.set_xlabel(rows[0].levels[1][0])
    ax.set_ylabel(f"mean{f', {unit}' if unit else ''}, {level_text(confidence_level)} interval")


def draw_residuals(fit: MixedFit | HasFit, ax: Axes, *, unit: str = "", named: int = 3) -> None:
    """Residuals over fitted values: a cloud without shape, if the model is right.

    Parameters
    ----------
    fit : MixedFit, or what carries one
    ax : matplotlib Axes
    unit : str
        Of the outcome.
    named : int
        The largest residuals that carry their row's own label.
    """
    check_drawable("draw_residuals", ax, fit, object)
    found = as_fit(fit, "draw_residuals")
    fitted, residuals = found.fitted_values(conditional=True), found.residuals(conditional=True)
    ax.axhline(0.0, color=SOFT, linewidth=1.0, zorder=1)
    ax.plot(fitted, residuals, "o", color=INK, markersize=3.2, markerfacecolor="white", zorder=3)
    middle = float(np.median(fitted))
    for row in np.argsort(-np.abs(residuals), kind="stable")[:named]:
        left = fitted[row] > middle
        ax.annotate(
            str(found.row_labels[row]), (float(fitted[row]), float(residuals[row])),
            xytext=(-5 if left else 5, 0), textcoords="offset points", ha="right" if left else "left",
            va="center", fontsize=7.5,
        )  # fmt: skip
    of = f", {unit}" if unit else ""
    ax.set_xlabel(f"fitted value of the own group{of}")
    ax.set_ylabel(f"residual{of}")
