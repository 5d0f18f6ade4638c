"""The part of the planning page that comes from simulated studies."""

from __future__ import annotations

import math
from collections.abc import Sequence

from matplotlib.axes import Axes

from studykit.planning.plan import Plan
from studykit.planning.search_loop import CurvePoint, Found
from studykit.planning.simulated_plan import HOW, SimulatedPlan, simulation_sentences
from studykit.planning.simulation import SimulatedOutcome
from studykit.planning.simulation_doubts import SimulatedDoubts
from studykit.protocol.types import Protocol
from studykit.report.document import Block, Picture, Section, paragraphs, pictures, tables
from studykit.report.numbers import GAP, Scale, number
from studykit.report.plan_figures import clients_axis, draw_what_if, what_if_height
from studykit.report.report_context import capital
from studykit.report.style import INK, LOOKS, SOFT, WIDE, drawing_style, new_figure
from studykit.report.tables import Table, cells, column, words_column
from studykit.retention.proportions import share_interval

_POWER = Scale("%", 0, 100.0)
_HEADINGS = (
    "finds the assumed difference",
    "claims a difference where there is none",
    "intervals that hold the truth",
    "bias",
    "width of the interval",
    "analysed by the mixed model",
    "a spread estimated at zero",
    "analysis failed",
    "decided by",
)
__all__ = ["CurvePoint", "simulated_section"]


def simulated_section(plan: Plan, protocol: Protocol) -> Section:
    """What simulated studies say; empty where none were simulated."""
    simulated = plan.simulated
    title = "Tried out: the study simulated"
    if simulated is None:
        return Section("simulated", title, ())
    sentences = tuple(
        text.replace(" ± ", f"{GAP}±{GAP}").replace(" %", f"{GAP}%")
        for text in simulation_sentences(simulated, protocol)
    )
    blocks: list[Block] = [*paragraphs(HOW), Block("list", sentences)]
    if simulated.clients_for_largest is not None and simulated.clients_for_largest.points:
        blocks += pictures(_curve(plan, simulated, simulated.clients_for_largest))
    if simulated.doubts is not None and len(simulated.doubts.rows) > 1:
        blocks += pictures(*_doubts(plan[simulated.outcome].name, simulated, simulated.doubts))
    blocks += tables(_table(simulated, protocol))
    return Section("simulated", title, tuple(blocks))


def _curve(plan: Plan, simulated: SimulatedPlan, found: Found) -> Picture:
    shown = _of_largest(plan, simulated)
    with drawing_style():
        figure, ax = new_figure(WIDE, 3.0)
        draw_power_curve(found, shown, ax)
    largest = f"{number(simulated.largest_plausible, 1)}{GAP}{simulated.unit}"
    caption = (
        f"Chance to find a true difference of {largest} in {plan[simulated.outcome].name}, by number of "
        "clients: line by the formula, points from simulated studies with their error; the bar at the foot "
        "is where simulation puts the answer."
    )
    return Picture("plan_simulated_power", caption, figure)


def _of_largest(plan: Plan, simulated: SimulatedPlan) -> tuple[tuple[int, float], ...]:
    """The closed form's power for the largest plausible difference, by number of clients."""
    return plan[simulated.outcome].power_curve(simulated.largest_plausible)


def _doubts(name: str, simulated: SimulatedPlan, doubts: SimulatedDoubts) -> tuple[Picture, Picture]:
    plan = doubts.rows[0]
    found = []
    for code, what, scale, attribute in (
        ("power", "chance to find the assumed difference", _POWER, "power"),
        ("width", "width of the interval", Scale(simulated.unit, 1), "width"),
    ):
        planned = scale.factor * getattr(plan, attribute).value
        rows = _spans(doubts, attribute, planned, scale.factor)
        with drawing_style():
            figure, ax = new_figure(WIDE, what_if_height(rows))
            draw_what_if(rows, ax, planned=planned, scale=Scale(scale.unit, scale.decimals), what=what)
        reach = scale.factor * getattr(plan, attribute).reach
        caption = (
            f"{capital(name)}, {what} if one assumption lies at either end of its plausible range and the "
            f"others hold, each from {doubts.trials} simulated studies (right to about "
            f"{number(reach, 1)}{GAP}{scale.unit}, 95 times in 100; the same random numbers everywhere). "
            "What hardly moves it is not drawn."
        )
        found.append(Picture(f"plan_simulated_doubts_{code}", caption, figure))
    return found[0], found[1]


