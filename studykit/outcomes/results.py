"""The results of a study: frozen values with their estimand, unit, rows and method beside them.

Full precision; rounding and wording belong to `studykit.report`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from studykit.errors import DesignError, Finding
from studykit.results import HasInterval, Interval, RowCount

if TYPE_CHECKING:
    from studykit.mixed import Influence, NormalQuantiles, ProfileInterval, VarianceProfile

Role = Literal["primary", "secondary", "exploratory", "sensitivity", "supporting"]
Presentation = Literal["ratio", "difference"]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class OutcomeEstimate:
    """An estimate of something named, with everything needed to read it.

    Parameters
    ----------
    name : str
        Short name, unique within a study's results, e.g. ``"strength at week_12"``.
    contrast : str
        What is compared, e.g. ``"partner_reps compared with conventional"``.
    estimand : str
        One sentence: population, variable, summary, how departures are handled.
    unit : str
        Unit of ``value``: ``"ratio"``, ``"kg"``, ``"share"``, ``"days"`` …
    presentation : {"ratio", "difference"}
        ``ratio``: ``estimate`` is on the log scale and ``value`` is its exponential.
    estimate : HasInterval
        The estimate on the scale of the analysis.
    role : str
        ``primary`` only for the protocol's primary outcomes.
    method : str
        The model or formula, with its degrees of freedom, in one sentence.
    rows : RowCount
        Clients allocated, used, and left out by reason.
    remarks : tuple of str
        What a reader must know with it (boundary, fallback used, few trainers …).
    """

    name: str
    contrast: str
    estimand: str
    unit: str
    presentation: Presentation
    estimate: HasInterval
    role: Role
    method: str
    rows: RowCount
    remarks: tuple[str, ...] = ()

    @property
    def value(self) -> float:
        """The estimate as it is presented: a ratio or a difference."""
        value = self.estimate.value
        return math.exp(value) if self.presentation == "ratio" else value

    @property
    def p_value(self) -> float:
        """Two-sided p-value of no difference."""
        return self.estimate.p_value

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """The interval as it is presented."""
        interval = self.estimate.confidence_interval(confidence_level)
        return interval.transformed(math.exp) if self.presentation == "ratio" else interval


@dataclass(frozen=True, slots=True)
class RescaledEstimate:
    """An estimate in another unit: a fixed increasing function of one already made, with the same p-value.

    Parameters
    ----------
    base : HasInterval
        On the scale of the analysis.
    factor : float
        What one unit of the new scale is multiplied from, ``> 0``.
    of_ratio : bool
        True: ``factor * (exp(x) - 1)``, the distance from a mean of ``factor`` at a log ratio x.
        False: ``factor * x``.
    note : str
        What is taken as known in the interval.

    Examples
    --------
    >>> from studykit.results import Estimate
    >>> kilograms = RescaledEstimate(Estimate(0.05, 0.02, 40.0, "Kenward-Roger"), 80.0, True, "")
    >>> round(kilograms.value, 3)
    4.102
    """

    base: HasInterval
    factor: float
    of_ratio: bool
    note: str

    def _there(self, value: float) -> float:
        return self.factor * (math.expm1(value) if self.of_ratio else value)

    @property
    def value(self) -> float:
        """In the new unit."""
        return self._there(self.base.value)

    @property
    def p_value(self) -> float:
        """That of the estimate it was made from."""
        return self.base.p_value

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """The ends of the interval it was made from, in the new unit."""
        interval = self.base.confidence_interval(confidence_level).transformed(self._there)
        method = f"{interval.method}; {self.note}" if self.note else interval.method
        return Interval(interval.lower, interval.upper, confidence_level, method)


@dataclass(frozen=True, slots=True)
class TippingPoint:
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
    """

    arm: str
    missing_share: float
    estimate_zero: float | None
    interval_touches: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class ArmVisitMean:
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
class VarianceComponent:
    """One standard deviation of the model, on the analysis scale."""

    name: str  # e.g. "between clients, baseline", "client by exercise", "trainer", "residual"
    standard_deviation: float
    at_boundary: bool


@dataclass(frozen=True, slots=True)
class ObservedSeries:
    """The composite score of one client over visits, for drawing (outcome's unit)."""

    client: str
    arm: str
    days: Floats
    scores: Floats


@dataclass(frozen=True, slots=True)
class Reliability:
    """How far a repeated test agrees with itself: between visits before allocation, or by the model."""

    exercise: str
    clients: int
    intraclass_correlation: float
    interval: Interval
    typical_error: float  # outcome's unit, or per cent on the log scale
    typical_error_unit: str
    source: str  # which visits, or "model"


@dataclass(frozen=True, slots=True)
class MissingCount:
    """Clients of one arm with and without a score at one visit."""

    arm: str
    visit: str
    allocated: int
    observed: int
    reasons: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True, eq=False)
