"""The forest of a pooling: studios, then what they say together. Shapes and words carry it, no colour."""

from __future__ import annotations

import math

from matplotlib.axes import Axes

from studykit.pooling.pool import Pooled, PooledAnswer
from studykit.report.interval_rows import IntervalRow, Mark, draw_interval_rows, rows_needed
from studykit.report.numbers import PER_CENT_CHANGE, Scale, plural
from studykit.report.report_context import spaced
from studykit.report.style import check_drawable

MOST_STUDIOS = 40
_OF_ANSWER = {
    "these studios": Mark("D", 8.0, filled=True),
    "studios like these": Mark("D", 8.0),
    "one further studio": Mark("|", 9.0, dotted=True),
}


def scale_of(pooled: Pooled) -> Scale:
    """How values are shown: a change in per cent, or the outcome's unit."""
    return PER_CENT_CHANGE if pooled.presentation == "ratio" else Scale("", 2)


def forest_rows(pooled: Pooled, *, confidence_level: float = 0.95) -> list[IntervalRow]:
    """A row a studio, up to 40 of them, the square by its tested clients; then the answers."""
    shown = pooled.studios if len(pooled.studios) <= MOST_STUDIOS else ()
    most = max((sum(one.tested) for one in shown), default=1)
    rows = []
    for one in shown:
        mark = Mark("s", 3.0 + 5.0 * math.sqrt(sum(one.tested) / most), filled=True)
        label = f"{one.name}, {plural(sum(one.tested), 'client')}"
        rows.append(_row(pooled, one, label, mark, confidence_level))
    for answer in pooled.answers:
        rough = " (rough)" if answer.name == "one further studio" else ""
        label = answer.name.replace("these studios", f"these {len(pooled.studios)} studios") + rough
        rows.append(_row(pooled, answer, label, _OF_ANSWER[answer.name], confidence_level))
    return rows


def _row(pooled: Pooled, answer: PooledAnswer, label: str, mark: Mark, level: float) -> IntervalRow:
    value, interval = answer.value, answer.confidence_interval(level)
    if pooled.presentation == "ratio":
        value, interval = math.exp(value), interval.transformed(math.exp)
    heavy = answer.name in ("these studios", "studios like these")
    return IntervalRow(label, value, interval, heavy=heavy, mark=mark)


def forest_height(pooled: Pooled) -> float:
    """Inches that the forest needs."""
    return 1.0 + 0.4 * rows_needed([row.label for row in forest_rows(pooled)])


def draw_forest(pooled: Pooled, ax: Axes, *, confidence_level: float = 0.95) -> None:
    """Every studio's strength estimate with its interval, and what the studios say together.

    Squares are studios, larger with more tested clients; the filled diamond is these studios, the open one
    studios like these, the dotted line one further studio. It is readable without colour.

    Parameters
    ----------
    pooled : Pooled
    ax : matplotlib Axes
        On a figure 4.2 inches wide, about 0.4 inches high for each studio.
    confidence_level : float
    """
    check_drawable("draw_forest", ax, pooled, Pooled)
    head = pooled.listed.head
    label = f"difference in strength, {spaced(head['compared'])} less {spaced(head['reference'])}"
    unit = ", per cent" if pooled.presentation == "ratio" else ""
    rows = forest_rows(pooled, confidence_level=confidence_level)
    draw_interval_rows(rows, ax, scale=scale_of(pooled), axis_label=f"{label}{unit}")
