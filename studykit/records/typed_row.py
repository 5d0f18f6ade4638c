"""One row as somebody types it into a form: read by the very readers of the tables, column by column."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from studykit.protocol.types import Protocol
from studykit.records.raw_table import csv_text, guarded, read_delimited
from studykit.records.reading import wanted_by
from studykit.records.record_columns import column_of, draft_table
from studykit.records.schema import Column, Table
from studykit.records.writing import header_of, number_text

LONGEST = 500  # letters in a cell: remarks, not letters to the editor


@dataclass(frozen=True, slots=True)
class TypedRow:
    """A row that was typed.

    Parameters
    ----------
    table : str
    cells : mapping of str to str
        As they are written into the table, empty ones left out.
    troubles : mapping of str to str
        What is wrong, by column, in the words of the tables' readers; empty where nothing is.
    """

    table: str
    cells: Mapping[str, str]
    troubles: Mapping[str, str]


def columns_of(table: Table, protocol: Protocol) -> tuple[Column, ...]:
    """The columns that a study's table has; codes of the protocol are choices."""
    wanted = wanted_by(protocol)
    columns = (column_of(table, name, wanted) for name in header_of(table, protocol))
    return tuple(
        replace(column, choices=wanted.codes[column.name]) if column.name in wanted.codes else column
        for column in columns
    )


def cell_text(value: Any) -> str:
    """A value as it is written into a table.

    Examples
    --------
    >>> cell_text(37.5), cell_text(dt.date(2026, 3, 2)), cell_text(None)
    ('37.5', '2026-03-02', '')
    """
    if value is None:
        return ""
    if isinstance(value, dt.date):
        return value.isoformat()
    return number_text(float(value)) if isinstance(value, int | float) else str(value)


def typed_row(table: Table, cells: Mapping[str, str], protocol: Protocol) -> TypedRow:
    """Read one row.

    Parameters
    ----------
    table : Table
    cells : mapping of str to str
        By column; columns that the table does not have are refused.
    protocol : Protocol
        For codes, strata and the columns that it adds.
    """
    header = header_of(table, protocol)
    troubles = {name: "there is no such column" for name in cells if name not in header}
    typed = {name: text.strip() for name, text in cells.items() if name in header and text.strip()}
    for name, text in typed.items():
        if len(text) > LONGEST:
            troubles[name] = f"expected at most {LONGEST} letters; found {len(text)}. Shorten it."
        elif any(ord(letter) < 32 or ord(letter) == 127 for letter in text):
            troubles[name] = (
                "expected one line of text; found several lines or unseen characters. Type it anew."
            )
    if troubles or not typed:
        required = () if typed else [column for column in table.columns if column.required]
        return TypedRow(table.name, typed, {one.name: one.meaning for one in required} | troubles)
    # A column of numbers must not read one cell as a lone decimal comma and the next as a point.
    row = [guarded(typed.get(name, "")) for name in header]
    raw, found = read_delimited(csv_text([header, row]).encode(), table, table.name)
    assert raw is not None, found
    draft = draft_table(raw, table, wanted_by(protocol))
    for finding in draft.findings:
        if finding.severity == "stop":
            column = finding.where.rpartition(", column ")[2]
            told = replace(finding, where="")
            troubles.setdefault(column, str(told))
    if not draft.raw.rows:  # the example row itself
        troubles[header[0]] = "this is the example's row. Write the study's own codes."
    if troubles:
        return TypedRow(table.name, typed, troubles)
    values = {name: cell_text(column[0]) for name, column in draft.values.items()}
    return TypedRow(table.name, {name: text for name, text in values.items() if text}, {})
