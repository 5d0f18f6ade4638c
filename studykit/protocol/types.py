"""The types of a protocol: frozen, strict, and closed to unknown keys.

The description of every field is written for the person who fills it in; a message about a wrong
value quotes it. Nothing here reads a file: that is `studykit.protocol.protocol_file`.
"""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.kinds.retention.section import RetentionOutcome
from studykit.protocol.base import (
    Code,
    Count,
    DayNumber,
    Days,
    Many,
    OneOf,
    Repetitions,
    Seconds,
    Section,
    Text,
)
from studykit.protocol.conduct import Cautions, Fidelity, Harms, Oversight
from studykit.protocol.designs import DESIGNS, Design
from studykit.protocol.estimand import Estimand as Estimand
from studykit.protocol.estimand import Strategies as Strategies
from studykit.protocol.outcome import Outcome, OutcomeSection
from studykit.protocol.planned import Assumption as Assumption
from studykit.protocol.planned import Evidence as Evidence
from studykit.protocol.planned import Pilot, Planning
from studykit.protocol.planned import ProgressionRule as ProgressionRule
from studykit.retention.clock import RetentionRule


def _iso_date(value: Any) -> Any:
    """Take a date written with or without quotation marks."""
    if isinstance(value, str):
        try:
            return dt.date.fromisoformat(value)
        except ValueError:
            return value
    return value


Date = Annotated[dt.date, BeforeValidator(_iso_date), Field(description="a date such as 2026-03-09")]


class Identity(Section):
    """What the study is called and why it is done."""

    title: Text
    code: Code
    version: Annotated[
        str, Field(pattern=r"^\d+(\.\d+)*$", description='a version in quotation marks, such as "1.0"')
    ]
    date: Date
    question: Text
    summary: str = ""
    background: str = ""
    usual_practice: str = Field("", description="what the studio does now, before the study")
    setting: str = ""
    population: str = ""
    framework: Literal["superiority", "pilot"] = "superiority"
    registration: str = ""
    funding: str = ""
    interests: str = ""
    involvement: str = ""
    results_to: str = ""
    carry_over: str = Field(
        "",
        description="where a client gets both arms: why what the one arm did does not last into the other, "
        "or pass to the other side",
    )
    sharing: str = ""
    time_zone: str = Field(
        "",
        description='where days are counted, such as "Europe/Vienna"; empty for the clock of the computer '
        "that enrols",
    )


class Roles(Section):
    """Who does what; codes, not names."""

    sponsor: str = ""
    allocation: str = Field("", description="the code of the person who runs `enrol`")
    enrolment: str = ""
    testing: str = Field("", description="the code of the assessor, who is not the client's trainer")
    analysis: str = ""
    safety: str = Field("", description="the person outside the studio who reviews harms")


class Ethics(Section):
    """Independent review, consent and privacy."""

    review: Literal["needed", "approved", "not needed"] = "needed"
    reference: str = ""
    reason: str = Field("", description="why no review is needed, where that is claimed")
    consent: str = ""
    privacy: str = ""
    names_list: str = Field("", description="who keeps the list of who is who, and where it is locked away")
    keep_until: Date | None = None
    afterwards: str = ""
    insurance: str = Field("", description="who pays if a client is hurt, and by which insurance")
    payment: str = Field("", description="what clients are paid, or pay, for taking part")


class Eligibility(Section):
    """Who may take part."""

    minimum_age: int = Field(18, ge=0, le=120, description="whole years")
    screening_days: int = Field(
        0, ge=0, le=3660, description="days that screening may lie before the draw; 0 for no limit"
    )
    clients: Annotated[tuple[Text, ...], Many] = ()
    exclusions: Annotated[tuple[Text, ...], Many] = ()
    trainers: Annotated[tuple[Text, ...], Many] = ()


class RampStep(Section):
    """One step of the ramp-in of partner reps."""

    from_session: int = Field(ge=1, le=1000)
    to_session: int = Field(ge=1, le=1000)
    partner_reps: int = Field(ge=0, le=8)
    effort_limit: int = Field(ge=0, le=10, description="effort from 0 to 10 that is not passed")
    exercises: int = Field(ge=1, le=30)


class Dose(Section):
    """How the sets of an arm are done."""

    conventional_repetitions: Annotated[tuple[Repetitions, Repetitions], Many] = (8, 12)
    to_limit: bool = True
    partner_reps_per_set: int = Field(
        0, ge=0, le=8, description="partner reps after the conventional set; more than 8 is refused"
    )
    exercises_per_session: int = Field(2, ge=0, le=30)
    gap_seconds: Seconds = 10.0
    lifting_seconds: Annotated[tuple[Seconds, Seconds], Many] = (2.0, 4.0)
    lowering_seconds: Annotated[tuple[Seconds, Seconds], Many] = (3.0, 5.0)
    hours_between: float = Field(
        48.0, ge=0.0, le=1000.0, description="hours before the same muscle group is trained again"
    )
    ramp_in: Annotated[tuple[RampStep, ...], Many] = ()
    progression: str = ""
    barred: str = ""
    stand_alone: bool = Field(
        False,
        description="whether partner reps are a set of their own, with no conventional set before",
    )


