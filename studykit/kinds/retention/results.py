"""What the analysis of retention gives: frozen values at full precision."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.outcomes.results import FlowOutcome, OutcomeEstimate, OutcomeResult
from studykit.results import Interval, Result

Floats = NDArray[np.float64]
UNKNOWN_STATUS = "status at the horizon not known"


@dataclass(frozen=True, slots=True)
class RetentionCurvePoints(Result):
    """A retention curve of one arm, ready to draw or tabulate; days from allocation."""

    arm: str
    days: Floats  # step times, starting at 0
    retained: Floats
    lower: Floats
    upper: Floats
    interval_method: str
    at_risk_days: Floats
    at_risk: Floats
    stops_at: float  # the curve is drawn up to this day, where fewer than the protocol's minimum remain


@dataclass(frozen=True, slots=True)
class CurveTest(Result):
    """The log-rank test of the two curves over all days: supporting only."""

    chi_squared: float
    degrees_of_freedom: int
    p_value: float
    within_trainers: bool


@dataclass(frozen=True, slots=True)
class RetentionStatus(Result):
    """Clients of one arm at the horizon."""

    arm: str
    allocated: int
    retained: int
    departed: int
    unknown: int
    returned: int  # of the retained, those who had departed before and came back
    proportion: float  # retained / (retained + departed)
    interval: Interval
    reasons: tuple[tuple[str, int], ...]  # of the departed


@dataclass(frozen=True, slots=True, kw_only=True)
class RetentionResult(OutcomeResult):
    """Everything about retention; the primary result is the difference in the share retained.

    Parameters
    ----------
    horizon_day : int
    definition : str
    ratio : OutcomeEstimate or None
        The share retained as a ratio.
    restricted_mean : tuple of OutcomeEstimate
        Difference in mean days retained.
    hazard_ratio : OutcomeEstimate or None
        Of departure; supporting.
    status : tuple of RetentionStatus
        By arm.
    curves : tuple of RetentionCurvePoints
        By arm.
    by_trainer : tuple
        Trainer, then (arm, retained, known).
    by_model : tuple of OutcomeEstimate
        Odds ratio, difference and ratio of shares by the mixed model with trainers random; supporting, empty
        with one trainer or where it could not be fitted.
    curve_test : CurveTest or None
        None where trainers are the units, or nobody left while both arms were there.
    """

    kind: str = "retention"
    horizon_day: int
    definition: str
    ratio: OutcomeEstimate | None
    restricted_mean: tuple[OutcomeEstimate, ...]
    hazard_ratio: OutcomeEstimate | None
    status: tuple[RetentionStatus, ...]
    curves: tuple[RetentionCurvePoints, ...]
    by_trainer: tuple[tuple[str, tuple[tuple[str, int, int], ...]], ...]
    by_model: tuple[OutcomeEstimate, ...] = ()
    curve_test: CurveTest | None = None

    @property
    def contrasts(self) -> tuple[OutcomeEstimate, ...]:
        """The difference in shares first, what supports it, then other definitions."""
        ratio = (self.ratio,) if self.ratio is not None else ()
        hazard = (self.hazard_ratio,) if self.hazard_ratio is not None else ()
        return (
            self.primary, *ratio, *self.restricted_mean, *hazard, *self.by_model, *self.sensitivity
        )  # fmt: skip

    def flow(self, arm: str, allocated: int) -> FlowOutcome:
        """Clients whose status is known, and why the others left."""
        status = next(status for status in self.status if status.arm == arm)
        unknown = ((UNKNOWN_STATUS, status.unknown),) if status.unknown else ()
        return FlowOutcome(
            self.code, self.name, allocated - status.unknown, unknown, unknown, stopped=status.reasons
        )

    def limits(self) -> tuple[str, ...]:
        """For how many it is not known whether they stayed."""
        unknown = sum(status.unknown for status in self.status)
        if not unknown:
            return ()
        return (
            f"Whether {unknown} clients were retained at the horizon is not known: the records end earlier.",
        )
