"""What a study can tell about one outcome: what plans of every kind have; each kind adds its own."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Any, ClassVar

from studykit.outcomes.decision import level_at_the_end
from studykit.planning.assumptions import Assumptions
from studykit.protocol.types import Protocol

STUDIOS = 3
_WORTH_SAYING = 0.02  # a gain below this share of the width is not listed


def level_of(protocol: Protocol) -> float:
    """Two-sided level of one primary outcome, where several share it evenly."""
    primaries = sum(outcome.role == "primary" for outcome in protocol.outcomes)
    return level_at_the_end(protocol) / max(primaries, 1)


@dataclass(frozen=True, slots=True)
class OutcomeModel:
    """The planned comparison, ready to be put to any number of clients.

    Parameters
    ----------
    shares : (float, float)
        Shares of all clients in the reference arm and in the compared arm.
    trainers : int
    nested : bool
        Whether each trainer delivers one arm.
    trainer_icc : float
        Share of the spread between trainers; matters only where nested.
    size_variation : float
        Spread of the trainers' numbers of clients over their mean; matters only where nested.
    alpha, power, confidence_level : float
    """

    shares: tuple[float, float]
    trainers: int
    nested: bool
    trainer_icc: float
    size_variation: float
    alpha: float
    power: float
    confidence_level: float


def common_fields(
    protocol: Protocol, assumptions: Assumptions, *, trainer_icc: str, alpha: float | None
) -> dict[str, Any]:
    """The fields of an `OutcomeModel` from a protocol; ``trainer_icc`` is the key of that assumption."""
    ratio = {arm.code: arm.ratio for arm in protocol.arms}
    total = sum(ratio.values())
    nested = protocol.trainers.deliver == "one arm" and not protocol.is_external
    return {
        "shares": (ratio[protocol.reference_arm.code] / total, ratio[protocol.comparison_arm.code] / total),
        "trainers": protocol.planning.trainers,
        "nested": nested,
        "trainer_icc": assumptions.value(trainer_icc) if nested else 0.0,
        "size_variation": assumptions.value("trainer_size_variation") if nested else 0.0,
        "alpha": protocol.analysis.alpha if alpha is None else alpha,
        "power": protocol.planning.power,
        "confidence_level": protocol.analysis.confidence_level,
    }


@dataclass(frozen=True, slots=True)
class OutcomePoint:
    """What one number of clients tells.

    Parameters
    ----------
    clients : int
        In all arms together.
    width : float
        Expected full width of the interval, as it is told.
    power : float
        For the assumed difference.
    detectable : float or None
        Difference found with the wanted power, as it is told; ``None`` if not even the largest possible is.
    """

    clients: int
    width: float
    power: float
    detectable: float | None

    @property
    def reach(self) -> float:
        """How far the interval reaches to either side, as it is told."""
        return self.width / 2.0


@dataclass(frozen=True, slots=True)
class OutcomePlan(ABC):
    """What the study can tell about one outcome.

    Parameters
    ----------
    outcome, name : str
        Code and name.
    unit : str
        Of widths and differences as they are told, short enough for a table.
    model : OutcomeModel
    planned : OutcomePoint
        At the planned number of clients.
    curve : tuple of OutcomePoint
        By number of clients.
    effect : float
        As declared, in ``unit``.
    effect_after_dilution : float
        As it reaches the analysis, in ``unit``.
    largest_plausible : float
        The far end of the assumed effect, after dilution, in ``unit``.
    smallest_worthwhile : float or None
        In ``unit``.
    clients_for_effect : int or None
        Clients in all arms for the wanted power at the assumed effect; ``None`` if out of reach.
    clients_for_worthwhile : int or None
        Clients in all arms for an interval that reaches no farther than the smallest worthwhile
        difference to either side; ``None`` if out of reach or not asked.
    """

    effect_key: ClassVar[str]
    """Key of the assumed effect."""
    decimals: ClassVar[int] = 1
    in_attendance: ClassVar[bool] = False
    """Whether a studio's own attendance records tell about it before any study."""

    outcome: str
    name: str
    unit: str
    model: OutcomeModel
    planned: OutcomePoint
    curve: tuple[OutcomePoint, ...]
    effect: float
    effect_after_dilution: float
    largest_plausible: float
    smallest_worthwhile: float | None
    clients_for_effect: int | None
    clients_for_worthwhile: int | None

    @property
    def unit_in_full(self) -> str:
        """The unit where there is room for it."""
        return self.unit

    @property
    def tested_clients(self) -> float:
        """Clients that the final analysis sees, expected; each once."""
        return float(self.planned.clients)

    @property
    def one_study(self) -> tuple[float, float, float] | None:
        """Error, degrees of freedom and tested clients of one study, where several can be pooled."""
        return None

    def on_scale(self, told: float) -> float:
        """An effect on the scale of the analysis, from one as it is told."""
        return told

    def told(self, value: float) -> float:
        """An effect as it is told, from one on the scale of the analysis."""
        return value

    def seen_at(self, critical: float, fraction: float) -> float | None:
        """Difference seen at least, as told, where a look decides; None where that is not worked out."""
        del critical, fraction
        return None

    def limits(self, protocol: Protocol) -> tuple[str, ...]:
        """What the design cannot give: to whom the answer speaks, what cannot be told apart."""
        del protocol
        return ()

    @abstractmethod
    def clients_to_find(self, effect: float) -> int | None:
        """Clients in all arms for the wanted power at an effect as it is told; ``None`` if out of reach."""

    @abstractmethod
    def power_at(self, point: OutcomePoint, effect: float) -> float:
        """Power of so many clients for an effect on the scale of the analysis."""

    @abstractmethod
    def power_curve(self, effect: float) -> tuple[tuple[int, float], ...]:
        """Numbers of clients with their power for an effect as it is told."""

    @abstractmethod
    def averaged_power(self, point: OutcomePoint, mean: float, spread: float) -> float:
        """Power in the expected direction, averaged over a normal prior on the scale of the analysis."""

    @abstractmethod
    def width_quantiles(self) -> tuple[float, float] | None:
        """Full widths, as told, that one study in ten stays below and above; ``None`` if not known."""

    @abstractmethod
    def sentences(self, *, confidence_level: float, power: float) -> tuple[str, str]:
        """What can, and what cannot be learned."""


