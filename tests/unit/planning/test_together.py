"""How many studios: the table of an independent calculation, its simulated counterparts, what is said."""

from __future__ import annotations

import math

import pytest
from scipy.stats import nct
from scipy.stats import t as student

from studykit.planning.plan import plan_study
from studykit.planning.plan_text import plan_text
from studykit.planning.together import (
    MOST,
    StudiosNeeded,
    Together,
    like_power,
    simulated_power,
    these_power,
    together_in_short,
    together_sentences,
)
from studykit.protocol.protocol_file import read_protocol
from studykit.protocol.types import Protocol
from studykit.report.plan_page import render_plan
from studykit.shipped import shipped

SD = 0.25 * math.sqrt(1.0 - 0.88**2) * math.sqrt((1.0 + 3 * 0.4) / 4)
"""Of the composite of four exercises, adjusted for the test before."""


@pytest.fixture(scope="module")
def protocol() -> Protocol:
    return read_protocol(shipped("protocols") / "parallel.toml").protocol


def error_of(tested: int) -> float:
    return 2.0 * SD * math.sqrt((1.0 + 1.0 / (tested - 4)) / tested)


def needed(power_of: object, first: int) -> int:
    studios = first
    while power_of(studios) < 0.8:  # type: ignore[operator]
        studios += 1
    return studios


# Worked out apart from this code by scipy's noncentral t: these studios; like these, spread .02 and .05.
TABLE = {
    (2.0, 24): (28, 38, 80), (2.0, 40): (17, 26, 68), (2.0, 80): (8, 18, 60),
    (2.5, 24): (18, 25, 52), (2.5, 40): (11, 18, 45), (2.5, 60): (7, 14, 41),
    (3.0, 24): (13, 18, 37), (3.0, 60): (5, 11, 30), (3.0, 80): (4, 10, 28),
}  # fmt: skip


@pytest.mark.parametrize(("per_cent", "tested"), TABLE)
def test_the_formula_gives_the_table(per_cent: float, tested: int) -> None:
    effect, error = math.log1p(per_cent / 100.0), error_of(tested)
    found = (
        needed(lambda k: these_power(effect, error, tested - 3, k), 2),
        *(needed(lambda k, s=spread: like_power(effect, error, s, k), 5) for spread in (0.02, 0.05)),
    )
    assert found == TABLE[per_cent, tested]


def test_the_formula_is_the_noncentral_t() -> None:
    error, spread, studios = error_of(42), 0.02, 12
    centre = 0.025 / math.sqrt((error**2 + spread**2) / studios)
    critical = student.ppf(0.975, studios - 1)
    both = nct.sf(critical, studios - 1, centre) + nct.cdf(-critical, studios - 1, centre)
    assert like_power(0.025, error, spread, studios) == pytest.approx(both, rel=1e-9)


@pytest.mark.parametrize(
    ("studios", "tested", "spread", "simulated"),
    [(5, 60, 0.0, 28.8), (5, 60, 0.02, 22.4), (10, 42, 0.0, 64.0), (20, 42, 0.02, 88.2)],
)
def test_what_is_simulated_agrees_with_an_earlier_simulation(
    studios: int, tested: int, spread: float, simulated: float
) -> None:
    # 2,000 data sets here and there: three Monte Carlo errors of their difference are 4.7 points at 50 %.
    error = 2.0 * 0.25 * math.sqrt(1.0 - 0.936**2) * math.sqrt((1.0 + 1.0 / (tested - 4)) / tested)
    found = 100.0 * simulated_power(math.log(1.025), error, tested - 3, spread, studios)
    assert found == pytest.approx(simulated, abs=4.7)
    if spread == 0.0:
        assert 100.0 * like_power(math.log(1.025), error, spread, studios) > found + 5.0


def test_where_other_studios_are_to_be_joined_the_plan_says_how_many(protocol: Protocol) -> None:
    plan = plan_study(protocol, clients=40)
    assert plan.recommendation.action == "change the design"
    assert "join other studios" in plan.recommendation.otherwise
    together = plan.together
    assert together is not None
    assert [item.difference for item in together.strength] == [2.0, 2.5, 3.0]
    known = plan["strength"].planned
    assert together.enough_clients[0] == math.ceil(
        known.standard_error**2 * sum(known.tested_per_arm) / 0.02**2
    )
    for item in together.strength:
        assert item.these is not None
        assert all(number is not None and number > item.these for number in item.like)
        assert item.simulated == (True, False, False)
    wanted = plan["retention"].clients_to_find(10.0)
    assert wanted is not None
    assert together.retention[1] == StudiosNeeded(10.0, math.ceil(wanted / 40))
    text, page = plan_text(plan), render_plan(plan, protocol)
    for line in together_in_short(together):
        assert f"- {line}" in text
    assert "Joining other studios" in page
    first = together.strength[0]
    assert f'<td class="number" data-label="these studios">{first.these}</td>' in page
    assert f"{first.like[0]}*</td>" in page


def test_where_one_studio_is_enough_nothing_is_said_of_others(protocol: Protocol) -> None:
    plan = plan_study(protocol, clients=400)
    assert plan.recommendation.action == "run"
    assert plan.together is None
    assert "Joining other studios" not in plan_text(plan) + render_plan(plan, protocol)


def test_the_sentences() -> None:
    strength = (StudiosNeeded(2.0, 24, (28, 33, None), (True, False, False)),)
    together = Together(40, 0.8, strength, (StudiosNeeded(5.0, 63), StudiosNeeded(10.0, None)), (82, 13))
    assert together_in_short(together) == (
        (
            "Strength, 2 %: 24 studios of 40 clients to answer for these studios; 33 for studios like these "
            "that differ by 2 %."
        ),
        (
            f"Who stays: 5 points: 63; 10 points: over {MOST}. From 82 tested clients a studio on, only more "
            "studios help. More on the page."
        ),
    )
    assert together_sentences(together) == (
        "Studios of 40 clients each, all by this protocol, to find a true difference 80 of 100 times.",
        (
            "Strength, 2 %: 24 for these studios; for studios like these 28* if they differ by 0 %, 33 if "
            f"they differ by 2 %, over {MOST} if they differ by 5 %."
        ),
        f"Who stays, in these studios only: 5 points: 63; 10 points: over {MOST} studios.",
        (
            "For studios like these, more clients soon stop helping: from 82 tested clients a studio at 2 % "
            "and 13 tested clients a studio at 5 % on, only more studios do."
        ),
        "How far effects differ between studios is not known: 2 % and 5 % are judgement. A star: simulated.",
        "To begin: studykit studios new LIST --study STUDY --closes DATE --due DATE.",
    )
