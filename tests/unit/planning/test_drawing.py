"""What the way of drawing promises, printed before the first client."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.stats import binom

from studykit.planning.drawing import foreseen_drawing
from studykit.planning.plan import plan_study
from studykit.planning.plan_text import plan_text
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.types import Protocol
from studykit.report.plan_page import render_plan
from studykit.shipped import shipped

READY = parse_protocol((shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")).protocol


def drawn_by(method: str, **settings: object) -> Protocol:
    allocation = {"method": method, "strata": ("trainer", "sex"), **settings}
    return Protocol.model_validate({**READY.model_dump(), "allocation": allocation})


def test_simple_draws_are_those_of_a_fair_coin() -> None:
    """Binomial: the mean distance from half, exact; half of all guesses right, none for certain."""
    seen = foreseen_drawing(drawn_by("simple"), clients=40)
    assert seen is not None
    numbers = np.arange(41)
    exact = float((np.abs(numbers - 20) * binom.pmf(numbers, 40, 0.5)).sum())
    spread = float(np.sqrt(((np.abs(numbers - 20) - exact) ** 2 * binom.pmf(numbers, 40, 0.5)).sum()))
    assert seen.mean_imbalance == pytest.approx(exact, abs=4 * spread / np.sqrt(seen.trials))
    assert seen.certain_share == 0.0
    assert seen.correct_guess_share == pytest.approx(0.5)


def test_one_block_size_of_two_gives_every_second_draw_away() -> None:
    """R03-R12, by hand: without strata every second client is certain, so three guesses of four are right."""
    seen = foreseen_drawing(drawn_by("permuted blocks", block_sizes=(2,), strata=()), clients=40)
    assert seen is not None
    assert seen.certain_share == 0.5
    assert seen.correct_guess_share == 0.75
    assert seen.mean_imbalance == 0.0


def test_a_biased_coin_is_guessed_at_the_long_run_rate_of_its_source() -> None:
    """Efron 1971: with chance p and q = 1 - p the best guess is right 1/2 + (p - q)/(4p) of the time.

    The walk of the lead is at zero for (p - q) / (2p) of the draws, by its balance equations; from memory,
    and worked out here: a guess there is right by half, everywhere else with p.
    """
    p = 0.75
    even = (1 - (1 - p) / p) / 2
    long_run = even * 0.5 + (1 - even) * p
    seen = foreseen_drawing(drawn_by("biased coin", chance=p, strata=()), clients=400)
    assert seen is not None
    assert seen.correct_guess_share == pytest.approx(long_run, abs=0.02)  # five studies of 400 clients


def test_minimisation_keeps_the_arms_more_even_than_simple_draws() -> None:
    minimised = foreseen_drawing(drawn_by("minimisation", overall=1), clients=40)
    simple = foreseen_drawing(drawn_by("simple"), clients=40)
    assert minimised is not None
    assert simple is not None
    assert minimised.mean_imbalance < simple.mean_imbalance / 2
    assert minimised.certain_share == 0.0
    assert 0.5 < minimised.correct_guess_share <= 0.8


def test_nothing_is_promised_where_nothing_is_drawn_here() -> None:
    assert foreseen_drawing(drawn_by("external", strata=()), clients=40) is None
    document = READY.model_dump()
    document["trainers"]["deliver"] = "one arm"
    assert foreseen_drawing(Protocol.model_validate(document), clients=40) is None
    plan = plan_study(drawn_by("external", strata=()))
    assert plan.drawing is None
    assert "What drawing clients" not in plan_text(plan)
    assert "How clients are drawn" not in render_plan(plan, READY)


def test_the_same_protocol_gives_the_same_figures() -> None:
    assert foreseen_drawing(READY, clients=24) == foreseen_drawing(READY, clients=24)


@pytest.mark.parametrize("method", ["permuted blocks", "minimisation"])
def test_a_large_study_is_foreseen_with_as_much_work_as_a_small_one(
    method: str, calls: Callable[..., int]
) -> None:
    """A plan is read while somebody waits: more clients, fewer trials; some 500,000 calls are about 0.5 s."""
    for clients in (12, 40, 400):
        assert foreseen_drawing(drawn_by(method), clients=clients) is not None
        work = calls(lambda clients=clients: foreseen_drawing(drawn_by(method), clients=clients))
        assert work < 600_000, clients


def test_summary_and_page_show_it() -> None:
    plan = plan_study(READY)
    assert plan.drawing is not None
    text, page = plan_text(plan), render_plan(plan, READY)
    assert "What drawing clients by permuted blocks promises" in text
    assert f"guesses {100 * plan.drawing.correct_guess_share:.0f} % right (50 % by luck)" in text
    assert "How clients are drawn" in page
    assert "draws that can be foreseen for certain" in page


def test_the_plan_says_what_the_design_cannot_give() -> None:
    """F08: the smallest attainable p-value stands in the plan."""
    document = READY.model_dump()
    document["trainers"]["deliver"] = "one arm"
    document["planning"]["trainers"] = 6
    plan = plan_study(Protocol.model_validate(document))
    assert any("below 0.100" in finding.got for finding in plan.findings)
