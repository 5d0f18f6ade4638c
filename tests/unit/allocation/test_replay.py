"""The method run again on the same clients."""

from collections import Counter
from fractions import Fraction

import numpy as np
import pytest

from studykit.allocation.acts import Allocation
from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.coins import BiasedCoin, Simple
from studykit.allocation.minimisation import Minimisation
from studykit.allocation.replay import enumerate_replays, replay, strata_as_levels
from studykit.errors import ArgumentError
from studykit.randomness import stream

BLOCKS = PermutedBlocks(("a", "b"), factors=("x",))
MINIMISED = Minimisation(("a", "b"), factors=("x", "y"), overall=1)
COIN = BiasedCoin(("a", "b"), factors=("x",))
SIMPLE = Simple(("a", "b"), ratio=(2, 1), factors=("x",))


def made(method, clients, seed=1, first=0):
    """Allocations as a ledger would give them."""
    rng = stream(seed, "made", first)
    allocations = []
    levels = rng.integers(2, size=(1, clients, len(method.factors)))
    for client, arm in enumerate(method.simulate(levels, rng)[0]):
        stratum = {
            factor: f"L{level}" for factor, level in zip(method.factors, levels[0, client], strict=True)
        }
        allocations.append(
            Allocation(
                client=f"C{first + client:03d}",
                arm=method.arms[arm],
                position=first + client + 3,
                by="OW",
                entry_time="",
                stratum=stratum,
                facts={},
                probabilities={},
                method=method.describe(),
                entropy="",
                entropy_source="",
                machine="",
                code="",
                corrected={},
            )
        )
    return allocations


def row_counts(replayed):
    return Counter(map(tuple, replayed.drawn.tolist()))


@pytest.mark.parametrize(
    "method", [BLOCKS, MINIMISED, COIN, SIMPLE], ids=lambda method: type(method).__name__
)
def test_replays_have_the_exact_distribution(method):
    """6 clients, 20,000 replays against every run and its exact probability (4.5 standard errors)."""
    allocations = made(method, 6)
    listed = enumerate_replays(allocations)
    assert listed.is_exact
    assert listed.probability.sum() == pytest.approx(1.0, abs=1e-12)
    assert tuple(listed.observed) in set(map(tuple, listed.drawn.tolist())), (
        "what happened is one of the runs"
    )
    counts = row_counts(replay(allocations, replicates=20_000, rng=stream(2, "replay")))
    for run, share in zip(map(tuple, listed.drawn.tolist()), listed.probability, strict=True):
        assert abs(counts.pop(run, 0) - 20_000 * share) <= 4.5 * (20_000 * share * (1 - share)) ** 0.5
    assert not counts, "no replay that could not have come"


@pytest.mark.parametrize(
    "later", [PermutedBlocks(("a", "b"), block_sizes=(4,), factors=("x",)), COIN, SIMPLE]
)
def test_an_amended_method_is_replayed_as_it_was_in_force(later):
    """Blocks first, another method from the fourth client on; against enumeration, 1,500 replays."""
    allocations = made(BLOCKS, 3) + made(later, 3, first=3)
    listed = enumerate_replays(allocations)
    counts = row_counts(replay(allocations, replicates=1_500, rng=stream(3, "amended")))
    for run, share in zip(map(tuple, listed.drawn.tolist()), listed.probability, strict=True):
        assert abs(counts.pop(run, 0) - 1_500 * share) <= 4.5 * (1_500 * share * (1 - share)) ** 0.5
    assert not counts


def test_arms_of_every_method_are_named():
    allocations = made(SIMPLE, 2) + made(Simple(("b", "c"), factors=("x",)), 2, first=2)
    replayed = replay(allocations, replicates=50, rng=stream(4, "arms"))
    assert replayed.arms == ("a", "b", "c")
    assert replayed.clients == ("C000", "C001", "C002", "C003")
    assert set(np.unique(replayed.drawn[:, 2:])) == {1, 2}
    assert [replayed.arms[arm] for arm in replayed.observed] == [one.arm for one in allocations]
    assert not replayed.drawn.flags.writeable


