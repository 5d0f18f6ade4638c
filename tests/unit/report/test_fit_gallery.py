"""The section on how well the model fits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from studykit.kinds.continuous.fit import fit_pictures, fit_sentences
from studykit.kinds.continuous.results import ContinuousResult, ModelCheck
from studykit.mixed import (
    MixedModel,
    RandomEffect,
    StandardDeviation,
    influence_of,
    interval_and_profile,
    residual_quantiles,
)
from studykit.outcomes.results import StudyResults
from studykit.report.page import render_report, report_document
from studykit.report.report_context import Reading


@pytest.fixture
def checked(results: StudyResults) -> StudyResults:
    """The invented results with a check of a small model of logarithms."""
    rng = np.random.default_rng(2)
    client = np.repeat([f"C{k:03d}" for k in range(12)], 3)
    arm = np.repeat(np.arange(12) % 2, 3).astype(float)
    y = 4.0 + 0.05 * arm + 0.2 * rng.standard_normal(12).repeat(3) + 0.05 * rng.standard_normal(36)
    model = MixedModel(y, np.column_stack([np.ones(36), arm]), RandomEffect("client", client))
    influence = influence_of(model, "client", contrast=[0.0, 1.0])
    interval, profile = interval_and_profile(model, StandardDeviation("client"), reml=True)
    check = ModelCheck(
        (("client", influence),),
        (residual_quantiles(model.fit()),),
        (("client", profile, interval),),
        ("Without trainer T9 the model cannot be fitted.",),
    )
    first = replace(results.strength, check=check)
    return replace(results, outcomes=(results.retention, first))


def strength(results: StudyResults) -> ContinuousResult:
    return results.strength


def test_sentences_say_range_and_who_moves_it_most(checked: StudyResults) -> None:
    reading = Reading(checked, None, (), ())
    outcome = strength(checked)
    assert outcome.check is not None
    first, remark = fit_sentences(reading, outcome)
    influence = outcome.check.left_out[0][1]
    assert influence.contrast_values is not None
    low = 100.0 * (np.exp(influence.contrast_values.min()) - 1.0)
    assert f"{abs(low):.1f}" in first
    assert str(influence.largest()[0]) in first
    assert remark == "Without trainer T9 the model cannot be fitted."


def test_pictures_and_section_near_the_end(checked: StudyResults) -> None:
    reading = Reading(checked, None, (), ())
    codes = [picture.code for picture in fit_pictures(reading, strength(checked))]
    code = strength(checked).code
    assert codes == [
        f"{code}_without_each_client",
        f"{code}_normal_quantiles",
        f"{code}_spread_profiles",
    ]
    sections = [section.code for section in report_document(reading).sections]
    assert sections.index(f"fit-{code}") == len(sections) - 2
    assert "How well the model of" in render_report(checked, None)  # type: ignore[arg-type]


def test_no_check_no_section(results: StudyResults) -> None:
    reading = Reading(results, None, (), ())
    assert fit_pictures(reading, strength(results)) == ()
    assert not [s for s in report_document(reading).sections if s.code.startswith("fit-")]
