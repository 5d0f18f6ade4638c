"""Tables on a continuous outcome: means, contrasts, who was measured, reliability, spread."""

from __future__ import annotations

import math
from dataclasses import replace

from scipy.special import ndtr

from studykit.kinds.continuous.results import Completed, ContinuousResult
from studykit.kinds.continuous.scales import contrast_scale, unit_scale
from studykit.outcomes.results import OutcomeEstimate
from studykit.report.contrast_table import contrast_table
from studykit.report.numbers import STANDARDISED, Scale, level, number
from studykit.report.report_context import Reading, capital
from studykit.report.tables import (
    NOTHING,
    Bracket,
    Cell,
    Quantity,
    Share,
    Table,
    cells,
    column,
    listed,
    words_column,
)
from studykit.results import Estimate, Interval


def contrasts_table(reading: Reading, outcome: ContinuousResult) -> Table:
    """Every contrast on one continuous outcome; original units come first."""
    scale, own = contrast_scale(reading, outcome), unit_scale(reading, outcome)
    rows: list[tuple[OutcomeEstimate, Scale]] = []
    if outcome.original_unit is not None:
        rows.append((outcome.original_unit, own))
    rows += [(estimate, scale) for estimate in outcome.contrasts]
    rows.append((outcome.standardised, STANDARDISED))
    caption = f"{capital(outcome.name)}: {reading.compared} compared with {reading.reference}"
    table = contrast_table(
        reading, rows, code=f"{outcome.code}_contrasts", caption=caption, about=outcome.name
    )
    if reading.protocol is not None and reading.protocol.plan.within:
        return table  # there a client is compared with the same client
    return replace(table, notes=(*table.notes, _superiority(reading, outcome)))


def _superiority(reading: Reading, outcome: ContinuousResult) -> str:
    r"""The standardised difference :math:`d` as a chance, :math:`\Phi(d/\sqrt 2)` (McGraw & Wong 1992)."""
    interval = reading.interval(outcome.standardised)
    ends = (outcome.standardised.value, interval.lower, interval.upper)
    chance, low, high = (number(100.0 * float(ndtr(end / math.sqrt(2.0))), 0) for end in ends)
    return (
        f"Of 100 pairs of clients, one of each arm, the one with {reading.compared} has the higher value in "
        f"about {chance} ({level(interval.confidence_level)} interval {low} to {high}); 50 would be a coin "
        "toss. This chance of superiority follows from the standardised difference if values are normal."
    )


def means_table(reading: Reading, outcome: ContinuousResult) -> Table:
    """Model means by arm and visit, with clients observed."""
    confidence_level, own = reading.results.confidence_level, unit_scale(reading, outcome)
    rows = tuple(
        cells(
            reading.arm(mean.arm),
            reading.visit(mean.visit),
            mean.clients,
            Quantity(mean.value, own),
            Bracket(mean.confidence_interval(confidence_level), own),
        )
        for mean in outcome.means
    )
    columns = (
        words_column("arm"),
        words_column("visit"),
        column("clients measured"),
        column("mean", f"mean ({outcome.unit})"),
        column(f"{level(confidence_level)} interval", "lower", "upper"),
    )
    kind = "Geometric means" if outcome.scale == "log" else "Means"
    notes = (
        f"Model: {reading.named(outcome.model)}",
        f"Scores: {reading.named(str(outcome.rows))}.",
        *map(reading.named, outcome.remarks),
    )
    caption = f"{kind} of {outcome.name} by arm and visit, from the model"
    return Table(f"{outcome.code}_means", caption, columns, rows, notes)


def missing_table(reading: Reading, outcome: ContinuousResult) -> Table:
    """Clients with and without a score, with reasons."""
    rows = tuple(
        cells(
            reading.arm(cell.arm),
            reading.visit(cell.visit),
            Share(cell.observed, cell.allocated),
            listed(cell.reasons),
        )
        for cell in outcome.missing
    )
    columns = (
        words_column("arm"),
        words_column("visit"),
        column("clients measured", "measured", "allocated"),
        words_column("reasons for those not measured"),
    )
    return Table(f"{outcome.code}_missing", f"Who was measured: {outcome.name}", columns, rows)


def tipping_table(reading: Reading, outcome: ContinuousResult) -> Table | None:
    """By how much missing scores would have to differ from what the model expects."""
    if not outcome.tipping_points:
        return None
    rows = []
    for point in outcome.tipping_points:
        scale = Scale("%" if point.unit in _PER_CENT else point.unit, 1)
        rows.append(
            cells(
                reading.arm(point.arm),
                Quantity(point.missing_share, Scale("%", 0, 100.0)),
                _shift(point.estimate_zero, scale),
                _shift(point.interval_touches, scale),
            )
        )
    columns = (
        words_column("arm whose missing scores are shifted"),
        column("scores missing"),
        column("shift at which the estimate is zero", "estimate zero", "unit"),
        column("shift at which the interval changes side", "interval", "unit "),
    )
    notes = ("A shift far beyond anything plausible means that the missing scores hardly matter.",)
    caption = f"{capital(outcome.name)}: how far missing scores would have to lie from what the model expects"
    return Table(f"{outcome.code}_tipping", caption, columns, tuple(rows), notes)


