"""The tables of a report, made from results; retention comes before strength."""

from __future__ import annotations

from studykit.outcomes.results import (
    BaselineCell,
    BaselineRow,
    OutcomeEstimate,
    RetentionResult,
    StrengthResult,
)
from studykit.report.numbers import RATIO, STANDARDISED, Scale, day_text, level
from studykit.report.reading import Reading, spaced
from studykit.report.tables import (
    Bracket,
    Cell,
    Column,
    Count,
    MeanSpread,
    Probability,
    Quantity,
    Share,
    Table,
    Words,
    cells,
    column,
    words_column,
)
from studykit.results import Interval

NOTHING = Words("")


def baseline_table(reading: Reading) -> Table:
    """Baseline by arm, without tests: the arms differ by the play of chance only."""
    arms = (*reading.arms, "")
    rows = tuple(
        cells(
            f"{row.name}, {row.unit}" if row.unit and row.kind == "mean" else row.name,
            *(_baseline_cell(row, arm) for arm in arms),
            _missing_cell(row, reading.arms),
        )
        for row in reading.results.baseline
    )
    headings = [*(f"{reading.arm(arm)} (n = {_allocated(reading, arm)})" for arm in reading.arms), "all"]
    columns = (
        words_column("before allocation"),
        *(column(name, f"{name}: first", f"{name}: second") for name in headings),
    )
    return Table(
        "baseline",
        "Clients before allocation, by arm",
        (*columns, words_column("not recorded")),
        rows,
        (
            "Mean (standard deviation), or number of clients with per cent. Counts under 'not recorded' are by arm.",
        ),
    )


def _allocated(reading: Reading, arm: str) -> int:
    return next((flow.allocated for flow in reading.results.flow.arms if flow.arm == arm), 0)


def _cell_of(row: BaselineRow, arm: str) -> BaselineCell | None:
    found = [cell for cell in row.cells if cell.arm == arm]
    if found:
        return found[0]
    return row.cells[-1] if arm == "" and row.cells else None


def _baseline_cell(row: BaselineRow, arm: str) -> Cell:
    cell = _cell_of(row, arm)
    if cell is None or cell.number == 0:
        return NOTHING
    if row.kind == "count":
        return Share(round(cell.first), round(cell.second))
    return MeanSpread(cell.first, cell.second, 1)


def _missing_cell(row: BaselineRow, arms: tuple[str, ...]) -> Cell:
    counts = [cell.missing for arm in arms if (cell := _cell_of(row, arm)) is not None]
    return Words(", ".join(str(count) for count in counts) if any(counts) else "0")


