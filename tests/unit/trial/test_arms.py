"""Arms of simulated trials."""

import numpy as np
import pytest

from studykit.allocation.coins import Simple
from studykit.errors import ArgumentError
from studykit.protocol.protocol_file import read_protocol
from studykit.protocol.types import Protocol
from studykit.randomness import stream
from studykit.shipped import shipped
from studykit.trial.models import ClientFactor, RetentionModel, StrengthModel
from studykit.trial.settings import TrialSettings
from studykit.trial.simulated_clients import allocation_method, draw_arms, simulate_clients, stratum_levels

SEX = ClientFactor("sex", ("female", "male"), (0.6, 0.4))


def drawn(settings, trials=200):
    traits = simulate_clients(settings, trials, stream(2, "clients"))
    return traits, draw_arms(settings, traits, stream(2, "arms"))


def test_arms_balance_within_every_stratum():
    """Blocks of at most 4 leave at most 2 clients of difference in a stratum (definition of the method)."""
    settings = TrialSettings(clients=60, trainers=3, factors=(SEX,), strata=("trainer", "sex"))
    traits, arms = drawn(settings)
    for trainer in range(3):
        for sex in range(2):
            inside = (traits.trainer == trainer) & (traits.levels[0] == sex)
            difference = ((arms == 1) & inside).sum(axis=1) - ((arms == 0) & inside).sum(axis=1)
            assert np.abs(difference).max() <= 2


def test_without_strata_the_whole_trial_is_one():
    traits, arms = drawn(TrialSettings(clients=40, strata=()))
    assert np.abs(arms.sum(axis=1) - 20).max() <= 1
    assert arms.shape == traits.trainer.shape


def test_trainers_of_one_arm_pass_it_on():
    settings = TrialSettings(clients=40, trainers=4, trainers_deliver="one arm", strata=())
    traits, arms = drawn(settings)
    for trial in range(20):
        of_trainer = [set(arms[trial, traits.trainer[trial] == trainer].tolist()) for trainer in range(4)]
        assert all(len(found) == 1 for found in of_trainer)
        assert sum(found == {1} for found in of_trainer) == 2


def test_unequal_ratio_and_three_arms():
    settings = TrialSettings(
        clients=48,
        arms=("conventional", "partner_reps", "lighter_set"),
        ratio=(2, 1, 1),
        block_sizes=(4, 8),
        strata=(),
        strength=StrengthModel(effects=(0.0, 0.1, 0.1)),
        retention=RetentionModel(retained=(0.7, 0.7, 0.7)),
    )
    _, arms = drawn(settings)
    counts = np.array([np.bincount(row, minlength=3) for row in arms])
    assert np.abs(counts - [24, 12, 12]).max() <= 4


def test_stratum_levels_are_trainers_or_factors():
    settings = TrialSettings(clients=10, trainers=2, factors=(SEX,), strata=("sex",))
    traits, _ = drawn(settings, trials=3)
    np.testing.assert_array_equal(stratum_levels(settings, traits, "trainer"), traits.trainer)
    np.testing.assert_array_equal(stratum_levels(settings, traits, "sex"), traits.levels[0])


@pytest.mark.parametrize("method", ["minimisation", "biased coin", "simple"])
def test_a_simulated_trial_is_drawn_as_its_protocol_says(method):
    """Binomial, exact: simple draws of 40 differ between arms by the root of 40, in the root mean square."""
    ready = read_protocol(shipped("protocols") / "parallel.toml").protocol.model_dump()
    ready["allocation"] = {"method": method, "strata": ("trainer", "sex")}
    settings = TrialSettings.from_protocol(Protocol.model_validate(ready), clients=40)
    assert allocation_method(settings).describe()["method"] == method
    _, arms = drawn(settings, trials=2000)
    off = 2 * np.sqrt(((arms.sum(axis=1) - 20) ** 2).mean())
    if method == "simple":
        assert off == pytest.approx(np.sqrt(40), rel=0.06)
    else:
        assert off < 5.0


def test_simple_draws_keep_an_unequal_ratio():
    ready = read_protocol(shipped("protocols") / "parallel.toml").protocol.model_dump()
    ready["allocation"] = {"method": "simple"}
    ready["arms"][0]["ratio"] = 2
    settings = TrialSettings.from_protocol(Protocol.model_validate(ready), clients=60)
    _, arms = drawn(settings, trials=2000)
    assert arms.mean() == pytest.approx(1 / 3, abs=0.006)  # four standard errors of 120,000 draws


def test_method_and_settings_name_the_same_strata():
    with pytest.raises(ArgumentError, match="the same arms and strata as the settings"):
        TrialSettings(method=Simple(("conventional", "partner_reps")), strata=("trainer",))
