"""Costs, improvements, chances, looks and the pilot of a plan."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from studykit.outcomes.boundaries import LookBoundary, spending_boundaries
from studykit.planning.assumptions import Assumptions
from studykit.planning.costs import plan_costs
from studykit.planning.interim import cost_of_looks, looks_sentences, plan_looks
from studykit.planning.pilot import pilot_sentences, plan_pilot, rate_outlook, share_outlook, spread_factor
from studykit.planning.plan import plan_study
from studykit.planning.plan_text import plan_text
from studykit.planning.power import ErrorAndFreedom, assurance, assurance_by_t, averaged
from studykit.planning.session_counts import sessions_attended
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.types import Protocol
from studykit.shipped import shipped

READY = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")


def protocol(*pairs: tuple[str, str]) -> Protocol:
    text = READY
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return parse_protocol(text).protocol


def test_costs_are_counted_by_hand() -> None:
    """40 clients, three visits of 50 minutes, 4 a month, 30 of 100 asked join, 26 weeks of training."""
    found = plan_costs(protocol(), Assumptions(protocol()), clients=40, counts=(20, 40, 80))
    point = found.planned
    assert (found.visits, found.exercises, found.test_minutes) == (3, 4, 50.0)
    assert point.people_asked == math.ceil(40 / 0.3)
    assert point.months_of_recruitment == 10.0
    assert point.months_in_all == pytest.approx(10.0 + 210 / (365.25 / 12))
    assert (point.test_visits, point.test_hours, point.talk_hours) == (120, 100.0, 20.0)
    # two exercises with 10 + 3 x (3 + 4) seconds, half of the clients, 26 weeks x 2 x 0.76
    assert point.extra_hours == pytest.approx(20 * 26 * 2 * 0.76 * 1.03 / 60)
    assert point.money is None
    double = found.curve[-1]
    assert double.hours == pytest.approx(2 * point.hours)


def test_money_where_an_hour_has_a_cost() -> None:
    stated = protocol(
        ("[planning.pauses]", '[planning.hour_cost]\nvalue = 40.0\nsource = "own books"\n\n[planning.pauses]')
    )
    plan = plan_study(stated)
    assert plan.costs is not None
    assert plan.costs.planned.money == pytest.approx(40.0 * plan.costs.planned.hours)
    assert "in money" in plan_text(plan)
    assert "hour_cost" in {item.key for item in plan.assumptions}


def test_what_would_be_sharper_is_sharper() -> None:
    plan = plan_study(protocol())
    for item in plan.improvements:
        if item.outcome == "strength":
            assert item.half_width is not None
            assert item.half_width < plan["strength"].planned.half_width
    changes = " ".join(item.change for item in plan.improvements)
    for words in ("twice as long", "3 studios", "6 machines", "one side", "sessions attended"):
        assert words in changes
    sides = next(item for item in plan.improvements if "one side" in item.change)
    assert "nothing on retention" in sides.price


def test_sessions_by_simulation() -> None:
    """200,000 clients who come at their own rate until they leave: Monte Carlo error of the mean 0.04."""
    rng = np.random.default_rng(13)
    leaving = 26 * (rng.exponential(size=200_000) / -math.log(0.7)) ** (1 / 0.85)
    rate = 1.5 * rng.gamma(1 / 0.09, 0.09, 200_000)
    sessions = rng.poisson(rate * np.minimum(leaving, 26.0))
    found = sessions_attended(0.7, weeks=26, a_week=1.5, spread=0.3, shape=0.85)
    assert found.mean == pytest.approx(sessions.mean(), abs=0.16)
    assert found.sd == pytest.approx(sessions.std(), rel=0.01)


def test_counting_sessions_is_no_cheaper_way_to_see_who_leaves() -> None:
    """For a difference in leaving alone it takes more clients; the plan says so."""
    counted = next(item for item in plan_study(protocol()).improvements if item.unit == "sessions")
    assert "2.4 times the clients" in counted.price


def test_assurance_by_t_meets_the_normal_one_and_simulation() -> None:
    assert assurance_by_t(0.5, 0.5, ErrorAndFreedom(0.2, math.inf)) == pytest.approx(
        assurance(0.5, 0.25, 0.2), abs=1e-6
    )
    known = ErrorAndFreedom(0.3, 14.0)
    rng = np.random.default_rng(14)
    effect = rng.normal(0.5, 0.4, 100_000)
    error = known.standard_error * np.sqrt(rng.chisquare(14, 100_000) / 14)
    estimate = rng.normal(effect, known.standard_error)
    share = float((estimate / error > stats.t.ppf(0.975, 14)).mean())
    assert assurance_by_t(0.5, 0.4, known) == pytest.approx(share, abs=3 * 0.0016)
    assert averaged(1.0, 2.0, lambda effect: effect) == pytest.approx(1.0)


@pytest.mark.parametrize("error", [1.0, 0.2, 0.05, 0.01])
def test_assurance_by_t_is_exact_however_wide_the_prior_is(error: float) -> None:
    """Averaging a chance that climbs within a hair's breadth over a few points was off by up to 0.06."""
    for mean in (0.2, 0.5, -1.0):
        got = assurance_by_t(mean, 1.0, ErrorAndFreedom(error, math.inf))
        assert got == pytest.approx(assurance(abs(mean), 1.0, error), abs=1e-9)
        points = np.linspace(-8.0, 8.0, 16_001)
        for known in (ErrorAndFreedom(error, 3.0), ErrorAndFreedom(error, 25.0)):
            critical = stats.t.ppf(0.975, known.degrees_of_freedom)
            spread = np.sqrt(stats.chi2.ppf((np.arange(400) + 0.5) / 400, known.degrees_of_freedom)
                             / known.degrees_of_freedom)  # fmt: skip
            chance = stats.norm.cdf((abs(mean) + points[:, None]) / error - critical * spread).mean(axis=1)
            expected = float((chance * stats.norm.pdf(points)).sum() * (points[1] - points[0]))
            assert assurance_by_t(mean, 1.0, known) == pytest.approx(expected, abs=2e-3)


