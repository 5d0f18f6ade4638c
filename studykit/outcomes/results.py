"""The results of a study: frozen values with their estimand, unit, rows and method beside them.

Full precision; rounding and wording belong to `studykit.report`.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from studykit.errors import DesignError, Finding
from studykit.results import HasInterval, Interval, Result, RowCount, shown

Role = Literal["primary", "secondary", "exploratory", "sensitivity", "supporting"]
Presentation = Literal["ratio", "difference"]
Counts = tuple[tuple[str, int], ...]
LEFT_BEFORE = "left the studio before the visit"


@dataclass(frozen=True, slots=True)
class OutcomeEstimate(Result):
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
class RescaledEstimate(Result):
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
class MissingCount(Result):
    """Clients of one arm with and without a score at one visit."""

    arm: str
    visit: str
    allocated: int
    observed: int
    reasons: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class FlowOutcome(Result):
    """One outcome in the flow of one arm.

    Parameters
    ----------
    outcome, name : str
        Code and name.
    analysed : int
    not_analysed, lost : tuple of (str, int)
        Clients left out of the analysis, and clients without a result, by reason.
    stopped : tuple of (str, int) or None
        Clients who left the programme, by reason; None where the outcome does not tell.
    measured : int or None
        Of the analysed, those with a result at the primary visit; None where there is no visit.
    """

    outcome: str
    name: str
    analysed: int
    not_analysed: Counts = ()
    lost: Counts = ()
    stopped: Counts | None = None
    measured: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeResult(Result, ABC):
    """What every kind of outcome gives; each kind adds its own.

    Parameters
    ----------
    kind : str
        Word of the kind, as in the protocol.
    code, name : str
    primary : OutcomeEstimate
        The contrast of the protocol, by the protocol's analysis or its fallback.
    sensitivity : tuple of OutcomeEstimate
        The same contrast by other analyses and under other assumptions; ``name`` says which.
    missing : tuple of MissingCount
        By arm and visit; empty where nothing is measured at visits.
    analysed : tuple of (str, int)
        Arm, clients used in the primary analysis.
    smallest_worthwhile : float or None
        Of the protocol: per cent on the log scale, percentage points for shares, else the unit.
    remarks : tuple of str
        On columns left out, empty cells …
    """

    kind: str
    code: str
    name: str
    primary: OutcomeEstimate
    sensitivity: tuple[OutcomeEstimate, ...]
    missing: tuple[MissingCount, ...] = ()
    analysed: tuple[tuple[str, int], ...] = ()
    smallest_worthwhile: float | None = None
    remarks: tuple[str, ...] = ()

    @property
    @abstractmethod
    def contrasts(self) -> tuple[OutcomeEstimate, ...]:
        """Every contrast between arms, the primary one first."""

    @abstractmethod
    def flow(self, arm: str, allocated: int) -> FlowOutcome:
        """What became of the clients of one arm."""

    @abstractmethod
    def limits(self) -> tuple[str, ...]:
        """What of this result every reader must see."""


@dataclass(frozen=True, slots=True)
class HarmArm(Result):
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
class HarmsResult(Result):
    """Harms by arm as allocated, and whether the protocol's pause rule has struck."""

    arms: tuple[HarmArm, ...]
    trainers_hurt: int
    not_allocated: int
    systematic: bool  # asked about at every session
    difference: OutcomeEstimate | None  # share of clients with any harm
    pause_reasons: tuple[str, ...]
    kinds: tuple[tuple[str, str, int], ...]  # kind, arm, events


@dataclass(frozen=True, slots=True)
class DeliveryArm(Result):
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
class DeliveryResult(Result):
    """Delivery by arm, and days from allocation to the first session."""

    arms: tuple[DeliveryArm, ...]
    days_to_first_session: tuple[tuple[str, float, float, float], ...]  # arm, median, least, most
    sign_offs: tuple[tuple[str, np.datetime64], ...] = ()  # trainer, day of the check; NaT where none


@dataclass(frozen=True, slots=True)
class FlowArm(Result):
    """The boxes of one arm in the flow diagram; the numbers are asserted to add up."""

    arm: str
    allocated: int
    received: int
    not_received: Counts
    outcomes: tuple[FlowOutcome, ...]
    trainers: int
    clients_per_trainer: tuple[float, int, int]  # median, least, most

    @property
    def stopped(self) -> Counts:
        """Clients who left the programme, by reason."""
        return tuple(count for outcome in self.outcomes for count in outcome.stopped or ())

    @property
    def lost(self) -> Counts:
        """Clients without a result, by reason."""
        return tuple(count for outcome in self.outcomes for count in outcome.lost)


