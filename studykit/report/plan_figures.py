"""Pictures for planning: width of the interval by number of clients, and what if an assumption is wrong."""

from __future__ import annotations

import math
from collections.abc import Sequence
from textwrap import wrap

from matplotlib.axes import Axes
from matplotlib.transforms import blended_transform_factory

from studykit.planning.sensitivity import ChancePlan, WhatIf
from studykit.report.numbers import Scale, number
from studykit.report.style import FAINT, INK, LOOKS, PAPER, SOFT

_ROOM_AT_THE_RIGHT = 80  # clients: a point farther right has no room for its words beside it


def draw_widths(
    points: Sequence[tuple[int, float]],
    ax: Axes,
    *,
    planned: tuple[int, float],
    scale: Scale,
    smallest_worthwhile: float | None = None,
    spread: tuple[float, float] | None = None,
) -> None:
    """Expected width of the interval against the number of clients.

    Parameters
    ----------
    points : sequence of (int, float)
        Clients in all arms, and full width in the unit shown.
    ax : matplotlib Axes
    planned : (int, float)
        The planned study, marked.
    scale : Scale
        Unit and decimals of the width.
    smallest_worthwhile : float, optional
        Twice this is drawn: an interval narrower than that can tell a worthwhile difference from none.
    spread : (float, float), optional
        Between what the planned width lies in 80 of 100 studies; drawn as an upright line.
    """
    known = [(clients, width) for clients, width in sorted(points) if math.isfinite(width)]
    ax.plot([clients for clients, _ in known], [width for _, width in known], color=LOOKS[1].ink)
    if spread is not None:
        ax.vlines(planned[0], *spread, color=LOOKS[1].ink, linewidth=1.0)
    if math.isfinite(planned[1]):
        ax.plot(*planned, marker="o", color=LOOKS[1].ink, markersize=7)
        wide = scale.text(planned[1]).replace("percentage points", "points")
        label = f"{planned[0]} clients, as planned:\n{wide} wide"
        if planned[0] <= _ROOM_AT_THE_RIGHT:
            ax.annotate(
                label, planned, xytext=(9, 9), textcoords="offset points", va="bottom", fontweight="bold"
            )
        else:  # beside the point the words would leave the picture
            ax.annotate(
                label, planned, xytext=(1.0, 0.97), textcoords="axes fraction", va="top", ha="right",
                fontweight="bold", arrowprops={"arrowstyle": "-", "color": SOFT, "linewidth": 0.8},
            )  # fmt: skip
    if smallest_worthwhile is not None and known:
        ax.axhline(2 * smallest_worthwhile, color=SOFT, linestyle=(0, (4, 3)), linewidth=1.0)
        # The curve is high at the left, so the words stand there.
        text = f" narrow enough for {scale.text(smallest_worthwhile)}\n either way"
        where = blended_transform_factory(ax.transAxes, ax.transData)
        ax.text(0.0, 2 * smallest_worthwhile, text, transform=where, va="bottom", fontsize=8, linespacing=1.0)
    clients_axis(ax, [clients for clients, _ in known])
    top = max((width for _, width in known), default=1.0)
    ax.set_ylim(0.0, 1.06 * top)
    ax.set_ylabel(f"width of the interval,\n{_unit(scale)}")


