"""What happened to the plan, and what the results were made from: amendments, looks, hashes, versions."""

from __future__ import annotations

from studykit.outcomes.boundaries import planned_boundaries
from studykit.protocol.looking import look_numbers
from studykit.report.numbers import GAP, number
from studykit.report.report_context import Reading
from studykit.report.tables import Table, cells, words_column


def amendments_table(reading: Reading) -> Table | None:
    """Changes of the protocol after it was locked."""
    if not reading.amendments:
        return None
    rows = tuple(
        cells(item.event_time[:10], item.by, item.reason, ", ".join(item.changed) or "none")
        for item in reading.amendments
    )
    columns = (words_column("from"), words_column("by"), words_column("reason"), words_column("changed keys"))
    return Table("amendments", "Amendments after the lock", columns, rows)


def looks_table(reading: Reading) -> Table | None:
    """Looks at results by arm before the end."""
    if not reading.looks:
        return None
    planned = 0 if reading.protocol is None else reading.protocol.oversight.planned_looks
    levels = () if reading.protocol is None or not planned else planned_boundaries(reading.protocol)
    numbers = look_numbers((look.body for look in reading.looks), planned)
    rows = tuple(
        cells(
            look.event_time[:10],
            look.by,
            str(look.body.get("reason", "")),
            f"planned, decides at {number(100.0 * levels[planned_look - 1].level, 2)}{GAP}%"
            if planned_look
            else "not planned; decides nothing",
        )
        for look, planned_look in zip(reading.looks, numbers, strict=True)
    )
    columns = (
        words_column("when"),
        words_column("by"),
        words_column("reason"),
        words_column("in the protocol"),
    )
    return Table("looks", "Looks at results by arm before the end of follow-up", columns, rows)


def provenance_table(reading: Reading) -> Table:
    """Hashes, versions and seed."""
    source = reading.results.provenance
    lines = [
        ("protocol", f"version {source.protocol_version}, {source.protocol_hash}"),
        ("ledger, last chain code", source.ledger_code or "no ledger"),
        *((f"records: {name}", code) for name, code in source.table_hashes),
        *((f"version of {name}", version) for name, version in source.versions),
        ("seed", "none used" if source.seed is None else str(source.seed)),
        ("made at (UTC)", source.made_at),
    ]
    columns = (words_column("what"), words_column("code or version"))
    return Table(
        "provenance",
        "What the results were made from (codes are SHA-256)",
        columns,
        tuple(cells(*line) for line in lines),
    )
