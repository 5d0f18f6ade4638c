"""Pictures of results: every interval comes from the result, every line carries its own label.

Each ``draw_…`` function draws into an axes and returns nothing else; what it cannot draw it leaves
empty with a word on why. Saving and sizes are in `studykit.report.style` and `studykit.report.gallery`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from matplotlib.axes import Axes
from matplotlib.transforms import blended_transform_factory

from studykit.errors import ArgumentError
from studykit.kinds.continuous.figures import draw_trajectories
from studykit.kinds.retention.figures import draw_retention
from studykit.outcomes.results import DeliveryResult, OutcomeEstimate, OutcomeResult, StudyResults
from studykit.report.fit_figures import draw_influence, draw_normal_quantiles, draw_variance_profile
from studykit.report.flow_diagram import draw_flow
from studykit.report.interval_rows import IntervalRow, draw_interval_rows, rows_needed
from studykit.report.kind_report import report_of
from studykit.report.lookback_figures import draw_answers, draw_balance, draw_out_of_100, draw_staying
from studykit.report.model_figures import draw_interaction, draw_residuals
from studykit.report.numbers import Scale, count_of
from studykit.report.pool_figures import draw_forest
from studykit.report.report_context import Reading, name_of, spaced
from studykit.report.style import check_drawable, drawing_style, look

__all__ = [
    "draw_answers",
    "draw_balance",
    "draw_contrasts",
    "draw_delivery",
    "draw_effects",
    "draw_flow",
    "draw_forest",
    "draw_influence",
    "draw_interaction",
    "draw_normal_quantiles",
    "draw_out_of_100",
    "draw_residuals",
    "draw_retention",
    "draw_staying",
    "draw_trajectories",
    "draw_variance_profile",
    "drawing_style",
    "rows_needed",
]


def draw_effects(
    results: StudyResults, ax: Axes, *, outcome: str = "", names: Mapping[str, str] | None = None
) -> None:
    """Differences between the arms in one outcome with their intervals, main result first.

    Quantities of different units never share an axis. Rows do not shrink: on a figure 4.2 inches wide each
    takes about 0.4 inches of height, and more where its name is long (`rows_needed`); a main analysis with
    all its sensitivity needs some 10 inches.

    Parameters
    ----------
    results : StudyResults
    ax : matplotlib Axes
    outcome : str
        Code; by default the first primary outcome.
    names : mapping of str to str, optional
        Names by code.
    """
    check_drawable("draw_effects", ax, results, StudyResults)
    chosen = results[outcome] if outcome else results.primary
    scale = report_of(chosen).scale(Reading(results), chosen)
    estimates = on_one_scale(chosen)
    labels = [spaced(estimate.name) for estimate in estimates]
    for code, name in (names or {}).items():
        labels = [label.replace(spaced(code), name) for label in labels]
    draw_contrasts(estimates, ax, scale=scale, labels=labels, smallest_worthwhile=chosen.smallest_worthwhile,
                   confidence_level=results.confidence_level)  # fmt: skip


def on_one_scale(outcome: OutcomeResult) -> tuple[OutcomeEstimate, ...]:
    """The contrasts of an outcome that share the scale of the primary one."""
    same = (outcome.primary.presentation, outcome.primary.unit)
    return tuple(item for item in outcome.contrasts if (item.presentation, item.unit) == same)


def draw_contrasts(
    estimates: Sequence[OutcomeEstimate],
    ax: Axes,
    *,
    scale: Scale,
    labels: Sequence[str],
    smallest_worthwhile: float | None = None,
    confidence_level: float = 0.95,
) -> None:
    """One row an estimate: its name and numbers above, its interval below.

    Parameters
    ----------
    estimates : sequence of OutcomeEstimate
        All on one scale; the first is drawn heavier.
    ax : matplotlib Axes
    scale : Scale
    labels : sequence of str
        One an estimate.
    smallest_worthwhile : float, optional
        In the unit shown; differences smaller than this either way are hatched.
    confidence_level : float
    """
    for estimate in estimates:
        check_drawable("draw_contrasts", ax, estimate, OutcomeEstimate)
    if len(labels) != len(estimates):
        raise ArgumentError(
            where="draw_contrasts", expected=f"{len(estimates)} labels", got=str(len(labels)),
            todo="Give one label for each estimate.",
        )  # fmt: skip
    rows = [
        IntervalRow(label, estimate.value, estimate.confidence_interval(confidence_level), heavy=place == 0)
        for place, (estimate, label) in enumerate(zip(estimates, labels, strict=True))
    ]
    unit = {"%": "per cent"}.get(scale.unit, scale.unit)
    hatched = "" if smallest_worthwhile is None else "\nhatched: too small to matter by the protocol"
    axis_label = f"difference, {unit}{hatched}" if unit else f"ratio{hatched}"
    draw_interval_rows(rows, ax, scale=scale, axis_label=axis_label, smallest_worthwhile=smallest_worthwhile)


def draw_delivery(delivery: DeliveryResult, ax: Axes, *, names: Mapping[str, str] | None = None) -> None:
    """Shares of what was planned, by arm: attended sessions, sessions and sets with partner reps."""
    check_drawable("draw_delivery", ax, delivery, DeliveryResult)
    lines, arms = _delivery_lines(delivery), [arm.arm for arm in delivery.arms]
    for row, (label, shares) in enumerate(lines):
        y = -float(row)
        ax.text(
            0.0,
            y + 0.42,
            label,
            transform=blended_transform_factory(ax.transAxes, ax.transData),
            va="center",
            ha="left",
            fontsize=8.5,
            fontweight="bold",
        )
        for line, (arm, count, of) in enumerate(shares):
            arm_look, level = look(arms.index(arm)), y + 0.2 - 0.32 * line
            share = 100.0 * count / of
            ax.hlines(level, 0, share, color=arm_look.ink, linewidth=2.2, linestyle=arm_look.dashes, zorder=2)
            ax.plot(
                share, level, marker=arm_look.marker, color=arm_look.ink, markersize=5, zorder=3,
                markerfacecolor=arm_look.ink if arm_look.filled else "white",
            )  # fmt: skip
            text = f"{name_of(arm, names)}: {count_of(count, of)}"
            right = share < 45
            ax.text(
                share + (3 if right else -3), level - 0.145, text, color=arm_look.ink, fontsize=8,
                va="center", ha="left" if right else "right", zorder=4,
            )  # fmt: skip
    ax.set_xlim(-1, 103)
    ax.set_ylim(-len(lines) + 0.35, 0.65)
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    ax.set_xlabel("per cent")


def _delivery_lines(delivery: DeliveryResult) -> list[tuple[str, list[tuple[str, int, int]]]]:
    arms = delivery.arms
    attended = [(arm.arm, arm.attended, arm.booked) for arm in arms]
    with_reps = [(arm.arm, arm.with_partner_reps, arm.attended) for arm in arms]
    met = [(arm.arm, arm.partner_sets_as_planned, arm.partner_sets) for arm in arms if arm.fidelity_word]
    lines = [
        ("sessions attended, of those booked", attended),
        ("sessions with partner reps, of those attended", with_reps),
        ("sets with partner reps that met the protocol's rule", met),
    ]
    known = [(label, [share for share in shares if share[2] > 0]) for label, shares in lines]
    return [(label, shares) for label, shares in known if shares]
