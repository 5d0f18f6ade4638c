"""Tables as values: four forms, each escaped, CSV in full precision."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studykit.errors import ArgumentError
from studykit.kinds.retention.tables import at_risk_table
from studykit.outcomes.results import StudyResults
from studykit.protocol.types import Protocol
from studykit.report.numbers import GAP, PER_CENT_CHANGE, Scale
from studykit.report.report_context import Reading
from studykit.report.tables import (
    NOTHING,
    Bracket,
    MeanSpread,
    Probability,
    Quantity,
    Share,
    Table,
    cells,
    column,
    to_csv,
    to_html,
    to_latex,
    to_markdown,
    words_column,
)
from studykit.results import Interval

NASTY = '<b>&"'
INTERVAL = Interval(0.9876543, 1.0123456, 0.95, "t")


def one(*row: object, caption: str = "caption", notes: tuple[str, ...] = ()) -> Table:
    columns = (words_column("what"), *(column(f"c{place}") for place in range(1, len(row))))
    return Table("code", caption, columns, (cells(*row),), notes)  # type: ignore[arg-type]


def test_a_row_of_the_wrong_length_is_refused() -> None:
    with pytest.raises(ArgumentError, match="table t: expected 2 cells in each row; found 1"):
        Table("t", "", (words_column("a"), words_column("b")), (cells("x"),))


def test_csv_has_full_precision_and_an_interval_in_two_columns() -> None:
    columns = (
        words_column("what"),
        column("difference", "difference", "unit"),
        column("interval", "lower", "upper"),
        column("kept", "kept", "of"),
        column("p"),
    )
    row = cells(
        "a",
        Quantity(1.0344, PER_CENT_CHANGE),
        Bracket(INTERVAL, PER_CENT_CHANGE),
        Share(3, 4),
        Probability(1 / 3),
    )
    (record,) = csv.DictReader(io.StringIO(to_csv(Table("t", "", columns, (row,)))))
    assert float(record["difference"]) == pytest.approx(3.44, abs=1e-9)
    assert record["unit"] == "%"
    assert float(record["lower"]) == pytest.approx(-1.23457, abs=1e-9)
    assert (record["kept"], record["of"]) == ("3", "4")
    assert float(record["p"]) == 1 / 3


def test_a_number_that_is_not_known_is_empty_in_csv_and_words_elsewhere() -> None:
    table = one("a", Quantity(math.nan, Scale("kg", 1)), NOTHING)
    assert to_csv(table).splitlines()[1] == "a,,"
    assert "not estimated" in to_markdown(table)


@pytest.mark.parametrize("start", ["=", "+", "-", "@"])
def test_csv_text_never_becomes_a_formula(start: str) -> None:
    """A spreadsheet program runs a cell that starts with one of these (common practice, no source)."""
    (record,) = csv.reader(io.StringIO(to_csv(one(f"{start}1+1")).split("\n", 1)[1]))
    assert record == [f"'{start}1+1"]


def test_markup_in_names_is_escaped_in_every_form() -> None:
    """Ask 8.2: names in data become markup."""
    table = one(NASTY, caption=NASTY, notes=(NASTY,))
    assert "<b>" not in to_html(table)
    assert "&lt;b&gt;&amp;&#34;" in to_html(table)
    assert "<b>" not in to_markdown(table)
    assert r"\textless{}b\textgreater{}\&\textquotedbl{}" in to_latex(table)
    assert NASTY in next(csv.reader(io.StringIO(to_csv(table).split("\n", 1)[1])))


@given(st.text(min_size=1))
def test_no_text_can_break_out_of_a_cell(text: str) -> None:
    html_form, latex_form = str(to_html(one(text))), to_latex(one(text))
    assert html_form.count("<td") == 0
    assert html_form.count("<th") == 3  # thead, its heading, the row's own
    body = latex_form.split(r"\hline")[2]
    unescaped = body.replace(r"\textbackslash{}", "").replace(r"\&", "").replace(r"\%", "").replace(r"\_", "")
    assert "%" not in unescaped
    assert body.count(" & ") == 0


def test_latex_rows_cannot_be_read_as_options() -> None:
    """A row that begins with a bracket would be an option of the line break before it."""
    assert "\n{}[1, 2] " in to_latex(one("[1, 2]"))
    assert r"[\ensuremath{-}" not in to_latex(one("x", Bracket(INTERVAL, PER_CENT_CHANGE)))
    assert "[$-$1.2,~1.2]~\\%" in to_latex(one("x", Bracket(INTERVAL, PER_CENT_CHANGE)))


def test_a_label_keeps_letters_digits_and_hyphens() -> None:
    assert r"\label{tab:week-12-all}" in to_latex(replace(one("x"), code="week_12-all"))


def test_means_stand_with_standard_deviations_in_round_brackets() -> None:
    """C03 and C04: SD for spread, never a plus-minus sign."""
    assert MeanSpread(44.24, 12.1, 1).text() == "44.2 (12.1)"


def test_a_cell_repeats_its_heading_for_narrow_screens() -> None:
    table = Table("t", "", (words_column("arm"), column("kept")), (cells("a", Share(1, 2)),))
    assert f'data-label="kept">1 of 2 (50{GAP}%)' in to_html(table)


def test_the_curve_says_why_it_ends_lower_than_the_share(results: StudyResults, protocol: Protocol) -> None:
    """Returns count at the horizon and not in the curve; without returns there is nothing to say."""
    retention = results.retention
    assert retention is not None
    reading = Reading(results, protocol, (), ())
    for returned, words in (
        (0, ""),
        (1, "1 client who came back counts"),
        (2, "2 clients who came back count"),
    ):
        first, *others = retention.status
        status = (replace(first, returned=returned), *(replace(other, returned=0) for other in others))
        notes = " ".join(at_risk_table(reading, replace(retention, status=status)).notes)
        assert words in notes
        assert ("came back" in notes) is (returned > 0)
