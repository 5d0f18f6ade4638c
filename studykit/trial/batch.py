"""Many simulated trials at once, in arrays: what planning and the validity study fit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError
from studykit.randomness import stream
from studykit.results import frozen_array
from studykit.trial.attendance import Attendance, retained_at_horizon, simulate_attendance
from studykit.trial.departures import Leaving, simulate_departures
from studykit.trial.settings import TrialSettings
from studykit.trial.simulated_clients import ClientTraits, draw_arms, simulate_clients, with_other_scores
from studykit.trial.simulated_scores import TestedScores, simulate_tests

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class TrialBatch:
    """Trials that share their settings.

    Parameters
    ----------
    settings : TrialSettings
    traits : ClientTraits
    arm : ndarray of int, shape (trials, clients)
        Index into ``settings.drawn``.
    tests : TestedScores
        Complete scores, had training continued, and which tests were not missed at random.
    leaving : Leaving
    followed : Attendance or None
        None where it was not simulated.
    further : tuple of TrialBatch
        The same trials with the scores of each further outcome.
    """

    settings: TrialSettings
    traits: ClientTraits
    arm: Integers
    tests: TestedScores
    leaving: Leaving
    followed: Attendance | None
    further: tuple[TrialBatch, ...] = ()

    def of(self, outcome: str) -> TrialBatch:
        """The same trials with the scores of one outcome; those of the first where the code is no other's."""
        return next((batch for batch in self.further if batch.settings.outcome == outcome), self)

    @property
    def number(self) -> int:
        """How many trials there are."""
        return len(self.arm)

    @property
    def observed(self) -> NDArray[np.bool_]:
        """Which tests took place, shape (trials, clients, visits, exercises)."""
        return observed_tests(self)

    @property
    def scores(self) -> Floats:
        """Scores that were obtained, in the outcome's unit; ``nan`` where missing."""
        return np.where(self.observed, self.tests.score, np.nan)

    @property
    def retained(self) -> NDArray[np.bool_]:
        """Active at the horizon, shape (trials, clients)."""
        return retained_at_horizon(self.settings, self.attendance)

    @property
    def attendance(self) -> Attendance:
        """Sessions of every client.

        Raises
        ------
        ArgumentError
            If it was not simulated.
        """
        if self.followed is None:
            raise ArgumentError(
                where="attendance of simulated trials",
                expected="a batch simulated with attendance",
                got="one without",
            )
        return self.followed


def observed_tests(batch: TrialBatch) -> NDArray[np.bool_]:
    """Tests of clients who came: not missed, and not after the client had left.

    Parameters
    ----------
    batch : TrialBatch

    Returns
    -------
    ndarray of bool, shape (trials, clients, visits, exercises)
    """
    settings = batch.settings
    trains = batch.leaving.trains(batch.tests.day)
    baseline = np.array([visit.baseline for visit in settings.visits])
    reachable = trains | baseline
    if settings.tested_after_departure > 0.0:
        # A client is or is not willing to come back for tests: read off a stable trait, without a new draw.
        willing = batch.traits.delivered.argsort(axis=1).argsort(axis=1) / batch.arm.shape[1]
        reachable = reachable | (willing < settings.tested_after_departure)[..., None]
    return np.asarray(batch.tests.came & reachable[..., None], dtype=bool)


def simulate_batch(
    settings: TrialSettings,
    trials: int,
    *,
    seed: int,
    batch: int = 0,
    arm: int | Integers | None = None,
    whole_study: bool = False,
    attendance: bool = True,
) -> TrialBatch:
    """Simulate ``trials`` trials.

    Parameters
    ----------
    settings : TrialSettings
    trials : int
        At least 1. A few hundred at once use the processor best.
    seed, batch : int
        Together they fix every number, whichever process does the work.
    arm : int or ndarray of int, shape (trials, clients), optional
        Put all clients into this arm (a potential outcome), or into given ones, instead of drawing
        arms. All other draws stay as they are.
    whole_study : bool
        Follow clients as records do, not only to the horizon.
    attendance : bool
        False leaves sessions out, where only tests are wanted; nothing else changes.

    Returns
    -------
    TrialBatch

    Raises
    ------
    ArgumentError
        If ``trials`` is below 1, or ``arm`` has another shape.

    Examples
    --------
    >>> drawn = simulate_batch(TrialSettings(clients=12, trainers=2), 5, seed=1)
    >>> drawn.scores.shape, drawn.retained.shape
    ((5, 12, 3, 1), (5, 12))
    """
    if trials < 1:
        raise ArgumentError(where="simulate_batch, trials", expected="at least 1", got=str(trials))
    streams = {
        stage: stream(seed, "trial", batch, stage)
        for stage in ("clients", "arms", "tests", "departures", "attendance")
    }
    traits = simulate_clients(settings, trials, streams["clients"])
    arms = draw_arms(settings, traits, streams["arms"]) if arm is None else _given(arm, traits)
    tests = simulate_tests(settings, traits, arms, streams["tests"])
    own = arms if settings.within is None else np.zeros_like(arms)  # everybody is in both: leaving is alike
    leaving = simulate_departures(settings, traits, own, tests=tests, rng=streams["departures"])
    followed = (
        simulate_attendance(settings, traits, leaving, rng=streams["attendance"], whole_study=whole_study)
        if attendance
        else None
    )
    first = TrialBatch(settings, traits, frozen_array(arms, np.int64), tests, leaving, followed)
    further = tuple(
        _with_other_scores(
            first, settings.of(own.outcome), stream(seed, "trial", batch, "scores", own.outcome)
        )
        for own in settings.further
    )
    return replace(first, further=further)


def _with_other_scores(first: TrialBatch, settings: TrialSettings, rng: np.random.Generator) -> TrialBatch:
    """The same clients, arms and visits with scores of another outcome: who comes is tested for all."""
    traits = with_other_scores(settings, first.traits, rng)
    tests = simulate_tests(settings, traits, first.arm, rng)
    came = np.broadcast_to(first.tests.came.any(axis=3, keepdims=True), tests.came.shape)
    tests = replace(tests, came=frozen_array(came, bool), day=first.tests.day)
    return replace(first, settings=settings, traits=traits, tests=tests)


def _given(arm: int | Integers, traits: ClientTraits) -> Integers:
    """Arms as given, in the shape of the trials."""
    shape = traits.trainer.shape
    arms = np.full(shape, arm, dtype=np.int64) if isinstance(arm, int) else np.asarray(arm, dtype=np.int64)
    if arms.shape != shape:
        raise ArgumentError(
            where="simulate_batch, arm",
            expected=f"one arm, or an array of shape {shape}",
            got=f"shape {arms.shape}",
        )
    return arms