class Arm(Section):
    """One way of training that clients are allocated to."""

    code: Code
    name: Text
    description: str = ""
    reference: bool = False
    ratio: int = Field(1, ge=1, le=9)
    dose: Dose | None = None


class Exercise(Section):
    """One exercise, usually on one machine."""

    code: Code
    name: Text
    unit: Literal["kg", "lb", "N", "plates"] = "kg"
    side: Literal["", "left", "right"] = Field(
        "", description="the side of the body, where the two sides of a client get different arms"
    )
    pair: str = Field("", description="a name that the left and the right exercise of a pair share")
    stack_step: float | None = Field(
        None, ge=0.01, le=1000.0, description="smallest step of the weight stack, in the unit of the machine"
    )
    partner_reps: bool = True


class Trainers(Section):
    """How trainers and arms belong together."""

    deliver: Literal["both arms", "one arm"] = "both arms"
    sign_off_days: int = Field(
        28, ge=1, le=3660, description="days without practice after which a trainer's sign-off lapses"
    )
    competency: str = ""


class Stratum(Section):
    """A client fact, known before allocation, that allocation is balanced on."""

    code: Code
    levels: Annotated[tuple[Text, ...], Many] = Field(
        (), description='the values that occur; empty for "trainer", whose values are in trainers.csv'
    )


class Period(Section):
    """One period, where the arm changes on the way."""

    first_day: Days = Field(description="first day of the period, counted from allocation")
    last_day: Days = Field(description="last day of the period")
    visit: Code = Field(description="the test at the end of the period")


class Visit(Section):
    """A planned test occasion."""

    code: Code
    name: Text
    day: DayNumber = Field(description="planned day, counted from allocation; baseline at 0 or before")
    window: Annotated[tuple[DayNumber, DayNumber], Many] = Field(
        (-7, 7), description="days early and late that still count, such as [-7, 7]"
    )
    baseline: bool = False


SealedListCode = Annotated[
    str,
    Field(
        pattern=r"^([0-9a-f]{64})?$",
        description="the code of a list made by an outsider with `studykit seal`, 64 digits; empty where "
        "each arm is drawn when the client is enrolled",
    ),
]


class PermutedBlocks(Section):
    """Allocation one client at a time from stratified permuted blocks of random size."""

    method: Literal["permuted blocks"]
    block_sizes: Annotated[tuple[Count, ...], Many] = (2, 4)
    strata: Annotated[tuple[Code, ...], Many] = ()
    sealed_list: SealedListCode = ""


class Minimisation(Section):
    """Allocation one client at a time, mostly to the arm that keeps the arms alike in every stratum."""

    method: Literal["minimisation"]
    strata: Annotated[tuple[Code, ...], Many] = Field(
        (), description="the client facts that the arms are kept alike in, each by itself"
    )
    weights: Annotated[tuple[Count, ...], Many] = Field(
        (), description="one for each of strata, from 1; empty for equal weights"
    )
    overall: Count = Field(
        0, description="weight of the number of clients in each arm of the whole study; 0 leaves it out"
    )
    distance: Literal["range", "variance", "total"] = Field(
        "range",
        description="how far apart the arms are at one value: largest less smallest number, their "
        "variance, or only the number in the arm tried",
    )
    chance: float = Field(
        0.8, gt=0.5, lt=1.0, description="chance of the arm that balances best; at 1 it could be foreseen"
    )
    sealed_list: SealedListCode = ""


class BiasedCoin(Section):
    """Allocation one client at a time, by a coin that favours the arm behind in the client's stratum."""

    method: Literal["biased coin"]
    strata: Annotated[tuple[Code, ...], Many] = Field(
        (), description="the client facts whose combinations are balanced, each combination by itself"
    )
    chance: float = Field(
        0.67, gt=0.5, lt=1.0, description="chance of the arm that is behind; at 1 it could be foreseen"
    )
    sealed_list: SealedListCode = ""


class Simple(Section):
    """Allocation one client at a time, each draw knowing nothing of the others."""

    method: Literal["simple"]
    strata: Annotated[tuple[Code, ...], Many] = Field(
        (), description="client facts that are recorded with each draw; they do not steer it"
    )
    sealed_list: SealedListCode = ""