def retained_table(reading: Reading, retention: RetentionResult) -> Table:
    """Clients at the horizon by arm, with the definition in the head."""
    shown = level(reading.results.confidence_level)
    rows = tuple(
        cells(
            reading.arm(status.arm),
            Share(status.retained, status.retained + status.departed),
            Bracket(status.interval, Scale("%", 0, 100.0)),
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
        f"Reasons for departing, {reading.arm(status.arm)}: {_listed(status.reasons)}."
        for status in retention.status
        if status.reasons
    ]
    return Table(
        "retained",
        f"Clients retained on {day_text(retention.horizon_day)}. {retention.definition}.",
        columns,
        rows,
        (*reasons, *retention.remarks),
    )


def _listed(counts: tuple[tuple[str, int], ...]) -> str:
    return ", ".join(f"{reason} {count}" for reason, count in counts if count) or "none"


def at_risk_table(reading: Reading, retention: RetentionResult) -> Table:
    """The retention curves at the days of the risk table."""
    rows = []
    for curve in retention.curves:
        for day, number in zip(curve.at_risk_days, curve.at_risk, strict=True):
            if day > curve.stops_at:
                continue
            place = int((curve.days <= day).sum()) - 1
            interval = Interval(
                float(curve.lower[place]),
                float(curve.upper[place]),
                reading.results.confidence_level,
                curve.interval_method,
            )
            rows.append(
                cells(
                    reading.arm(curve.arm), int(day), int(number),
                    Quantity(float(curve.retained[place]), Scale("%", 0, 100.0)), Bracket(interval, Scale("%", 0, 100.0)),
                )
            )  # fmt: skip
    shown = level(reading.results.confidence_level)
    columns = (
        words_column("arm"), column("day"), column("clients at risk"), column("still retained", "retained (%)"),
        column(f"{shown} interval", "lower (%)", "upper (%)"),
    )  # fmt: skip
    return Table(
        "retention_curve",
        f"Retention curves, up to day {retention.horizon_day}. {retention.definition}.",
        columns,
        tuple(rows),
    )


def trainer_retention_table(reading: Reading, retention: RetentionResult) -> Table | None:
    """Clients retained of those known, by trainer and arm."""
    if not retention.by_trainer:
        return None
    rows = []
    for trainer, by_arm in retention.by_trainer:
        found = {arm: Share(retained, known) for arm, retained, known in by_arm}
        rows.append(cells(trainer, *(found.get(arm, NOTHING) for arm in reading.arms)))
    columns = (
        words_column("trainer"),
        *(
            column(reading.arm(arm), f"{reading.arm(arm)}: retained", f"{reading.arm(arm)}: known")
            for arm in reading.arms
        ),
    )
    caption = f"Clients retained on day {retention.horizon_day}, by the trainer recorded before allocation"
    notes = ("Shown as description; counts this small allow no comparison of trainers.",)
    return Table("retention_by_trainer", caption, columns, tuple(rows), notes)


def retention_contrast_table(reading: Reading, retention: RetentionResult) -> Table:
    """Every contrast on retention, main and supporting and sensitivity side by side."""
    estimates = [
        retention.primary,
        *((retention.ratio,) if retention.ratio else ()),
        *retention.restricted_mean,
        *((retention.hazard_ratio,) if retention.hazard_ratio else ()),
        *retention.sensitivity,
    ]
    rows = [(estimate, reading.retention_scale(estimate)) for estimate in estimates]
    return _contrast_table(
        "retention_contrasts",
        f"Retention: {reading.compared} compared with {reading.reference}, day {retention.horizon_day}",
        reading, rows,
    )  # fmt: skip


def strength_contrast_table(reading: Reading, outcome: StrengthResult) -> Table:
    """Every contrast on one continuous outcome; original units come first."""
    scale, own = reading.contrast_scale(outcome), reading.unit_scale(outcome)
    rows: list[tuple[OutcomeEstimate, Scale]] = [(outcome.primary, scale)]
    if outcome.original_unit is not None:
        rows.insert(0, (outcome.original_unit, own))
    rows += [(estimate, scale) for estimate in outcome.by_visit if estimate.name != outcome.primary.name]
    rows += [
        (estimate, scale) for estimate in (*outcome.by_exercise, *outcome.other_arms, *outcome.sensitivity)
    ]
    rows.append((outcome.standardised, STANDARDISED))
    return _contrast_table(
        f"{outcome.code}_contrasts", f"{_capital(outcome.name)}: {reading.compared} compared with {reading.reference}",
        reading, rows,
    )  # fmt: skip


def _contrast_table(
    code: str, caption: str, reading: Reading, rows: list[tuple[OutcomeEstimate, Scale]]
) -> Table:
    shown = level(reading.results.confidence_level)
    columns = (
        words_column("what"), words_column("role"), column("difference", "difference", "unit"),
        column(f"{shown} interval", "lower", "upper"), column("p"), column("clients used", "used", "of"),
    )  # fmt: skip
    body = tuple(
        cells(
            estimate_name(reading, estimate, scale), estimate.role,
            Quantity(estimate.value, scale, signed=scale is not RATIO),
            Bracket(reading.interval(estimate), scale), Probability(estimate.p_value),
            Share(estimate.rows.used, estimate.rows.supplied),
        )
        for estimate, scale in rows
    )  # fmt: skip
    remarks = dict.fromkeys(
        f"{_capital(estimate_name(reading, estimate, scale))}: {remark.rstrip('.')}."
        for estimate, scale in rows
        for remark in estimate.remarks
    )
    methods = dict.fromkeys(f"Method: {estimate.method.rstrip('.')}." for estimate, _ in rows[:2])
    return Table(code, caption, columns, body, (*methods, *remarks))


def estimate_name(reading: Reading, estimate: OutcomeEstimate, scale: Scale) -> str:
    """Name of an estimate with the names of visits, arms and exercises in place of their codes."""
    text = estimate.name
    for code, name in _names(reading):
        text = text.replace(code, name)
    if scale is STANDARDISED:
        return f"{text}, in {spaced(estimate.unit)}" if "standard deviation" not in text else text
    return spaced(text)


def _names(reading: Reading) -> list[tuple[str, str]]:
    protocol = reading.protocol
    if protocol is None:
        return []
    named: list[tuple[str, str]] = [
        (item.code, item.name) for item in (*protocol.visits, *protocol.arms, *protocol.exercises)
    ]
    # The longest code first, so that week_12 is not read as week_1 and a 2; short words are left alone.
    return sorted((pair for pair in named if "_" in pair[0]), key=lambda pair: -len(pair[0]))


def means_table(reading: Reading, outcome: StrengthResult) -> Table:
    """Model means by arm and visit, with clients observed."""
    shown = level(reading.results.confidence_level)
    own = reading.unit_scale(outcome)
    rows = tuple(
        cells(
            reading.arm(mean.arm), reading.visit(mean.visit), mean.clients, Quantity(mean.value, own),
            Bracket(mean.confidence_interval(reading.results.confidence_level), own),
        )
        for mean in outcome.means
    )  # fmt: skip
    kind = "Geometric means" if outcome.scale == "log" else "Means"
    columns = (
        words_column("arm"), words_column("visit"), column("clients measured"), column("mean", f"mean ({outcome.unit})"),
        column(f"{shown} interval", "lower", "upper"),
    )  # fmt: skip
    return Table(
        f"{outcome.code}_means", f"{kind} of {outcome.name} by arm and visit, from the model", columns, rows,
        (f"Model: {outcome.model}", f"Scores: {outcome.rows}."),
    )  # fmt: skip


def missing_table(reading: Reading, outcome: StrengthResult) -> Table:
    """Clients with and without a score, with reasons."""
    rows = tuple(
        cells(
            reading.arm(cell.arm),
            reading.visit(cell.visit),
            Share(cell.observed, cell.allocated),
            _listed(cell.reasons),
        )
        for cell in outcome.missing
    )
    columns = (
        words_column("arm"), words_column("visit"), column("clients measured", "measured", "allocated"),
        words_column("reasons for those not measured"),
    )  # fmt: skip
    return Table(f"{outcome.code}_missing", f"Who was measured: {outcome.name}", columns, rows)


def reliability_table(reading: Reading, outcome: StrengthResult) -> Table | None:
    """How far the test agrees with itself."""
    if not outcome.reliability:
        return None
    plain = Scale("", 2)
    rows = tuple(
        cells(
            reading.exercise(item.exercise), item.clients, Quantity(item.intraclass_correlation, plain),
            Bracket(item.interval, plain), _typical(item.typical_error, item.typical_error_unit), item.source,
        )
        for item in outcome.reliability
    )  # fmt: skip
    columns = (
        words_column("exercise"), column("clients"), column("intraclass correlation"), column("interval", "lower", "upper"),
        column("typical error"), words_column("from"),
    )  # fmt: skip
    return Table(f"{outcome.code}_reliability", f"Agreement of repeated tests: {outcome.name}", columns, rows)


def _typical(value: float, unit: str) -> Cell:
    return Quantity(value, Scale("%" if unit in {"%", "per cent"} else unit, 1))


def spread_table(outcome: StrengthResult) -> Table | None:
    """Standard deviations of the model."""
    if not outcome.spread:
        return None
    scale = Scale("%", 1, 100.0) if outcome.scale == "log" else Scale(outcome.unit, 2)
    rows = tuple(
        cells(
            item.name,
            Quantity(item.standard_deviation, scale),
            "estimated at zero, kept in the model" if item.at_boundary else "",
        )
        for item in outcome.spread
    )
    note = (
        ("On the log scale a standard deviation is read as a per cent of the score.",)
        if outcome.scale == "log"
        else ()
    )
    columns = (words_column("spread"), column("standard deviation"), words_column("remark"))
    return Table(f"{outcome.code}_spread", f"Spread in the model of {outcome.name}", columns, rows, note)


def delivery_table(reading: Reading) -> Table | None:
    """What was delivered, one column an arm."""
    delivery = reading.results.delivery
    if delivery is None:
        return None
    one, effort = Scale("", 1), Scale("", 1)
    share = Scale("%", 0, 100.0)
    lines: list[tuple[str, list[Cell]]] = [
        ("clients", [Count(arm.clients) for arm in delivery.arms]),
        ("sessions attended, of booked", [Share(arm.attended, arm.booked) for arm in delivery.arms]),
        ("sessions attended a week", [Quantity(arm.sessions_per_week, one) for arm in delivery.arms]),
        ("sessions with partner reps, of attended", [Share(arm.with_partner_reps, arm.attended) for arm in delivery.arms]),
        ("clients of the reference arm with any partner reps", [
            NOTHING if arm.fidelity_word else Share(arm.contaminated_clients, arm.clients) for arm in delivery.arms]),
        ("sets with partner reps that met the protocol's rule", [
            Share(arm.partner_sets_as_planned, arm.partner_sets) if arm.partner_sets else NOTHING for arm in delivery.arms]),
        ("fidelity", [Words(arm.fidelity_word) for arm in delivery.arms]),
        ("conventional sets taken to the limit", [_known(arm.limit_reached_share, share) for arm in delivery.arms]),
        ("mean effort, 0 to 10", [_known(arm.mean_effort, effort) for arm in delivery.arms]),
        ("mean discomfort, 0 to 10", [_known(arm.mean_discomfort, effort) for arm in delivery.arms]),
        ("attended sessions with another trainer", [_known(arm.other_trainer_share, share) for arm in delivery.arms]),
    ]  # fmt: skip
    waits = {arm: (median, least, most) for arm, median, least, most in delivery.days_to_first_session}
    lines.append(
        (
            "days from allocation to the first session, median (range)",
            [_wait(waits.get(arm.arm)) for arm in delivery.arms],
        )
    )
    columns = (words_column("delivery"), *(_arm_column(reading, arm.arm) for arm in delivery.arms))
    return Table(
        "delivery",
        "What was delivered, by arm as allocated",
        columns,
        tuple(cells(name, *row) for name, row in lines),
    )


def _arm_column(reading: Reading, arm: str) -> Column:
    name = reading.arm(arm)
    return Column(name, (name, f"{name}: of"))


def _known(value: float, scale: Scale) -> Cell:
    return Quantity(value, scale) if value == value else NOTHING


def _wait(wait: tuple[float, float, float] | None) -> Cell:
    if wait is None or wait[0] != wait[0]:
        return NOTHING
    median, least, most = (f"{value:g}" for value in wait)
    return Words(f"{median} ({least} to {most})")


def harms_table(reading: Reading) -> Table | None:
    """Harms by arm as allocated: people and events, with denominators."""
    harms = reading.results.harms
    if harms is None:
        return None
    arms = harms.arms
    lines: list[tuple[str, list[Cell]]] = [
        ("clients", [Count(arm.clients) for arm in arms]),
        ("sessions attended", [Count(arm.sessions) for arm in arms]),
        ("client weeks", [Quantity(arm.client_weeks, Scale("", 0)) for arm in arms]),
        ("sessions at which the harms question was asked", [_known(arm.asked_share, Scale("%", 0, 100.0)) for arm in arms]),
        ("deaths", [Count(arm.deaths) for arm in arms]),
        ("serious harms", [Count(arm.serious) for arm in arms]),
        ("clients withdrawn through harm", [Share(arm.withdrawn_through_harm, arm.clients) for arm in arms]),
        ("clients with at least one harm", [Share(arm.clients_with_harm, arm.clients) for arm in arms]),
        ("upper bound of that share (one-sided, exact)", [_known(arm.upper_bound, Scale("%", 0, 100.0)) for arm in arms]),
        ("harms", [Count(arm.events) for arm in arms]),
        ("severe", [Count(arm.severe) for arm in arms]),
        ("moderate", [Count(arm.moderate) for arm in arms]),
        ("mild", [Count(arm.mild) for arm in arms]),
        ("ordinary soreness, counted apart", [Count(arm.expected_events) for arm in arms]),
    ]  # fmt: skip
    kinds = dict.fromkeys(kind for kind, _, _ in harms.kinds)
    counts = {(kind, arm): number for kind, arm, number in harms.kinds}
    for kind in kinds:
        lines.append((f"kind: {kind}", [Count(counts.get((kind, arm.arm), 0)) for arm in arms]))
    notes = [f"Trainers hurt while giving partner reps: {harms.trainers_hurt}."]
    if harms.not_allocated:
        notes.append(f"Harms of clients who were not allocated: {harms.not_allocated}.")
    columns = (words_column("harms"), *(_arm_column(reading, arm.arm) for arm in arms))
    return Table(
        "harms",
        "Harms, by arm as allocated",
        columns,
        tuple(cells(name, *row) for name, row in lines),
        tuple(notes),
    )


def flow_table(reading: Reading) -> Table:
    """The numbers of the flow diagram."""
    flow = reading.results.flow
    lines: list[tuple[str, list[Cell]]] = [
        ("allocated", [Count(arm.allocated) for arm in flow.arms]),
        ("received what was allocated", [Count(arm.received) for arm in flow.arms]),
        ("did not receive it", [Words(_listed(arm.not_received)) for arm in flow.arms]),
        ("stopped the programme", [Words(_listed(arm.stopped)) for arm in flow.arms]),
        ("lost", [Words(_listed(arm.lost)) for arm in flow.arms]),
        ("analysed for retention", [Count(arm.analysed_retention) for arm in flow.arms]),
        ("not analysed for retention", [Words(_listed(arm.not_analysed_retention)) for arm in flow.arms]),
        ("analysed for strength", [Count(arm.analysed_strength) for arm in flow.arms]),
        ("measured at the primary visit", [Count(arm.observed_strength) for arm in flow.arms]),
        ("not analysed for strength", [Words(_listed(arm.not_analysed_strength)) for arm in flow.arms]),
        ("trainers", [Count(arm.trainers) for arm in flow.arms]),
        ("clients a trainer, median (range)", [_wait(arm.clients_per_trainer) for arm in flow.arms]),
    ]  # fmt: skip
    columns = (words_column("flow"), *(_arm_column(reading, arm.arm) for arm in flow.arms))
    return Table("flow", "Flow of clients, by arm", columns, tuple(cells(name, *row) for name, row in lines))


def result_tables(reading: Reading) -> tuple[Table, ...]:
    """Every table of numbers, in the order of the report."""
    results = reading.results
    tables: list[Table | None] = [flow_table(reading), baseline_table(reading)]
    if results.retention is not None:
        tables += [
            retained_table(reading, results.retention),
            retention_contrast_table(reading, results.retention),
            at_risk_table(reading, results.retention),
            trainer_retention_table(reading, results.retention),
        ]
    for outcome in results.continuous:
        tables += [
            means_table(reading, outcome),
            strength_contrast_table(reading, outcome),
            missing_table(reading, outcome),
            reliability_table(reading, outcome),
            spread_table(outcome),
            trainer_effects_table(reading, outcome),
        ]
    tables += [delivery_table(reading), harms_table(reading)]
    return tuple(table for table in tables if table is not None)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def trainer_effects_table(reading: Reading, outcome: StrengthResult) -> Table | None:
    """The contrast within each trainer, as description."""
    if not outcome.trainer_effects:
        return None
    scale = reading.contrast_scale(outcome)
    rows = tuple(
        cells(
            spaced(item.name),
            Quantity(item.value, scale, signed=True),
            Bracket(reading.interval(item), scale),
            item.rows.used,
        )
        for item in outcome.trainer_effects
    )
    columns = (
        words_column("trainer"), column("difference", "difference", "unit"),
        column(f"{level(reading.results.confidence_level)} interval", "lower", "upper"), column("clients"),
    )  # fmt: skip
    notes = ("Description of these trainers; the numbers are too small to compare them.",)
    return Table(
        f"{outcome.code}_by_trainer",
        f"{_capital(outcome.name)}: difference within each trainer",
        columns,
        rows,
        notes,
    )