def test_chances_by_number_of_clients() -> None:
    plan = plan_study(protocol())
    strength, retention = plan.chances
    assert (strength.outcome, retention.outcome) == ("strength", "retention")
    for found in plan.chances:
        assert found.prior_low < found.prior_mean < found.prior_high
        averages = [point.averaged for point in found.curve]
        assert averages == sorted(averages)
        assert all(average < found.at_most for average in averages)
    assert strength.planned.if_assumed < strength.planned.averaged < strength.planned.if_largest
    assert [spread.outcome for spread in plan.spreads] == ["strength", "retention"]
    assert plan.spreads[0].low < plan["strength"].planned.width < plan.spreads[0].high


@pytest.mark.parametrize(("looks", "inflation"), [(2, 1.110), (3, 1.166), (5, 1.229)])
def test_inflation_of_constant_boundaries(looks: int, inflation: float) -> None:
    """Jennison & Turnbull 2000, table 2.2 (from memory): Pocock, two-sided 5 per cent, power .8."""
    constant = {2: 2.178, 3: 2.289, 5: 2.413}[looks]
    boundaries = tuple(
        LookBoundary((place + 1) / looks, constant, 2 * stats.norm.sf(constant), 0.0)
        for place in range(looks)
    )
    assert cost_of_looks(boundaries).inflation == pytest.approx(inflation, abs=0.001)


def test_expected_share_by_simulation() -> None:
    """40,000 simulated studies with two looks: Monte Carlo error of the share 0.0015."""
    boundaries = spending_boundaries((0.4, 0.7, 1.0), spending="pocock")
    found = cost_of_looks(boundaries)
    drift = math.sqrt(found.inflation) * (stats.norm.ppf(0.975) + stats.norm.ppf(0.8))
    times = np.array([look.fraction for look in boundaries])
    steps = np.diff(times, prepend=0.0)
    for at, expected in ((0.0, found.share_if_none), (drift, found.share_if_assumed)):
        walk = np.cumsum(np.random.default_rng(15).normal(at * steps, np.sqrt(steps), (40_000, 3)), axis=1)
        passed = np.abs(walk / np.sqrt(times)) >= [look.critical for look in boundaries]
        passed[:, -1] = True
        assert times[passed.argmax(axis=1)].mean() == pytest.approx(expected, abs=0.005)


