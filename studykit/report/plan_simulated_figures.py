"""Picture of a search: the closed form's power curve, and what simulated studies found."""

from __future__ import annotations

import math
from collections.abc import Sequence

from matplotlib.axes import Axes

from studykit.planning.search_loop import Found
from studykit.report.plan_figures import clients_axis
from studykit.report.style import INK, LOOKS, SOFT


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
        ax.errorbar(
            point.x, 100.0 * point.value, yerr=196.0 * point.error, color=own.ink, marker="o", markersize=5,
            capsize=3, linewidth=1.2, zorder=3,
        )  # fmt: skip
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