@dataclass(frozen=True, slots=True)
class Improvement:
    """One change of the plan and what it would bring.

    Parameters
    ----------
    outcome : str
        Code of the outcome that it is about.
    change : str
        What is done.
    half_width, detectable : float or None
        With it: reach of the interval to either side, and difference found with the wanted power, in
        ``unit``.
    unit : str
    price : str
        What it takes, and what to beware of.
    design : str
        The other design, where that is the change.
    """

    outcome: str
    change: str
    half_width: float | None
    detectable: float | None
    unit: str
    price: str
    design: str = ""

    def rank(self, unit: str) -> tuple[bool, float, float]:
        """What helps more comes first; what is told in another unit cannot be ranked and comes last."""
        found, reach = self.detectable, self.half_width
        return (
            self.unit != unit,
            math.inf if found is None else found,
            math.inf if reach is None else reach,
        )


@dataclass(frozen=True, slots=True)
class Change:
    """A protocol with one change, its number of clients, and the words that go with it."""

    words: str
    protocol: Protocol
    clients: int
    price: str
    design: str = ""


def sharper(plan: OutcomePlan, change: Change, point: OutcomePoint | None) -> Improvement | None:
    """What a change brings, from the point of the changed plan; None where it brings next to nothing."""
    if point is None or point.reach >= (1.0 - _WORTH_SAYING) * plan.planned.reach:
        return None
    found = point.detectable
    return Improvement(
        plan.outcome,
        change.words,
        point.reach,
        found if found is not None and math.isfinite(found) else None,
        plan.unit,
        change.price,
        change.design,
    )


def twice_as_long(protocol: Protocol, clients: int, months: float) -> Change:
    """Recruitment for twice as long."""
    return Change(
        f"recruit for twice as long: {2 * clients} clients", protocol, 2 * clients,
        f"{2 * months:.0f} months of recruitment in place of {months:.0f}",
    )  # fmt: skip


def more_studios(protocol: Protocol, clients: int, price: str) -> Change:
    """Several studios with as many trainers and clients each."""
    larger = with_planning(protocol, trainers=STUDIOS * protocol.planning.trainers)
    words = f"{STUDIOS} studios of this size: {STUDIOS * clients} clients"
    return Change(words, larger, STUDIOS * clients, price)


def with_planning(protocol: Protocol, **changes: Any) -> Protocol:
    """The protocol with other numbers under planning."""
    return protocol.model_copy(update={"planning": protocol.planning.model_copy(update=changes)})