def test_looks_of_a_protocol() -> None:
    without = plan_looks(protocol(), tested=28.0)
    assert without.boundaries == ()
    assert "8 times in 100 with 1 early look" in looks_sentences(without)[1]
    found = plan_looks(protocol(("planned_looks = 0", "planned_looks = 1")), tested=28.0)
    assert found.tested == (14, 28)
    assert [round(look.critical, 4) for look in found.boundaries] == [2.9626, 1.9686]
    assert "p has to be 0.0490 or less" in looks_sentences(found)[0]
    plan = plan_study(protocol(("planned_looks = 0", "planned_looks = 1")))
    assert "One look is planned" in plan_text(plan)


def test_rules_of_a_pilot_by_simulation() -> None:
    """Exact chances: 100,000 simulated pilots, three Monte Carlo errors of at most 0.0016."""
    rng = np.random.default_rng(16)
    found = share_outlook("tests", go_on=0.75, stop=0.5, counted=16, assumed=0.7)
    counts = rng.binomial(16, 0.7, 100_000)
    assert found.chance_go_on == pytest.approx((counts / 16 >= 0.75).mean(), abs=0.005)
    assert found.chance_stop == pytest.approx((counts / 16 < 0.5).mean(), abs=0.005)
    assert found.chance_go_on + found.chance_change + found.chance_stop == pytest.approx(1.0)
    rate = rate_outlook(go_on=3.0, stop=2.0, months=6, assumed=3.0)
    joined = rng.poisson(18, 100_000)
    assert rate.chance_go_on == pytest.approx((joined >= 18).mean(), abs=0.005)
    assert rate.chance_stop == pytest.approx((joined < 12).mean(), abs=0.005)


def test_intervals_of_a_pilot_are_the_textbook_ones() -> None:
    """Clopper-Pearson and Garwood, as scipy and the chi-squared tables give them."""
    found = share_outlook("tests", go_on=0.75, stop=0.5, counted=20, assumed=0.75)
    interval = stats.binomtest(15, 20).proportion_ci(0.95, method="exact")
    assert (found.lower, found.upper) == pytest.approx((interval.low, interval.high))
    # 10 events: 4.80 to 18.39 (Garwood 1936, Biometrika 28:437)
    rate = rate_outlook(go_on=0.5, stop=0.2, months=1, assumed=10.0)
    assert (rate.lower, rate.upper) == pytest.approx((4.795, 18.390), abs=5e-4)


def test_the_spread_from_a_pilot_is_raised_enough() -> None:
    """Browne 1995: 80 of 100 raised spreads are not below the true one; 20,000 simulated pilots of 18 df."""
    spreads = np.sqrt(np.random.default_rng(17).chisquare(18, 20_000) / 18)
    assert (spreads * spread_factor(18) >= 1.0).mean() == pytest.approx(0.8, abs=0.009)


def test_a_pilot_is_planned_where_it_is_asked_for_or_recommended() -> None:
    assert plan_study(protocol()).pilot is None
    asked = plan_study(protocol(), pilot=True)
    assert asked.pilot is not None
    assert not asked.pilot.own_rules
    assert {rule.measure for rule in asked.pilot.rules} == {
        "recruitment", "consent", "delivery", "tests", "retention",
    }  # fmt: skip
    told = plan_text(asked)
    assert told.index("A pilot study first") < told.index("What the large study can tell")
    own = protocol(
        ('framework = "superiority"', 'framework = "pilot"'),
        ("[cautions]", '[[pilot.rules]]\nmeasure = "tests"\ngo_on = 0.8\nstop = 0.6\n\n[cautions]'),
    )
    pilot = plan_study(own).pilot
    assert pilot is not None
    assert pilot.own_rules
    assert [(rule.measure, rule.go_on) for rule in pilot.rules] == [("tests", 0.8)]
    assert pilot.chance_go_on == pilot.rules[0].chance_go_on
    sentences = " ".join(pilot_sentences(pilot))
    assert "does not compare the arms" in sentences


def test_larger_pilots_decide_more_surely() -> None:
    assumptions: Any = Assumptions(protocol())
    small, large = (plan_pilot(protocol(), assumptions, clients=clients) for clients in (12, 60))
    assert small.spread_factor > large.spread_factor
    tests = [next(rule for rule in pilot.rules if rule.measure == "tests") for pilot in (small, large)]
    assert tests[0].chance_stop > tests[1].chance_stop
    assert tests[0].upper - tests[0].lower > tests[1].upper - tests[1].lower