class TrainersTogether(Section):
    """Allocation of all trainers at once; every client gets the arm of the own trainer."""

    method: Literal["trainers together"]
    covariates: Annotated[tuple[Code, ...], Many] = Field(
        (),
        description="numbers known of every trainer (columns of trainers.csv) that are kept alike",
    )
    weights: Annotated[tuple[Count, ...], Many] = Field(
        (), description="one for each of covariates, from 1; empty for equal weights"
    )
    kept_share: float = Field(
        0.25, gt=0.0, le=1.0, description="share of the possible splits that is kept, the best balanced"
    )
    kept_at_least: int = Field(
        20, ge=1, le=100_000, description="never fewer splits than this, where there are so many"
    )
    clients_listed: bool = Field(
        True, description="whether the clients are listed with their trainers before the trainers are drawn"
    )

    @property
    def strata(self) -> tuple[str, ...]:
        """Clients go with their trainer."""
        return ("trainer",)


class ExternalAllocation(Section):
    """A trial that was allocated elsewhere; the arms stand in records/allocation.csv."""

    method: Literal["external"]
    strata: Annotated[tuple[Code, ...], Many] = ()
    description: str = ""


def _allocation(value: Any) -> Any:
    """Let ``allocation = "external"`` stand for the whole table."""
    return {"method": value} if isinstance(value, str) else value


Allocation = Annotated[
    PermutedBlocks | Minimisation | BiasedCoin | Simple | TrainersTogether | ExternalAllocation,
    Field(discriminator="method"),
    BeforeValidator(_allocation),
]


class Analysis(Section):
    """Rules of the analysis, fixed before the first client."""

    comparison: Code | None = Field(
        None, description="the arm compared with the reference; needed where there are three"
    )
    confidence_level: float = Field(0.95, gt=0.5, le=0.9999)
    alpha: float = Field(0.05, ge=0.0001, lt=0.5)
    multiplicity: Literal["one primary", "holm"] = "one primary"
    adjust_for: Annotated[tuple[Code, ...], Many] = Field(
        (), description="further client facts, named in advance"
    )
    composite_below_clients: int = Field(
        24,
        ge=0,
        le=100_000,
        description="with fewer clients than this the composite is analysed by regression",
    )
    trainer_random_from: int = Field(
        5, ge=2, le=1000, description="with fewer trainers than this, trainers are fixed effects"
    )
    delta_steps: Annotated[tuple[Annotated[float, Field(ge=-100_000.0, le=100_000.0)], ...], Many] = Field(
        (), description="shifts of the missing scores for sensitivity, in per cent or unit"
    )
    minimum_at_risk: int = Field(
        5, ge=1, le=1000, description="curves stop when fewer clients than this remain"
    )
    degrees_of_freedom: Literal["kenward-roger", "satterthwaite"] = "kenward-roger"


