"""The report of a study: one screen first, then the answers; folded: one section an outcome, and the rest."""

from __future__ import annotations

from collections.abc import Sequence

from studykit.outcomes.results import OutcomeResult, StudyResults
from studykit.protocol.cautions import cautions_for
from studykit.protocol.types import Protocol
from studykit.report import gallery
from studykit.report.conduct_tables import (
    baseline_table,
    delivery_table,
    flow_table,
    harms_table,
    sign_off_days,
)
from studykit.report.document import (
    Block,
    Document,
    Section,
    paragraphs,
    pictures,
    render_document,
    tables,
)
from studykit.report.feasibility import feasibility_section
from studykit.report.history import amendments_table, looks_table, provenance_table
from studykit.report.in_short import EARLY, first_screen
from studykit.report.kind_report import report_of
from studykit.report.methods_section import design_line, methods_paragraphs
from studykit.report.planned_analyses import number_of_comparisons, planned_analyses
from studykit.report.report_context import AmendmentRecord, LookRecord, Reading, capital
from studykit.report.reporting_items import completion, items_table
from studykit.report.rerandomisation_table import rerandomisation_table
from studykit.report.sentences import (
    conditions,
    decision_sentence,
    early_warning,
    harms_sentence,
    lead,
    limits,
)
from studykit.report.tables import Table, cells, words_column


def render_report(
    results: StudyResults,
    protocol: Protocol,
    *,
    amendments: Sequence[AmendmentRecord] = (),
    looks: Sequence[LookRecord] = (),
) -> str:
    """The whole report as one HTML page that needs no network and no script.

    Parameters
    ----------
    results : StudyResults
    protocol : Protocol
    amendments : sequence
        Changes after the lock: by, event_time, reason, changed (the ledger's amendments have these).
    looks : sequence
        Looks by arm before the end: by, event_time, body (the ledger's entries have these).

    Raises
    ------
    ArgumentError
        If the flow of clients does not add up.
    """
    return render_document(report_document(Reading(results, protocol, tuple(amendments), tuple(looks))))


def report_document(reading: Reading) -> Document:
    """The report as values."""
    results = reading.results
    sections = [
        feasibility_section(reading),
        _answers(reading),
        Section(
            "flow",
            "Flow of clients",
            (*pictures(gallery.flow_picture(reading)), *tables(flow_table(reading))),
        ),
        _before(reading),
        *(_outcome(reading, outcome) for outcome in results.outcomes),
        Section("drawn-again", "The allocation drawn again", tables(rerandomisation_table(reading))),
        _delivery(reading),
        _harms(reading),
        Section("limits", "Limits", (Block("list", limits(reading)),)),
        _cautions(reading),
        _planned(reading),
        _changes(reading),
        Section("methods", "Methods, to adapt", paragraphs(*methods_paragraphs(reading))),
        _completion(reading),
        *(_fit(reading, outcome) for outcome in results.outcomes),
        _provenance(reading),
    ]
    early = early_warning(reading)
    return Document(
        results.title,
        f"{EARLY}. {design_line(reading)}" if early else design_line(reading),
        _facts(reading),
        tuple(section for section in sections if section.blocks),
        "Written by studykit from the results in results.json; only this page rounds. No medical advice.",
        first_screen(reading),
    )


def _facts(reading: Reading) -> tuple[str, ...]:
    source, protocol = reading.results.provenance, reading.protocol
    registration = protocol.study.registration if protocol is not None else ""
    number = len(reading.amendments)
    changed = f"; {number} amendment{'s' if number != 1 else ''}" if number else "; no amendments"
    key = reading.arm_key()
    return (
        *((f"Arms: {key}.",) if key else ()),
        f"Protocol version {source.protocol_version}, code {source.protocol_hash[:12]}{changed}.",
        f"Registration: {registration}."
        if registration
        else "Registration: not registered, or not recorded in the protocol.",
        f"Made {source.made_at}.",
    )


