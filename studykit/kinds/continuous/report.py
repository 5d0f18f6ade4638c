"""What the report says of a continuous outcome."""

from __future__ import annotations

from studykit.kinds.continuous.figures import can_shift_both, draw_tipping_plane, draw_trajectories
from studykit.kinds.continuous.fit import fit_pictures, fit_sentences
from studykit.kinds.continuous.results import ContinuousResult
from studykit.kinds.continuous.scales import contrast_scale as scale
from studykit.kinds.continuous.scales import unit_scale
from studykit.kinds.continuous.section import ContinuousOutcome, EstimatedMaximum, LoadAtRepetitions
from studykit.kinds.continuous.tables import (
    completed_table,
    contrasts_table,
    means_table,
    missing_table,
    reliability_table,
    spread_table,
    tipping_table,
    trainer_effects_table,
)
from studykit.protocol.types import Protocol
from studykit.report.document import Block, Picture, paragraphs, pictures, tables
from studykit.report.gallery import contrasts_picture
from studykit.report.kind_report import PlannedAnalysis
from studykit.report.numbers import count_of, level, plural
from studykit.report.report_context import Reading, capital, whole
from studykit.report.sentences import HIGHER, comparison, remains_possible, worthwhile
from studykit.report.style import WIDE, drawing_style, new_figure

__all__ = ["answer", "blocks", "conditions", "fit", "limits", "methods", "planned", "scale", "short", "title"]

STAYERS = (
    "Strength can be measured only in those who come to the test. If the arms differ in who stays, the "
    "comparison of strength rests on the assumption about missing tests that stands under Methods."
)


def model(protocol: Protocol, planned: ContinuousOutcome) -> str:
    """The mixed model, as far as the protocol alone tells it."""
    score = "the logarithm of the score" if planned.scale == "log" else "the score"
    visits = "with every client in both arms" if protocol.plan.within else "at all visits together"
    return (
        f"linear mixed model of {score}, {visits}, by restricted maximum likelihood, "
        "t with Kenward-Roger degrees of freedom"
    )


def title(reading: Reading, result: ContinuousResult) -> str:
    """Name and primary visit."""
    return f"{result.name} {reading.when(result.primary_visit)}"


def short(reading: Reading, result: ContinuousResult) -> str:
    """Estimate and interval at the primary visit."""
    estimate, shown = result.primary, scale(reading, result)
    size = comparison(reading, shown, estimate.value, HIGHER)
    interval = shown.interval(reading.interval(estimate))
    return f"{title(reading, result)} ({estimate.role} outcome): {size} {interval}"


def answer(reading: Reading, result: ContinuousResult) -> tuple[str, ...]:
    """What was found, its own unit first, and what remains possible."""
    shown, estimate = scale(reading, result), result.primary
    interval = reading.interval(estimate)
    sizes = []
    if result.original_unit is not None:
        own, original = unit_scale(reading, result), result.original_unit
        size = comparison(reading, own, original.value, HIGHER)
        sizes.append(f"{size} {own.interval(reading.interval(original))}; as a ratio, ")
    sizes.append(f"{comparison(reading, shown, estimate.value, HIGHER)}, {reading.told(estimate, shown)}")
    plan = reading.planned(result.code)
    better = plan is None or plan.higher_is_better
    meaning = (
        remains_possible(reading, shown, interval, HIGHER),
        worthwhile(shown, interval, result.smallest_worthwhile, higher_is_better=better),
    )
    visit = capital(reading.when(result.primary_visit))
    return (
        f"{visit}, compared with {reading.reference}, {result.name} was {''.join(sizes)}.",
        " ".join(meaning),
    )


def conditions(reading: Reading, result: ContinuousResult) -> tuple[str, ...]:
    """How many clients were measured at the primary visit."""
    cells = [cell for cell in result.missing if cell.visit == result.primary_visit]
    counts = [f"{count_of(cell.observed, cell.allocated)} with {reading.arm(cell.arm)}" for cell in cells]
    what = f"{result.name} measured {reading.at(result.primary_visit)}"
    return (f"Clients with {what}: {', '.join(counts)}.",) if counts else ()


def limits(reading: Reading, result: ContinuousResult) -> tuple[str, ...]:
    """That only those who stay are measured, where the study also tells who stayed."""
    del result
    return (STAYERS,) if reading.results.flow.departures_known else ()


FALLBACK_USED = "The fallback was used, by a rule that stood before the data"


