"""The page on the record tables in DEVELOPERS.md, generated so that it is never behind the code."""

from __future__ import annotations

import math

from studykit.records.schema import TABLES, Column, Table

_KINDS = {
    "code": "code",
    "text": "text",
    "date": "date, YYYY-MM-DD",
    "number": "number",
    "whole": "whole number",
    "choice": "one of",
    "yes_no": "yes or no",
}


def schema_page() -> str:
    """All tables with their columns, in Markdown.

    Examples
    --------
    >>> print(schema_page().splitlines()[0])
    ### screening.csv: one person who was assessed for the study
    """
    return "\n\n".join(_table(table) for table in TABLES) + "\n"


def _table(table: Table) -> str:
    lines = [f"### {table.name}.csv: {table.meaning}", ""]
    if table.key:
        lines += [f"One row for each {' and '.join(f'`{name}`' for name in table.key)}.", ""]
    if table.extra_columns:
        lines += ["Further columns: one for each stratum and each covariate of the protocol.", ""]
    lines += ["| column | every row | holds | meaning | example |", "|---|---|---|---|---|"]
    lines += [_row(column) for column in table.columns]
    return "\n".join(lines)


def _row(column: Column) -> str:
    needed = "yes" if column.required else ""
    return f"| `{column.name}` | {needed} | {_holds(column)} | {column.meaning} | {column.example} |"


def _holds(column: Column) -> str:
    if column.choices:
        return "one of: " + ", ".join(column.choices)
    low, high = column.lowest, column.highest
    bounds = "" if math.isinf(low) or math.isinf(high) else f" from {low:g} to {high:g}"
    return _KINDS[column.kind] + bounds
