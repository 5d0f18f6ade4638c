"""Tables on how the study went: flow, baseline, delivery, harms; one column an arm."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TypeVar

import numpy as np

from studykit.outcomes.results import (
    BaselineCell,
    BaselineRow,
    Counts,
    DeliveryArm,
    FlowArm,
    FlowOutcome,
    HarmArm,
)
from studykit.report.numbers import GAP, Scale
from studykit.report.report_context import Reading
from studykit.report.tables import (
    NOTHING,
    Cell,
    Column,
    Count,
    MeanSpread,
    Quantity,
    Share,
    Table,
    Words,
    cells,
    column,
    listed,
    words_column,
)

Arm = TypeVar("Arm")
Line = tuple[str, Callable[[Arm], Cell]]

_SHARE, _ONE, _WHOLE = Scale("%", 0, 100.0), Scale("", 1), Scale("", 0)


def _by_arm(lines: Sequence[Line[Arm]], arms: Sequence[Arm]) -> tuple[tuple[Cell, ...], ...]:
    return tuple(cells(name, *(cell(arm) for arm in arms)) for name, cell in lines)


def _arm_columns(reading: Reading, head: str, codes: Sequence[str]) -> tuple[Column, ...]:
    names = [reading.arm(code) for code in codes]
    return (words_column(head), *(column(name, name, f"{name}: of") for name in names))


def _known(value: float, scale: Scale) -> Cell:
    return NOTHING if math.isnan(value) else Quantity(value, scale)


def _middle(numbers: tuple[float, float, float] | None) -> Cell:
    """Median and range."""
    if numbers is None or math.isnan(numbers[0]):
        return NOTHING
    median, least, most = (f"{value:g}" for value in numbers)
    return Words(f"{median} ({least} to {most})")


# --- baseline ------------------------------------------------------------------------------------


def baseline_table(reading: Reading) -> Table:
    """Baseline by arm, without tests: the arms differ by the play of chance only."""
    arms = tuple(flow.arm for flow in reading.results.flow.arms)  # what was drawn: arms, orders, sides, steps
    rows = tuple(
        cells(
            reading.named(f"{row.name}, {row.unit}" if row.unit and row.kind == "mean" else row.name),
            *(_baseline_cell(row, _cell_of(row, place)) for place in range(len(arms) + 1)),
            _missing_cell(row, len(arms)),
        )
        for row in reading.results.baseline
    )
    allocated = {flow.arm: flow.allocated for flow in reading.results.flow.arms}
    headings = [*(f"{reading.arm(arm)} (n{GAP}={GAP}{allocated.get(arm, 0)})" for arm in arms), "all"]
    columns = (
        words_column("before allocation"),
        *(column(name, f"{name}: mean or count", f"{name}: sd or of") for name in headings),
        words_column("not recorded"),
    )
    note = (
        "Mean (standard deviation), or number of clients with per cent; 'not recorded' counts clients by "
        "arm, in the order of the columns."
    )
    what = "arm" if arms == reading.arms else "what was drawn"
    return Table("baseline", f"Clients before allocation, by {what}", columns, rows, (note,))


def _cell_of(row: BaselineRow, place: int) -> BaselineCell | None:
    return row.cells[place] if place < len(row.cells) else None


def _baseline_cell(row: BaselineRow, cell: BaselineCell | None) -> Cell:
    if cell is None or cell.number == 0:
        return NOTHING
    if row.kind == "count":
        return Share(round(cell.first), round(cell.second))
    return MeanSpread(cell.first, cell.second, 1)


def _missing_cell(row: BaselineRow, arms: int) -> Cell:
    counts = [cell.missing for cell in row.cells[:arms]]
    return Words(", ".join(str(count) for count in counts) if any(counts) else "none")


# --- flow ----------------------------------------------------------------------------------------


def flow_table(reading: Reading) -> Table:
    """The numbers of the flow diagram."""
    flow = reading.results.flow
    arms = flow.arms

    def reasons(counts: Counts) -> Cell:
        return Words(reading.named(listed(counts)))

    lines: list[Line[FlowArm]] = [("allocated", lambda arm: Count(arm.allocated))]
    if flow.sessions_known:
        lines += [
            ("received what was allocated", lambda arm: Count(arm.received)),
            ("did not receive it", lambda arm: reasons(arm.not_received)),
        ]
    if flow.departures_known:
        lines.append(("stopped the programme", lambda arm: reasons(arm.stopped)))
    lines.append(("lost", lambda arm: reasons(arm.lost)))
    for place, outcome in enumerate(arms[0].outcomes):
        lines += _outcome_lines(place, outcome, reasons)
    if any(arm.trainers for arm in arms):
        lines += [
            ("trainers", lambda arm: Count(arm.trainers)),
            ("clients a trainer, median (range)", lambda arm: _middle(arm.clients_per_trainer)),
        ]
    columns = _arm_columns(reading, "flow", [arm.arm for arm in arms])
    return Table("flow", "Flow of clients, by arm", columns, _by_arm(lines, arms))


def _outcome_lines(
    place: int, outcome: FlowOutcome, reasons: Callable[[Counts], Cell]
) -> list[Line[FlowArm]]:
    name = outcome.name
    lines: list[Line[FlowArm]] = [(f"analysed for {name}", lambda arm: Count(arm.outcomes[place].analysed))]
    if outcome.measured is not None:
        line = "of these, measured at the primary visit"
        lines.append((line, lambda arm: Count(arm.outcomes[place].measured or 0)))
    return [*lines, (f"not analysed for {name}", lambda arm: reasons(arm.outcomes[place].not_analysed))]


# --- delivery ------------------------------------------------------------------------------------


def delivery_table(reading: Reading) -> Table | None:
    """What was delivered, one column an arm."""
    delivery = reading.results.delivery
    if delivery is None:
        return None
    waits = {arm: (median, least, most) for arm, median, least, most in delivery.days_to_first_session}
    lines: list[Line[DeliveryArm]] = [
        ("clients", lambda arm: Count(arm.clients)),
        (
            "sessions attended, of booked, to the end of follow-up",
            lambda arm: Share(arm.attended, arm.booked),
        ),
        ("sessions attended a week", lambda arm: _known(arm.sessions_per_week, _ONE)),
        ("sessions with partner reps, of attended", lambda arm: Share(arm.with_partner_reps, arm.attended)),
        ("clients with partner reps where none were planned", _contaminated),
        ("sets with partner reps that met the protocol's rule", _as_planned),
        ("fidelity", lambda arm: Words(arm.fidelity_word)),
        ("clients who came to the whole dose after the ramp-in, of those with partner reps", _ramped_in),
        ("conventional sets taken to the limit", lambda arm: _known(arm.limit_reached_share, _SHARE)),
        ("mean effort, 0 to 10", lambda arm: _known(arm.mean_effort, _ONE)),
        ("mean discomfort, 0 to 10", lambda arm: _known(arm.mean_discomfort, _ONE)),
        ("attended sessions with another trainer", lambda arm: _known(arm.other_trainer_share, _SHARE)),
        (
            "days from allocation to the first session, median (range)",
            lambda arm: _middle(waits.get(arm.arm)),
        ),
    ]
    columns = _arm_columns(reading, "delivery", [arm.arm for arm in delivery.arms])
    return Table(
        "delivery", "What was delivered, by arm as allocated", columns, _by_arm(lines, delivery.arms)
    )


def sign_off_days(reading: Reading) -> str:
    """Trainers with the day of their competency check, as on record."""
    delivery = reading.results.delivery
    dates = () if delivery is None else delivery.sign_offs
    told = (f"{trainer} {'none on record' if np.isnat(day) else day}" for trainer, day in dates)
    return "; ".join(told) or "no trainer is on record"


def _contaminated(arm: DeliveryArm) -> Cell:
    return NOTHING if arm.fidelity_word else Share(arm.contaminated_clients, arm.clients)


def _ramped_in(arm: DeliveryArm) -> Cell:
    return Share(*arm.ramped_in) if arm.ramped_in[1] else NOTHING


def _as_planned(arm: DeliveryArm) -> Cell:
    return Share(arm.partner_sets_as_planned, arm.partner_sets) if arm.partner_sets else NOTHING


# --- harms ---------------------------------------------------------------------------------------


def harms_table(reading: Reading) -> Table | None:
    """Harms by arm as allocated: people and events, with denominators."""
    harms = reading.results.harms
    if harms is None:
        return None
    lines: list[Line[HarmArm]] = [
        ("clients", lambda arm: Count(arm.clients)),
        ("sessions attended, all on record", lambda arm: Count(arm.sessions)),
        ("client weeks", lambda arm: _known(arm.client_weeks, _WHOLE)),
        ("sessions at which the harms question was asked", lambda arm: _known(arm.asked_share, _SHARE)),
        ("deaths", lambda arm: Count(arm.deaths)),
        ("serious harms", lambda arm: Count(arm.serious)),
        ("clients withdrawn through harm", lambda arm: Share(arm.withdrawn_through_harm, arm.clients)),
        ("clients with at least one harm", lambda arm: Share(arm.clients_with_harm, arm.clients)),
        ("upper 95 % bound of that share, exact", lambda arm: _known(arm.upper_bound, _SHARE)),
        ("harms", lambda arm: Count(arm.events)),
        ("severe", lambda arm: Count(arm.severe)),
        ("moderate", lambda arm: Count(arm.moderate)),
        ("mild", lambda arm: Count(arm.mild)),
        ("ordinary soreness, counted apart", lambda arm: Count(arm.expected_events)),
    ]
    rows = _by_arm(lines, harms.arms)
    counts = {(kind, arm): number for kind, arm, number in harms.kinds}
    for kind in dict.fromkeys(kind for kind, _, _ in harms.kinds):
        rows += (cells(f"kind: {kind}", *(counts.get((kind, arm.arm), 0) for arm in harms.arms)),)
    notes = [f"Trainers hurt while giving partner reps: {harms.trainers_hurt}."]
    if harms.not_allocated:
        notes.append(f"Harms of clients who were not allocated: {harms.not_allocated}.")
    columns = _arm_columns(reading, "harms", [arm.arm for arm in harms.arms])
    return Table("harms", "Harms, by arm as allocated", columns, rows, tuple(notes))
