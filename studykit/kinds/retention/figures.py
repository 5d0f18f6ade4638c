"""Pictures of retention."""

from __future__ import annotations

from collections.abc import Mapping

from matplotlib.axes import Axes

from studykit.kinds.retention.results import RetentionResult
from studykit.report.curve_lines import CurveLine, draw_curve_lines
from studykit.report.report_context import name_of
from studykit.report.style import check_drawable


def draw_retention(retention: RetentionResult, ax: Axes, *, names: Mapping[str, str] | None = None) -> None:
    """Share of clients still retained over time, with intervals and the numbers at risk below.

    A curve ends where fewer clients remain than the protocol asks for.
    """
    check_drawable("draw_retention", ax, retention, RetentionResult)
    lines = [
        CurveLine(
            name_of(curve.arm, names), curve.days, curve.retained, curve.lower, curve.upper, curve.stops_at,
            curve.at_risk_days, curve.at_risk,
        )
        for curve in retention.curves
    ]  # fmt: skip
    draw_curve_lines(lines, ax, horizon=float(retention.horizon_day), start="allocation")