def _answers(reading: Reading) -> Section:
    results = reading.results
    early, blocks = bool(early_warning(reading)), list[Block]()
    if results.outcomes:  # an early effect is neither bold nor in sight before somebody unfolds it
        blocks.append(Block("paragraph" if early else "lead", lead(reading)))
    for outcome in results.outcomes:
        blocks.append(Block("heading", capital(outcome.name)))
        blocks += paragraphs(*report_of(outcome).answer(reading, outcome))
    blocks += [Block("heading", "Harms"), *paragraphs(harms_sentence(reading))]
    decisions = tuple(decision_sentence(reading, decision) for decision in results.decisions)
    if decisions:
        blocks += [Block("heading", "What the protocol's rule says"), *paragraphs(*decisions)]
    blocks += [
        Block("heading", "Read this with it"),
        Block("list", conditions(reading)),
    ]
    return Section("answers", "Answers", tuple(blocks), folded=early)


def _before(reading: Reading) -> Section:
    if not reading.results.baseline:
        return Section("baseline", "Before allocation", ())
    note = "Described only: where a draw decides the arm, what differs before the draw differs by chance."
    blocks = (
        *tables(baseline_table(reading)),
        *(paragraphs(note) if reading.results.randomised else ()),
    )
    return Section("baseline", "Before allocation", blocks)


def _outcome(reading: Reading, outcome: OutcomeResult) -> Section:
    blocks = (
        *report_of(outcome).blocks(reading, outcome),
        *paragraphs(f"What is estimated. {reading.named(outcome.primary.estimand).rstrip('.')}."),
    )
    return Section(f"outcome-{outcome.code}", capital(outcome.name), blocks)


def _fit(reading: Reading, outcome: OutcomeResult) -> Section:
    blocks = report_of(outcome).fit(reading, outcome)
    return Section(f"fit-{outcome.code}", f"How well the model of {outcome.name} fits", blocks)


def _delivery(reading: Reading) -> Section:
    if reading.results.delivery is None:
        return Section(
            "delivery", "Delivery", paragraphs("No session records: what was delivered is not known.")
        )
    blocks = (
        *pictures(gallery.delivery_picture(reading)),
        *tables(delivery_table(reading)),
        *_sign_off(reading),
    )
    return Section("delivery", "Delivery", blocks)


def _sign_off(reading: Reading) -> tuple[Block, ...]:
    if reading.protocol is None or not any(
        arm.dose and arm.dose.partner_reps_per_set for arm in reading.protocol.arms
    ):
        return ()
    days = reading.protocol.trainers.sign_off_days
    text = (
        f"By the protocol a trainer's sign-off for partner reps lapses after {days} days without practice. "
        f"Signed off on: {sign_off_days(reading)}."
    )
    return paragraphs(text)


def _harms(reading: Reading) -> Section:
    return Section("harms", "Harms", (*paragraphs(harms_sentence(reading)), *tables(harms_table(reading))))


def _cautions(reading: Reading) -> Section:
    texts = tuple(caution.words for caution in cautions_for("report", protocol=reading.protocol))
    return Section("cautions", "Cautions", (Block("list", texts),))


def _planned(reading: Reading) -> Section:
    rows = tuple(cells(line.what, line.role, line.done) for line in planned_analyses(reading))
    columns = (
        words_column("planned in the protocol"),
        words_column("role"),
        words_column("what became of it"),
    )
    note = (
        f"Contrasts between arms in this report, all together: {number_of_comparisons(reading)}. Rows marked "
        "supporting, sensitivity, secondary or exploratory decide nothing."
    )
    table = Table("planned_analyses", "What was planned, and what was done", columns, rows, (note,))
    return Section("planned", "Planned and done", tables(table) if rows else ())


def _changes(reading: Reading) -> Section:
    blocks = (*tables(amendments_table(reading), looks_table(reading)),)
    texts = []
    if not reading.amendments:
        texts.append("Amendments after the lock: none.")
    if not reading.looks:
        texts.append("Looks at results by arm before the end of follow-up: none recorded.")
    texts += reading.earlier_records
    return Section("changes", "Changes and looks", (*blocks, *paragraphs(*texts)))


def _completion(reading: Reading) -> Section:
    caption = "The items of CONSORT 2025, the public standard for reports of trials, in our own words"
    lines = completion(reading)
    table = items_table("reporting_items", caption, lines)
    return Section("items", "Reporting standard, item by item", tables(table) if lines else ())


def _provenance(reading: Reading) -> Section:
    findings = tuple(str(finding) for finding in reading.results.findings)
    noticed = (Block("heading", "Noticed in the records"), Block("list", findings)) if findings else ()
    return Section("provenance", "Provenance", (*tables(provenance_table(reading)), *noticed))
