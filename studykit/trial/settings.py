"""All settings of a simulated trial, by hand or from the planning assumptions of a protocol."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np

from studykit.allocation.asked import method_for
from studykit.allocation.method import AllocationMethod
from studykit.errors import ArgumentError, DesignError
from studykit.kinds.continuous.section import AsRecorded, ContinuousOutcome, EstimatedMaximum
from studykit.protocol.types import Assumption, PermutedBlocks, Protocol, Visit
from studykit.records.score_rows import outcome_exercises
from studykit.records.scores import unit_factor
from studykit.trial.models import (
    AttendanceModel,
    CalendarModel,
    ClientFactor,
    DeliveryModel,
    HarmModel,
    Machine,
    PlannedVisit,
    RetentionModel,
    Scale,
    StrengthModel,
)

MEN_TO_WOMEN = math.log(1.8)  # ratio of mean loads used in the derivation of the mixed-sex spread
_MEN = frozenset({"male", "man", "men", "m"})
_TYPICAL_LEVEL = {"kg": 50.0, "lb": 110.0, "N": 500.0, "plates": 8.0}
_LOG_SD = 0.25  # spread of log scores within a sex: the yardstick of the other defaults


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

    def with_primary_day(self, day: int) -> TrialSettings:
        """The same clients tested earlier or later: all follow-up visits moved in proportion.

        Gains and effects keep their curve over time, so that a later day shows larger ones, and finds more
        clients gone.

        Parameters
        ----------
        day : int
            Of the primary visit.

        Examples
        --------
        >>> later = TrialSettings().with_primary_day(168)
        >>> later.days, round(later.strength.gain / TrialSettings().strength.gain, 2)
        ((-3, 84, 168), 1.28)
        """
        share, old = day / self.strength.primary_day, self.strength
        grown = float(old.growth(np.array([float(day)]))[0])
        moved = {
            name: grown * getattr(old, name)
            for name in ("gain", "sd_gain", "sd_gain_exercise", "sd_trainer", "sd_trainer_by_arm")
        }
        return replace(
            self,
            visits=tuple(
                visit if visit.baseline else replace(visit, day=round(share * visit.day))
                for visit in self.visits
            ),
            strength=replace(
                old, primary_day=day, effects=tuple(grown * effect for effect in old.effects), **moved
            ),
        )

    @classmethod
    def from_protocol(cls, protocol: Protocol, *, clients: int | None = None) -> TrialSettings:
        """The settings that a protocol's planning assumptions describe.

        Parameters
        ----------
        protocol : Protocol
            Its first continuous outcome and its retention outcome are simulated.
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
        outcome = next(iter(protocol.continuous_outcomes), None)
        if outcome is None:
            raise DesignError(
                where="protocol, outcomes",
                expected="a continuous outcome to simulate",
                got="none",
                todo="Add one, or give TrialSettings by hand.",
            )
        planning = protocol.planning
        allocation = protocol.allocation
        delivery = _delivery(protocol)
        return cls(
            clients=planning.clients if clients is None else clients,
            trainers=planning.trainers,
            arms=protocol.arm_codes,
            ratio=tuple(protocol.arm(code).ratio for code in protocol.arm_codes),
            trainers_deliver="both arms" if protocol.plan.within else protocol.trainers.deliver,
            block_sizes=allocation.block_sizes if isinstance(allocation, PermutedBlocks) else (2, 4),
            strata=allocation.strata,
            outcome=outcome.code,
            machines=_machines(protocol, outcome),
            visits=_visits(protocol),
            factors=_factors(protocol, outcome.scale),
            strength=_strength(protocol, outcome, delivery),
            retention=_retention(protocol),
            attendance=_attendance(protocol),
            delivery=delivery,
            harms=_harms(len(protocol.arms)),
            score=_score(outcome),
            repetitions=_repetitions(outcome),
            equation=outcome.score.equation if isinstance(outcome.score, EstimatedMaximum) else "epley",
            method=None if isinstance(allocation, PermutedBlocks) else method_for(protocol),
            within=_within(protocol),
        )


def _value(assumption: Assumption | None, default: float) -> float:
    return default if assumption is None else assumption.value


def _delivery(protocol: Protocol) -> DeliveryModel:
    """Delivery as assumed; sets and partner reps of the comparison arm, where its dose is given."""
    planning, dose, default = protocol.planning, protocol.comparison_arm.dose, DeliveryModel()
    further = (1,) * (len(protocol.arms) - 2)
    return replace(
        default,
        delivered=_value(planning.delivered_as_planned, default.delivered),
        contaminated=_value(planning.contamination, default.contaminated),
        sets=default.sets if dose is None else dose.exercises_per_session,
        reps_per_set=default.reps_per_set if dose is None else dose.partner_reps_per_set,
        effort=(*default.effort, *(default.effort[1] for _ in further)),
        discomfort=(*default.discomfort, *(default.discomfort[1] for _ in further)),
    )


