"""Whether each answer of a look back finds its own truth, on simulated studios in which it is known.

The answers ask different questions, so each has a truth of its own, found by letting the same clients live
twice, with the same luck, under the two regimes that it compares.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

from studykit.lookback.adjustment import trainer_role
from studykit.lookback.episodes import follow_clients, session_facts
from studykit.lookback.joining_strategies import answer_strategies
from studykit.lookback.landmark import (
    answer_landmark,
    known_on,
    landmark_hazard_ratio,
    landmark_rows,
    landmark_terms,
)
from studykit.lookback.look_back_results import Answer, Association
from studykit.lookback.naive import naive_comparison
from studykit.lookback.session_clock import answer_session_clock
from studykit.randomness import stream
from studykit.retention.censored import CensoredTimes
from studykit.trial.performance import Share
from synthetic_data.simulated_studio import (
    FAR,
    Regime,
    SimulatedStudio,
    StudioTruth,
    records_of,
    simulate_studio,
    simulated_log,
)

Bools = NDArray[np.bool_]
HORIZON = 182
LANDMARKS = (28, 84)
WEEKS = 4
LEAST_EVENTS = 20
RESAMPLES = 200  # in few clients robust errors are too small: 91.5 (1.4) % covered where resampling gave 95.3

STUDIOS: dict[str, StudioTruth] = {
    "no effect": StudioTruth(starting=0.03),
    "effect 0.7": StudioTruth(starting=0.03, hazard_ratio=0.7),
    "trainers move both": StudioTruth(
        starting=0.03, hazard_ratio=0.7, trainer_leaving=-0.5, trainer_starting=0.7
    ),
    "early attendance moves both": StudioTruth(
        starting=0.03, hazard_ratio=0.7, attendance_leaving=-0.6, attendance_starting=0.6
    ),
    "an unrecorded trait moves both": StudioTruth(
        starting=0.03, hazard_ratio=0.7, hidden_leaving=-0.4, hidden_starting=0.6
    ),
}
"""The last one is beyond any answer: it shows what adjustment cannot reach."""


@dataclass(frozen=True, slots=True)
class Found:
    """One number of one simulated studio, on the scale of its analysis (ratios as logarithms)."""

    value: float
    lower: float
    upper: float
    standard_error: float


@dataclass(frozen=True, slots=True)
class Recovery:
    """How one number behaved over many studios.

    Parameters
    ----------
    name : str
        Answer and measure.
    truth, truth_error : float
        Its own truth, and the Monte Carlo error of that.
    studios, refused : int
        Studios that gave a number, and that did not.
    bias, bias_error : float
        Mean minus truth, and its Monte Carlo error, that of the truth included.
    coverage : Share
        Of 95 % intervals.
    spread, mean_standard_error : float
        Standard deviation over studios, and what the analyses say of it on average.
    """

    name: str
    truth: float
    truth_error: float
    studios: int
    refused: int
    bias: float
    bias_error: float
    coverage: Share
    spread: float
    mean_standard_error: float


# --- truths --------------------------------------------------------------------------------------


def own_truths(
    truth: StudioTruth, *, clients: int = 20_000, repeats: int = 5
) -> dict[str, tuple[float, float]]:
    """The truth of every number, with its Monte Carlo error."""
    many = replace(truth, clients=clients, days=HORIZON + 30)
    found = [_truths_once(many, 1_000_000 + repeat, window=truth.days) for repeat in range(repeats)]
    exact = {"naive, ratio", "session clock, ratio"}
    return {
        name: (
            float(np.mean([one[name] for one in found])),
            0.0
            if name in exact
            else float(np.std([one[name] for one in found], ddof=1)) / math.sqrt(repeats),
        )
        for name in found[0]
    }


def _truths_once(truth: StudioTruth, seed: int, *, window: int) -> dict[str, float]:
    def lives(regime: Regime) -> SimulatedStudio:
        return simulate_studio(truth, seed, regime=regime, all_join_on=0)

    def left(regime: Regime) -> Bools:
        return np.asarray(lives(regime).confirmed_on() <= HORIZON)

    drawn = stream(seed, "look back", "start").integers(0, 7 * WEEKS, truth.clients)
    start, refrain = Regime(not_before=drawn, at_latest=drawn), Regime(not_before=7 * WEEKS)
    found = {
        "naive, ratio": math.log(truth.hazard_ratio),
        "session clock, ratio": math.log(truth.hazard_ratio),
        "session clock, difference": _gap(left(Regime(at_latest=0)), left(Regime(not_before=FAR))),
        "strategies from joining, difference": _gap(left(start), left(refrain)),
    }
    by_chance = lives(Regime())
    followed = stream(seed, "look back", "followed").integers(0, window, truth.clients)
    for landmark in LANDMARKS:
        begun = lives(Regime(at_latest=landmark + 1)).confirmed_on()
        not_begun = lives(Regime(forgotten_on=landmark + 1)).confirmed_on()
        ratio, difference = _landmark_truth(truth, by_chance, landmark, begun, not_begun, followed)
        found[f"landmark {landmark}, ratio"] = ratio
        found[f"landmark {landmark}, difference"] = difference
    return found


def _gap(one: Bools, other: Bools) -> float:
    return float(one.mean() - other.mean())


def _landmark_truth(
    truth: StudioTruth,
    by_chance: SimulatedStudio,
    landmark: int,
    begun: NDArray[np.int64],
    not_begun: NDArray[np.int64],
    followed: NDArray[np.int64],
) -> tuple[float, float]:
    """Every client who came again after the landmark twice: once with partner reps by then, once without.

    The ratio averages over the follow-up that records give: those without partner reps begin in time, so that
    it changes with the day up to which clients are followed.
    """
    log = records_of(truth, by_chance)
    episodes = follow_clients(log)
    rows = landmark_rows(episodes, session_facts(log, episodes), landmark)
    clients = episodes.client[rows.episode]
    both = np.concatenate((begun[clients], not_begun[clients]))
    until = np.minimum(np.tile(followed[clients], 2), HORIZON)
    known = known_on(episodes, landmark)
    long_enough = until > known
    twice = replace(
        rows,
        episode=np.tile(rows.episode, 2)[long_enough],
        exposed=np.repeat([True, False], clients.size)[long_enough],
        recency=np.tile(rows.recency, 2)[long_enough],
        recent=np.tile(rows.recent, 2)[long_enough],
        overall=np.tile(rows.overall, 2)[long_enough],
        trainer=np.tile(rows.trainer, 2)[long_enough],
    )
    both, until = both[long_enough], until[long_enough]
    times = CensoredTimes(np.minimum(both, until), both <= until, entry=np.full(both.size, known))
    trainers = trainer_role(twice.exposed.astype(float), twice.trainer, twice.episode)
    ratio, _ = landmark_hazard_ratio(
        times, twice, trainers, landmark_terms(log, episodes, twice, landmark), times.events
    )
    assert ratio is not None
    return math.log(ratio.value), _gap(begun[clients] <= HORIZON, not_begun[clients] <= HORIZON)


# --- studios -------------------------------------------------------------------------------------


def answers_of_studio(truth: StudioTruth, seed: int) -> dict[str, Found | None]:
    """Every number of one simulated studio; ``None`` where the analysis refused."""
    log = simulated_log(truth, seed)
    episodes = follow_clients(log)
    facts = session_facts(log, episodes)
    naive = naive_comparison(episodes, facts, horizon=HORIZON)
    clock = answer_session_clock(log, episodes, horizon=HORIZON, least_events=LEAST_EVENTS, facts=facts)
    strategies = answer_strategies(
        log,
        episodes,
        horizon=HORIZON,
        weeks=WEEKS,
        least_events=LEAST_EVENTS,
        resamples=RESAMPLES,
        seed=seed,
    )
    found = {
        "naive, ratio": None if naive is None else _found(naive.hazard_ratio, logarithm=True),
        **_both("session clock", clock),
        "strategies from joining, difference": _found(strategies.risk_difference),
    }
    for landmark in LANDMARKS:
        answer = answer_landmark(
            log, episodes, landmark, horizon=HORIZON, least_events=LEAST_EVENTS, facts=facts
        )
        found |= _both(f"landmark {landmark}", answer)
    return found


def _both(name: str, answer: Answer) -> dict[str, Found | None]:
    return {
        f"{name}, ratio": _found(answer.hazard_ratio, logarithm=True),
        f"{name}, difference": _found(answer.risk_difference),
    }


def _found(association: Association | None, *, logarithm: bool = False) -> Found | None:
    if association is None:
        return None
    ends = (association.value, association.interval.lower, association.interval.upper)
    value, lower, upper = (math.log(end) for end in ends) if logarithm else ends
    return Found(value, lower, upper, association.standard_error)


def recover(
    truth: StudioTruth,
    studios: Iterable[int],
    *,
    workers: int = 1,
    truth_clients: int = 20_000,
    truth_repeats: int = 5,
) -> tuple[Recovery, ...]:
    """Simulate studios, analyse each, and hold every number to its own truth.

    Parameters
    ----------
    truth : StudioTruth
    studios : iterable of int
        Seeds.
    workers : int
        Processes; the result does not depend on it, up to the last bits of linear algebra.
    truth_clients, truth_repeats : int
        Clients that live twice, and how many such populations, for the truths.
    """
    truths = own_truths(truth, clients=truth_clients, repeats=truth_repeats)
    found = Parallel(n_jobs=workers)(delayed(answers_of_studio)(truth, seed) for seed in studios)
    return tuple(summarise(name, *truths[name], [one[name] for one in found]) for name in truths)


def summarise(name: str, truth: float, truth_error: float, found: list[Found | None]) -> Recovery:
    """Bias, coverage and spread of one number.

    Examples
    --------
    >>> found = summarise("x", 0.0, 0.0, [Found(0.1, -0.3, 0.5, 0.2), Found(-0.3, -0.7, -0.1, 0.2), None])
    >>> found.coverage.text()
    '50.0 % (9.5 to 90.5)'
    """
    given = [one for one in found if one is not None]
    n = max(len(given), 1)
    values = np.array([one.value for one in given])
    spread = float(values.std(ddof=1)) if len(given) > 1 else math.nan
    return Recovery(
        name=name,
        truth=truth,
        truth_error=truth_error,
        studios=len(given),
        refused=len(found) - len(given),
        bias=float(values.mean()) - truth if given else math.nan,
        bias_error=math.hypot(spread / math.sqrt(n), truth_error),
        coverage=Share.of(sum(one.lower <= truth <= one.upper for one in given), len(given)),
        spread=spread,
        mean_standard_error=float(np.mean([one.standard_error for one in given])) if given else math.nan,
    )
