"""Fourth stage: when clients leave, and whether they come back. Shapes (trials, clients)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from studykit.results import frozen_array
from studykit.trial.models import RetentionModel
from studykit.trial.settings import TrialSettings
from studykit.trial.simulated_clients import ClientTraits
from studykit.trial.simulated_scores import TestedScores

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Leaving:
    """Days, counted from allocation, between which a client does not come.

    Parameters
    ----------
    left : ndarray of float, shape (trials, clients)
        No session is attended after this day; ``inf`` for a client who never leaves.
    returned : ndarray of float, shape (trials, clients)
        Sessions are attended again from this day; ``inf`` for a client who does not come back.
    """

    left: Floats
    returned: Floats

    def trains(self, day: Floats | Integers) -> NDArray[np.bool_]:
        """Whether each client still comes on ``day`` (broadcast over a last axis of days)."""
        return np.asarray((day <= self.left[..., None]) | (day >= self.returned[..., None]))


@lru_cache(maxsize=256)  # asked again for every batch of the same settings
def cumulative_hazard(retained: float, spread: float) -> float:
    """Cumulative hazard at the horizon whose average survival over normal log hazards is ``retained``.

    Parameters
    ----------
    retained : float
        Above 0, at most 1.
    spread : float
        Standard deviation of the log hazard between clients.

    Examples
    --------
    >>> round(cumulative_hazard(0.7, 0.0), 4), round(cumulative_hazard(0.7, 0.5), 4)
    (0.3567, 0.3306)
    """
    if retained >= 1.0:
        return 0.0
    if spread == 0.0:
        return -math.log(retained)
    nodes, weights = np.polynomial.hermite_e.hermegauss(41)
    weights = weights / weights.sum()
    multiplier = np.exp(spread * nodes)
    found = brentq(lambda log: float(weights @ np.exp(-math.exp(log) * multiplier)) - retained, -30.0, 10.0)
    return math.exp(found)


@lru_cache(maxsize=256)
def staying_share(retained: float, model: RetentionModel) -> float:
    """Share that never leaves, where ``retained`` are active at the horizon, leavers who came back included.

    Parameters
    ----------
    retained : float
    model : RetentionModel

    Examples
    --------
    >>> staying_share(0.7, RetentionModel(return_share=0.0))
    0.7
    >>> round(staying_share(0.7, RetentionModel(return_share=0.1)), 3)
    0.672
    """
    if model.return_share == 0.0 or retained >= 1.0:
        return retained
    unit = float(model.horizon_day - model.absence_days)
    middle = (np.arange(400) + 0.5) / 400.0

    def active(staying: float) -> float:
        level = -math.log(staying)
        days = (-np.log1p(-middle * (1.0 - staying)) / level) ** (1.0 / model.shape) * unit
        back_by_horizon = -np.expm1(-np.maximum(unit - days, 0.0) / max(model.return_after, 1e-9))
        return staying + (1.0 - staying) * model.return_share * float(back_by_horizon.mean())

    if active(1e-9) >= retained:
        return 1e-9
    return float(brentq(lambda staying: active(staying) - retained, 1e-9, 1.0 - 1e-12))


def simulate_departures(
    settings: TrialSettings,
    traits: ClientTraits,
    arm: Integers,
    *,
    tests: TestedScores,
    rng: np.random.Generator,
) -> Leaving:
    """Draw the day on which each client leaves.

    Parameters
    ----------
    settings : TrialSettings
    traits : ClientTraits
    arm : ndarray of int, shape (trials, clients)
    tests : TestedScores
        Of the same arms; read only where departures depend on the gain that was seen.
    rng : numpy.random.Generator
        Drawn from in the same way whatever the arm.

    Returns
    -------
    Leaving

    Notes
    -----
    The cumulative hazard is ``h * (t / (horizon - absence)) ** shape``, so that the share which has not
    left ``absence`` days before the horizon, and is therefore still active on the clock at the horizon,
    is the one of the settings. Dependence on the gain multiplies the hazard piecewise between tests.
    """
    model = settings.retention
    spread = math.hypot(model.sd_trainer, model.per_gain)
    at_horizon = np.array(
        [cumulative_hazard(staying_share(share, model), spread) for share in model.retained]
    )
    resistance = rng.standard_exponential(arm.shape)
    comes_back = rng.random(arm.shape) < model.return_share
    wait = rng.standard_exponential(arm.shape) * model.return_after
    level = at_horizon[arm] * np.exp(traits.trainer_hazard)
    left = _invert(settings, resistance, level, _log_hazards(settings, traits, tests))
    left = np.where(level > 0.0, np.floor(left), np.inf)
    returned = np.where(comes_back, np.ceil(left + model.absence_days + wait), np.inf)
    return Leaving(frozen_array(left, float), frozen_array(returned, float))


def _log_hazards(settings: TrialSettings, traits: ClientTraits, tests: TestedScores) -> tuple[Floats, ...]:
    """Log hazard from the gain, in each stretch between follow-up visits, first stretch included."""
    model = settings.retention
    follow_up = [index for index, visit in enumerate(settings.visits) if not visit.baseline]
    if model.gain_seen == "true" or model.per_gain == 0.0:
        return (model.per_gain * traits.own_gain,) * (len(follow_up) + 1)
    baseline = tests.analysed[:, :, _last_baseline(settings), :]
    strength = settings.strength
    growth = strength.growth(np.array(settings.days, dtype=float))
    spread = math.sqrt(strength.sd_gain**2 + strength.sd_gain_exercise**2 / len(settings.machines))
    practice = strength.practice(len(settings.visits))
    seen = np.zeros(traits.trainer.shape)
    stretches = [seen]
    for index in follow_up:
        expected = strength.gain * growth[index] + practice[index] - practice[_last_baseline(settings)]
        came = tests.came[:, :, index, :]
        change = np.where(came, tests.analysed[:, :, index, :] - baseline - expected, 0.0)
        mean = change.sum(axis=-1) / np.maximum(came.sum(axis=-1), 1)
        seen = np.where(came.any(axis=-1), mean / spread, seen)
        stretches.append(seen)
    return tuple(model.per_gain * stretch for stretch in stretches)


def _last_baseline(settings: TrialSettings) -> int:
    return max(index for index, visit in enumerate(settings.visits) if visit.baseline)


def _invert(
    settings: TrialSettings, resistance: Floats, level: Floats, log_hazards: tuple[Floats, ...]
) -> Floats:
    """Day at which the cumulative hazard reaches each client's resistance."""
    model = settings.retention
    unit = float(model.horizon_day - model.absence_days)
    starts = [0.0, *(float(visit.day) for visit in settings.visits if not visit.baseline)]
    rest = resistance / np.maximum(level, 1e-12)  # a hazard of nothing is dealt with by the caller
    found = np.full(resistance.shape, np.nan)
    for start, end, log_hazard in zip(starts, [*starts[1:], math.inf], log_hazards, strict=True):
        base = (start / unit) ** model.shape
        reach = np.maximum(base + rest * np.exp(-log_hazard), 0.0)  # below: found in an earlier stretch
        day = unit * reach ** (1.0 / model.shape)
        found = np.where(np.isnan(found) & (day <= end), day, found)
        if math.isfinite(end):
            rest = rest - ((end / unit) ** model.shape - base) * np.exp(log_hazard)
    return found
