"""Single cells: identifiers that name people, dates of other habits, numbers with marks."""

from __future__ import annotations

import datetime as dt

import pytest

from studykit.protocol.identifiers import personal_mark
from studykit.records.cells import (
    Respelt,
    Trouble,
    decimal_mark,
    read_choice,
    read_code,
    read_date,
    read_number,
)
from studykit.records.schema import Column

NUMBER = Column("load", "number", "a load")
WHOLE = Column("age", "whole", "an age", lowest=0, highest=110)


@pytest.mark.parametrize(
    "code",
    ["C014", "001", "AS", "T1", "M7", "C-014", "client_1", "trainer_a", "1234567", "X", "P0001", "EXAMPLE"],
)
def test_codes(code: str) -> None:
    assert read_code(code, person=True) == code


@pytest.mark.parametrize(
    ("text", "mark"),
    [
        ("Petra", "a name"), ("petra", "a name"), ("Petra Kohl", "a name"), ("P. Kohl", "a name"),
        ("Kohl, Petra", "a name"), ("petra_kohl", "a name"), ("Zoë", "a name"), ("Anna-Maria", "a name"),
        ("p.kohl@post.example", "an e-mail address"), ("+44 20 7946 0000", "a telephone number"),
        ("020 7946 0000", "a telephone number"), ("02079460000", "a telephone number"),
    ],
)  # fmt: skip
def test_what_names_a_person_is_refused(text: str, mark: str) -> None:
    assert personal_mark(text) == mark
    answer = read_code(text, person=True)
    assert isinstance(answer, Trouble)
    assert text not in answer.got


@pytest.mark.parametrize("code", ["baseline", "leg_press", "week_12"])
def test_codes_of_things_may_be_words(code: str) -> None:
    assert read_code(code, person=False) == code


@pytest.mark.parametrize(
    ("text", "got"),
    [
        ("03/04/2025", "2025-04-03 (day first) or 2025-03-04 (month first)"),
        ("25/03/2025", "2025-03-25 (day first)"),
        ("03/25/2025", "2025-03-25 (month first)"),
        ("3.4.25", "2025-04-03 (day first) or 2025-03-04 (month first)"),
        ("05-05-2025", "2025-05-05 (day first)"),
    ],
)
def test_dates_of_other_habits_show_their_readings(text: str, got: str) -> None:
    """Both readings are shown, none is taken; the same day by both is shown once."""
    answer = read_date(text)
    assert isinstance(answer, Trouble)
    assert answer.got == f"{text}, which can be read as {got}"


@pytest.mark.parametrize(
    "text", ["2026-02-30", "26-03-09", "2026/03/09", "9 March 2026", "20260309", "soon", "1899-01-01"]
)
def test_other_dates_are_refused(text: str) -> None:
    assert isinstance(read_date(text), Trouble)


def test_a_count_of_days_is_explained() -> None:
    """Day 45292 of the usual spreadsheet calendar is 1 January 2024 (common practice, no source)."""
    answer = read_date("45292")
    assert isinstance(answer, Trouble)
    assert "2024-01-01 is meant" in answer.todo


def test_iso_dates() -> None:
    assert read_date("2024-02-29") == dt.date(2024, 2, 29)


@pytest.mark.parametrize(
    ("text", "value"), [("80", 80.0), ("-2.5", -2.5), ("+3", 3.0), (".5", 0.5), ("1e-05", 1e-5), ("−4", -4.0)]
)
def test_numbers(text: str, value: float) -> None:
    assert read_number(text, NUMBER) == value


@pytest.mark.parametrize(
    "text", ["nan", "inf", "1.234,5", "1 000", "80kg", "1_000", "٣", "0x10", "1e999", "--1", "12,"]
)
@pytest.mark.parametrize("mark", [".", ","])
def test_what_is_no_number(text: str, mark: str) -> None:
    assert isinstance(read_number(text, NUMBER, mark=mark), Trouble)  # type: ignore[arg-type]


@pytest.mark.parametrize("text", ["4.5", "-1", "111"])
def test_whole_numbers_within_bounds(text: str) -> None:
    assert isinstance(read_number(text, WHOLE), Trouble)
    assert read_number("110", WHOLE) == 110.0


@pytest.mark.parametrize(
    ("cells", "answer"),
    [
        (["81,5", "70"], (",", "")),
        (["81.5", "70"], (".", "")),
        (["81,5", "70.5", "3,5"], (",", "mixed")),
        (["81,5", "70.5"], (".", "mixed")),
        (["1,250"], (".", "thousands")),
        (["0,250", "1,250"], (",", "")),  # a thousand is never written 0,250
        (["1,250", "2,5"], (",", "")),
        ([], (".", "")),
    ],
)
def test_the_decimal_mark_of_a_column(cells: list[str], answer: tuple[str, str]) -> None:
    assert decimal_mark(cells) == answer


def test_choices_pass_over_capitals_and_name_the_nearest() -> None:
    choices = ("attended", "cancelled", "no show")
    assert read_choice("no show", choices) == "no show"
    assert read_choice("Attended", choices) == Respelt("attended", "Attended")
    assert read_choice("no-show", choices) == Respelt("no show", "no-show")
    answer = read_choice("not shown", choices)
    assert isinstance(answer, Trouble)
    assert answer.todo == "Write no show."