class ModelCheck:
    """How well the mixed model fits, on the analysis scale.

    Parameters
    ----------
    left_out : tuple of (str, Influence)
        ``"client"`` and ``"trainer"``, each with the primary contrast of the fit without one of them.
    quantiles : tuple of NormalQuantiles
        Residuals, then predictions of clients and trainers where they vary.
    profiles : tuple of (str, VarianceProfile, ProfileInterval)
        Of the standard deviations, at the primary visit where they differ between visits; named as in
        ``StrengthResult.spread``.
    remarks : tuple of str
        What could not be looked at, and why.
    """

    left_out: tuple[tuple[str, Influence], ...]
    quantiles: tuple[NormalQuantiles, ...]
    profiles: tuple[tuple[str, VarianceProfile, ProfileInterval], ...]
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class StrengthResult:
    """Everything about one continuous outcome.

    Parameters
    ----------
    primary : OutcomeEstimate
        The contrast of the protocol at the primary visit (by model or fallback).
    by_visit, by_exercise : tuple of OutcomeEstimate
        The same contrast at each follow-up visit, and for each exercise at the primary visit.
    other_arms : tuple of OutcomeEstimate
        Contrasts of further arms with the reference, where there are more than two arms.
    original_unit : OutcomeEstimate or None
        The effect in the outcome's unit, at the reference arm's mean, where the analysis is on the log scale.
    standardised : OutcomeEstimate
        The effect over a named standard deviation (its ``unit`` names it).
    sensitivity : tuple of OutcomeEstimate
        Other analyses and other assumptions on missing scores; ``name`` says which.
    means : tuple of ArmVisitMean
    spread : tuple of VarianceComponent
    trainer_effects : tuple of OutcomeEstimate
        The contrast within each trainer, description only; empty where trainers are too few or clusters.
    """

    code: str
    name: str
    unit: str
    scale: Literal["log", "as_measured"]
    primary_visit: str
    exercises: tuple[str, ...]
    primary: OutcomeEstimate
    by_visit: tuple[OutcomeEstimate, ...]
    by_exercise: tuple[OutcomeEstimate, ...]
    other_arms: tuple[OutcomeEstimate, ...]
    original_unit: OutcomeEstimate | None
    standardised: OutcomeEstimate
    sensitivity: tuple[OutcomeEstimate, ...]
    means: tuple[ArmVisitMean, ...]
    spread: tuple[VarianceComponent, ...]
    trainer_effects: tuple[OutcomeEstimate, ...]
    series: tuple[ObservedSeries, ...]
    reliability: tuple[Reliability, ...]
    missing: tuple[MissingCount, ...]
    model: str  # the model in one paragraph
    fallback: str  # why the fallback was used, "" where it was not
    rows: RowCount  # rows of scores
    smallest_worthwhile: float | None  # per cent on the log scale, else unit
    tipping_points: tuple[TippingPoint, ...] = ()
    analysed: tuple[tuple[str, int], ...] = ()  # arm, clients used in the primary analysis
    remarks: tuple[str, ...] = ()  # on reliability, empty cells, columns left out …
    check: ModelCheck | None = None  # None where the fallback was used


@dataclass(frozen=True, slots=True)
class RetentionCurvePoints:
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
class RetentionStatus:
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


@dataclass(frozen=True, slots=True)
class RetentionResult:
    """Everything about retention."""

    code: str
    name: str
    horizon_day: int
    definition: str
    primary: OutcomeEstimate  # risk difference in the share retained
    ratio: OutcomeEstimate | None  # the share retained as a ratio
    restricted_mean: tuple[OutcomeEstimate, ...]  # difference in mean days retained
    hazard_ratio: OutcomeEstimate | None  # supporting
    sensitivity: tuple[OutcomeEstimate, ...]
    status: tuple[RetentionStatus, ...]
    curves: tuple[RetentionCurvePoints, ...]
    by_trainer: tuple[tuple[str, tuple[tuple[str, int, int], ...]], ...]  # trainer, (arm, retained, known)
    remarks: tuple[str, ...]
    smallest_worthwhile: float | None  # percentage points


@dataclass(frozen=True, slots=True)
class HarmArm:
    """Harms in one arm."""

    arm: str
    clients: int
    sessions: int
    client_weeks: float
    clients_with_harm: int
    events: int
    expected_events: int  # ordinary soreness, counted apart
    serious: int
    severe: int
    moderate: int
    mild: int
    deaths: int
    withdrawn_through_harm: int
    asked_share: float  # sessions at which the harms question was asked
    upper_bound: float  # upper 95 % bound for the share with a harm, exact


@dataclass(frozen=True, slots=True)
class HarmsResult:
    """Harms by arm as allocated, and whether the protocol's pause rule has struck."""

    arms: tuple[HarmArm, ...]
    trainers_hurt: int
    not_allocated: int
    systematic: bool  # asked about at every session
    difference: OutcomeEstimate | None  # share of clients with any harm
    pause_reasons: tuple[str, ...]
    kinds: tuple[tuple[str, str, int], ...]  # kind, arm, events