@dataclass(frozen=True, slots=True)
class FlowResult(Result):
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

    @property
    def departures_known(self) -> bool:
        """Whether an outcome tells who left the programme."""
        return any(outcome.stopped is not None for arm in self.arms for outcome in arm.outcomes)


@dataclass(frozen=True, slots=True)
class BaselineRow(Result):
    """One row of the baseline table; ``cells`` has one entry per arm, then one for all."""

    name: str
    unit: str
    kind: Literal["mean", "count"]
    cells: tuple[BaselineCell, ...]


@dataclass(frozen=True, slots=True)
class BaselineCell(Result):
    """Mean and standard deviation, or count and denominator, with the number missing."""

    arm: str
    number: int
    first: float  # mean, or count
    second: float  # standard deviation, or denominator
    missing: int


@dataclass(frozen=True, slots=True)
class Decision(Result):
    """What the protocol's decision rule says about one primary outcome.

    ``joint_level`` is the confidence level of an interval that holds together with those of the other primary
    outcomes, by Bonferroni's inequality; None where there is only one.
    """

    outcome: str
    rule: str
    p_value: float
    adjusted_p_value: float
    rejected: bool
    sentence: str
    joint_level: float | None = None


@dataclass(frozen=True, slots=True)
class RerandomisationTest(Result):
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
class Provenance(Result):
    """What the results were made from."""

    protocol_hash: str
    protocol_version: str
    ledger_code: str  # last chain code, "" where there is no ledger
    table_hashes: tuple[tuple[str, str], ...]
    versions: tuple[tuple[str, str], ...]
    seed: int | None
    made_at: str  # UTC, ISO 8601


@dataclass(frozen=True, slots=True)
class StudyResults(Result):
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
    outcomes: tuple[OutcomeResult, ...]
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

    def _shown(self) -> list[tuple[str, str]]:
        """Of every outcome its primary contrast; `to_frame` has all of them."""
        found = [
            (item.code, f"{shown(item.primary)}, p {item.primary.p_value:.2g}; {item.primary.contrast}")
            for item in self.outcomes
        ]
        parts = ("harms", "delivery", "rerandomisation", "findings")
        return [("title", self.title), *found, *((name, shown(getattr(self, name))) for name in parts)]

    def __getitem__(self, code: str) -> OutcomeResult:
        """The result of one outcome by its code.

        Raises
        ------
        DesignError
            If no outcome of this code was analysed.
        """
        for outcome in self.outcomes:
            if outcome.code == code:
                return outcome
        raise DesignError(
            where=f"results[{code!r}]",
            expected=f"one of the outcomes analysed: {', '.join(o.code for o in self.outcomes)}",
            got=code,
        )

    @property
    def primary(self) -> OutcomeResult:
        """The first outcome with the role primary, else the first."""
        return next((item for item in self.outcomes if item.primary.role == "primary"), self.outcomes[0])

    @property
    def strength(self) -> Any:
        """The first continuous outcome.

        Raises
        ------
        DesignError
            If there is none.
        """
        found = self.of_kind("continuous")
        if not found:
            raise DesignError(
                where="results.strength",
                expected="a continuous outcome in the protocol",
                got="none",
                todo="Look at results.retention.",
            )
        return found[0]

    @property
    def retention(self) -> Any:
        """The result on retention, or None."""
        return next(iter(self.of_kind("retention")), None)

    def of_kind(self, kind: str) -> tuple[Any, ...]:
        """The results of one kind, in order."""
        return tuple(item for item in self.outcomes if item.kind == kind)


def leading(outcomes: Sequence[OutcomeResult]) -> tuple[OutcomeResult, ...]:
    """Of every kind the primary outcomes, else its first: what answers begin with."""
    found: list[OutcomeResult] = []
    for kind in dict.fromkeys(item.kind for item in outcomes):
        own = [item for item in outcomes if item.kind == kind]
        found += [item for item in own if item.primary.role == "primary"] or own[:1]
    return tuple(found)