class Protocol(Section):
    """A whole study protocol."""

    format: Literal[1]
    design: Annotated[str, OneOf(DESIGNS)]
    study: Identity
    roles: Roles = Roles()
    ethics: Ethics = Ethics()
    eligibility: Eligibility = Eligibility()
    arms: Annotated[tuple[Arm, ...], Field(strict=False, min_length=2)]
    exercises: Annotated[tuple[Exercise, ...], Many] = ()
    trainers: Trainers = Trainers()
    strata: Annotated[tuple[Stratum, ...], Many] = ()
    visits: Annotated[tuple[Visit, ...], Many] = ()
    periods: Annotated[tuple[Period, ...], Many] = ()
    outcomes: Annotated[tuple[Outcome, ...], Field(strict=False, min_length=1)]
    allocation: Allocation
    planning: Planning = Planning()
    analysis: Analysis = Analysis()
    fidelity: Fidelity = Fidelity()
    harms: Harms = Harms()
    oversight: Oversight = Oversight()
    pilot: Pilot = Pilot()
    cautions: Cautions = Cautions()

    @property
    def plan(self) -> Design:
        """What the design is: who is drawn, what is drawn, and which arm that means."""
        return DESIGNS[self.design]

    @property
    def reference_arm(self) -> Arm:
        """The arm that the others are compared with (the first where none is marked)."""
        return next((arm for arm in self.arms if arm.reference), self.arms[0])

    @property
    def comparison_arm(self) -> Arm:
        """The arm that the primary comparison is about."""
        others = [arm for arm in self.arms if arm.code != self.reference_arm.code]
        return next((arm for arm in others if arm.code == self.analysis.comparison), others[0])

    @property
    def arm_codes(self) -> tuple[str, ...]:
        """Arm codes, the reference arm first, the others in the protocol's order."""
        reference = self.reference_arm.code
        return (reference, *(arm.code for arm in self.arms if arm.code != reference))

    @property
    def allocated_codes(self) -> tuple[str, ...]:
        """What the draw chooses from: arms, or orders of arms, sides or steps where a client gets both."""
        return self.plan.codes(self.arm_codes, len(self.periods))

    @property
    def baseline_visits(self) -> tuple[Visit, ...]:
        """Visits before allocation, in order of day."""
        return tuple(sorted((visit for visit in self.visits if visit.baseline), key=lambda visit: visit.day))

    @property
    def follow_up_visits(self) -> tuple[Visit, ...]:
        """Visits after allocation, in order of day."""
        return tuple(
            sorted((visit for visit in self.visits if not visit.baseline), key=lambda visit: visit.day)
        )

    @property
    def outcomes_by_role(self) -> tuple[OutcomeSection, ...]:
        """All outcomes, primary first."""
        return tuple(sorted(self.outcomes, key=lambda outcome: _ROLE_ORDER[outcome.role]))

    def of_kind(self, kind: str) -> tuple[Any, ...]:
        """Outcomes of one kind, primary first."""
        return tuple(outcome for outcome in self.outcomes_by_role if outcome.kind == kind)

    def is_first_of_kind(self, outcome: OutcomeSection) -> bool:
        """Whether what stands under planning is about this outcome."""
        return bool(self.of_kind(outcome.kind)[0].code == outcome.code)

    def for_outcome(self, outcome: OutcomeSection) -> Protocol:
        """The protocol as it stands for one outcome: no other of its kind, all assumptions under planning.

        What stands under an outcome takes the place of what stands under planning, which is about the first
        outcome of each kind.
        """
        firsts = [other for other in self.outcomes if self.is_first_of_kind(other)]
        assumed: dict[str, Assumption | None] = {}
        for about in (*(other for other in firsts if other.kind != outcome.kind), outcome):
            own = {key: getattr(about.assumptions, key) for key in type(about.assumptions).model_fields}
            known = self.is_first_of_kind(about)  # of a further one nothing is known but what stands there
            assumed |= {key: value for key, value in own.items() if value is not None or not known}
        kept = [other for other in self.outcomes if other.kind != outcome.kind or other.code == outcome.code]
        bare = (other.model_copy(update={"assumptions": type(other.assumptions)()}) for other in kept)
        planning = self.planning.model_copy(update=assumed)
        return self.model_copy(update={"outcomes": tuple(bare), "planning": planning})

    @property
    def continuous_outcomes(self) -> tuple[ContinuousOutcome, ...]:
        """Continuous outcomes, primary first."""
        return self.of_kind("continuous")

    @property
    def retention_outcome(self) -> RetentionOutcome | None:
        """The retention outcome, or None (a protocol has at most one)."""
        return next(iter(self.of_kind("retention")), None)

    @property
    def outcomes_to_report(self) -> tuple[OutcomeSection, ...]:
        """Outcomes as reports have them: who stays comes first, since others are seen only in those."""
        return tuple(
            sorted(
                self.outcomes, key=lambda outcome: (not outcome.tells_who_stays, _ROLE_ORDER[outcome.role])
            )
        )

    @property
    def absence_rule(self) -> RetentionRule | None:
        """When a client who stays away has departed; None where no outcome tells who stays."""
        return next((outcome.absence_rule() for outcome in self.outcomes if outcome.tells_who_stays), None)

    @property
    def last_day(self) -> int:
        """The last day of follow-up, from allocation: of visits, and of outcomes that look at a day."""
        days = [visit.day for visit in self.follow_up_visits]
        days += [outcome.horizon for outcome in self.outcomes]
        return max(days, default=0)

    @property
    def is_external(self) -> bool:
        """Whether the clients were allocated elsewhere."""
        return isinstance(self.allocation, ExternalAllocation)

    @property
    def sealed_list(self) -> str:
        """The code of an outsider's list, empty where there is none."""
        return str(getattr(self.allocation, "sealed_list", ""))

    @property
    def can_be_pooled(self) -> bool:
        """Whether its design is one that is pooled, and every trainer delivers both arms."""
        return self.plan.pooled and self.trainers.deliver != "one arm"

    @property
    def draws_trainers(self) -> bool:
        """Whether trainers are allocated, all at once, and clients go with them."""
        return isinstance(self.allocation, TrainersTogether)

    @property
    def trainer_facts(self) -> tuple[str, ...]:
        """Numbers known of every trainer that their allocation balances."""
        return self.allocation.covariates if isinstance(self.allocation, TrainersTogether) else ()

    def exercise(self, code: str) -> Exercise:
        """The exercise with this code."""
        return next(exercise for exercise in self.exercises if exercise.code == code)

    def arm(self, code: str) -> Arm:
        """The arm with this code."""
        return next(arm for arm in self.arms if arm.code == code)

    def visit(self, code: str) -> Visit:
        """The visit with this code."""
        return next(visit for visit in self.visits if visit.code == code)


_ROLE_ORDER = {"primary": 0, "secondary": 1, "exploratory": 2}