@dataclass(frozen=True, slots=True)
class DeliveryArm:
    """What was delivered in one arm."""

    arm: str
    clients: int
    booked: int
    attended: int
    attended_share: float
    sessions_per_week: float
    with_partner_reps: int  # attended sessions with partner reps
    contaminated_clients: int  # in arms whose dose has none: clients with any partner reps
    partner_sets: int
    partner_sets_as_planned: int
    fidelity: float
    fidelity_word: str  # good, partial, low; "" where it does not apply
    limit_reached_share: float
    mean_effort: float
    mean_discomfort: float
    other_trainer_share: float  # attended sessions with another than the recorded trainer
    ramped_in: tuple[int, int] = (0, 0)  # clients who came to the whole dose, of those with any partner reps


@dataclass(frozen=True, slots=True)
class DeliveryResult:
    """Delivery by arm, and days from allocation to the first session."""

    arms: tuple[DeliveryArm, ...]
    days_to_first_session: tuple[tuple[str, float, float, float], ...]  # arm, median, least, most
    sign_offs: tuple[tuple[str, np.datetime64], ...] = ()  # trainer, day of the check; NaT where none


@dataclass(frozen=True, slots=True)
class FlowArm:
    """The boxes of one arm in the flow diagram; the numbers are asserted to add up."""

    arm: str
    allocated: int
    received: int
    not_received: tuple[tuple[str, int], ...]
    stopped: tuple[tuple[str, int], ...]
    lost: tuple[tuple[str, int], ...]
    analysed_strength: int
    observed_strength: int
    not_analysed_strength: tuple[tuple[str, int], ...]
    analysed_retention: int
    not_analysed_retention: tuple[tuple[str, int], ...]
    trainers: int
    clients_per_trainer: tuple[float, int, int]  # median, least, most


@dataclass(frozen=True, slots=True)
class FlowResult:
    """Flow of clients through the study.

    Without records of sessions nobody knows who received what was allocated, and without a retention
    outcome nobody knows who stopped: the boxes say so by ``sessions_known`` and ``departures_known``.
    """

    assessed: int | None
    excluded: tuple[tuple[str, int], ...]
    allocated: int
    arms: tuple[FlowArm, ...]
    first_allocation: np.datetime64
    last_allocation: np.datetime64
    data_through: np.datetime64
    sessions_known: bool = True
    departures_known: bool = True


@dataclass(frozen=True, slots=True)
class BaselineRow:
    """One row of the baseline table; ``cells`` has one entry per arm, then one for all."""

    name: str
    unit: str
    kind: Literal["mean", "count"]
    cells: tuple[BaselineCell, ...]


@dataclass(frozen=True, slots=True)
class BaselineCell:
    """Mean and standard deviation, or count and denominator, with the number missing."""

    arm: str
    number: int
    first: float  # mean, or count
    second: float  # standard deviation, or denominator
    missing: int


@dataclass(frozen=True, slots=True)
class Decision:
    """What the protocol's decision rule says about one primary outcome."""

    outcome: str
    rule: str
    p_value: float
    adjusted_p_value: float
    rejected: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class RerandomisationTest:
    """What the method of allocation alone says about one outcome; it supports the primary analysis.

    ``smallest_p_value`` is the smallest that these draws can give; ``interval`` is on the scale of the
    analysis, and only for the score at the primary visit of a trial with two arms.
    """

    outcome: str
    statistic: str
    draws: int
    exact: bool
    p_value: float
    smallest_p_value: float
    interval: Interval | None


@dataclass(frozen=True, slots=True)
class Provenance:
    """What the results were made from."""

    protocol_hash: str
    protocol_version: str
    ledger_code: str  # last chain code, "" where there is no ledger
    table_hashes: tuple[tuple[str, str], ...]
    versions: tuple[tuple[str, str], ...]
    seed: int | None
    made_at: str  # UTC, ISO 8601


@dataclass(frozen=True, slots=True)
class StudyResults:
    """All results of a study.

    ``retention`` comes first in every report, since strength is seen only in those who stay.
    """

    title: str
    arms: tuple[tuple[str, str], ...]  # code, name; the reference arm first
    comparison: tuple[str, str]  # compared arm, reference arm
    confidence_level: float
    randomised: (
        bool  # the ledger's draws exist and verify, or the external protocol says so in its description
    )
    retention: RetentionResult | None
    continuous: tuple[StrengthResult, ...]
    harms: HarmsResult | None
    delivery: DeliveryResult | None
    flow: FlowResult
    baseline: tuple[BaselineRow, ...]
    decisions: tuple[Decision, ...]
    assessor_blind: tuple[tuple[str, int], ...]
    remarks: tuple[str, ...]  # limits that every reader must see
    findings: tuple[Finding, ...]  # notes and warnings met on the way
    provenance: Provenance
    rerandomisation: tuple[RerandomisationTest, ...] = ()

    @property
    def strength(self) -> StrengthResult:
        """The first continuous outcome (the primary one where there is a primary)."""
        if not self.continuous:
            raise DesignError(
                where="results.strength",
                expected="a continuous outcome in the protocol",
                got="none",
                todo="Look at results.retention.",
            )
        return self.continuous[0]