def _spans(
    doubts: SimulatedDoubts, attribute: str, planned: float, factor: float
) -> list[tuple[str, float, float]]:
    """Assumptions that move the value by 2 % of itself or more, the one that matters most first."""
    ends: dict[str, list[float]] = {}
    for row in doubts.rows[1:]:
        ends.setdefault(row.meaning, [planned]).append(factor * getattr(row, attribute).value)
    spans = [
        (meaning, min(values), max(values))
        for meaning, values in ends.items()
        if max(values) - min(values) >= 0.02 * planned
    ]
    return sorted(spans, key=lambda row: row[1] - row[2])


def _table(simulated: SimulatedPlan, protocol: Protocol) -> Table:
    names = tuple(column(capital(found.name)) for found in simulated.study.outcomes)
    by_outcome = [_column(found) for found in simulated.study.outcomes]
    rows = tuple(
        cells(heading, *(texts[place] for texts in by_outcome)) for place, heading in enumerate(_HEADINGS)
    )
    study = simulated.study
    note = (
        f"{study.trials} simulated studies, seed {study.seed}; in brackets the 95{GAP}% interval of a share "
        "from simulating (Wilson), after ± one Monte Carlo error of a mean. A study whose analysis "
        f"fails counts as having found nothing. Promised: {100 * protocol.analysis.alpha:g}{GAP}% false "
        "claims at "
        f"most, {100 * protocol.analysis.confidence_level:g}{GAP}% of intervals that hold the truth. Bias is "
        "on the "
        "scale of the analysis (logarithm, unit or share)."
    )
    return Table(
        "plan_simulated", "How the planned analysis does", (words_column("what"), *names), rows, (note,)
    )


def _column(found: SimulatedOutcome) -> tuple[str, ...]:
    own = found.with_effect
    return (
        own.rejected.text(),
        "not simulated" if found.without_effect is None else found.without_effect.rejected.text(),
        own.coverage.text(),
        f"{number(own.bias, 4, signed=True)} ± {number(own.bias_error, 4)}",
        f"{number(found.width.value, 1)} ± {number(found.width.monte_carlo_error, 1)}{GAP}{found.unit}",
        own.by_model.text() if found.has_model else "no model",
        own.at_boundary.text() if found.has_model else "no model",
        f"{own.failed} of {own.trials}",
        found.decided_by,
    )


def _ends(point: CurvePoint) -> tuple[float, float]:
    """Interval of a simulated power: Wilson's, at the number of plain trials that its error is worth."""
    share, worth = min(max(point.value, 0.0), 1.0), float(point.trials)
    if 0.0 < share < 1.0 and 0.0 < point.error < math.inf:
        worth = share * (1.0 - share) / point.error**2
    return share_interval(share * worth, worth)


def draw_power_curve(found: Found, formula: Sequence[tuple[int, float]], ax: Axes) -> None:
    """Power by number of clients: the formula as a line, simulated places as points, the answer at the foot.

    Parameters
    ----------
    found : Found
        A search for clients and power, with at least one place.
    formula : sequence of (int, float)
        Clients, and power as a share.
    ax : matplotlib Axes
    """
    own = LOOKS[1]
    ax.plot(
        [x for x, _ in formula], [100.0 * y for _, y in formula], color=SOFT, linestyle=(0, (4, 2)), zorder=1
    )
    for point in found.points:
        low, high = (100.0 * end for end in _ends(point))
        ax.vlines(point.x, low, high, color=own.ink, linewidth=1.2, zorder=3)
        ax.plot(point.x, 100.0 * point.value, color=own.ink, marker="o", markersize=5, zorder=3)
    wanted = 100.0 * found.wanted
    ax.axhline(wanted, color=SOFT, linewidth=0.8)
    ax.text(
        1.0, wanted + 1.0, f"{wanted:g} % wanted", transform=ax.get_yaxis_transform(), ha="right", fontsize=8
    )
    if found.number is not None and math.isfinite(found.low):
        ax.hlines(1.5, found.low, found.high, color=own.ink, linewidth=5.0, zorder=3)
        ax.annotate(
            f"{found.number} clients", (found.number, 1.5), xytext=(0, 6), textcoords="offset points",
            ha="center", fontweight="bold", color=INK,
        )  # fmt: skip
    clients_axis(ax, sorted({x for x, _ in formula} | {round(point.x) for point in found.points}))
    ax.set_ylim(0.0, 100.0)
    ax.set_ylabel("studies that find it, per cent")
