"""All settings of a simulated trial, by hand or from the planning assumptions of a protocol."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields, replace
from typing import Any, Literal

import numpy as np

from studykit import kinds
from studykit.allocation.asked import method_for
from studykit.allocation.method import AllocationMethod
from studykit.errors import ArgumentError, DesignError
from studykit.protocol.types import Assumption, PermutedBlocks, Protocol, Visit
from studykit.trial.models import (
    AttendanceModel,
    CalendarModel,
    ClientFactor,
    DeliveryModel,
    HarmModel,
    Machine,
    PlannedVisit,
    RetentionModel,
    StrengthModel,
)


@dataclass(frozen=True, slots=True)
class ArmsWithin:
    """Which arm a client has at each visit and on each side.

    Parameters
    ----------
    codes : tuple of str
        What is drawn.
    arms : tuple of tuple of tuple of int
        By code, visit and side (the dominant one first; one entry where sides do not matter).
    by_trainer : bool
        Whether trainers are drawn.
    """

    codes: tuple[str, ...]
    arms: tuple[tuple[tuple[int, ...], ...], ...]
    by_trainer: bool


@dataclass(frozen=True, slots=True)
class FurtherOutcome:
    """How another continuous outcome of the same clients is measured; fields as in `TrialSettings`."""

    outcome: str
    machines: tuple[Machine, ...]
    factors: tuple[ClientFactor, ...]
    strength: StrengthModel
    score: Literal["load", "estimated maximum", "as recorded"] = "as recorded"
    repetitions: int = 1
    equation: str = "epley"


@dataclass(frozen=True, slots=True)
class TrialSettings:
    """Everything that a simulated trial is made of.

    Parameters
    ----------
    clients, trainers : int
        Numbers in the whole trial; clients are shared out evenly among trainers.
    arms : tuple of str
        Arm codes, the reference arm first.
    ratio : tuple of int
        Allocation ratio, in the order of ``arms``.
    trainers_deliver : {"both arms", "one arm"}
        Crossed with the arms, or nested in them.
    block_sizes : tuple of int
        Of the stratified permuted blocks; not used where ``method`` is given.
    strata : tuple of str
        Codes of factors that allocation is stratified by; ``"trainer"`` may be one of them.
    outcome : str
        Code of the continuous outcome that is simulated.
    machines, visits, factors, strength, retention, attendance, delivery, harms, calendar
        The parts of the model.
    missed_exercise : float
        Share of single exercises missed at a visit that took place.
    missed_by_attendance : float
        Change of the log-odds of missing a test per standard deviation of a client's attendance.
    tested_after_departure : float
        Share of departed clients who come to a test all the same. Their score is as if training had
        gone on, so keep it at 0 where that is what the estimand is about.
    score : {"load", "estimated maximum", "as recorded"}
        Loads go to the table of strength tests, other values to the table of measurements.
    repetitions : int
        Prescribed repetitions of a strength test; the most that are counted for an estimated maximum.
    equation : str
        Of the estimated maximum.
    method : AllocationMethod, optional
        Another way of drawing clients than permuted blocks; its factors are ``strata``.
    within : ArmsWithin, optional
        What is drawn, and which arm that means when and where, if one client gets both arms.
    further : tuple of FurtherOutcome
        Outcomes measured beside the first; given arm and trainer, one says nothing of the other.

    Examples
    --------
    >>> TrialSettings(clients=40, trainers=3).clients
    40
    """

    clients: int = 60
    trainers: int = 6
    arms: tuple[str, ...] = ("conventional", "partner_reps")
    ratio: tuple[int, ...] = (1, 1)
    trainers_deliver: Literal["both arms", "one arm"] = "both arms"
    block_sizes: tuple[int, ...] = (2, 4)
    strata: tuple[str, ...] = ("trainer",)
    outcome: str = "strength"
    machines: tuple[Machine, ...] = (Machine("leg_press"),)
    visits: tuple[PlannedVisit, ...] = (
        PlannedVisit("baseline", -3, baseline=True, missed=0.0),
        PlannedVisit("week_6", 42),
        PlannedVisit("week_12", 84),
    )
    factors: tuple[ClientFactor, ...] = ()
    strength: StrengthModel = field(default_factory=StrengthModel)
    retention: RetentionModel = field(default_factory=RetentionModel)
    attendance: AttendanceModel = field(default_factory=AttendanceModel)
    delivery: DeliveryModel = field(default_factory=DeliveryModel)
    harms: HarmModel = field(default_factory=HarmModel)
    calendar: CalendarModel = field(default_factory=CalendarModel)
    missed_exercise: float = 0.0
    missed_by_attendance: float = 0.0
    tested_after_departure: float = 0.0
    score: Literal["load", "estimated maximum", "as recorded"] = "load"
    repetitions: int = 10
    equation: str = "epley"
    method: AllocationMethod[Any] | None = None
    within: ArmsWithin | None = None
    further: tuple[FurtherOutcome, ...] = ()

    def __post_init__(self) -> None:
        if self.clients < 2 or self.trainers < 1:
            raise ArgumentError(
                where="trial settings",
                expected="at least 2 clients and 1 trainer",
                got=f"{self.clients} clients, {self.trainers} trainers",
            )
        arms = len(self.arms)
        for name, given in (
            ("ratio", self.ratio),
            ("strength.effects", self.strength.effects),
            ("retention.retained", self.retention.retained),
        ):
            if len(given) != arms:
                raise ArgumentError(
                    where=f"trial settings, {name}",
                    expected=f"{arms} numbers, one per arm",
                    got=repr(given),
                )
        if self.trainers_deliver == "one arm" and self.trainers < arms:
            raise ArgumentError(
                where="trial settings, trainers",
                expected="at least one trainer per arm where each delivers one arm",
                got=str(self.trainers),
            )
        longest = self.attendance.pause_days[1] if self.attendance.pause_share > 0.0 else 0
        if longest > self.retention.pause_cap_days:
            raise ArgumentError(
                where="trial settings, attendance.pause_days",
                expected=f"pauses of at most {self.retention.pause_cap_days} days, which stop the clock",
                got=str(longest),
            )
        known = {factor.code for factor in self.factors} | {"trainer"}
        unknown = [code for code in self.strata if code not in known]
        if unknown:
            raise ArgumentError(
                where="trial settings, strata",
                expected=f"codes among {', '.join(sorted(known))}",
                got=", ".join(unknown),
            )
        if self.method is not None and (self.method.arms, self.method.factors) != (self.drawn, self.strata):
            raise ArgumentError(
                where="trial settings, method",
                expected="the same arms and strata as the settings",
                got=f"{', '.join(self.method.arms)}; {', '.join(self.method.factors)}",
            )

    @property
    def drawn(self) -> tuple[str, ...]:
        """What is drawn: arms, or orders, sides or steps where one client gets both arms."""
        return self.arms if self.within is None else self.within.codes

    @property
    def draws_trainers(self) -> bool:
        """Whether trainers are drawn, and their clients go along."""
        return self.trainers_deliver == "one arm" or (self.within is not None and self.within.by_trainer)

    @property
    def days(self) -> tuple[int, ...]:
        """Planned days of the visits."""
        return tuple(visit.day for visit in self.visits)

    @property
    def primary_visit(self) -> int:
        """Index of the visit at the primary day."""
        return self.days.index(self.strength.primary_day)

    def of(self, outcome: str) -> TrialSettings:
        """The settings for one continuous outcome alone; those of the first where the code is no other's."""
        own = next((found for found in self.further if found.outcome == outcome), None)
        changes = {} if own is None else {item.name: getattr(own, item.name) for item in fields(own)}
        return replace(self, further=(), **changes)

    @classmethod
    def from_protocol(cls, protocol: Protocol, *, clients: int | None = None) -> TrialSettings:
        """The settings that a protocol's planning assumptions describe.

        Parameters
        ----------
        protocol : Protocol
            Its outcomes are simulated; a further one only if enough is known of it.
        clients : int, optional
            Clients in all arms together, if not as planned.

        Raises
        ------
        DesignError
            If there is no continuous outcome, if a spread is needed and not given, or if the assumed
            delivery leaves nothing of the effect.

        Notes
        -----
        Assumptions that the protocol does not state are those of the models' defaults. An effect
        declared *as offered* is divided by (delivered - contaminated), since delivery and
        contamination are simulated and dilute it again.
        """
        planning, allocation = protocol.planning, protocol.allocation
        parts = _parts(protocol)
        if "outcome" not in parts:
            raise DesignError(
                where="protocol, outcomes",
                expected="a continuous outcome to simulate",
                got="none",
                todo="Add one, or give TrialSettings by hand.",
            )
        return cls(
            clients=planning.clients if clients is None else clients,
            trainers=planning.trainers,
            arms=protocol.arm_codes,
            ratio=tuple(protocol.arm(code).ratio for code in protocol.arm_codes),
            trainers_deliver="both arms" if protocol.plan.within else protocol.trainers.deliver,
            block_sizes=allocation.block_sizes if isinstance(allocation, PermutedBlocks) else (2, 4),
            strata=allocation.strata,
            visits=_visits(protocol),
            harms=_harms(len(protocol.arms)),
            method=None if isinstance(allocation, PermutedBlocks) else method_for(protocol),
            within=_within(protocol),
            **parts,
        )


