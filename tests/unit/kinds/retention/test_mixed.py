"""The mixed model that supports the comparison of shares: one study as in a batch, and its words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from studykit.kinds.retention.analysis import comparison_of
from studykit.kinds.retention.mixed import answer_by_model, model_estimates, retention_model
from studykit.mixed import RandomEffect, fit_binary_mixed
from studykit.outcomes.clients import ClientArrays

TRAINER = np.repeat(np.arange(4), [15, 12, 18, 15])
RNG = np.random.default_rng(12)
ARM = np.array([RNG.permutation(np.arange(60) % 2) for _ in range(8)])
SEX = RNG.integers(0, 2, (8, 60))
CHANCE = 1.0 / (1.0 + np.exp(-(0.3 + 0.8 * ARM - 0.6 * SEX + np.array([-0.7, 0.1, 0.9, 0.0])[TRAINER])))
STATUS = np.where(RNG.random((8, 60)) < 0.05, np.nan, RNG.random((8, 60)) < CHANCE)
CLIENTS = ClientArrays(
    ARM, ("conventional", "partner_reps"), 1, np.tile(TRAINER, (8, 1)), tuple("ABCD"),
    (("sex", SEX, ("female", "male")),),
)  # fmt: skip


@pytest.mark.parametrize("study", range(8))
def test_one_study_has_its_own_fit_inside_a_batch(study):
    """The searches of one fit and of many end within their own tolerance of each other."""
    together = answer_by_model(CLIENTS, STATUS, confidence_level=0.95)
    known = np.isfinite(STATUS[study])
    sex = SEX[study] - SEX[study].mean()
    matrix = np.column_stack([np.ones(60), ARM[study], sex])[known]
    fit = fit_binary_mixed(
        STATUS[study, known], matrix, RandomEffect("trainer", TRAINER[known]), quadrature_points=9
    )
    alone = fit.contrast([0.0, 1.0, 0.0])
    assert together.value[study] == pytest.approx(alone.value, rel=1e-6)
    assert together.standard_error[study] == pytest.approx(alone.standard_error, rel=1e-5)
    assert together.degrees_of_freedom[study] == alone.degrees_of_freedom


def test_arms_that_cannot_be_told_apart_have_no_answer():
    arm = ARM.copy()
    arm[2] = 1
    found = answer_by_model(replace(CLIENTS, arm=arm), STATUS, confidence_level=0.95)
    assert np.flatnonzero(np.isnan(found.value)).tolist() == [2]
    assert "a binary mixed model that can be fitted" in found.reason[2]


def study(make_protocol, make_clients, make_spells, *, last, trainer, deliver="both arms", arm=None):
    arm = np.arange(24) % 2 if arm is None else arm
    spells = make_spells(make_clients(arm, trainer), last)
    comparison = comparison_of(make_protocol(retention=True, deliver=deliver), spells)
    return comparison, comparison.status()


LAST = np.where(np.random.default_rng(3).random(24) < 0.6, 200, 60)


def test_odds_ratio_difference_and_ratio_with_their_words(make_protocol, make_clients, make_spells):
    comparison, status = study(
        make_protocol, make_clients, make_spells, last=LAST, trainer=np.arange(24) // 2 % 3
    )
    (odds, difference, ratio), remarks = model_estimates(comparison, status)
    assert remarks == ()
    assert {found.role for found in (odds, difference, ratio)} == {"supporting"}
    model = retention_model(comparison.clients, status[None]).alone()
    fit = fit_binary_mixed(
        model.outcome[0], model.fixed_effects[0], model.random_effects, quadrature_points=9
    )
    assert odds.estimate.value == pytest.approx(fit.values[1])
    risks = fit.standardised_risks({"x2": 1.0}, {"x2": 0.0})
    assert difference.estimate.value == pytest.approx(risks.compared.value - risks.reference.value)
    assert np.exp(ratio.estimate.value) == pytest.approx(risks.compared.value / risks.reference.value)
    assert "standard deviation" in odds.remarks[0]
    assert ratio.presentation == odds.presentation == "ratio"
    assert "ratio of the shares of clients retained" in ratio.estimand


def test_one_trainer_is_said_and_not_fitted(make_protocol, make_clients, make_spells):
    comparison, status = study(make_protocol, make_clients, make_spells, last=LAST, trainer=[0] * 24)
    assert model_estimates(comparison, status) == (
        (), ("A mixed model of retention is not fitted: it needs clients of two trainers or more.",)
    )  # fmt: skip


def test_trainers_of_one_arm_each_come_with_a_caution(make_protocol, make_clients, make_spells):
    trainer = np.arange(24) % 6
    comparison, status = study(
        make_protocol, make_clients, make_spells, last=LAST, trainer=trainer, arm=trainer % 2,
        deliver="one arm",
    )  # fmt: skip
    found, remarks = model_estimates(comparison, status)
    assert len(found) == 3
    assert "intervals of the mixed model are too narrow" in remarks[0]


def test_what_cannot_be_fitted_is_said(make_protocol, make_clients, make_spells):
    comparison, status = study(
        make_protocol, make_clients, make_spells, last=[200] * 24, trainer=np.arange(24) // 2 % 3
    )
    found, remarks = model_estimates(comparison, status)
    assert found == ()
    assert remarks[0].startswith("The mixed model of retention could not be fitted: ")
