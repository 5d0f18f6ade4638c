"""The table of re-randomisation tests."""

from __future__ import annotations

from dataclasses import replace

from studykit.outcomes.results import RerandomisationTest, StudyResults
from studykit.protocol.types import Protocol
from studykit.report.page import render_report
from studykit.report.report_context import Reading
from studykit.report.rerandomisation_table import rerandomisation_table
from studykit.report.tables import to_csv, to_markdown
from studykit.report.wording_check import check_wording
from studykit.results import Interval


def with_tests(results: StudyResults) -> StudyResults:
    assert results.retention is not None
    return replace(
        results,
        rerandomisation=(
            RerandomisationTest(results.retention.code, "a statistic", 924, True, 0.3, 2 / 924, None),
            RerandomisationTest(
                results.strength.code, "t of the arm", 4999, False, 0.04, 0.0002,
                Interval(0.01, 0.09, 0.95, "inversion"),
            ),
        ),
    )  # fmt: skip


def test_each_outcome_has_its_row(results: StudyResults, protocol: Protocol) -> None:
    """F08: the smallest attainable p-value is always printed."""
    table = rerandomisation_table(Reading(with_tests(results), protocol, (), ()))
    assert table is not None
    text = to_markdown(table).replace("\u00a0", " ")
    assert "all 924 that could have come" in text
    assert "4 999 drawn at random" in text
    assert "p only" in text
    assert "[1.0, 9.4] %" in text
    assert "smallest p possible" in text
    assert "0.0002" in to_csv(table)


def test_without_a_ledger_there_is_no_such_section(results: StudyResults, protocol: Protocol) -> None:
    bare = replace(results, rerandomisation=())
    assert rerandomisation_table(Reading(bare, protocol, (), ())) is None
    assert "drawn again" not in render_report(bare, protocol)


def test_the_words_keep_the_rules(results: StudyResults, protocol: Protocol) -> None:
    page = render_report(with_tests(results), protocol)
    assert "The allocation drawn again" in page
    table = rerandomisation_table(Reading(with_tests(results), protocol, (), ()))
    assert table is not None
    for note in table.notes:
        assert not [finding for finding in check_wording(note) if finding.severity == "stop"]
