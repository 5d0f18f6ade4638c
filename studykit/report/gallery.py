"""All figures of a report, made once: for the page, and as files."""

from __future__ import annotations

from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studykit.outcomes.results import RetentionResult, StrengthResult
from studykit.report.figures import (
    draw_contrasts,
    draw_delivery,
    draw_retention,
    draw_trajectories,
    names_of,
    retention_estimates,
    strength_estimates,
)
from studykit.report.flow import draw_flow
from studykit.report.numbers import level
from studykit.report.reading import Reading
from studykit.report.result_tables import estimate_name
from studykit.report.style import drawing_style, new_figure

_WIDE = 4.8  # inches: type keeps its size on a phone and is not coarse on paper


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
        results.flow, names=dict(results.arms), has_retention=results.retention is not None,
        has_strength=bool(results.continuous),
    )  # fmt: skip
    flow = results.flow
    caption = (
        f"Flow of clients. First allocation {flow.first_allocation}, last {flow.last_allocation}; "
        f"records up to {flow.data_through}."
    )
    return Picture("flow", caption, None, svg)


def retention_pictures(reading: Reading, retention: RetentionResult) -> tuple[Picture, Picture]:
    """Curves, and the differences in the share retained."""
    shown = level(reading.results.confidence_level)
    with drawing_style():
        curves, ax = new_figure(_WIDE, 3.5 + 0.3 * len(retention.curves))
        draw_retention(retention, ax, names=names_of(reading))
        estimates = retention_estimates(retention)
        effects, ax = _rows(len(estimates))
        scale = reading.share_scale()
        draw_contrasts(
            estimates, ax, scale=scale, labels=[estimate_name(reading, item, scale) for item in estimates],
            smallest_worthwhile=retention.smallest_worthwhile, confidence_level=reading.results.confidence_level,
        )  # fmt: skip
    definition = f"{retention.definition}."
    method = next((curve.interval_method for curve in retention.curves), "")
    return (
        Picture("retention_curves", f"Clients still training, by arm; bands are pointwise {shown} intervals ({method}). {definition}", curves),
        Picture("retention_contrasts", f"{_more(reading)} in the share retained on day {retention.horizon_day}, {shown} intervals.", effects),
    )  # fmt: skip


def strength_pictures(reading: Reading, outcome: StrengthResult) -> tuple[Picture, Picture]:
    """Means over visits, and the contrasts."""
    shown = level(reading.results.confidence_level)
    scale = reading.contrast_scale(outcome)
    with drawing_style():
        lines, ax = new_figure(_WIDE, 3.4)
        draw_trajectories(
            outcome, ax, confidence_level=reading.results.confidence_level, names=names_of(reading)
        )
        estimates = strength_estimates(outcome)
        effects, ax = _rows(len(estimates))
        draw_contrasts(
            estimates, ax, scale=scale, labels=[estimate_name(reading, item, scale) for item in estimates],
            smallest_worthwhile=outcome.smallest_worthwhile, confidence_level=reading.results.confidence_level,
        )  # fmt: skip
    return (
        Picture(
            f"{outcome.code}_trajectories",
            f"{_capital(outcome.name)} by arm: model means with {shown} intervals; thin lines are single clients "
            "(scores beyond the frame are cut off, not left out of the model).", lines,
        ),
        Picture(f"{outcome.code}_contrasts", f"{_more(reading)} in {outcome.name}, {shown} intervals.", effects),
    )  # fmt: skip


def delivery_picture(reading: Reading) -> Picture | None:
    """What was delivered."""
    delivery = reading.results.delivery
    if delivery is None or not any(arm.booked for arm in delivery.arms):
        return None
    with drawing_style():
        figure, ax = new_figure(_WIDE, 3.6)
        draw_delivery(delivery, ax, names=names_of(reading))
    return Picture("delivery", "What was delivered, by arm as allocated.", figure)


def _rows(number: int) -> tuple[Figure, Axes]:
    return new_figure(_WIDE, 0.9 + 0.42 * number)


def _more(reading: Reading) -> str:
    return f"Difference between {reading.compared} and {reading.reference}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
