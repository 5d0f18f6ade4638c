"""The report of a study: one page, retention before strength, limits beside answers."""

from __future__ import annotations

from collections.abc import Sequence

from studykit.outcomes.results import RetentionResult, StrengthResult, StudyResults
from studykit.protocol.cautions import cautions_for
from studykit.protocol.types import Protocol
from studykit.report import gallery
from studykit.report.completion import completion
from studykit.report.conduct_tables import (
    baseline_table,
    delivery_table,
    flow_table,
    harms_table,
    sign_off_days,
)
from studykit.report.continuous_tables import (
    means_table,
    missing_table,
    reliability_table,
    spread_table,
    strength_contrast_table,
    tipping_table,
    trainer_effects_table,
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
from studykit.report.drawn_again import drawn_again_table
from studykit.report.feasibility import feasibility_section
from studykit.report.fit_gallery import fit_pictures, fit_sentences
from studykit.report.history import amendments_table, looks_table, provenance_table
from studykit.report.methods import design_line, methods_paragraphs
from studykit.report.planned import number_of_comparisons, planned_analyses
from studykit.report.reading import AmendmentRecord, LookRecord, Reading, capital
from studykit.report.retention_tables import (
    at_risk_table,
    retained_table,
    retention_contrast_table,
    trainer_retention_table,
)
from studykit.report.sentences import (
    conditions,
    continuous_answer,
    decision_sentence,
    early_warning,
    harms_sentence,
    lead,
    limits,
    pause_warning,
    retention_answer,
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
            (*pictures(gallery.flow_picture(reading)), Block("file", flow_table(reading))),
        ),
        _before(reading),
        *((_retention(reading, results.retention),) if results.retention is not None else ()),
        *(_continuous(reading, outcome) for outcome in results.continuous),
        Section("drawn-again", "The allocation drawn again", tables(drawn_again_table(reading))),
        _delivery(reading),
        _harms(reading),
        Section("limits", "Limits", (Block("list", limits(reading)),)),
        _cautions(reading),
        _planned(reading),
        _changes(reading),
        Section("methods", "Methods, to adapt", paragraphs(*methods_paragraphs(reading))),
        _completion(reading),
        *(_fit(reading, outcome) for outcome in results.continuous),
        _provenance(reading),
    ]
    return Document(
        results.title,
        design_line(reading),
        _facts(reading),
        tuple(section for section in sections if section.blocks),
        "Written by studykit from the results in results.json; only this page rounds. No medical advice.",
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
    notices = (pause_warning(reading), early_warning(reading))
    blocks: list[Block] = [Block("notice", text) for text in notices if text]
    if results.retention is not None or results.continuous:
        blocks.append(Block("lead", lead(reading)))
    if results.retention is not None:
        blocks += [
            Block("heading", capital(results.retention.name)),
            *paragraphs(*retention_answer(reading, results.retention)),
        ]
    for outcome in results.continuous:
        blocks += [
            Block("heading", capital(outcome.name)),
            *paragraphs(*continuous_answer(reading, outcome)),
        ]
    blocks += [Block("heading", "Harms"), *paragraphs(harms_sentence(reading))]
    decisions = tuple(decision_sentence(reading, decision) for decision in results.decisions)
    if decisions:
        blocks += [Block("heading", "What the protocol's rule says"), *paragraphs(*decisions)]
    blocks += [
        Block("heading", "Read this with it"),
        Block("list", conditions(reading)),
    ]
    return Section("answers", "Answers", tuple(blocks))


def _before(reading: Reading) -> Section:
    if not reading.results.baseline:
        return Section("baseline", "Before allocation", ())
    note = "Described only: where a draw decides the arm, what differs before the draw differs by chance."
    blocks = (
        *tables(baseline_table(reading)),
        *(paragraphs(note) if reading.results.randomised else ()),
    )
    return Section("baseline", "Before allocation", blocks)


def _retention(reading: Reading, retention: RetentionResult) -> Section:
    curves, contrasts = gallery.retention_pictures(reading, retention)
    blocks = (
        *tables(retained_table(reading, retention)),
        *pictures(curves, contrasts),
        *tables(
            retention_contrast_table(reading, retention),
            at_risk_table(reading, retention),
            trainer_retention_table(reading, retention),
        ),
        *paragraphs(f"What is estimated. {reading.named(retention.primary.estimand).rstrip('.')}."),
    )
    return Section("retention", capital(retention.name), blocks)


def _continuous(reading: Reading, outcome: StrengthResult) -> Section:
    lines, contrasts = gallery.strength_pictures(reading, outcome)
    fallback = f"The fallback named in the protocol was used: {outcome.fallback}" if outcome.fallback else ""
    blocks = (
        *paragraphs(fallback),
        *pictures(lines, contrasts),
        *tables(
            means_table(reading, outcome),
            strength_contrast_table(reading, outcome),
            missing_table(reading, outcome),
            tipping_table(reading, outcome),
            reliability_table(reading, outcome),
            spread_table(reading, outcome),
            trainer_effects_table(reading, outcome),
        ),
        *paragraphs(f"What is estimated. {reading.named(outcome.primary.estimand).rstrip('.')}."),
    )
    return Section(f"outcome-{outcome.code}", capital(outcome.name), blocks)


def _fit(reading: Reading, outcome: StrengthResult) -> Section:
    blocks = (
        *paragraphs(*fit_sentences(reading, outcome)),
        *pictures(*fit_pictures(reading, outcome)),
    )
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
    texts = tuple(
        f"{caution.title}. {caution.text}" for caution in cautions_for("report", protocol=reading.protocol)
    )
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
    rows = tuple(cells(line.item, line.asks, line.state, line.where) for line in completion(reading))
    columns = (
        words_column("item"),
        words_column("what it asks"),
        words_column("state"),
        words_column("where, or what is missing"),
    )
    caption = "The items of CONSORT 2025, the public standard for reports of trials, in our own words"
    table = Table("reporting_items", caption, columns, rows)
    return Section("items", "Reporting standard, item by item", tables(table) if rows else ())


def _provenance(reading: Reading) -> Section:
    findings = tuple(str(finding) for finding in reading.results.findings)
    noticed = (Block("heading", "Noticed in the records"), Block("list", findings)) if findings else ()
    return Section("provenance", "Provenance", (*tables(provenance_table(reading)), *noticed))
