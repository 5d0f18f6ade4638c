"""Searches by simulation: the curve by hand, the devices that save trials, answers held to closed forms."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import nct, norm, t

from studykit.errors import ArgumentError, DesignError
from studykit.planning.sample_size_search import effect_at, place_at, search_effect, search_number
from studykit.planning.search_loop import CurvePoint, Round, Shape, Task, find_root, out_of_reach, run_search
from studykit.planning.search_trials import NOTHING, Errors, PlaceTrials, corrected_mean
from studykit.protocol.protocol_file import read_protocol
from studykit.shipped import shipped
from studykit.trial.performance import with_exercises
from studykit.trial.settings import TrialSettings

FOUR = read_protocol(shipped("protocols") / "parallel.toml").protocol
ONE = with_exercises(FOUR, FOUR.continuous_outcomes[0].exercises[:1])


# --- the curve --------------------------------------------------------------------------------------------


def test_the_shape_passes_through_its_own_answer() -> None:
    shape = Shape("power", 0.8, 120.0)
    assert shape.at(120.0) == pytest.approx(norm.ppf(0.8))
    # Power at a quarter of the clients: half the distance in standard errors.
    assert shape.at(30.0) == pytest.approx((norm.ppf(0.975) + norm.ppf(0.8)) / 2.0 - norm.ppf(0.975))
    assert shape.where(shape.at(55.0)) == pytest.approx(55.0)


def test_a_width_falls_with_the_root_of_the_number() -> None:
    shape = Shape("width", 6.0, 100.0)
    assert shape.where(shape.on_curve(3.0)) == pytest.approx(400.0)
    root = find_root(shape, [CurvePoint(100.0, 50, 6.6, 0.01)])
    assert root.x == pytest.approx(121.0, rel=0.001)


def test_points_on_the_closed_form_give_its_answer() -> None:
    shape = Shape("power", 0.8, 120.0)
    points = [CurvePoint(x, 500, float(norm.cdf(shape.at(x))), 0.015) for x in (60.0, 120.0, 200.0)]
    root = find_root(shape, points)
    assert root.x == pytest.approx(120.0)
    assert root.low < 120.0 < root.high


def test_more_points_narrow_the_interval() -> None:
    shape = Shape("power", 0.8, 120.0)
    one = [CurvePoint(120.0, 500, 0.8, 0.018)]
    assert find_root(shape, one * 4).half_width == pytest.approx(
        find_root(shape, one).half_width / 2.0, rel=0.1
    )


def test_a_share_of_none_or_all_does_not_break_the_curve() -> None:
    root = find_root(Shape("power", 0.8, 50.0), [CurvePoint(50.0, 100, 1.0, 0.0)])
    assert math.isfinite(root.x)
    assert root.x < 50.0


def test_the_interval_holds_the_true_root_as_often_as_promised() -> None:
    """400 searches from two places of 400 studies: 95 %, within three Monte Carlo errors (3.3 points)."""
    shape, rng = Shape("power", 0.8, 100.0), np.random.default_rng(3)
    truth, held = 115.0, 0
    for _ in range(400):
        points = []
        for x in (90.0, 120.0):
            true = norm.cdf((norm.ppf(0.975) + norm.ppf(0.8)) * math.sqrt(x / truth) - norm.ppf(0.975))
            share = rng.binomial(400, true) / 400
            points.append(CurvePoint(x, 400, share, math.sqrt(share * (1 - share) / 400)))
        root = find_root(shape, points)
        held += root.low <= truth <= root.high
    assert 0.917 <= held / 400 <= 0.983


@pytest.mark.parametrize("wanted", [0.0, 1.0])
def test_a_power_of_none_or_one_is_refused(wanted) -> None:
    with pytest.raises(ArgumentError, match="a power between 0 and 1"):
        Shape("power", wanted, 10.0)


def test_no_point_no_root() -> None:
    with pytest.raises(ArgumentError, match="at least one simulated place"):
        find_root(Shape("power", 0.8, 10.0), [])


# --- the devices ------------------------------------------------------------------------------------------


def normal_errors(trials, seed=1, spread=1.0, freedom=30.0):
    """Errors of a t-test whose power is known: estimate normal, standard error on a chi-square."""
    rng = np.random.default_rng(seed)
    own = spread * rng.standard_normal(trials)
    error = spread * np.sqrt(rng.chisquare(freedom, trials) / freedom)
    reach = t.ppf(0.975, freedom) * error
    return Errors(own, np.zeros(trials), reach, 2.0 * reach)


def test_mirrored_rejections_have_the_power_of_the_t_test() -> None:
    """Noncentral t (scipy) at 30 degrees of freedom; 20,000 trials, three Monte Carlo errors."""
    found = normal_errors(20_000).rejections(2.9)
    critical = t.ppf(0.975, 30.0)
    power = nct.sf(critical, 30.0, 2.9) + nct.cdf(-critical, 30.0, 2.9)
    assert found.mean() == pytest.approx(power, abs=3.0 * found.std() / math.sqrt(20_000))
    assert found.var() < 0.5 * power * (1.0 - power)  # what the mirror saves


def test_failed_fits_reject_nothing() -> None:
    failed = Errors(*(np.array([np.nan]),) * 4)
    assert failed.rejections(9.0).tolist() == [0.0]


def test_a_control_variate_takes_away_what_it_explains() -> None:
    """Correlation 0.9 and a mean known from many: 81 % of the variance goes, the mean stays unbiased."""
    rng = np.random.default_rng(2)
    control = rng.standard_normal(2000)
    own = 0.9 * control + math.sqrt(1 - 0.81) * rng.standard_normal(2000)
    value, error = corrected_mean(own, control, rng.standard_normal(200_000))
    assert error == pytest.approx(math.sqrt(0.19 / 2000), rel=0.05)
    assert abs(value) < 4.0 * error


def test_the_smallest_effect_is_the_inverse_of_power() -> None:
    """Noncentral t (scipy) at 30 degrees of freedom, the far tail left out."""
    place = PlaceTrials(normal_errors(20_000), NOTHING, NOTHING)
    found = effect_at(place, clients=40, power=0.8)
    exact = brentq(lambda effect: nct.sf(t.ppf(0.975, 30.0), 30.0, effect) - 0.8, 2.0, 4.0)
    assert found.low < exact < found.high
    assert found.value == pytest.approx(exact, rel=0.01)


def test_an_analysis_that_mostly_fails_shows_no_effect() -> None:
    own = normal_errors(100)
    gone = np.where(np.arange(100) < 60, np.nan, own.error)
    with pytest.raises(DesignError, match=r"goes through in more than 80 % of studies.*Plan more clients"):
        effect_at(PlaceTrials(replace(own, error=gone), NOTHING, NOTHING), clients=8, power=0.8)


# --- searches ---------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_number_found_has_the_power_wanted() -> None:
    """Searched with one seed, judged with another: mirrored power of 2,000 studies at the answer."""
    settings = TrialSettings.from_protocol(ONE)
    found = search_number(ONE, settings, effect=math.log(1.15), seed=1, close=0.05)
    assert found.precise
    assert found.number is not None
    assert found.low <= found.number <= found.high + 1.0
    assert found.closed_form == pytest.approx(found.number, rel=0.15)
    judged = search_number(ONE, settings, effect=math.log(1.15), seed=2, close=0.001, most_trials=2000)
    assert judged.low - 1.0 <= found.high
    assert found.low <= judged.high + 1.0


def test_a_width_needs_few_trials() -> None:
    found = search_number(ONE, target="width", wanted=16.0, seed=1)
    assert found.precise
    assert found.trials <= 1000
    assert found.number == pytest.approx(found.closed_form, rel=0.2)


def test_what_is_out_of_reach_is_not_simulated() -> None:
    found = search_number(ONE, effect=math.log(1.005))
    assert found.number is None
    assert found.trials == 0
    assert "closed form says" in found.remark


def test_fewer_than_can_be_simulated_is_said() -> None:
    settings = replace(TrialSettings.from_protocol(ONE), trainers=1)
    found = search_number(ONE, settings, effect=3.0, wanted=0.2, close=0.1, most_trials=500)
    assert found.number == 8
    assert "or fewer" in found.remark


def test_more_trainers_bring_their_clients() -> None:
    """Trainers as clusters: a width is found among numbers of trainers, each with ten clients."""
    nested = ONE.model_copy(update={"trainers": ONE.trainers.model_copy(update={"deliver": "one arm"})})
    settings = replace(TrialSettings.from_protocol(nested, clients=60), trainers=6)
    assert (place_at("trainers", settings, 8).trainers, place_at("trainers", settings, 8).clients) == (8, 80)
    found = search_number(
        nested, settings, quantity="trainers", target="width", wanted=18.0, seed=1, close=0.1, most_trials=500
    )
    assert found.number is not None
    assert 6 <= found.number <= 16


def test_a_stop_before_the_first_round_is_an_answer() -> None:
    def stop(_done: int, _total: int) -> None:
        raise KeyboardInterrupt

    found = search_number(ONE, effect=0.2, tell=stop)
    assert found.stopped
    assert not found.precise


def test_progress_counts_what_is_done_of_what_is_expected() -> None:
    told: list[tuple[int, int]] = []
    search_number(
        ONE, effect=0.2, most_trials=600, seed=1, tell=lambda done, total: told.append((done, total))
    )
    assert all(0 < done <= total for done, total in told)
    assert [done for done, _ in told] == sorted(done for done, _ in told)


def test_no_difference_is_no_question() -> None:
    with pytest.raises(ArgumentError, match="a difference that is not 0"):
        search_number(ONE, effect=0.0)


def test_smallest_effect_of_the_clients_at_hand() -> None:
    """The closed form says 15.4 % for 40 clients on one machine; 2,000 studies a place gave 16.0 (0.2) %."""
    found = search_effect(ONE, clients=40, trials=500, seed=1)
    assert found.low < found.value < found.high
    assert found.value == pytest.approx(math.log(1.16), rel=0.1)


# --- the loop ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Exact:
    """A place at which simulation finds what a curve through its own answer says, with the usual error."""

    answer: float
    trials: int

    def and_more(self, more):
        return Exact(self.answer, self.trials + more.trials)

    def point(self, x, _target):
        power = float(norm.cdf(Shape("power", 0.8, self.answer).at(x)))
        return CurvePoint(x, self.trials, power, math.sqrt(power * (1 - power) / self.trials))


def searched(answer, *, limits=(20.0, 300.0), closed_form=None, most_trials=6000, stop_after=99):
    """A search in a world whose true answer is known; the places visited, and what was found."""
    start = answer if closed_form is None else closed_form
    task = Task(
        Shape("power", 0.8, float(start)), "clients", 0.8, closed_form, limits, least_round=250, close=0.05,
        most_trials=most_trials,
    )  # fmt: skip
    asked = []

    def simulate(x, size, first, done):
        asked.append((x, size, first, done))
        return Round(Exact(answer, size), 3, stopped=len(asked) >= stop_after)

    return run_search(task, simulate), asked


@pytest.mark.parametrize(("answer", "number"), [(120.0, 120), (119.2, 120), (120.4, 121)])
def test_the_number_found_is_the_next_whole_one(answer, number) -> None:
    found, _ = searched(answer)
    assert (found.number, found.precise, found.remark) == (number, True, "")
    assert found.low < answer < found.high


def test_rounds_follow_each_other_without_a_gap() -> None:
    """Batches are never used twice, trials are counted up, and no more are asked for than are allowed."""
    found, asked = searched(120.0, most_trials=700)
    assert [(first, done) for _, _, first, done in asked] == [(0, 0), (3, 250)]
    assert [size for _, size, _, _ in asked] == [250, 450]
    assert (found.trials, found.precise, found.stopped) == (700, False, False)
    stopped, asked = searched(120.0, stop_after=1)
    assert (len(asked), stopped.trials, stopped.stopped) == (1, 250, True)


def test_an_answer_beyond_what_is_simulated_says_so() -> None:
    few, _ = searched(8.0, limits=(20.0, 300.0))
    assert (few.number, few.remark) == (20, "20 clients or fewer, the fewest that are simulated")
    many, _ = searched(900.0, limits=(20.0, 300.0))
    assert many.number is None
    assert many.remark == "more than 300 clients, the most that are simulated"


@pytest.mark.parametrize(("closed", "said"), [(1800.0, "says 1800.0"), (None, "says that no number does")])
def test_what_the_closed_form_says_is_told_where_nothing_is_simulated(closed, said) -> None:
    task = Task(
        Shape("power", 0.8, 100.0), "clients", 0.8, closed, (20.0, 300.0), least_round=250, close=0.05,
        most_trials=6000,
    )  # fmt: skip
    assert out_of_reach(task).remark.startswith(f"not simulated: the closed form {said}, and no more than")


def test_a_wrong_closed_form_is_left_behind() -> None:
    found, asked = searched(200.0, closed_form=100)
    assert found.closed_form == 100
    assert asked[0][0] == 100
    assert asked[-1][0] == pytest.approx(200, rel=0.1)
    assert found.low < 200.0 < found.high