def completed_table(reading: Reading, outcome: ContinuousResult) -> Table | None:
    """What scores that were not obtained could have been, and what becomes of the difference."""
    if not outcome.completed:
        return None
    scale, shown = contrast_scale(reading, outcome), level(reading.results.confidence_level)
    rows = tuple(
        cells(
            item.belief,
            Quantity(item.shown(item.anchored.value), scale, signed=True),
            Bracket(_interval(reading, item, item.anchored), scale),
            NOTHING if item.jackknife is None else Bracket(_interval(reading, item, item.jackknife), scale),
        )
        for item in outcome.completed
    )
    columns = (
        words_column("scores after the last test are taken as"),
        column("difference", "difference", "unit"),
        column(f"{shown} interval", "lower", "upper"),
        column("interval by leaving out", "lower by leaving out", "upper by leaving out"),
    )
    beliefs = "; ".join(
        f"{item.belief}: {_BELIEFS[item.belief].format(reference=reading.reference)}"
        for item in outcome.completed
    )
    notes = (
        f"{capital(beliefs)}.",
        (
            "The first interval keeps the standard error of the main result, so that scores taken from the "
            "other arm add no information; it is the one to read. The second is the jackknife, which narrows "
            f"as more scores are filled in ({outcome.completed[0].left_out})."
        ),
    )
    caption = f"{capital(outcome.name)}: the difference under other beliefs about scores not obtained"
    return Table(f"{outcome.code}_completed", caption, columns, rows, notes)


def _interval(reading: Reading, item: Completed, estimate: Estimate) -> Interval:
    interval = estimate.confidence_interval(reading.results.confidence_level)
    return interval.transformed(item.shown)


_BELIEFS = {
    "missing at random": "like those of similar clients of the same arm who were tested",
    "jump to reference": "from the last test on as with {reference}",
    "copy reference": "as if the client had been with {reference} all along",
    "copy increments in reference": "the gain up to the last test stays, then change as with {reference}",
}
_PER_CENT = frozenset({"%", "per cent"})


def _shift(value: float | None, scale: Scale) -> Cell:
    return NOTHING if value is None else Quantity(value, scale, signed=True)


def reliability_table(reading: Reading, outcome: ContinuousResult) -> Table | None:
    """How far the test agrees with itself."""
    if not outcome.reliability:
        return None
    plain = Scale("", 2)
    rows = tuple(
        cells(
            reading.exercise(item.exercise) or "all",
            item.clients,
            Quantity(item.intraclass_correlation, plain),
            Bracket(item.interval, plain),
            Quantity(
                item.typical_error,
                Scale("%" if item.typical_error_unit in _PER_CENT else item.typical_error_unit, 1),
            ),
            reading.named(item.source),
        )
        for item in outcome.reliability
    )
    columns = (
        words_column("exercise"),
        column("clients"),
        column("intraclass correlation"),
        column("interval", "lower", "upper"),
        column("typical error", "typical error", "unit"),
        words_column("from"),
    )
    return Table(f"{outcome.code}_reliability", f"Agreement of repeated tests: {outcome.name}", columns, rows)


def spread_table(reading: Reading, outcome: ContinuousResult) -> Table | None:
    """Standard deviations of the model."""
    if not outcome.spread:
        return None
    log = outcome.scale == "log"
    scale = Scale("%", 1, 100.0) if log else Scale(outcome.unit, 2)
    rows = tuple(
        cells(
            reading.named(item.name),
            Quantity(item.standard_deviation, scale),
            "estimated at zero, kept in the model" if item.at_boundary else "",
        )
        for item in outcome.spread
    )
    note = ("On the log scale a standard deviation is read as a per cent of the score.",) if log else ()
    columns = (
        words_column("spread"),
        column("standard deviation", "standard deviation", "unit"),
        words_column("remark"),
    )
    return Table(f"{outcome.code}_spread", f"Spread in the model of {outcome.name}", columns, rows, note)


def trainer_effects_table(reading: Reading, outcome: ContinuousResult) -> Table | None:
    """The contrast within each trainer, as description."""
    if not outcome.trainer_effects:
        return None
    scale = contrast_scale(reading, outcome)
    rows = tuple(
        cells(
            reading.named(item.name).rpartition(", trainer ")[2],
            Quantity(item.value, scale, signed=True),
            Bracket(reading.interval(item), scale),
            item.rows.used,
        )
        for item in outcome.trainer_effects
    )
    columns = (
        words_column("trainer"),
        column("difference", "difference", "unit"),
        column(f"{level(reading.results.confidence_level)} interval", "lower", "upper"),
        column("clients"),
    )
    caption = f"{capital(outcome.name)}: difference within each trainer"
    notes = ("Description of these trainers; the numbers are too small to compare them.",)
    return Table(f"{outcome.code}_by_trainer", caption, columns, rows, notes)
