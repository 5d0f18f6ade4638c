"""What the tables on a continuous outcome say below their numbers."""

from __future__ import annotations

import math
from dataclasses import replace

from studykit.kinds.continuous.results import TippingPoint
from studykit.kinds.continuous.tables import contrasts_table, tipping_table
from studykit.report.report_context import Reading
from studykit.report.tables import Quantity, without_gaps
from studykit.results import Estimate
from tests.unit.report.conftest import make_results


def test_the_standardised_difference_is_told_as_a_chance() -> None:
    """McGraw & Wong 1992, Psychological Bulletin 111:361, heights of young men and women: 92 of 100 pairs.

    Means 69.7 and 64.3 inches, standard deviations 2.8 and 2.6 (from memory).
    """
    results = make_results()
    apart = (69.7 - 64.3) / math.sqrt((2.8**2 + 2.6**2) / 2.0)
    standardised = replace(results.strength.standardised, estimate=Estimate(apart, 0.0, math.inf, "normal"))
    outcome = replace(results.strength, standardised=standardised)
    note = without_gaps(contrasts_table(Reading(results), outcome).notes[-1])
    assert "has the higher value in about 92 (95 % interval 92 to 92); 50 would be a coin toss." in note


def test_a_shift_of_scores_as_recorded_is_told_in_their_unit() -> None:
    results = make_results()
    shifts = tuple(TippingPoint("partner_reps", 0.1, 2.5, -3.5, unit) for unit in ("kg", "%", "per cent"))
    table = tipping_table(Reading(results), replace(results.strength, tipping_points=shifts))
    assert table is not None
    for place, unit in enumerate(("kg", "%", "%")):
        assert [cell.scale.unit for cell in table.rows[place][2:] if isinstance(cell, Quantity)] == [unit] * 2
