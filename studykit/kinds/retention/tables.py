"""Tables on retention, each with its definition or horizon in the head."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from studykit.kinds.retention.results import RetentionCurvePoints, RetentionResult
from studykit.outcomes.results import OutcomeEstimate
from studykit.report.contrast_table import contrast_table
from studykit.report.numbers import DAYS, RATIO, Scale, day_text, level, number, p_value, plural
from studykit.report.report_context import Reading
from studykit.report.tables import (
    NOTHING,
    Bracket,
    Cell,
    Plain,
    Share,
    Table,
    cells,
    column,
    listed,
    words_column,
)
from studykit.retention.number_needed import Direction, number_needed

SHARE = Scale("%", 0, 100.0)


def scale_of(reading: Reading, estimate: OutcomeEstimate) -> Scale:
    """Scale of one of the estimates, told by its unit."""
    if estimate.presentation == "ratio":
        return RATIO
    return DAYS if estimate.unit.startswith("day") else reading.share_scale()


def retained_table(reading: Reading, retention: RetentionResult) -> Table:
    """Clients at the horizon by arm, with the definition in the head."""
    shown = level(reading.results.confidence_level)
    rows = tuple(
        cells(
            reading.arm(status.arm),
            Share(status.retained, status.retained + status.departed),
            Bracket(status.interval, SHARE),
            status.departed,
            status.unknown,
            status.returned,
            status.allocated,
        )
        for status in retention.status
    )
    columns = (
        words_column("arm"),
        column("retained, of those known", "retained", "known"),
        column(f"{shown} interval", "lower (%)", "upper (%)"),
        column("departed"),
        column("not known"),
        column("returned after a departure"),
        column("allocated"),
    )
    reasons = [
        f"Reasons for departing, {reading.arm(status.arm)}: {listed(status.reasons)}."
        for status in retention.status
        if status.reasons
    ]
    caption = f"Clients retained on {day_text(retention.horizon_day)}. {retention.definition.rstrip('.')}."
    return Table("retained", caption, columns, rows, (*reasons, *map(reading.named, retention.remarks)))


@dataclass(frozen=True, slots=True)
class _Retained:
    """A point of a curve with its interval, in one cell."""

    retained: float
    lower: float
    upper: float

    def text(self) -> str:
        ends = f"{number(100 * self.lower, 0)},\u00a0{number(100 * self.upper, 0)}"
        return f"{number(100 * self.retained, 0)}\u00a0%\u00a0[{ends}]"

    def values(self) -> tuple[Plain, ...]:
        return (self.retained, self.lower, self.upper)


def at_risk_table(reading: Reading, retention: RetentionResult) -> Table:
    """The retention curves at the days of the risk table, one row a day."""
    days = sorted({float(day) for curve in retention.curves for day in curve.at_risk_days})
    rows = tuple(
        cells(int(day), *(cell for curve in retention.curves for cell in _curve_cells(curve, day)))
        for day in days
        if day <= retention.horizon_day
    )
    shown = level(reading.results.confidence_level)
    columns = [words_column("day from allocation")]
    for curve in retention.curves:
        name = reading.arm(curve.arm)
        columns.append(column(f"{name}: at risk"))
        parts = (f"{name}: {part}" for part in ("retained", "lower", "upper"))
        columns.append(column(f"{name}: retained [{shown} interval]", *parts))
    method = next((curve.interval_method for curve in retention.curves), "")
    note = [
        f"Intervals: {method.rstrip('.')}. A curve stops where fewer clients remain than the protocol asks."
    ]
    returned = sum(status.returned for status in retention.status)
    if returned:
        verb = "counts" if returned == 1 else "count"
        note.append(
            "A curve falls at a client's first departure and does not rise again. "
            f"{plural(returned, 'client')} who came back {verb} as retained in the table above, so the "
            "curves end lower than its shares."
        )
    if retention.curve_test is not None:
        test = retention.curve_test
        within = " within trainers" if test.within_trainers else ""
        note.append(
            f"Whether the curves differ over all days{within} (log-rank test, supporting): chi-squared "
            f"{number(test.chi_squared, 2)} with {plural(test.degrees_of_freedom, 'degree')} of freedom, "
            f"{p_value(test.p_value)}."
        )
    caption = f"Retention curves up to day {retention.horizon_day}. {retention.definition.rstrip('.')}."
    return Table("retention_curve", caption, tuple(columns), rows, tuple(note))


def _curve_cells(curve: RetentionCurvePoints, day: float) -> tuple[Cell, Cell]:
    found = np.flatnonzero(np.asarray(curve.at_risk_days) == day)
    if not found.size or day > curve.stops_at:
        return NOTHING, NOTHING
    place = int((curve.days <= day).sum()) - 1
    point = _Retained(float(curve.retained[place]), float(curve.lower[place]), float(curve.upper[place]))
    return cells(int(curve.at_risk[found[0]]))[0], point


def by_trainer_table(reading: Reading, retention: RetentionResult) -> Table | None:
    """Clients retained of those known, by trainer and arm."""
    if not retention.by_trainer:
        return None
    rows = []
    for trainer, by_arm in retention.by_trainer:
        found = {arm: Share(retained, known) for arm, retained, known in by_arm}
        rows.append(cells(trainer, *(found.get(arm, NOTHING) for arm in reading.arms)))
    names = [reading.arm(arm) for arm in reading.arms]
    columns = (
        words_column("trainer"),
        *(column(name, f"{name}: retained", f"{name}: known") for name in names),
    )
    caption = f"Clients retained on day {retention.horizon_day}, by the trainer recorded before allocation"
    notes = ("Shown as description; counts this small allow no comparison of trainers.",)
    return Table("retention_by_trainer", caption, columns, tuple(rows), notes)


def contrasts_table(reading: Reading, retention: RetentionResult) -> Table:
    """Every contrast on retention, main and supporting and sensitivity side by side."""
    rows = [(estimate, scale_of(reading, estimate)) for estimate in retention.contrasts]
    caption = f"Retention: {reading.compared} compared with {reading.reference}, day {retention.horizon_day}"
    table = contrast_table(reading, rows, code="retention_contrasts", caption=caption)
    return replace(table, notes=(_clients_for_one(reading, retention), *table.notes))


def _clients_for_one(reading: Reading, retention: RetentionResult) -> str:
    """The difference in shares as a number of clients (number needed to treat)."""
    found = number_needed(retention.primary, confidence_level=reading.results.confidence_level)
    ends = [_one_more(part.fewest, part.direction) for part in found.interval]
    between = ", through arms that are alike, to "
    if len(ends) == 1:
        ends.append(_one_more(found.interval[0].most, found.interval[0].direction))
        between = " to "
    return (
        f"In clients (number needed to treat): with {reading.compared}, "
        f"{_one_more(found.value, found.direction)}; "
        f"{level(found.confidence_level)} interval from {between.join(ends)}."
    )


def _one_more(clients: float, direction: Direction) -> str:
    if not math.isfinite(clients):
        return "arms that are alike"
    what = "staying" if direction == "benefit" else "leaving"
    return f"one more {what} for every {number(clients, 0)} clients"
