"""The table of re-randomisation tests: what the method of allocation alone says."""

from __future__ import annotations

import math

from studykit.outcomes.results import RerandomisationTest
from studykit.report.kind_report import report_of
from studykit.report.numbers import level
from studykit.report.report_context import Reading
from studykit.report.tables import Bracket, Cell, Probability, Table, cells, column, words_column

_USUAL = 0.05


def rerandomisation_table(reading: Reading) -> Table | None:
    """One row per outcome; nothing for a trial that cannot be drawn again."""
    tests = reading.results.rerandomisation
    if not tests:
        return None
    columns = (
        words_column("outcome"),
        words_column("allocations compared"),
        column("p"),
        column("smallest p possible", "smallest_p"),
        column(f"{level(reading.results.confidence_level)} interval", "lower", "upper"),
    )
    rows = tuple(_row(reading, test) for test in tests)
    named = (f"{_name(reading, test)}: {reading.named(test.statistic)}." for test in tests)
    statistics = tuple(dict.fromkeys(named))
    note = (
        "The method that allocated the clients was run again in the same order and strata; scores, "
        "attendance and what is missing stay as they are. The p-value is the share of allocations at least "
        "as far from no difference. It needs no model and supports the main analysis; it does not replace it."
    )
    inverted = (
        "The interval holds the shifts, the same for every client, that this test does not reject."
        if any(test.interval is not None for test in tests)
        else ""
    )
    out_of_reach = (
        "Where the smallest p possible is above 0.05, this test cannot come below it, however large the "
        "difference: with these scores the most extreme allocations are themselves that likely."
        if any(test.smallest_p_value > _USUAL for test in tests)
        else ""
    )
    caption = "The allocation drawn again: re-randomisation tests"
    return Table(
        "drawn_again",
        caption,
        columns,
        rows,
        (note, *(text for text in (inverted, out_of_reach) if text), *statistics),
    )


def _row(reading: Reading, test: RerandomisationTest) -> tuple[Cell, ...]:
    what = f"all {test.draws:,} that could have come" if test.exact else f"{test.draws:,} drawn at random"
    return cells(
        _name(reading, test),
        what.replace(",", " "),
        Probability(test.p_value),
        Probability(test.smallest_p_value),
        _interval(reading, test),
    )


def _name(reading: Reading, test: RerandomisationTest) -> str:
    found = reading.results[test.outcome]
    return report_of(found).title(reading, found)


def _interval(reading: Reading, test: RerandomisationTest) -> Cell | str:
    if test.interval is None:
        return "p only"
    found = reading.results[test.outcome]
    shown = test.interval.transformed(math.exp) if found.primary.presentation == "ratio" else test.interval
    return Bracket(shown, report_of(found).scale(reading, found))
