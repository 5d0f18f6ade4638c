"""What a continuous outcome's analysis gives: frozen values at full precision."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from studykit.mixed import Influence, NormalQuantiles, ProfileInterval, VarianceProfile
from studykit.outcomes.results import FlowOutcome, OutcomeEstimate, OutcomeResult, Presentation
from studykit.results import Estimate, HasInterval, Interval, Result, RowCount

Floats = NDArray[np.float64]
NO_SCORE = "no score that the primary analysis could use"


@dataclass(frozen=True, slots=True)
class TippingPoint(Result):
    """By how much the missing scores of one arm would have to differ from what the model expects.

    Parameters
    ----------
    arm : str
    missing_share : float
        Share of the arm's scores missing at the primary visit.
    estimate_zero : float or None
        Shift at which the estimate itself is no difference; None where nothing is missing.
    interval_touches : float or None
        Smallest shift (by size) at which the interval comes to, or leaves, no difference; or None.
    unit : str
        Per cent on the log scale, else the outcome's unit.
    slope : float
        By how much the contrast moves where these scores move by one, on the analysis scale.
    clients : int
        Clients in the arm.
    """

    arm: str
    missing_share: float
    estimate_zero: float | None
    interval_touches: float | None
    unit: str
    slope: float = 0.0
    clients: int = 0


@dataclass(frozen=True, slots=True)
class Completed(Result):
    """The primary contrast after completing missing scores under one belief, on the analysis scale.

    ``anchored`` keeps the error of the primary analysis; ``jackknife`` is None where units could not be left
    out; ``left_out`` tells how many were.
    """

    belief: str
    presentation: Presentation
    anchored: Estimate
    jackknife: Estimate | None
    left_out: str

    def shown(self, value: float) -> float:
        """A number on the analysis scale, as it is shown."""
        return math.exp(value) if self.presentation == "ratio" else value


@dataclass(frozen=True, slots=True)
class ArmVisitMean(Result):
    """Adjusted mean of one arm at one visit (averaged over the named exercises), from the model.

    ``estimate`` is on the analysis scale; ``value`` and the interval are in the outcome's unit
    (a geometric mean where the scale is ``log``).
    """

    arm: str
    visit: str
    day: int
    unit: str
    presentation: Presentation
    estimate: HasInterval
    clients: int  # with a score at this visit

    @property
    def value(self) -> float:
        """Mean in the outcome's unit."""
        return math.exp(self.estimate.value) if self.presentation == "ratio" else self.estimate.value

    @property
    def p_value(self) -> float:
        """Not a number: no question is asked within one arm."""
        return math.nan

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """The interval in the outcome's unit."""
        interval = self.estimate.confidence_interval(confidence_level)
        return interval.transformed(math.exp) if self.presentation == "ratio" else interval


@dataclass(frozen=True, slots=True)
class VarianceComponent(Result):
    """One standard deviation of the model, on the analysis scale."""

    name: str  # e.g. "between clients, baseline", "client by exercise", "trainer", "residual"
    standard_deviation: float
    at_boundary: bool


@dataclass(frozen=True, slots=True)
class ObservedSeries(Result):
    """The composite score of one client over visits, for drawing (outcome's unit)."""

    client: str
    arm: str
    days: Floats
    scores: Floats


@dataclass(frozen=True, slots=True)
class Reliability(Result):
    """How far a repeated test agrees with itself: between visits before allocation, or by the model."""

    exercise: str
    clients: int
    intraclass_correlation: float
    interval: Interval
    typical_error: float  # outcome's unit, or per cent on the log scale
    typical_error_unit: str
    source: str  # which visits, or "model"