def draw_chances(plan: ChancePlan, ax: Axes, *, scale: Scale, wanted_power: float) -> None:
    """Chance to find a difference against the number of clients, for three states of the truth.

    Parameters
    ----------
    plan : ChancePlan
    ax : matplotlib Axes
    scale : Scale
        Of differences.
    wanted_power : float
        Drawn as a thin line.
    """
    clients = [point.clients for point in plan.curve]
    lines = (
        (f"if it is {scale.text(plan.largest)}", [point.if_largest for point in plan.curve], LOOKS[0]),
        ("averaged over what is plausible", [point.averaged for point in plan.curve], LOOKS[1]),
        (f"if it is {scale.text(plan.prior_mean)}", [point.if_assumed for point in plan.curve], LOOKS[2]),
    )
    ax.axhline(100.0 * wanted_power, color=SOFT, linewidth=0.8, linestyle=(0, (4, 3)))
    ax.axvline(plan.planned.clients, color=SOFT, linewidth=0.8)
    ends = []
    for label, chances, drawn in lines:
        ax.plot(clients, [100.0 * chance for chance in chances], color=drawn.ink, linestyle=drawn.dashes)
        ends.append((100.0 * chances[-1], label, drawn.ink))
    # labels stand at the right end of their lines, pushed apart where they would touch
    place = -math.inf
    for end, label, ink in sorted(ends):
        place = max(end, place + 16.0)
        ax.annotate(
            "\n".join(wrap(label, 18)), (clients[-1], place), xytext=(6, 0), textcoords="offset points",
            va="center", color=ink, fontsize=8.5, linespacing=1.0, annotation_clip=False,
        )  # fmt: skip
    clients_axis(ax, clients)
    ax.set_ylim(0.0, 102.0)
    ax.set_ylabel("studies of 100 that find it")


def _unit(scale: Scale) -> str:
    return "per cent" if scale.unit == "%" else scale.unit


def clients_axis(ax: Axes, clients: Sequence[int]) -> None:
    """Numbers of clients on a logarithmic axis, named at the usual ones."""
    ax.set_xscale("log")
    ticks = [tick for tick in (12, 20, 40, 80, 160, 320) if clients and min(clients) <= tick <= max(clients)]
    ax.set_xticks(ticks, [str(tick) for tick in ticks])
    ax.set_xticks([], minor=True)
    ax.set_xlabel("clients in all arms together")


def what_if_rows(cases: Sequence[WhatIf], outcome: str, planned: float) -> list[tuple[str, float, float]]:
    """Assumptions with the widths at both ends, the one that matters most first."""
    rows: dict[str, list[float]] = {}
    meanings = {}
    for case in cases:
        if case.outcome == outcome and math.isfinite(case.width):
            rows.setdefault(case.key, [planned]).append(case.width)
            meanings[case.key] = case.meaning
    spans = [(meanings[key], min(widths), max(widths)) for key, widths in rows.items()]
    return sorted(spans, key=lambda row: row[1] - row[2])


def draw_what_if(
    rows: Sequence[tuple[str, float, float]],
    ax: Axes,
    *,
    planned: float,
    scale: Scale,
    what: str = "width of the interval",
) -> None:
    """How the width (or what is named) moves when one assumption lies at either end of its range."""
    ax.axvline(planned, color=SOFT, linewidth=0.9, zorder=1)
    behind = {"facecolor": PAPER, "edgecolor": "none", "pad": 0.8, "alpha": 0.85}
    y = 0.0
    for meaning, low, high in rows:
        lines = wrap(meaning, 40)
        y -= 0.42 * (len(lines) - 1)
        where = blended_transform_factory(ax.transAxes, ax.transData)
        for place, line in enumerate(reversed(lines)):
            ax.text(
                0.0, y + 0.36 + 0.42 * place, line, transform=where, fontsize=8.5, va="center", bbox=behind
            )
        shown = f"{number(low, scale.decimals)} to {number(high, scale.decimals)}"
        ax.text(1.0, y + 0.36, shown, transform=where, fontsize=8.5, va="center", ha="right", bbox=behind)
        ax.hlines(y, low, high, color=LOOKS[1].ink, linewidth=3.0, zorder=3)
        ax.plot(planned, y, marker="|", color=INK, markersize=9, zorder=4)
        y -= 1.0
    ends = [planned, *(end for _, low, high in rows for end in (low, high))]
    pad = 0.08 * (max(ends) - min(ends) or 1.0)
    ax.set_xlim(min(ends) - pad, max(ends) + pad)
    ax.set_ylim(y + 0.45, 0.8)
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    ax.grid(axis="x", color=FAINT, linewidth=0.5)
    ax.set_xlabel(f"{what}, {_unit(scale)}\n(upright line: the plan)")


def what_if_height(rows: Sequence[tuple[str, float, float]]) -> float:
    """Inches for the picture."""
    lines = sum(1.0 + 0.42 * (len(wrap(meaning, 40)) - 1) for meaning, _, _ in rows)
    return 0.9 + 0.4 * lines