def blocks(reading: Reading, result: ContinuousResult) -> tuple[Block, ...]:
    """Pictures and tables."""
    fallback = f"{FALLBACK_USED}: {result.fallback}" if result.fallback else ""
    return (
        *paragraphs(fallback),
        *pictures(_trajectories(reading, result), contrasts_picture(reading, result, f"in {result.name}")),
        *pictures(*_tipping_plane(reading, result)),
        *tables(
            means_table(reading, result),
            contrasts_table(reading, result),
            missing_table(reading, result),
            completed_table(reading, result),
            tipping_table(reading, result),
            reliability_table(reading, result),
            spread_table(reading, result),
            trainer_effects_table(reading, result),
        ),
    )


def _trajectories(reading: Reading, result: ContinuousResult) -> Picture:
    """Means over visits."""
    confidence_level = reading.results.confidence_level
    with drawing_style():
        figure, ax = new_figure(WIDE, 3.2)
        draw_trajectories(result, ax, confidence_level=confidence_level, names=reading.names())
    single = (
        "; thin lines are single clients (scores beyond the frame are cut off, not left out of the model)"
    )
    caption = (
        f"{capital(result.name)} by arm: model means with {level(confidence_level)} intervals"
        f"{single if result.series else ''}."
    )
    return Picture(f"{result.code}_trajectories", caption, figure)


def _tipping_plane(reading: Reading, result: ContinuousResult) -> tuple[Picture, ...]:
    """Two shifts at once, where both arms have scores missing."""
    if not can_shift_both(result):
        return ()
    confidence_level = reading.results.confidence_level
    with drawing_style():
        figure, ax = new_figure(WIDE, 3.4)
        draw_tipping_plane(result, ax, confidence_level=confidence_level, names=reading.names())
    caption = (
        f"{capital(result.name)}: what becomes of the difference if scores not obtained lie higher or lower "
        "than the model expects, in each arm by an amount of its own. The cross is the main result. On the "
        f"full line the difference is zero; between the broken lines the {level(confidence_level)} interval "
        "includes zero."
    )
    return (Picture(f"{result.code}_two_shifts", caption, figure),)


def fit(reading: Reading, result: ContinuousResult) -> tuple[Block, ...]:
    """What happens without any one client or trainer, and how the residuals look."""
    return (*paragraphs(*fit_sentences(reading, result)), *pictures(*fit_pictures(reading, result)))


def methods(reading: Reading, planned: ContinuousOutcome, result: ContinuousResult | None) -> str:
    """How it is measured and compared, its model, and what is assumed of missing tests."""
    names = reading.names()
    exercises = ", ".join(names[code] for code in planned.exercises)
    over = f" over {exercises} with equal weights" if exercises else ""
    summary = "as the ratio of geometric means" if planned.scale == "log" else "as the difference in means"
    measure = f"{_score(planned)}{over}, {reading.when(planned.primary_visit)}, compared {summary}"
    sentences = [f"Outcome: {planned.name} ({planned.role}), in {planned.unit}: {measure}."]
    if result is not None:
        sentences.append(f"Model: {whole(reading.named(result.model))}")
        if result.fallback:
            sentences.append(f"{FALLBACK_USED}: {whole(result.fallback)}")
    if planned.estimand is not None:
        if planned.estimand.missing_data:
            sentences.append(f"Missing tests: {whole(planned.estimand.missing_data)}")
        if planned.estimand.strategies.leaves_studio:
            sentences.append(
                f"Leaving the studio before the test: {planned.estimand.strategies.leaves_studio} strategy."
            )
    return " ".join(sentences)


def _score(outcome: ContinuousOutcome) -> str:
    rule = outcome.score
    if isinstance(rule, LoadAtRepetitions):
        return f"the heaviest load lifted {rule.repetitions} times"
    if isinstance(rule, EstimatedMaximum):
        return (
            f"the one-repetition maximum estimated by the equation of {rule.equation.capitalize()}, from "
            f"sets of at most {rule.most_repetitions} repetitions"
        )
    return "the value recorded"


def planned(
    reading: Reading, planned: ContinuousOutcome, result: ContinuousResult | None
) -> list[PlannedAnalysis]:
    """The main contrast, and other assumptions on missing tests."""
    name = f"{planned.name}, {reading.visit(planned.primary_visit)}"
    if result is None:
        return [PlannedAnalysis(name, planned.role, "not done: there are no records for it")]
    done = (
        f"done by the fallback: {result.fallback}"
        if result.fallback
        else f"done: {result.primary.method.rstrip('.')}"
    )
    return [
        PlannedAnalysis(f"{name}: main contrast", planned.role, done),
        PlannedAnalysis(f"{name}: other assumptions on missing tests", "sensitivity", _sensitivity(result)),
    ]


def _sensitivity(result: ContinuousResult) -> str:
    if result.sensitivity:
        return f"done: {plural(len(result.sensitivity), 'row')} beside the main result"
    missing = sum(cell.allocated - cell.observed for cell in result.missing)
    return "not done" if missing else "not needed: nothing is missing"
