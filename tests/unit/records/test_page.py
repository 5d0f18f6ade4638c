"""The generated page has every table and every column, and says what a reader checks."""

from __future__ import annotations

from studykit.records.page import schema_page
from studykit.records.schema import TABLES


def test_every_table_and_column_is_on_the_page() -> None:
    page = schema_page()
    for table in TABLES:
        part = page.split(f"### {table.name}.csv: ")[1].split("\n### ")[0]
        for column in table.columns:
            (line,) = [line for line in part.splitlines() if line.startswith(f"| `{column.name}` |")]
            assert ("| yes |" in line.split(column.meaning)[0]) == column.required
            assert all(choice in line for choice in column.choices)
    assert "whole number from 0 to 60" in page
    assert "One row for each `client` and `date`." in page