def _score(outcome: ContinuousOutcome) -> Literal["load", "estimated maximum", "as recorded"]:
    if isinstance(outcome.score, AsRecorded):
        return "as recorded"
    return "estimated maximum" if isinstance(outcome.score, EstimatedMaximum) else "load"


def _repetitions(outcome: ContinuousOutcome) -> int:
    if isinstance(outcome.score, AsRecorded):
        return 1
    if isinstance(outcome.score, EstimatedMaximum):
        return outcome.score.most_repetitions
    return outcome.score.repetitions


def _machines(protocol: Protocol, outcome: ContinuousOutcome) -> tuple[Machine, ...]:
    """Machines of the outcome; levels are only typical, since analysis is by ratio."""
    codes = outcome_exercises(protocol, outcome)
    if codes == ("",):
        return (Machine("", level=_TYPICAL_LEVEL.get(outcome.unit, 50.0), unit=outcome.unit, stack_step=0.0),)
    found = []
    for code in codes:
        exercise = protocol.exercise(code)
        factor = unit_factor(exercise.unit, to=outcome.unit)
        found.append(
            Machine(
                code,
                level=_TYPICAL_LEVEL[exercise.unit],
                unit=exercise.unit,
                stack_step=exercise.stack_step or 0.0,
                effect_share=1.0 if exercise.partner_reps else 0.0,
                to_outcome=factor if math.isfinite(factor) else 1.0,  # labels of plates stay as they are
                side=exercise.side,
            )
        )
    return tuple(found)


def _visits(protocol: Protocol) -> tuple[PlannedVisit, ...]:
    missed = _value(protocol.planning.missed_tests, PlannedVisit("", 1).missed)
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


def _factors(protocol: Protocol, scale: Scale) -> tuple[ClientFactor, ...]:
    """Stratifiers other than the trainer, levels equally common; men lift more than women, in ratio."""
    more = MEN_TO_WOMEN if scale == "log" else 0.0
    found = []
    for stratum in protocol.strata:
        if stratum.code == "trainer" or not stratum.levels:
            continue
        number = len(stratum.levels)
        shift = tuple(more if level.lower() in _MEN else 0.0 for level in stratum.levels)
        found.append(ClientFactor(stratum.code, stratum.levels, (1.0 / number,) * number, shift))
    return tuple(found)


def _scale_unit(outcome: ContinuousOutcome, sd_score: Assumption | None) -> float:
    """Size of the scores' spread relative to the default spread of log loads."""
    if outcome.scale == "log":
        return 1.0
    if sd_score is None:
        raise DesignError(
            where="protocol, planning.sd_score",
            expected=f"the spread of {outcome.code} between clients, in {outcome.unit}",
            got="none",
            todo="Add it, with its source.",
        )
    return sd_score.value / _LOG_SD


def _strength(protocol: Protocol, outcome: ContinuousOutcome, delivery: DeliveryModel) -> StrengthModel:
    planning = protocol.planning
    scale: Scale = outcome.scale
    unit = _scale_unit(outcome, planning.sd_score)
    sd_score = _value(planning.sd_score, _LOG_SD * unit)
    measurement = _value(planning.measurement_sd, 0.045 * unit)
    sd_change = _value(planning.sd_gain, 0.12 * unit)
    if planning.sd_gain is None and planning.correlation_baseline is not None:
        sd_change = sd_score * math.sqrt(2.0 * (1.0 - planning.correlation_baseline.value))
    common = (
        _value(planning.correlation_exercises, 0.4) if len(outcome_exercises(protocol, outcome)) > 1 else 1.0
    )
    if protocol.plan.within == "sides":
        common = _common_of_sides(protocol, outcome, common)
    sd_gain, sd_gain_exercise = _split_gain(sd_change, measurement, common=common)
    between = math.sqrt(max(sd_score**2 - measurement**2, 0.0))
    icc = _value(planning.trainer_icc_strength, 0.02)
    gain = _value(planning.gain_reference, 22.0 if scale == "log" else 0.0)
    return StrengthModel(
        scale=scale,
        primary_day=protocol.visit(outcome.primary_visit).day,
        sd_client=between * math.sqrt(common),
        sd_client_exercise=between * math.sqrt(1.0 - common),
        measurement_sd=measurement,
        learning=0.03 * unit if scale == "log" else 0.0,
        gain=_on_scale(gain, scale),
        sd_gain=sd_gain,
        sd_gain_exercise=sd_gain_exercise,
        effects=_effects(protocol, scale, delivery),
        sd_trainer=sd_change * math.sqrt(icc / (1.0 - icc)),
        sd_trainer_by_arm=_value(planning.trainer_by_arm_sd, 0.02 * unit),
    )


