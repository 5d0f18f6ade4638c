"""What the report says of retention."""

from __future__ import annotations

from studykit.kinds.retention.figures import draw_retention
from studykit.kinds.retention.results import RetentionResult
from studykit.kinds.retention.section import RetentionOutcome
from studykit.kinds.retention.tables import (
    at_risk_table,
    by_trainer_table,
    contrasts_table,
    retained_table,
)
from studykit.protocol.types import Protocol
from studykit.report.document import Block, Picture, pictures, tables
from studykit.report.gallery import contrasts_picture
from studykit.report.kind_report import PlannedAnalysis
from studykit.report.numbers import Scale, count_of, day_text, level, plural
from studykit.report.report_context import Reading, whole
from studykit.report.sentences import MORE, comparison, remains_possible, worthwhile
from studykit.report.style import WIDE, drawing_style, new_figure


def scale(reading: Reading, result: RetentionResult) -> Scale:
    """Differences in shares of clients."""
    del result
    return reading.share_scale()


def model(protocol: Protocol, _planned: RetentionOutcome) -> str:
    """How shares are compared where clients are drawn; where trainers are, that follows from the records."""
    if protocol.plan.unit != "client":
        return ""
    return (
        "risk difference over the strata, Mantel-Haenszel weights, score test and "
        "interval (Miettinen and Nurminen)"
    )


def title(reading: Reading, result: RetentionResult) -> str:
    """Name of the outcome."""
    del reading
    return result.name


def short(reading: Reading, result: RetentionResult) -> str:
    """Estimate and interval at the horizon."""
    estimate, shown = result.primary, reading.share_scale()
    size = comparison(reading, shown, estimate.value, MORE)
    interval = shown.interval(reading.interval(estimate))
    return f"retention on day {result.horizon_day} ({estimate.role} outcome): {size} {interval}"


def answer(reading: Reading, result: RetentionResult) -> tuple[str, ...]:
    """What was found, and what remains possible."""
    shown, estimate = reading.share_scale(), result.primary
    interval = reading.interval(estimate)
    found = [f"{_retained(result, code)} with {reading.arm(code)}" for code in reading.results.comparison]
    day = day_text(result.horizon_day)
    size, told = comparison(reading, shown, estimate.value, MORE), reading.told(estimate, shown)
    counts = f"On {day} after allocation, {found[0]} and {found[1]} still trained at the studio."
    meaning = (
        remains_possible(reading, shown, interval, MORE),
        worthwhile(shown, interval, result.smallest_worthwhile),
    )
    return (
        f"{counts}{_left_out(result)}",
        f"The estimated difference in the share retained is {size}, {told}. {' '.join(meaning)}",
    )


def _retained(result: RetentionResult, code: str) -> str:
    status = next(status for status in result.status if status.arm == code)
    return count_of(status.retained, status.retained + status.departed, "clients")


def _left_out(result: RetentionResult) -> str:
    unknown = sum(status.unknown for status in result.status)
    if not unknown:
        return ""
    verb = "is" if unknown == 1 else "are"
    return (
        f" {plural(unknown, 'client')} whose status on that day is not known {verb} left out of these counts."
    )


def conditions(reading: Reading, result: RetentionResult) -> tuple[str, ...]:
    """Nothing: the counts stand in the answer itself."""
    del reading, result
    return ()


def limits(reading: Reading, result: RetentionResult) -> tuple[str, ...]:
    """Nothing beyond what the result names."""
    del reading, result
    return ()


def blocks(reading: Reading, result: RetentionResult) -> tuple[Block, ...]:
    """Tables and pictures."""
    what = f"in the share retained on day {result.horizon_day}"
    return (
        *tables(retained_table(reading, result)),
        *pictures(_curves(reading, result), contrasts_picture(reading, result, what)),
        *tables(
            contrasts_table(reading, result),
            at_risk_table(reading, result),
            by_trainer_table(reading, result),
        ),
    )


def _curves(reading: Reading, result: RetentionResult) -> Picture:
    """Clients still training, over time."""
    shown = level(reading.results.confidence_level)
    with drawing_style():
        figure, ax = new_figure(WIDE, 3.1 + 0.31 * len(result.curves))
        draw_retention(result, ax, names=reading.names())
    method = next((curve.interval_method for curve in result.curves), "").removeprefix("pointwise, ")
    exact = "; exact where nobody or everybody has left" if "log(" in method else ""
    bands = f"bands are pointwise {shown} intervals ({method}{exact})"
    caption = f"Clients still training, by arm; {bands}. {result.definition}."
    return Picture("retention_curves", caption, figure)


def fit(reading: Reading, result: RetentionResult) -> tuple[Block, ...]:
    """Nothing: the primary comparison rests on counts."""
    del reading, result
    return ()


def methods(reading: Reading, planned: RetentionOutcome, result: RetentionResult | None) -> str:
    """When it is judged, by which definition, and how it is compared."""
    sentences = [f"Outcome: {planned.name} ({planned.role}), judged on {day_text(planned.horizon_day)}."]
    if result is not None:
        sentences.append(whole(result.definition))
    sentences.append("The share retained is compared as a difference.")
    if result is not None:
        sentences.append(f"Method: {whole(reading.named(result.primary.method))}")
        if result.by_model:
            sentences.append(f"Beside it: {whole(result.by_model[0].method)}")
    return " ".join(sentences)


def planned(
    reading: Reading, planned: RetentionOutcome, result: RetentionResult | None
) -> list[PlannedAnalysis]:
    """The difference in shares, what supports it, and another rule of absence."""
    del reading
    name = f"{planned.name}, day {planned.horizon_day}"
    if result is None:
        return [PlannedAnalysis(name, planned.role, "not done: there are no records for it")]
    hazard = "done" if result.hazard_ratio is not None else _why_no_hazard_ratio(result)
    return [
        PlannedAnalysis(
            f"{name}: difference in the share retained",
            planned.role,
            f"done: {result.primary.method.rstrip('.')}",
        ),
        PlannedAnalysis(
            f"{name}: mean days retained", "supporting", "done" if result.restricted_mean else "not done"
        ),
        PlannedAnalysis(f"{name}: hazard ratio", "supporting", hazard),
        PlannedAnalysis(f"{name}: mixed model with trainers random", "supporting", _by_model(result)),
        PlannedAnalysis(
            f"{name}: absence of {planned.sensitivity_absence_days} days",
            "sensitivity",
            "done" if result.sensitivity else "not done",
        ),
    ]


def _by_model(result: RetentionResult) -> str:
    if result.by_model:
        return "done"
    reasons = [remark for remark in result.remarks if "mixed model" in remark]
    return f"not done: {reasons[0]}" if reasons else "not done"


def _why_no_hazard_ratio(result: RetentionResult) -> str:
    reasons = [remark for remark in result.remarks if "hazard" in remark.lower()]
    return f"not done: {reasons[0]}" if reasons else "not done: the data do not carry it"
