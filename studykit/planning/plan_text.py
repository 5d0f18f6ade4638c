"""The plan as plain text for a terminal: short, the sources stand on the page."""

from __future__ import annotations

from studykit.planning.advice import capital
from studykit.planning.assumptions import UsedAssumption
from studykit.planning.drawing import drawing_sentences
from studykit.planning.interim import looks_sentences
from studykit.planning.outcome_plan import Improvement
from studykit.planning.pilot import pilot_sentences
from studykit.planning.plan import Plan
from studykit.planning.together import together_in_short

# The numbers that move a width or a power most; they are listed in the terminal where they are weak.
DECISIVE = (
    "sd_score", "correlation_baseline", "correlation_exercises", "missed_tests", "retention_reference",
    "effect_strength", "effect_retention", "trainer_icc_strength", "trainer_icc_retention",
)  # fmt: skip
SHOWN_COUNTS = (20, 40, 80, 160, 320)


def plan_text(plan: Plan) -> str:
    """In short; a pilot if any, what can be told and what not, widths, costs, doubts, the advice again."""
    lines = [f"{label}. {text}" for label, text in plan.in_short.lines]
    lines += [plan.scope] if plan.scope else []
    if plan.pilot is not None:
        lines += ["", "A pilot study first", *(f"- {sentence}" for sentence in pilot_sentences(plan.pilot))]
    lines += ["", "What this study can tell" if plan.pilot is None else "What the large study can tell"]
    lines += [f"- {sentence}" for sentence in plan.can_tell]
    lines += ["", "What it cannot tell", *(f"- {sentence}" for sentence in plan.cannot_tell)]
    lines += ["", "Width of the interval, months in all, hours of work", *_ladder_lines(plan)]
    lines += _cost_lines(plan)
    sharper = [item for item in plan.improvements if item.outcome == plan.primary]
    if sharper:
        lines += ["", "What would make it sharper", *map(improvement_line, sharper)]
    if plan.together is not None:
        lines += ["", "Joining other studios", *(f"- {line}" for line in together_in_short(plan.together))]
    if plan.drawing is not None:
        lines += ["", f"What drawing clients by {plan.drawn_by} promises"]
        lines += [f"- {sentence}" for sentence in drawing_sentences(plan.drawing)]
    if plan.looks is not None and plan.looks.boundaries:
        lines += ["", "Looks before the end", *(f"- {sentence}" for sentence in looks_sentences(plan.looks))]
    lines += _assumed_lines(plan)
    if plan.findings:
        lines += ["", "To look at", *(f"- {finding}" for finding in plan.findings)]
    advice = plan.recommendation
    lines += ["", f"Recommendation: {advice.action}. {advice.reason} {advice.otherwise}".rstrip()]
    return "\n".join(lines)


def _assumed_lines(plan: Plan) -> list[str]:
    weak = [item for item in plan.assumptions if item.is_weak]
    lines = [
        "",
        f"Assumed on weak evidence or judgement ({len(weak)} of {len(plan.assumptions)} numbers):",
    ]
    lines += [_assumption_line(item) for item in weak if item.key in DECISIVE]
    lines.append("Put in your own. The others, and the source of each, stand on the page.")
    return lines


def _assumption_line(item: UsedAssumption) -> str:
    return f"* {item.meaning}: {item.value:g} (plausible {item.low:g} to {item.high:g})"


def _ladder_lines(plan: Plan) -> list[str]:
    curves = [(found, {point.clients: point for point in found.curve}) for found in plan.outcomes]
    costs = {} if plan.costs is None else {point.clients: point for point in plan.costs.curve}
    lines = []
    for count in sorted({count for _, curve in curves for count in curve} & {*SHOWN_COUNTS, plan.clients}):
        parts = [
            f"{found.outcome} {curve[count].width:.{found.decimals}f} {found.unit}"
            for found, curve in curves
            if count in curve
        ]
        if count in costs:
            point = costs[count]
            parts.append(f"{point.months_in_all:.0f} months, {point.hours:.0f} hours")
        planned = " (planned)" if count == plan.clients else ""
        lines.append(f"{count:>5} clients: {', '.join(parts)}{planned}")
    return lines


def _cost_lines(plan: Plan) -> list[str]:
    if plan.costs is None:
        return []
    point = plan.costs.planned
    money = "" if point.money is None else f", {point.money:,.0f} in money"
    joining = (
        f"- {capital(point.asking)}, and "
        f"{point.months_of_recruitment:.0f} months until {point.clients} have joined; "
        f"{point.months_in_all:.0f} months in all."
    )
    work = (
        f"- {point.test_visits} test visits, {point.test_hours:.0f} hours; talks and records "
        f"{point.talk_hours:.0f} hours; partner reps {point.extra_hours:.0f} hours{money}."
    )
    return ["", "What it costs, as if nobody left", joining, work]


def improvement_line(item: Improvement) -> str:
    """One improvement on one line.

    Examples
    --------
    >>> print(improvement_line(Improvement("strength", "recruit for longer", 4.9, 7.0, "%", "20 months")))
    - strength, recruit for longer: 4.9 % to either side, differences from about 7.0 %. 20 months.
    """
    unit, decimals = f" {item.unit}", 0 if item.unit == "points" else 1
    reach = "" if item.half_width is None else f"{item.half_width:.{decimals}f}{unit} to either side"
    found = "" if item.detectable is None else f"differences from about {item.detectable:.{decimals}f}{unit}"
    told = ", ".join(part for part in (reach, found) if part)
    return f"- {item.outcome}, {item.change}: {told}. {item.price[:1].upper()}{item.price[1:]}."
