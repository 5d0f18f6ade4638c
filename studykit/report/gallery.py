"""All figures of a report, made once: for the page, and as files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.figure import Figure

from studykit.outcomes.results import OutcomeEstimate, RetentionResult, StrengthResult
from studykit.report.contrast_table import estimate_name
from studykit.report.figures import (
    draw_contrasts,
    draw_delivery,
    draw_retention,
    draw_trajectories,
    names_of,
    retention_estimates,
    rows_needed,
    strength_estimates,
)
from studykit.report.flow import draw_flow
from studykit.report.numbers import Scale, level
from studykit.report.reading import Reading, capital
from studykit.report.style import drawing_style, new_figure

WIDE = 4.2  # inches: type keeps its size on a phone and is not coarse on paper


@dataclass(frozen=True, slots=True)
class Picture:
    """One figure with its file name and what a reader must know to read it.

    ``figure`` is None for the flow diagram, which is text already (``svg``).
    """

    code: str
    caption: str
    figure: Figure | None
    svg: str = ""


def flow_picture(reading: Reading) -> Picture:
    """Flow of clients."""
    results = reading.results
    svg = draw_flow(
        results.flow, names=names_of(reading), has_retention=results.retention is not None,
        continuous=results.continuous[0].name if results.continuous else "",
    )  # fmt: skip
    flow = results.flow
    caption = "Flow of clients."
    if not np.isnat(flow.first_allocation):
        caption += f" First allocation {flow.first_allocation}, last {flow.last_allocation}."
    if not np.isnat(flow.data_through):
        caption += f" Records up to {flow.data_through}."
    return Picture("flow", caption, None, svg)


def retention_pictures(reading: Reading, retention: RetentionResult) -> tuple[Picture, Picture]:
    """Curves, and the differences in the share retained."""
    shown = level(reading.results.confidence_level)
    with drawing_style():
        curves, ax = new_figure(WIDE, 3.1 + 0.31 * len(retention.curves))
        draw_retention(retention, ax, names=names_of(reading))
    method = next((curve.interval_method for curve in retention.curves), "").removeprefix("pointwise, ")
    exact = "; exact where nobody or everybody has left" if "log(" in method else ""
    bands = f"bands are pointwise {shown} intervals ({method}{exact})"
    effects = _contrasts(
        reading,
        retention_estimates(retention),
        reading.share_scale(),
        smallest_worthwhile=retention.smallest_worthwhile,
        about=retention.name,
    )
    what = f"in the share retained on day {retention.horizon_day}, {shown} intervals."
    return (
        Picture(
            "retention_curves", f"Clients still training, by arm; {bands}. {retention.definition}.", curves
        ),
        Picture("retention_contrasts", f"{_more(reading)} {what}", effects),
    )


def strength_pictures(reading: Reading, outcome: StrengthResult) -> tuple[Picture, Picture]:
    """Means over visits, and the contrasts."""
    confidence_level = reading.results.confidence_level
    with drawing_style():
        lines, ax = new_figure(WIDE, 3.2)
        draw_trajectories(outcome, ax, confidence_level=confidence_level, names=names_of(reading))
    effects = _contrasts(
        reading,
        strength_estimates(outcome),
        reading.contrast_scale(outcome),
        smallest_worthwhile=outcome.smallest_worthwhile,
        about=outcome.name,
    )
    shown = level(confidence_level)
    single = (
        "; thin lines are single clients (scores beyond the frame are cut off, not left out of the model)"
    )
    return (
        Picture(
            f"{outcome.code}_trajectories",
            f"{capital(outcome.name)} by arm: model means with {shown} intervals"
            f"{single if outcome.series else ''}.",
            lines,
        ),
        Picture(
            f"{outcome.code}_contrasts", f"{_more(reading)} in {outcome.name}, {shown} intervals.", effects
        ),
    )


def _contrasts(
    reading: Reading,
    estimates: Sequence[OutcomeEstimate],
    scale: Scale,
    *,
    smallest_worthwhile: float | None,
    about: str,
) -> Figure:
    labels = [estimate_name(reading, item, scale).removeprefix(f"{about} ") for item in estimates]
    height = 0.85 + 0.4 * rows_needed(labels, beside=18 + len(scale.unit))
    with drawing_style():
        figure, ax = new_figure(WIDE, height)
        draw_contrasts(
            estimates,
            ax,
            scale=scale,
            labels=labels,
            smallest_worthwhile=smallest_worthwhile,
            confidence_level=reading.results.confidence_level,
        )
    return figure


def delivery_picture(reading: Reading) -> Picture | None:
    """What was delivered."""
    delivery = reading.results.delivery
    if delivery is None or not any(arm.booked for arm in delivery.arms):
        return None
    with drawing_style():
        figure, ax = new_figure(WIDE, 2.9)
        draw_delivery(delivery, ax, names=names_of(reading))
    return Picture("delivery", "What was delivered, by arm as allocated.", figure)


def _more(reading: Reading) -> str:
    return f"Difference between {reading.compared} and {reading.reference}"
