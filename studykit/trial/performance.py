"""How an analysis performs over simulated trials: bias, coverage, type I error, power.

The analyses are those of the kinds of outcome, many trials at once. A fit that fails is counted, is no
rejection, and takes no part in bias and coverage.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError
from studykit.protocol.outcome import OutcomeSection
from studykit.protocol.types import Protocol
from studykit.results import frozen_array
from studykit.retention.proportions import share_interval
from studykit.trial.batch import TrialBatch, simulate_batch
from studykit.trial.kind_simulation import simulation_of
from studykit.trial.models import StrengthModel
from studykit.trial.settings import TrialSettings

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
REASONS = 5  # failed trials of a batch of a batch whose reason is kept
_SURE = 0.997  # three standard errors: a verdict on an analysis has to be rarer wrong than an interval


@dataclass(frozen=True, slots=True)
class TrialEstimates:
    """One analysis of many simulated trials, in order; all of shape (trials,), ``nan`` where it failed.

    Parameters
    ----------
    value, lower, upper, p_value : ndarray of float
        On the scale of the analysis, the interval at the protocol's level.
    standard_error, degrees_of_freedom : ndarray of float
        ``nan`` as well where the interval is no t-interval.
    truth_shift : ndarray of float
        What the trainers at hand add to the general truth of each trial.
    by_model, at_boundary : ndarray of bool
        Analysed by the mixed model and not by the fallback; a variance estimated at zero.
    failures : tuple of str
        Why: one message for each of the first failed trials of a batch.
    """

    value: Floats
    lower: Floats
    upper: Floats
    p_value: Floats
    standard_error: Floats
    degrees_of_freedom: Floats
    truth_shift: Floats
    by_model: Flags
    at_boundary: Flags
    failures: tuple[str, ...]

    @property
    def trials(self) -> int:
        """How many there are."""
        return self.value.size


@dataclass(frozen=True, slots=True)
class Share:
    """A share of simulated trials, with the 95 % interval that the number of trials allows.

    Parameters
    ----------
    value, low, high : float
        ``nan`` where there are no trials.
    count : float
        A trial that counts with its mirror image may count half.
    trials : int
    """

    value: float
    low: float
    high: float
    count: float
    trials: int

    @classmethod
    def of(cls, count: float, trials: int) -> Share:
        """From a count.

        Examples
        --------
        >>> found = Share.of(95, 2000)
        >>> found.value, round(found.low, 4), round(found.high, 4)
        (0.0475, 0.039, 0.0577)
        """
        if trials < 1:
            return cls(math.nan, math.nan, math.nan, count, trials)
        return cls(count / trials, *share_interval(count, trials), count, trials)

    @property
    def reach(self) -> float:
        """Half the length of the interval."""
        return (self.high - self.low) / 2.0

    def text(self) -> str:
        """In per cent, with its interval.

        Examples
        --------
        >>> Share.of(85, 1000).text(), Share.of(0, 0).text()
        ('8.5 % (6.9 to 10.4)', 'not known')
        """
        if self.trials < 1:
            return "not known"
        return f"{100 * self.value:.1f} % ({100 * self.low:.1f} to {100 * self.high:.1f})"

    def side_of(self, low: float, high: float) -> Literal["below", "inside", "above", "open"]:
        """Where the true share surely lies, seen from a region; ``"open"`` where trials are too few to tell.

        By the exact interval at 99.7 %: with few trials Wilson's is wrong more often than it says.

        Examples
        --------
        >>> [Share.of(count, trials).side_of(0.04, 0.05) for count, trials in ((0, 20), (0, 400), (80, 800))]
        ['open', 'below', 'above']
        """
        if self.trials < 1:
            return "open"
        least, most = share_interval(self.count, self.trials, confidence_level=_SURE, method="exact")
        if most < low:
            return "below"
        if least > high:
            return "above"
        return "inside" if low <= least and most <= high else "open"

    def wanted(self, low: float, high: float) -> Literal["as wanted", "not excluded", "NOT as wanted"]:
        """A verdict for tables of validity, passed only where the trials suffice for one.

        Examples
        --------
        >>> [Share.of(5 * trials // 100, trials).wanted(0.042, 0.058) for trials in (20, 40_000)]
        ['not excluded', 'as wanted']
        """
        side = self.side_of(low, high)
        return "as wanted" if side == "inside" else "not excluded" if side == "open" else "NOT as wanted"


@dataclass(frozen=True, slots=True)
class Performance:
    """What many simulated trials say of one analysis.

    Parameters
    ----------
    trials, failed : int
    truth : float
        Mean truth over the trials used.
    bias, bias_error : float
        Mean of estimate minus truth, and its Monte Carlo error.
    spread : float
        Standard deviation of estimate minus truth.
    mean_width, width_error : float
        Of the intervals, and its Monte Carlo error.
    coverage : Share
        Intervals that hold the truth, of those that could be computed.
    rejected : Share
        p-values up to alpha, of all trials: a failed fit is no rejection.
    by_model, at_boundary : Share
        Of the trials that could be analysed.
    """

    trials: int
    failed: int
    truth: float
    bias: float
    bias_error: float
    spread: float
    mean_width: float
    width_error: float
    coverage: Share
    rejected: Share
    by_model: Share
    at_boundary: Share


def estimate_batch(
    protocol: Protocol,
    settings: TrialSettings,
    trials: int,
    *,
    seed: int,
    batch: int = 0,
    outcome: str = "",
    supporting: bool = False,
) -> TrialEstimates:
    """Simulate one batch of trials and analyse each by the protocol's analysis of one outcome.

    Parameters
    ----------
    protocol : Protocol
    settings : TrialSettings
    trials : int
    seed, batch : int
        Fix every number.
    outcome : str
        Its code in the protocol; by default that of the settings.
    supporting : bool
        By the analysis that supports the primary one.
    """
    code = outcome or settings.outcome
    attendance = simulation_of(_section(protocol, code)).FROM_ATTENDANCE
    simulated = simulate_batch(settings, trials, seed=seed, batch=batch, attendance=attendance)
    return estimate_trials(protocol, simulated, code, supporting=supporting)


def _section(protocol: Protocol, code: str) -> OutcomeSection:
    found = {outcome.code: outcome for outcome in protocol.outcomes}
    if code not in found:
        raise ArgumentError(where="simulation", expected=f"an outcome among {', '.join(found)}", got=code)
    return found[code]


def estimate_trials(
    protocol: Protocol, simulated: TrialBatch, outcome: str, *, supporting: bool = False
) -> TrialEstimates:
    """Analyse each trial of a batch by the protocol's analysis of one outcome.

    Parameters
    ----------
    protocol : Protocol
    simulated : TrialBatch
        With attendance, where the outcome is seen there.
    outcome : str
        Its code in the protocol.
    supporting : bool
        By the analysis that supports the primary one.

    Returns
    -------
    TrialEstimates
        Equal to the analyses of the trials one by one.
    """
    section = _section(protocol, outcome)
    kind = simulation_of(section)
    found = kind.answers(protocol, section, simulated, supporting=supporting)
    return TrialEstimates(
        **{name: frozen_array(getattr(found, name), float) for name in _NUMBERS},
        truth_shift=frozen_array(kind.shift(section, simulated), float),
        **{name: frozen_array(getattr(found, name), bool) for name in _FLAGS},
        failures=tuple(reason for reason in found.reason if reason)[:REASONS],
    )


_NUMBERS = ("value", "lower", "upper", "p_value", "standard_error", "degrees_of_freedom")
_FLAGS = ("by_model", "at_boundary")


def join_estimates(parts: Iterable[TrialEstimates]) -> TrialEstimates:
    """Batches one after the other, in the order given."""
    found = list(parts)
    if not found:
        raise ArgumentError(where="join_estimates", expected="at least one batch", got="none")

    def together(name: str, kind: type) -> NDArray[Any]:
        return frozen_array(np.concatenate([getattr(part, name) for part in found]), kind)

    return TrialEstimates(
        **{name: together(name, float) for name in (*_NUMBERS, "truth_shift")},
        **{name: together(name, bool) for name in _FLAGS},
        failures=tuple(failure for part in found for failure in part.failures),
    )


def batch_size(settings: TrialSettings) -> int:
    """Trials in a batch: as many as use the processor well and the memory little.

    Examples
    --------
    >>> batch_size(TrialSettings(clients=60)), batch_size(TrialSettings(clients=400))
    (250, 37)
    """
    scores = settings.clients * len(settings.machines) * len(settings.visits)
    return max(4, min(250, 45_000 // scores))


def batches_of(trials: int, size: int = 250) -> tuple[int, ...]:
    """Sizes of the batches in which trials are done; they do not depend on the number of workers.

    Examples
    --------
    >>> batches_of(600)
    (250, 250, 100)
    """
    return tuple(min(size, trials - start) for start in range(0, trials, size))


def summarise_performance(
    estimates: TrialEstimates,
    *,
    truth: float,
    truth_error: float = 0.0,
    alpha: float = 0.05,
    rejected: Flags | None = None,
) -> Performance:
    """Bias, coverage and rejections.

    Parameters
    ----------
    estimates : TrialEstimates
    truth : float
        General truth; the shift of each trial's trainers is added.
    truth_error : float
        Monte Carlo error of the truth, which the error of the bias takes in.
    alpha : float
        Of the two-sided p-values.
    rejected : ndarray of bool, shape (trials,), optional
        Decisions by another rule.

    Returns
    -------
    Performance
    """
    known = np.isfinite(estimates.value)
    number = int(known.sum())
    own_truth = truth + estimates.truth_shift[known]
    error = estimates.value[known] - own_truth
    covered = (estimates.lower[known] <= own_truth) & (own_truth <= estimates.upper[known])
    if rejected is None:
        rejected = np.nan_to_num(estimates.p_value, nan=1.0) <= alpha
    width = estimates.upper[known] - estimates.lower[known]
    spread = float(error.std(ddof=1)) if number > 1 else math.nan
    return Performance(
        trials=estimates.trials,
        failed=estimates.trials - number,
        truth=float(own_truth.mean()) if number else math.nan,
        bias=float(error.mean()) if number else math.nan,
        bias_error=math.hypot(spread / math.sqrt(number), truth_error) if number else math.nan,
        spread=spread,
        mean_width=float(width.mean()) if number else math.nan,
        width_error=float(width.std(ddof=1)) / math.sqrt(number) if number > 1 else math.nan,
        coverage=Share.of(int(covered.sum()), number),
        rejected=Share.of(int(rejected.sum()), estimates.trials),
        by_model=Share.of(int(estimates.by_model[known].sum()), number),
        at_boundary=Share.of(int(estimates.at_boundary[known].sum()), number),
    )


def without_effect(settings: TrialSettings) -> TrialSettings:
    """The same trial with nothing between the arms: no effect for any trainer, the same departures."""
    arms = len(settings.arms)

    def nothing(strength: StrengthModel) -> StrengthModel:
        return replace(strength, effects=(0.0,) * arms, sd_trainer_by_arm=0.0)

    return replace(
        settings,
        strength=nothing(settings.strength),
        retention=replace(settings.retention, retained=(settings.retention.retained[0],) * arms),
        further=tuple(replace(own, strength=nothing(own.strength)) for own in settings.further),
    )


def with_exercises(protocol: Protocol, exercises: Sequence[str]) -> Protocol:
    """The protocol with another choice of exercises for its first continuous outcome."""
    first = protocol.of_kind("continuous")[0]
    changed = first.model_copy(update={"exercises": tuple(exercises)})
    outcomes = tuple(changed if outcome is first else outcome for outcome in protocol.outcomes)
    return protocol.model_copy(update={"outcomes": outcomes})