@dataclass(frozen=True, slots=True, eq=False)
class ModelCheck(Result):
    """How well the mixed model fits, on the analysis scale.

    Parameters
    ----------
    left_out : tuple of (str, Influence)
        ``"client"`` and ``"trainer"``, each with the primary contrast of the fit without one of them.
    quantiles : tuple of NormalQuantiles
        Residuals, then predictions of clients and trainers where they vary.
    profiles : tuple of (str, VarianceProfile, ProfileInterval)
        Of the standard deviations, at the primary visit where they differ between visits; named as in
        ``ContinuousResult.spread``.
    remarks : tuple of str
        What could not be looked at, and why.
    """

    left_out: tuple[tuple[str, Influence], ...]
    quantiles: tuple[NormalQuantiles, ...]
    profiles: tuple[tuple[str, VarianceProfile, ProfileInterval], ...]
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ContinuousResult(OutcomeResult):
    """Everything about one continuous outcome.

    Parameters
    ----------
    unit : str
    by_visit, by_exercise : tuple of OutcomeEstimate
        The primary contrast at each follow-up visit, and for each exercise at the primary visit.
    other_arms : tuple of OutcomeEstimate
        Contrasts of further arms with the reference, where there are more than two arms.
    original_unit : OutcomeEstimate or None
        The effect in the outcome's unit, at the reference arm's mean, where the analysis is on the log scale.
    standardised : OutcomeEstimate
        The effect over a named standard deviation (its ``unit`` names it).
    means : tuple of ArmVisitMean
    spread : tuple of VarianceComponent
    trainer_effects : tuple of OutcomeEstimate
        The contrast within each trainer, description only; empty where trainers are too few or clusters.
    model : str
        In one paragraph.
    fallback : str
        Why the protocol's fallback was used; empty where it was not.
    rows : RowCount
        Of scores.
    completed : tuple of Completed
        Under every belief on missing scores; empty where nothing is missing or the fallback was used.
    check : ModelCheck or None
        None where the fallback was used.
    """

    kind: str = "continuous"
    unit: str
    scale: Literal["log", "as_measured"]
    primary_visit: str
    exercises: tuple[str, ...]
    by_visit: tuple[OutcomeEstimate, ...]
    by_exercise: tuple[OutcomeEstimate, ...]
    other_arms: tuple[OutcomeEstimate, ...]
    original_unit: OutcomeEstimate | None
    standardised: OutcomeEstimate
    means: tuple[ArmVisitMean, ...]
    spread: tuple[VarianceComponent, ...]
    trainer_effects: tuple[OutcomeEstimate, ...]
    series: tuple[ObservedSeries, ...]
    reliability: tuple[Reliability, ...]
    model: str
    fallback: str
    rows: RowCount
    tipping_points: tuple[TippingPoint, ...] = ()
    completed: tuple[Completed, ...] = ()
    check: ModelCheck | None = None

    @property
    def contrasts(self) -> tuple[OutcomeEstimate, ...]:
        """The primary one, then by visit, exercise and arm, then under other assumptions."""
        visits = (estimate for estimate in self.by_visit if estimate.name != self.primary.name)
        return (self.primary, *visits, *self.by_exercise, *self.other_arms, *self.sensitivity)

    def flow(self, arm: str, allocated: int) -> FlowOutcome:
        """Clients in the analysis, and why clients have no score at the primary visit."""
        analysed = dict(self.analysed)[arm]
        here = next(item for item in self.missing if (item.arm, item.visit) == (arm, self.primary_visit))
        return FlowOutcome(
            self.code,
            self.name,
            analysed,
            ((NO_SCORE, allocated - analysed),) if allocated > analysed else (),
            tuple((f"no test at {self.primary_visit}: {reason}", number) for reason, number in here.reasons),
            measured=here.observed,
        )

    def limits(self) -> tuple[str, ...]:
        """How many have no score at the primary visit."""
        counts = [count for count in self.missing if count.visit == self.primary_visit]
        lost = [f"{count.allocated - count.observed} of {count.allocated} in {count.arm}" for count in counts]
        if not any(count.allocated > count.observed for count in counts):
            return ()
        return (f"{self.name}: no score at {self.primary_visit} for {', '.join(lost)}.",)
