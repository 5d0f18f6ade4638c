"""Picture of a search: the closed form's power curve, and what simulated studies found."""

from __future__ import annotations

import math
from collections.abc import Sequence

from matplotlib.axes import Axes

from studykit.planning.search_curve import CurvePoint
from studykit.planning.search_loop import Found
from studykit.report.plan_figures import clients_axis
from studykit.report.style import INK, LOOKS, SOFT
from studykit.retention.proportions import share_interval


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