def _common_of_sides(protocol: Protocol, outcome: ContinuousOutcome, of_pairs: float) -> float:
    """One correlation of all exercises, by which the mean difference between two sides spreads as assumed.

    Sides correlate as planned, pairs as exercises do: :math:`2(1-c)(1+(k-1)p)/k` is to equal
    :math:`2(1-x)/k` for :math:`k` pairs.
    """
    pairs = len({protocol.exercise(code).pair for code in outcome.exercises})
    apart = (1.0 - _value(protocol.planning.correlation_limbs, 0.7)) * (1.0 + (pairs - 1) * of_pairs)
    return max(1.0 - apart, 0.0)


def _split_gain(sd_change: float, measurement: float, *, common: float) -> tuple[float, float]:
    """Client and exercise parts of the true gain, from the spread of observed changes.

    An observed change holds two measurement errors; ``common`` is the correlation of the changes of two
    exercises, which errors lower.
    """
    true = max(sd_change**2 - 2.0 * measurement**2, 0.0)
    shared = min(common * sd_change**2, true)
    return math.sqrt(shared), math.sqrt(true - shared)


def _on_scale(value: float, scale: Scale) -> float:
    """Per cent on the log scale, else in the unit."""
    return math.log1p(value / 100.0) if scale == "log" else value


def _effects(protocol: Protocol, scale: Scale, delivery: DeliveryModel) -> tuple[float, ...]:
    planning = protocol.planning
    effect = _on_scale(_value(planning.effect_strength, 2.0 if scale == "log" else 0.0), scale)
    if planning.effect_declared == "as offered":
        kept = delivery.delivered - delivery.contaminated
        if kept <= 0.05:
            raise DesignError(
                where="protocol, planning",
                expected="more sets delivered as planned than clients of the reference arm contaminated",
                got=f"{delivery.delivered} delivered, {delivery.contaminated} contaminated",
                todo="With so little contrast between the arms no trial can answer.",
            )
        effect /= kept
    return (0.0, *(effect for _ in protocol.arm_codes[1:]))


def _retention(protocol: Protocol) -> RetentionModel:
    outcome, planning, default = protocol.retention_outcome, protocol.planning, RetentionModel()
    reference = _value(planning.retention_reference, default.retained[0])
    compared = reference + _value(planning.effect_retention, 2.0) / 100.0
    if not 0.0 < compared <= 1.0:
        raise DesignError(
            where="protocol, planning.effect_retention",
            expected="points that keep the share retained between 0 and 1",
            got=f"{reference} and {compared}",
        )
    icc = _value(planning.trainer_icc_retention, 0.05)
    return replace(
        default,
        horizon_day=default.horizon_day if outcome is None else outcome.horizon_day,
        absence_days=default.absence_days if outcome is None else outcome.absence_days,
        pause_cap_days=_pause_cap(protocol),
        retained=(reference, *(compared for _ in protocol.arm_codes[1:])),
        shape=_value(planning.departure_shape, default.shape),
        sd_trainer=math.sqrt(icc / (1.0 - icc) * math.pi**2 / 6.0),
    )


def _pause_cap(protocol: Protocol) -> int:
    """Longest single pause that stops the clock."""
    outcome = protocol.retention_outcome
    if outcome is None:
        return RetentionModel().pause_cap_days
    return min(outcome.pause_cap_days, outcome.pause_total_days)


def _attendance(protocol: Protocol) -> AttendanceModel:
    """Sessions and pauses as assumed; pauses no longer than the protocol lets them stop the clock."""
    planning, default = protocol.planning, AttendanceModel()
    shortest, longest = default.pause_days
    cap = _pause_cap(protocol)
    return replace(
        default,
        booked_per_week=_value(planning.sessions_per_week, default.booked_per_week),
        attended=_value(planning.attended_of_planned, default.attended),
        pause_share=_value(planning.pauses, default.pause_share) if cap > 0 else 0.0,
        pause_days=(min(shortest, cap), min(longest, cap)) if cap > 0 else default.pause_days,
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
