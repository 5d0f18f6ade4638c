"""What is true, from complete simulated data: every client under every arm, nothing missing.

The strength truth is the hypothetical one (had training continued): scores of all clients at the
primary visit, as they would have been recorded, departures ignored. The retention truth is the share
active at the horizon by the clock. Both hold for the clients and trainers that the settings describe,
dilution by delivery and contamination included.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError
from studykit.trial.batch import TrialBatch, simulate_batch
from studykit.trial.settings import TrialSettings

Floats = NDArray[np.float64]
_BATCH = 200


@dataclass(frozen=True, slots=True)
class TrueValue:
    """One true value, with the error of computing it by simulation.

    Parameters
    ----------
    outcome : str
        Outcome code of the protocol, or ``"retention"`` where the settings name none.
    estimand : str
        What it is, in one sentence.
    unit : str
        ``"log ratio"``, ``"difference"`` in the score's unit, or ``"share"``.
    value : float
        First other arm compared with the reference arm.
    monte_carlo_error : float
        Standard error of ``value`` over simulated trials.
    by_arm : tuple of float
        Mean (on the analysis scale) or share in each arm.
    trials, clients : int
        What it was computed from.
    """

    outcome: str
    estimand: str
    unit: str
    value: float
    monte_carlo_error: float
    by_arm: tuple[float, ...]
    trials: int
    clients: int

    @property
    def ratio(self) -> float:
        """The value as a ratio, for a log ratio."""
        if self.unit != "log ratio":
            raise ArgumentError(where=f"truth of {self.outcome}", expected="a log ratio", got=self.unit)
        return math.exp(self.value)


def composite_at_primary(batch: TrialBatch) -> Floats:
    """Mean score over the exercises at the primary visit, on the analysis scale; (trials, clients).

    Complete: tests that did not take place are included.
    """
    return np.asarray(batch.tests.analysed[:, :, batch.settings.primary_visit, :].mean(axis=-1), dtype=float)


def trainers_shift(batch: TrialBatch) -> Floats:
    """What the trainers at hand add to the true strength effect of a trial; shape (trials,).

    Inference with fixed trainers is about these trainers: their mean effect differs from that of all
    trainers that could have been. The estimand of a trial is the general truth plus this shift; nothing
    where trainers deliver one arm each, since their arms are then compared across trainers.
    """
    if batch.settings.trainers_deliver == "one arm":
        return np.zeros(batch.number)
    share = np.mean([machine.effect_share for machine in batch.settings.machines])
    delivered = batch.settings.delivery.delivered - batch.settings.delivery.contaminated
    return np.asarray(batch.traits.trainer_by_arm.mean(axis=1) * share * delivered, dtype=float)


def true_strength(settings: TrialSettings, *, seed: int, trials: int = 2000) -> TrueValue:
    """The truth about the scores of the settings' outcome.

    Parameters
    ----------
    settings : TrialSettings
    seed : int
    trials : int
        Trials simulated under each arm; at least 2.

    Raises
    ------
    ArgumentError
        If ``trials`` is below 2.
    """
    (means,) = arm_means(settings.of(settings.outcome), (composite_at_primary,), seed=seed, trials=trials)
    return true_scores_of(settings, means)


def true_scores_of(settings: TrialSettings, means: Floats) -> TrueValue:
    """The same from means by trial and arm."""
    exercises = ", ".join(machine.code for machine in settings.machines if machine.code)
    visit = settings.visits[settings.primary_visit].code
    log = settings.strength.scale == "log"
    return _true_value(
        settings.outcome,
        f"{'ratio of geometric means' if log else 'difference in means'} at {visit}"
        f"{f' (equal weights: {exercises})' if exercises else ''}, {_arms(settings)}, had training continued",
        "log ratio" if log else "difference",
        means,
        settings.clients,
    )


def true_retention(
    settings: TrialSettings, *, seed: int, trials: int = 2000, outcome: str = "retention"
) -> TrueValue:
    """The truth about who stays; ``outcome`` is its code, the rest as for `true_strength`."""
    (means,) = arm_means(
        settings.of(settings.outcome), (stays_to_horizon,), seed=seed, trials=trials, attendance=True
    )
    return true_staying_of(settings, means, outcome)


def stays_to_horizon(batch: TrialBatch) -> Floats:
    """1 for a client who is active at the horizon, else 0; (trials, clients)."""
    return np.asarray(batch.retained, dtype=float)


def true_staying_of(settings: TrialSettings, means: Floats, outcome: str) -> TrueValue:
    """The same from shares by trial and arm."""
    return _true_value(
        outcome,
        f"difference in the share active on day {settings.retention.horizon_day}, {_arms(settings)}",
        "share",
        means,
        settings.clients,
    )


def arm_means(
    settings: TrialSettings,
    values: Sequence[Callable[[TrialBatch], Floats]],
    *,
    seed: int,
    trials: int,
    attendance: bool = False,
) -> tuple[Floats, ...]:
    """Means over all clients of complete values, everybody under each arm; each of shape (trials, arms)."""
    if trials < 2:
        raise ArgumentError(where="truth, trials", expected="at least 2", got=str(trials))
    settings = replace(settings, within=None, method=None)  # the effect is the same in one arm or in both
    found = tuple(np.empty((trials, len(settings.arms))) for _ in values)
    for number, start in enumerate(range(0, trials, _BATCH)):
        here = slice(start, min(start + _BATCH, trials))
        for arm in range(len(settings.arms)):
            batch = simulate_batch(
                settings, here.stop - here.start, seed=seed, batch=number, arm=arm, attendance=attendance
            )
            for means, value in zip(found, values, strict=True):
                means[here, arm] = value(batch).mean(axis=1)
    return found


def _arms(settings: TrialSettings) -> str:
    return f"{settings.arms[1]} compared with {settings.arms[0]}"


def _true_value(outcome: str, estimand: str, unit: str, means: Floats, clients: int) -> TrueValue:
    """From means per trial and arm; shape (trials, arms)."""
    difference = means[:, 1] - means[:, 0]
    return TrueValue(
        outcome=outcome,
        estimand=estimand,
        unit=unit,
        value=float(difference.mean()),
        monte_carlo_error=float(difference.std(ddof=1) / math.sqrt(len(difference))),
        by_arm=tuple(float(mean) for mean in means.mean(axis=0)),
        trials=len(difference),
        clients=clients,
    )