def _parts(protocol: Protocol) -> dict[str, Any]:
    """What every outcome adds to the world; a further one of which too little is known is left out."""
    known = protocol.for_outcome(protocol.outcomes_by_role[0])
    parts: dict[str, Any] = {
        "retention": _staying(known), "attendance": _attendance(known), "delivery": _delivery(known),
    }  # fmt: skip
    further: list[FurtherOutcome] = []
    for outcome in protocol.outcomes_by_role:
        view, kind = protocol.for_outcome(outcome), kinds.part(outcome.kind, "simulation")
        if protocol.is_first_of_kind(outcome):
            parts |= kind.world(view, outcome, parts)
        elif kind.is_known(view, outcome):
            further.append(FurtherOutcome(**kind.world(view, outcome, parts)))
    return parts | {"further": tuple(further)}


def stated(assumption: Assumption | None, default: float) -> float:
    """What is assumed, else a default."""
    return default if assumption is None else assumption.value


def _delivery(protocol: Protocol) -> DeliveryModel:
    """Delivery as assumed; sets and partner reps of the comparison arm, where its dose is given."""
    planning, dose, default = protocol.planning, protocol.comparison_arm.dose, DeliveryModel()
    further = (1,) * (len(protocol.arms) - 2)
    return replace(
        default,
        delivered=stated(planning.delivered_as_planned, default.delivered),
        contaminated=stated(planning.contamination, default.contaminated),
        sets=default.sets if dose is None else dose.exercises_per_session,
        reps_per_set=default.reps_per_set if dose is None else dose.partner_reps_per_set,
        effort=(*default.effort, *(default.effort[1] for _ in further)),
        discomfort=(*default.discomfort, *(default.discomfort[1] for _ in further)),
    )


