"""What the tables on retention say below their numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from studykit.kinds.retention.results import RetentionResult
from studykit.kinds.retention.tables import at_risk_table, contrasts_table
from studykit.outcomes.results import StudyResults
from studykit.report.report_context import Reading
from studykit.report.tables import without_gaps
from studykit.results import Estimate
from tests.unit.report.conftest import make_results

End = tuple[str, int]


def told(end: End | None) -> str:
    return "arms that are alike" if end is None else f"one more {end[0]} for every {end[1]} clients"


@pytest.mark.parametrize(
    ("difference", "error", "value", "first", "last"),
    [
        (0.10, 0.0765, ("staying", 10), ("staying", 4), ("leaving", 20)),
        (-0.20, 0.0510, ("leaving", 5), ("leaving", 3), ("leaving", 10)),
        (0.25, 0.0255, ("staying", 4), ("staying", 3), ("staying", 5)),
        (0.0, 0.0510, None, ("staying", 10), ("leaving", 10)),
        (0.5, 1.0, ("staying", 2), ("staying", 1), ("leaving", 1)),  # beyond what shares can differ by
    ],
)
def test_a_difference_in_shares_is_told_in_clients(
    difference: float, error: float, value: End | None, first: End, last: End
) -> None:
    """Altman 1998, BMJ 317:1309: an interval with no difference in it goes through infinity."""
    results: StudyResults = make_results()
    estimate = Estimate(difference, error, np.inf, "normal")
    retention: RetentionResult = replace(
        results.retention, primary=replace(results.retention.primary, estimate=estimate)
    )
    note = contrasts_table(Reading(results), retention).notes[0]
    between = ", through arms that are alike, to " if first[0] != last[0] else " to "
    assert without_gaps(note) == (
        f"In clients (number needed to treat): with partner reps, {told(value)}; "
        f"95 % interval from {told(first)}{between}{told(last)}."
    )


def test_without_a_test_of_the_curves_nothing_is_said_of_it() -> None:
    results: StudyResults = make_results()
    assert results.retention.curve_test is None
    notes = at_risk_table(Reading(results), results.retention).notes
    assert not any("log-rank" in note for note in notes)
