"""Operating characteristics of the trial's primary retention analysis, by simulation.

Oracle: the nominal level itself. 6 trainers with 12 clients each, 6 per arm, both arms with every trainer;
share retained .5 to .9; trainers alike or different (SD 0.7 on the logit scale). Every limit is the wanted
range (coverage 93.5 to 96.5 %, size 3.5 to 6.5 %) and the simulated value must not lie outside it by more
than three Monte Carlo errors: sqrt(.95 * .05 / 3000) = 0.4 %. At 20,000 trials each the coverage was 94.8
to 96.3 %, the size 4.7 to 5.2 %. With a share of .95 or more in one arm the interval is wider than it need be
(96.4 to 97.0 % at .90 against .95).
"""

import numpy as np
import pytest

from studykit.randomness import stream
from studykit.retention.risk_difference import risk_differences

TRIALS, TRAINERS, PER_ARM = 3000, 6, 6
MONTE_CARLO = 3.0 * np.sqrt(0.95 * 0.05 / TRIALS)


def simulate(share, difference, spread, seed):
    """Numbers retained in trials whose difference is the same at every trainer."""
    generator = stream(
        seed, "retention coverage", int(1000 * share), int(1000 * difference), int(10 * spread)
    )
    logit = np.log(share / (1.0 - share)) + spread * generator.normal(size=(TRIALS, TRAINERS))
    reference = np.clip(1.0 / (1.0 + np.exp(-logit)), 0.02, 0.98 - difference)
    both = np.stack((reference, reference + difference), axis=-1)
    return generator.binomial(PER_ARM, both), np.full((TRIALS, TRAINERS, 2), PER_ARM)


@pytest.mark.parametrize("spread", [0.0, 0.7])
@pytest.mark.parametrize(
    ("share", "difference"), [(0.5, 0.0), (0.7, 0.0), (0.9, 0.0), (0.5, 0.2), (0.7, 0.15)]
)
def test_coverage_and_size(share, difference, spread):
    retained, clients = simulate(share, difference, spread, seed=20)
    results = risk_differences(retained, clients)
    covered = np.mean((results.lower <= difference) & (difference <= results.upper))
    assert 0.935 - MONTE_CARLO <= covered <= 0.965 + MONTE_CARLO
    if difference == 0.0:
        size = np.mean(results.p_value < 0.05)
        assert 0.035 - MONTE_CARLO <= size <= 0.065 + MONTE_CARLO


@pytest.mark.parametrize(("share", "difference"), [(0.7, 0.0), (0.7, 0.15)])
def test_the_estimate_has_no_bias(share, difference):
    retained, clients = simulate(share, difference, 0.7, seed=21)
    value = risk_differences(retained, clients).value
    assert abs(value.mean() - difference) <= 3.0 * value.std() / np.sqrt(TRIALS)


def test_trainers_that_differ_make_the_unstratified_test_too_timid():
    """Why strata: with trainers far apart the pooled score test rejects too seldom."""
    retained, clients = simulate(0.7, 0.0, 1.5, seed=22)
    stratified = np.mean(risk_differences(retained, clients).p_value < 0.05)
    pooled = risk_differences(retained.sum(axis=1, keepdims=True), clients.sum(axis=1, keepdims=True))
    assert stratified >= 0.04 - MONTE_CARLO
    assert np.mean(pooled.p_value < 0.05) <= 0.035 + MONTE_CARLO
