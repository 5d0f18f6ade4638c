"""All figures of a report, made once: for the page, and as files."""

from __future__ import annotations

import numpy as np

from studykit.outcomes.results import OutcomeResult
from studykit.report.contrast_table import estimate_name
from studykit.report.document import Picture
from studykit.report.figures import draw_contrasts, draw_delivery, on_one_scale, rows_needed
from studykit.report.flow_diagram import draw_flow
from studykit.report.kind_report import report_of
from studykit.report.numbers import level
from studykit.report.report_context import Reading
from studykit.report.style import WIDE, drawing_style, new_figure


def flow_picture(reading: Reading) -> Picture:
    """Flow of clients."""
    results = reading.results
    svg = draw_flow(results.flow, names=reading.names())
    flow = results.flow
    caption = "Flow of clients."
    if not np.isnat(flow.first_allocation):
        caption += f" First allocation {flow.first_allocation}, last {flow.last_allocation}."
    if not np.isnat(flow.data_through):
        caption += f" Records up to {flow.data_through}."
    return Picture("flow", caption, None, svg)


def contrasts_picture(reading: Reading, outcome: OutcomeResult, what: str) -> Picture:
    """The contrasts of an outcome that share the scale of the primary one.

    Parameters
    ----------
    reading : Reading
    outcome : OutcomeResult
    what : str
        In what the arms differ, for the caption.
    """
    scale, estimates = report_of(outcome).scale(reading, outcome), on_one_scale(outcome)
    names = [estimate_name(reading, item, scale).removeprefix(f"{outcome.name} ") for item in estimates]
    height = 0.85 + 0.4 * rows_needed(names, beside=18 + len(scale.unit))
    with drawing_style():
        figure, ax = new_figure(WIDE, height)
        draw_contrasts(
            estimates,
            ax,
            scale=scale,
            labels=names,
            smallest_worthwhile=outcome.smallest_worthwhile,
            confidence_level=reading.results.confidence_level,
        )
    shown = level(reading.results.confidence_level)
    caption = f"Difference between {reading.compared} and {reading.reference} {what}, {shown} intervals."
    return Picture(f"{outcome.code}_contrasts", caption, figure)


def delivery_picture(reading: Reading) -> Picture | None:
    """What was delivered."""
    delivery = reading.results.delivery
    if delivery is None or not any(arm.booked for arm in delivery.arms):
        return None
    with drawing_style():
        figure, ax = new_figure(WIDE, 2.9)
        draw_delivery(delivery, ax, names=reading.names())
    return Picture("delivery", "What was delivered, by arm as allocated.", figure)