def _visits(protocol: Protocol) -> tuple[PlannedVisit, ...]:
    missed = stated(protocol.planning.missed_tests, PlannedVisit("", 1).missed)
    return tuple(
        PlannedVisit(visit.code, visit.day, visit.baseline, 0.0 if visit.baseline else missed)
        for visit in _visits_in_order(protocol)
    )


def _visits_in_order(protocol: Protocol) -> tuple[Visit, ...]:
    return (*protocol.baseline_visits, *protocol.follow_up_visits)


def _within(protocol: Protocol) -> ArmsWithin | None:
    """The arm of every test by what was drawn; tests that end no period are of the reference arm."""
    plan, codes = protocol.plan, protocol.allocated_codes
    if not plan.within:
        return None
    given = plan.schedule(len(codes), len(protocol.periods))
    ends = {period.visit: number for number, period in enumerate(protocol.periods)}
    arms = np.zeros((len(codes), len(protocol.visits), given.shape[2]), dtype=np.int64)
    for place, visit in enumerate(_visits_in_order(protocol)):
        if plan.within == "sides" and not visit.baseline:
            arms[:, place] = given[:, 0]
        elif visit.code in ends:
            arms[:, place] = given[:, ends[visit.code]]
    by_code = tuple(tuple(tuple(sides) for sides in visits) for visits in arms.tolist())
    return ArmsWithin(codes, by_code, plan.unit == "trainer")


def _staying(protocol: Protocol) -> RetentionModel:
    """Leaving as assumed, whether or not an outcome is about it."""
    planning, default = protocol.planning, RetentionModel()
    reference = stated(planning.retention_reference, default.retained[0])
    compared = reference + stated(planning.effect_retention, 2.0) / 100.0
    if not 0.0 < compared <= 1.0:
        raise DesignError(
            where="protocol, planning.effect_retention",
            expected="points that keep the share retained between 0 and 1",
            got=f"{reference} and {compared}",
        )
    icc = stated(planning.trainer_icc_retention, 0.05)
    return replace(
        default,
        retained=(reference, *(compared for _ in protocol.arm_codes[1:])),
        shape=stated(planning.departure_shape, default.shape),
        sd_trainer=math.sqrt(icc / (1.0 - icc) * math.pi**2 / 6.0),
    )


def _attendance(protocol: Protocol) -> AttendanceModel:
    """Sessions and pauses as assumed."""
    planning, default = protocol.planning, AttendanceModel()
    return replace(
        default,
        booked_per_week=stated(planning.sessions_per_week, default.booked_per_week),
        attended=stated(planning.attended_of_planned, default.attended),
        pause_share=stated(planning.pauses, default.pause_share),
    )


def _harms(arms: int) -> HarmModel:
    """The defaults, the comparison arm's numbers repeated for further arms."""
    default = HarmModel()
    further = (1,) * (arms - 2)
    return replace(
        default,
        soreness=(*default.soreness, *(default.soreness[1] for _ in further)),
        mild=(*default.mild, *(default.mild[1] for _ in further)),
        moderate=(*default.moderate, *(default.moderate[1] for _ in further)),
        severe=(*default.severe, *(default.severe[1] for _ in further)),
        serious=(*default.serious, *(default.serious[1] for _ in further)),
    )
