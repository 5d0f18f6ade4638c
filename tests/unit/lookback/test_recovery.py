"""The machinery of the validity study; its figures, from the script in analysis/, are in DEVELOPERS.md."""

import dataclasses
import math

import numpy as np
import pytest

from analysis.look_back_recovery import STUDIOS, Found, own_truths, recover, summarise


def test_truths_without_effect_are_nothing_and_with_it_favour_partner_reps():
    nothing = own_truths(STUDIOS["no effect"], clients=1500, repeats=2)
    assert all(abs(value) < 1e-9 for value, _ in nothing.values())
    effect = own_truths(STUDIOS["effect 0.7"], clients=2000, repeats=2)
    assert effect["session clock, ratio"] == (math.log(0.7), 0.0)
    # Clients without partner reps on the landmark may still begin: their contrast is a weaker one.
    for landmark in (28, 84):
        assert math.log(0.7) < effect[f"landmark {landmark}, ratio"][0] < 0.0
    assert effect["session clock, difference"][0] < effect["strategies from joining, difference"][0] < 0.0
    assert set(nothing) == set(effect)


def test_studios_are_simulated_and_summed_up_the_same_for_any_number_of_workers():
    truth = dataclasses.replace(STUDIOS["effect 0.7"], clients=150)
    one, two = (
        recover(truth, range(3), workers=workers, truth_clients=400, truth_repeats=2) for workers in (1, 2)
    )
    assert one[0].name == "naive, ratio"
    for first, second in zip(one, two, strict=True):
        assert (first.name, first.studios) == (second.name, second.studios)
        # To the last bits: linear algebra may use more threads in one process than in workers.
        assert first.bias == pytest.approx(second.bias, rel=1e-6, nan_ok=True)
        assert first.mean_standard_error == pytest.approx(second.mean_standard_error, rel=1e-6, nan_ok=True)
    naive = one[0]
    assert naive.studios == 3
    assert naive.bias < -0.3


def test_a_summary_counts_refusals_and_intervals():
    found = [Found(0.1, -0.2, 0.4, 0.15), Found(0.3, 0.05, 0.6, 0.14), None]
    row = summarise("x", 0.0, 0.03, found)
    assert (row.studios, row.refused, row.coverage.value) == (2, 1, 0.5)
    assert row.bias == pytest.approx(0.2)
    assert row.bias_error == pytest.approx(math.hypot(np.std([0.1, 0.3], ddof=1) / math.sqrt(2), 0.03))
    assert math.isnan(summarise("x", 0.0, 0.0, [None]).bias)
