"""Simple randomisation and Efron's biased coin against published and exact values (R06 to R12)."""

from __future__ import annotations

from fractions import Fraction

import pytest

from studykit.allocation.coins import BiasedCoin, Simple

TO_SIX_DIGITS = 5.1e-7  # six decimals; 2.4609375 is printed with its half rounded up
CLIENTS_FOR_LIMIT = 400  # the chain forgets its start geometrically; 400 steps leave less than 1e-9


def leads(method, clients):
    """Exact distribution of the lead of the first arm after every number of clients."""
    starts = {0: (Fraction(1) if clients < 100 else 1.0, method.start())}
    steps = [{0: starts[0][0]}]
    for _ in range(clients):
        following: dict = {}
        for lead, (share, state) in starts.items():
            for step, arm, probability in zip(
                (1, -1), method.arms, method.next_probabilities(state, {}), strict=True
            ):
                exact = probability if isinstance(share, Fraction) else float(probability)
                known = following.get(lead + step, (0, None))[0]
                following[lead + step] = (known + share * exact, method.after(state, {}, arm))
        starts = following
        steps.append({lead: share for lead, (share, _) in starts.items()})
    return steps


@pytest.fixture(scope="module")
def fair():
    return leads(Simple(("a", "b")), 200)


@pytest.fixture(scope="module")
def coin():
    return leads(BiasedCoin(("a", "b")), 21)


@pytest.fixture(scope="module")
def long_coin():
    return leads(BiasedCoin(("a", "b")), CLIENTS_FOR_LIMIT)


@pytest.mark.parametrize(
    ("clients", "expected"), [(10, 2.460938), (20, 3.523941), (50, 5.613759), (100, 7.958924)]
)
def test_mean_imbalance_of_simple_randomisation(fair, clients, expected):
    """R06: E|n_A - n_B|, binomial distribution, derived."""
    mean = sum(abs(lead) * float(share) for lead, share in fair[clients].items())
    assert mean == pytest.approx(expected, abs=TO_SIX_DIGITS)


@pytest.mark.parametrize(
    ("clients", "expected"), [(20, 0.503445), (50, 0.202639), (100, 0.056888), (200, 0.005685)]
)
def test_chance_of_sixty_to_forty_or_worse(fair, clients, expected):
    """R07: binomial distribution, derived (Lachin 1988 tabulates the same kind of chance)."""
    chance = sum(float(share) for lead, share in fair[clients].items() if abs(lead) >= clients // 5)
    assert chance == pytest.approx(expected, abs=TO_SIX_DIGITS)


@pytest.mark.parametrize(
    ("clients", "expected"), [(2, 2 / 3), (4, 0.592593), (6, 0.559671), (10, 0.530001), (20, 0.508311)]
)
def test_chance_of_exact_balance(coin, clients, expected):
    """R08: Efron 1971, p = 2/3, even numbers; exact Markov chain."""
    assert float(coin[clients][0]) == pytest.approx(expected, abs=TO_SIX_DIGITS)


@pytest.mark.parametrize(
    ("clients", "expected"), [(3, 0.888889), (5, 0.839506), (11, 0.783620), (21, 0.760001)]
)
def test_chance_of_a_lead_of_one(coin, clients, expected):
    """R09: Efron 1971, p = 2/3, odd numbers."""
    assert float(coin[clients][1] + coin[clients][-1]) == pytest.approx(expected, abs=TO_SIX_DIGITS)


@pytest.mark.parametrize(
    "p", [Fraction(3, 5), Fraction(7, 10), Fraction(3, 4), Fraction(4, 5), Fraction(9, 10)]
)
def test_limits_for_other_coins(p):
    """R10: even balance tends to 1 - 1/r with r = p/(1 - p): 1/3, .57143, 2/3, 3/4, .88889."""
    method = BiasedCoin(("a", "b"), behind_probability=p)
    expected = {"3/5": 1 / 3, "7/10": 0.57143, "3/4": 2 / 3, "4/5": 3 / 4, "9/10": 0.88889}[str(p)]
    assert leads(method, CLIENTS_FOR_LIMIT)[-1][0] == pytest.approx(expected, abs=5e-6)


def test_limits_of_balance_and_imbalance(long_coin):
    """R08, R09, R11: limits 1/2 and 3/4; E|D| 4/3 and E D squared 40/9 over even numbers."""
    even, odd = long_coin[-1], long_coin[-2]
    assert even[0] == pytest.approx(1 / 2, abs=1e-9)
    assert odd[1] + odd[-1] == pytest.approx(3 / 4, abs=1e-9)
    assert sum(abs(lead) * share for lead, share in even.items()) == pytest.approx(4 / 3, abs=1e-9)
    assert sum(lead**2 * share for lead, share in even.items()) == pytest.approx(40 / 9, abs=1e-9)


def test_chance_of_a_correct_guess(long_coin):
    """R12: 1/2 + (r - 1)/(4r) = .625 in the long run for p = 2/3 (Efron 1971, from memory)."""
    guesses = [
        sum(share * (1 / 2 if lead == 0 else 2 / 3) for lead, share in long_coin[-place].items())
        for place in (1, 2)
    ]
    assert sum(guesses) / 2 == pytest.approx(0.625, abs=1e-9)
