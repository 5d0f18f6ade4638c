"""Any table that can be written is read back as it was, whatever stands in its remarks."""

from __future__ import annotations

import datetime as dt
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from studykit.records.cells import Respelt, Trouble, read_choice, read_date
from studykit.records.reading import read_records
from studykit.records.record_tables import record_table, records_of
from studykit.records.schema import STRENGTH, Column
from studykit.records.writing import number_text
from synthetic_data.record_files import write_records

CODES = st.from_regex(r"[A-Z][0-9]{1,4}", fullmatch=True)
DAYS = st.dates(dt.date(1950, 1, 1), dt.date(2100, 12, 31))
NUMBERS = st.floats(-1e6, 1e6).map(lambda value: round(value, 4))
# No blanks around a remark, and no characters that a text file cannot hold.
REMARKS = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=20).map(str.strip)


def cells(column: Column) -> st.SearchStrategy[Any]:
    """Values of one column, empty ones included where they may be."""
    values: st.SearchStrategy[Any]
    if column.kind == "date":
        values = DAYS
    elif column.kind == "number":
        values = NUMBERS
    elif column.kind == "whole":
        values = st.integers(int(column.lowest), int(column.highest)).map(float)
    elif column.kind == "choice":
        values = st.sampled_from(column.choices)
    elif column.kind == "yes_no":
        values = st.sampled_from(["yes", "no"])
    else:
        values = CODES if column.kind == "code" else REMARKS
    return values if column.required else st.one_of(st.none(), values)


ROWS = st.lists(st.tuples(*(cells(column) for column in STRENGTH.columns)), min_size=1, max_size=8)


@settings(max_examples=60, deadline=None)
@given(ROWS)
def test_a_table_that_is_written_and_read_is_the_same(rows: list[tuple[Any, ...]]) -> None:
    names = [column.name for column in STRENGTH.columns]
    table = record_table("strength", dict(zip(names, map(list, zip(*rows, strict=True)), strict=True)))
    with tempfile.TemporaryDirectory() as folder:
        write_records(Path(folder), records_of([table]))
        read = read_records(Path(folder))
    assert not [finding for finding in read.findings if finding.severity == "stop"]
    for name, values in table.columns.items():
        other = read["strength"].columns[name]
        assert other.dtype == values.dtype
        if values.dtype.kind == "f":
            np.testing.assert_array_equal(other, values)
        else:
            assert str(other.tolist()) == str(values.tolist())


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_lose_nothing(value: float) -> None:
    assert float(number_text(value)) == value


@given(st.text(max_size=30) | st.from_regex(r"[0-9]{4}[-/.][0-9]{1,2}-[0-9]{2}", fullmatch=True))
def test_no_text_is_taken_for_a_date_unless_it_is_one(text: str) -> None:
    answer = read_date(text)
    if not isinstance(answer, Trouble):
        assert answer.isoformat() == text


@given(DAYS)
def test_every_day_of_the_years_that_are_read_is_read(day: dt.date) -> None:
    assert read_date(day.isoformat()) == day


@given(st.text(max_size=12), st.lists(st.text(min_size=1, max_size=8), min_size=1, max_size=5, unique=True))
def test_a_choice_is_one_of_the_choices_or_a_trouble(text: str, choices: list[str]) -> None:
    answer = read_choice(text, choices)
    if isinstance(answer, Respelt):
        assert answer.value in choices
        assert answer.value.casefold() == text.casefold()
    else:
        assert isinstance(answer, Trouble) != (text in choices)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=300))
def test_no_bytes_make_the_reader_fail(data: bytes) -> None:
    """What is no table gives a finding and no rows, never an error of the machine."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "clients.csv").write_bytes(data)
        records = read_records(Path(folder))
    assert records["clients"].number == 0
    assert records.findings


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 68), st.binary(min_size=1, max_size=4))
def test_bytes_that_slip_into_a_table_lose_no_row_in_silence(place: int, slip: bytes) -> None:
    """All rows are there, or a finding says what is not."""
    whole = b"client,trainer,age,sex\nC01,T1,44,female\nC02,T2,51,male\nC03,T1,38,male\n"
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "clients.csv").write_bytes(whole[:place] + slip + whole[place:])
        records = read_records(Path(folder))
    assert records["clients"].number >= 3 or records.findings


@settings(max_examples=150, deadline=None)
@given(st.text(st.sampled_from("client,;\n\"'\r C01=+é"), max_size=80))
def test_no_text_makes_the_reader_fail(text: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "clients.csv").write_bytes(text.encode())
        records = read_records(Path(folder))
    assert records["clients"].number <= text.count("\n") + text.count("\r")