def test_the_stratum_at_allocation_counts_not_the_corrected_one():
    """The draw depended on what the method was told."""
    import dataclasses

    allocations = made(PermutedBlocks(("a", "b"), block_sizes=(2,), factors=("x",)), 4, seed=5)
    corrected = [dataclasses.replace(one, corrected={"x": "other"}) for one in allocations]
    first = replay(allocations, replicates=20, rng=stream(5, "same"))
    second = replay(corrected, replicates=20, rng=stream(5, "same"))
    assert np.array_equal(first.drawn, second.drawn)


def test_too_many_to_list():
    assert enumerate_replays(made(SIMPLE, 8), limit=255) is None
    assert len(enumerate_replays(made(SIMPLE, 8), limit=256).drawn) == 256


def test_nothing_to_replay():
    with pytest.raises(ArgumentError, match="at least one allocation and one replicate"):
        replay([], replicates=10, rng=stream(1, "none"))
    with pytest.raises(ArgumentError, match="at least one allocation and one replicate"):
        replay(made(SIMPLE, 1), replicates=0, rng=stream(1, "none"))


def test_levels_are_numbered_by_factor():
    levels = strata_as_levels([{"x": "b", "y": "1"}, {"x": "a", "y": "1"}], ("x", "y"))
    assert levels.tolist() == [[1, 0], [0, 0]]
    assert strata_as_levels([{}, {}], ()).shape == (2, 0)


@pytest.mark.slow
def test_size_under_minimisation_with_a_time_trend():
    """The use of a replay: the test keeps its size though outcomes drift with enrolment.

    400 null studies of 24 clients, 99 replays each, p = (b + 1)/(m + 1) <= .05; expected .05 exactly for
    continuous outcomes, Monte Carlo standard error .0109; the limit is 3 of them.
    """
    rejected = 0
    trend = np.linspace(0.0, 4.0, 24)
    for study in range(400):
        allocations = made(MINIMISED, 24, seed=study)
        rng = stream(study, "trend")
        outcome = trend + rng.normal(size=24)
        replayed = replay(allocations, replicates=99, rng=rng)
        rows = np.vstack([replayed.observed, replayed.drawn])
        number = np.stack([(rows == 0).sum(axis=1), (rows == 1).sum(axis=1)])
        means = [(outcome * (rows == arm)).sum(axis=1) / np.maximum(number[arm], 1) for arm in (0, 1)]
        statistic = np.abs(means[0] - means[1])
        rejected += (statistic >= statistic[0]).sum() / 100 <= 0.05
    assert abs(rejected / 400 - 0.05) < 3 * (0.05 * 0.95 / 400) ** 0.5


def test_fractions_of_the_listed_runs_are_exact():
    """Blocks of two: four runs of four clients in one stratum, a quarter each."""
    method = PermutedBlocks(("a", "b"), block_sizes=(2,))
    listed = enumerate_replays(made(method, 4))
    assert len(listed.drawn) == 4
    assert {Fraction(share) for share in listed.probability.tolist()} == {Fraction(1, 4)}


@pytest.mark.parametrize(
    "method",
    [BLOCKS, PermutedBlocks(("a", "b"), ratio=(2, 1), block_sizes=(3, 6)), MINIMISED, COIN, SIMPLE],
    ids=lambda method: type(method).__name__,
)
@pytest.mark.parametrize("clients", [1, 5, 8])
def test_a_list_that_fits_is_never_given_up(method, clients):
    """The quick look at how many sequences there are at least must not be higher than their number."""
    allocations = made(method, clients)
    number = len(enumerate_replays(allocations).drawn)
    assert enumerate_replays(allocations, limit=number) is not None
    assert enumerate_replays(allocations, limit=number - 1) is None


@pytest.mark.parametrize(
    "method", [BLOCKS, MINIMISED, COIN, SIMPLE], ids=lambda method: type(method).__name__
)
def test_a_hopeless_list_is_not_begun(method, calls):
    """Listing 80 clients takes millions of calls before it is given up; the quick look a few for each."""
    allocations = made(method, 80)
    assert enumerate_replays(allocations) is None
    assert calls(lambda: enumerate_replays(allocations)) < 50 * 80
