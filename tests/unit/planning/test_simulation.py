"""Simulated studies: counted as the protocol decides, the same bits for any number of workers."""

from __future__ import annotations

import signal
from dataclasses import replace

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.planning.simulation import Measured, simulate_study
from studykit.planning.simulation_work import do_pieces
from studykit.protocol.protocol_file import read_protocol
from studykit.shipped import shipped
from studykit.trial.performance import with_exercises
from studykit.trial.settings import TrialSettings

FOUR = read_protocol(shipped("protocols") / "parallel.toml").protocol
ONE = with_exercises(FOUR, FOUR.continuous_outcomes[0].exercises[:1])


def with_roles(protocol, *roles):
    """The protocol with other roles of its outcomes."""
    outcomes = tuple(
        outcome.model_copy(update={"role": role})
        for outcome, role in zip(protocol.outcomes, roles, strict=True)
    )
    return protocol.model_copy(update={"outcomes": outcomes})


def test_power_and_type_one_error_come_from_the_same_studies() -> None:
    """A large effect is found, and 5 % of the null studies rejected (within binomial limits)."""
    settings = TrialSettings.from_protocol(ONE, clients=20)
    large = replace(settings, strength=replace(settings.strength, effects=(0.0, 0.9)))
    found = simulate_study(ONE, large, trials=600, seed=2).outcome("strength")
    assert found.with_effect.rejected.value > 0.8
    assert found.without_effect is not None
    assert 0.02 <= found.without_effect.rejected.value <= 0.085  # 5 % and 4 Monte Carlo errors
    assert found.width_low < found.width.value < found.width_high
    assert found.unit == "%"


def test_the_seed_fixes_the_bits_whatever_the_number_of_workers() -> None:
    alone, two = (simulate_study(ONE, clients=20, trials=600, seed=5, workers=workers) for workers in (1, 2))
    for first, second in zip(alone.outcomes, two.outcomes, strict=True):
        np.testing.assert_array_equal(first.estimates.value, second.estimates.value)
        assert first.with_effect == second.with_effect
        assert first.without_effect == second.without_effect
        assert first.width == second.width


def test_two_primary_outcomes_are_decided_by_holm() -> None:
    """Holm rejects no more than each at its full level, and what half the level rejects at least."""
    both = with_roles(ONE, "primary", "primary")
    settings = TrialSettings.from_protocol(ONE, clients=20)
    settings = replace(settings, strength=replace(settings.strength, effects=(0.0, 0.2)))
    found = simulate_study(both, settings, trials=300, seed=5, null_trials=False)
    for outcome in found.outcomes:
        p_value = outcome.estimates.p_value
        low, high = (p_value <= 0.025).sum(), (p_value <= 0.05).sum()
        assert low <= outcome.with_effect.rejected.count <= high
        assert "Holm over 2" in outcome.decided_by
    strength = found.outcome("strength")
    alone = simulate_study(both, settings, trials=300, seed=5, null_trials=False, only=["strength"])
    # What is left out counts as not rejected: Holm then asks for half the level.
    rejected = alone.outcome("strength").with_effect.rejected.count
    assert rejected == (strength.estimates.p_value <= 0.025).sum()


def test_failed_fits_are_no_rejections() -> None:
    found = simulate_study(ONE, clients=6, trials=100, seed=1, only=["strength"]).outcome("strength")
    assert found.with_effect.failed > 0
    assert found.with_effect.rejected.trials == 100


def test_a_stop_keeps_what_is_done() -> None:
    """The second piece is stopped by hand: the first is kept, and the answer says so."""

    def stop(done: int, _total: int) -> None:
        if done >= 250:
            raise KeyboardInterrupt

    found = simulate_study(ONE, clients=16, trials=700, seed=1, only=["strength"], tell=stop)
    assert found.stopped
    assert (found.trials, found.wanted) == (250, 700)
    whole = simulate_study(ONE, clients=16, trials=250, seed=1, only=["strength"])
    assert found.outcomes[0].with_effect == whole.outcomes[0].with_effect


@pytest.mark.parametrize("workers", [1, 2])
def test_ctrl_c_finishes_what_has_begun_and_begins_nothing(workers) -> None:
    """A real signal, sent by the progress of the first piece; afterwards Ctrl-C does what it did before."""
    before = signal.getsignal(signal.SIGINT)

    def press(done: int, _total: int) -> None:
        if done == 1:
            signal.raise_signal(signal.SIGINT)

    done = do_pieces(pow, (1,) * 2000, workers=workers, tell=press)
    assert done.stopped
    assert 1 <= len(done.results) < 2000  # pieces of a millisecond: many have begun before the first is told
    assert signal.getsignal(signal.SIGINT) is before


def test_a_second_ctrl_c_ends_at_once() -> None:
    with pytest.raises(KeyboardInterrupt):
        do_pieces(twice, (1, 1))


def twice(size: int, number: int) -> int:
    """A piece during which Ctrl-C is pressed twice."""
    signal.raise_signal(signal.SIGINT)
    signal.raise_signal(signal.SIGINT)
    return size + number


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"trials": 1}, "at least 2; found 1"),
        ({"workers": 0}, "a number from 1, or an address; found 0"),
        ({"only": ["grip"]}, "codes among retention, strength; found grip"),
    ],
)
def test_refuses_what_makes_no_sense(given, message) -> None:
    with pytest.raises(ArgumentError, match=message):
        simulate_study(ONE, clients=16, **{"trials": 4, **given})


def test_an_outcome_that_was_not_simulated_is_named() -> None:
    with pytest.raises(ArgumentError, match="one of strength; found grip"):
        simulate_study(ONE, clients=16, trials=4, only=["strength"]).outcome("grip")


def test_mean_of_nothing_is_not_known() -> None:
    assert np.isnan(Measured.mean_of(np.array([np.nan])).value)


def test_the_binary_model_stands_beside_the_shares_when_asked() -> None:
    """Its decisions mostly agree with the stratified comparison; null studies are rejected as promised."""
    found = simulate_study(ONE, clients=60, trials=300, seed=6, only=["retention"], retention_model=True)
    shares, model = found.outcomes
    assert model.supports
    assert model.name == "still training at the studio (mixed model)"
    assert model.unit == "log odds ratio"
    assert "supports" in model.decided_by
    assert model.with_effect.failed == 0
    agree = (shares.estimates.p_value <= 0.05) == (model.estimates.p_value <= 0.05)
    assert agree.mean() > 0.9
    assert np.corrcoef(shares.estimates.value, model.estimates.value)[0, 1] > 0.95
    assert model.without_effect is not None
    assert model.without_effect.rejected.value < 0.05 + 3.0 * 0.0126
    assert not found.outcome("retention").supports


def test_trainers_drawn_together_are_simulated() -> None:
    ready = read_protocol(shipped("protocols") / "trainers.toml").protocol
    found = simulate_study(ready, trials=40, seed=1, null_trials=False)
    assert found.outcome("strength").with_effect.failed == 0
