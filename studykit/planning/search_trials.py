"""What one simulated place tells a search: power at any effect, and width, with little Monte Carlo error.

Three devices save trials. *Reuse:* the strength analysis is linear in the scores, so that the error of an
estimate and the reach of its test are the same for effects near the one that is simulated; power at any of
these comes from the same trials. *Mirror:* arms are alike but for the effect, so that an error and its mirror
image are as likely; each trial counts with both. *Stand-in:* a quicker analysis of the same trials (the
composite score where the outcome has several exercises, else the regression of the protocol's fallback) and
of many trials more serves as a control variate; it need not be right, only alike.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from studykit.planning.kind_planning import search_of
from studykit.planning.search_loop import CurvePoint, Target
from studykit.protocol.outcome import OutcomeSection
from studykit.protocol.types import Protocol
from studykit.trial.batch import simulate_batch
from studykit.trial.kind_simulation import simulation_of
from studykit.trial.performance import estimate_trials
from studykit.trial.settings import TrialSettings

Floats = NDArray[np.float64]
Kind = Literal["own", "stand-in"]


@dataclass(frozen=True, slots=True, eq=False)
class Errors:
    """Errors and tests of one analysis of some trials; arrays of shape (trials,), ``nan`` where it failed.

    Parameters
    ----------
    error : ndarray of float
        Estimate minus truth.
    shift : ndarray of float
        What the trainers at hand add to the effect.
    reach : ndarray of float
        An estimate farther from zero than this is a rejection.
    width : ndarray of float
        Of the interval, on the scale of the analysis.
    """

    error: Floats
    shift: Floats
    reach: Floats
    width: Floats

    @classmethod
    def joined(cls, parts: Iterable[Errors]) -> Errors:
        """One after the other."""
        found = list(parts)
        return cls(
            *(
                np.concatenate([getattr(part, name) for part in found])
                for name in ("error", "shift", "reach", "width")
            )
        )

    def rejections(self, effect: float) -> Floats:
        """Rejections at an effect, each error counted with its mirror image (0, 0.5 or 1); failed fits: 0."""
        own = effect + self.shift
        with np.errstate(invalid="ignore"):
            found = [np.abs(own + sign * self.error) >= self.reach for sign in (1.0, -1.0)]
        return np.asarray((found[0].astype(float) + found[1]) / 2.0)


NOTHING = Errors(*(np.empty(0),) * 4)


@dataclass(frozen=True, slots=True, eq=False)
class PlaceTrials:
    """All that was simulated at one place.

    Parameters
    ----------
    own, stand_in : Errors
        The protocol's analysis and the quicker one, of the same trials.
    further : Errors
        The quicker one, of trials that the protocol's analysis did not see.
    effect : float
        The true difference that power is about, on the scale of the analysis.
    """

    own: Errors
    stand_in: Errors
    further: Errors
    effect: float = 0.0

    def and_more(self, more: PlaceTrials) -> PlaceTrials:
        """Both rounds at the same place."""
        return PlaceTrials(
            Errors.joined([self.own, more.own]),
            Errors.joined([self.stand_in, more.stand_in]),
            Errors.joined([self.further, more.further]),
            self.effect,
        )

    @property
    def trials(self) -> int:
        """Trials analysed as the protocol says."""
        return self.own.error.size

    def point(self, x: int, target: Target) -> CurvePoint:
        """Power at the effect that is meant, or mean width."""
        return self.power(x, self.effect) if target == "power" else self.width(x)

    def power(self, x: float, effect: float) -> CurvePoint:
        """Power at an effect on the scale of the analysis."""
        parts = (self.own, self.stand_in, self.further)
        return CurvePoint(x, self.trials, *corrected_mean(*(part.rejections(effect) for part in parts)))

    def width(self, x: float) -> CurvePoint:
        """Mean width of the interval on the scale of the analysis."""
        known = np.isfinite(self.own.width) & np.isfinite(self.stand_in.width)
        further = self.further.width[np.isfinite(self.further.width)]
        mean = corrected_mean(self.own.width[known], self.stand_in.width[known], further)
        return CurvePoint(x, self.trials, *mean)


def corrected_mean(own: Floats, stand_in: Floats, further: Floats) -> tuple[float, float]:
    r"""Mean of ``own`` and its Monte Carlo error, with a stand-in as control variate.

    Parameters
    ----------
    own, stand_in : ndarray, shape (n,)
        Of the same trials.
    further : ndarray, shape (m,)
        The stand-in in other trials.

    Notes
    -----
    :math:`\bar D-\beta(\bar C_n-\bar C_m)` with
    :math:`\beta=\mathrm{cov}(D,C)/\mathrm{var}(C)\cdot m/(n+m)`, the best weight when the mean of the control
    is itself estimated (Glasserman 2004, section 4.1; from memory).

    Examples
    --------
    >>> corrected_mean(np.array([1.0, 3.0]), np.array([1.0, 3.0]), np.array([]))
    (2.0, 1.0)
    """
    n, m = own.size, further.size
    value = float(own.mean()) if n else math.nan
    if n < 2:
        return value, math.inf
    variance = float(own.var(ddof=1))
    spread = float(stand_in.var(ddof=1)) if m > 1 else 0.0
    if spread <= 0.0:
        return value, math.sqrt(variance / n)
    beta = float(np.cov(own, stand_in)[0, 1]) / spread * m / (n + m)
    left = float((own - beta * stand_in).var(ddof=1))
    value -= beta * float(stand_in.mean() - further.mean())
    return value, math.sqrt(left / n + beta**2 * float(further.var(ddof=1)) / m)


def errors_of_batch(
    protocol: Protocol,
    outcome: OutcomeSection,
    settings: TrialSettings,
    *,
    truth: float,
    level: float,
    kinds: tuple[Kind, ...],
    seed: int,
    size: int,
    number: int,
) -> tuple[Errors, ...]:
    """Simulate one batch and analyse it in each of the ways asked for.

    Parameters
    ----------
    protocol, outcome
        What is analysed.
    settings : TrialSettings
    truth : float
        General truth on the scale of the analysis.
    level : float
        Two-sided, of the decision.
    kinds : tuple of {"own", "stand-in"}
    seed, size, number : int
        Fix every number.
    """
    batch = simulate_batch(settings, size, seed=seed, batch=number, attendance=False)
    shift = simulation_of(outcome).shift(outcome, batch)
    quicker = settings.within is None  # within clients there is no quicker analysis: the own one stands in
    own = estimate_trials(protocol, batch, outcome.code) if "own" in kinds or not quicker else None
    found = []
    for kind in kinds:
        quick = own is None or (quicker and kind != "own")
        answers = search_of(outcome).stand_in(protocol, outcome, batch) if quick or own is None else own
        reach = stdtrit(answers.degrees_of_freedom, 1.0 - level / 2.0) * answers.standard_error
        error = answers.value - truth - shift
        found.append(Errors(error, shift, reach, answers.upper - answers.lower))
    return tuple(found)
