"""What may be done with one client today: arm, partner reps or why none, stage of the ramp-in and limits.

Everything follows from the protocol in force, the allocation and the records; nothing is remembered.
Two rules hold one after the other: whether the client may train at all (`studykit.outcomes.readiness`), and
whether there may be partner reps. Where the records leave a doubt, they are withheld and the reason is given.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from studykit.errors import ArgumentError, DesignError, Finding
from studykit.outcomes.client_day import ClientDay, LastSet, client_day, same_code
from studykit.outcomes.client_periods import by_client_period
from studykit.outcomes.harms import pause_rule
from studykit.outcomes.ramp_in import RampStage, SignOff, ramp_stage, repetitions_left
from studykit.outcomes.readiness import (
    TABLES_OF_HEALTH,
    Readiness,
    doubtful,
    has_hands_on,
    readiness,
    stops_in,
)
from studykit.protocol.types import Arm, Dose, Exercise, Protocol
from studykit.protocol.within_client import arm_given, is_between_periods, period_on_day
from studykit.records.derive import derive_rows
from studykit.records.nearest import nearest_known
from studykit.records.record_tables import Allocated, Records

MESSAGE_SESSIONS = 3  # a message follows each of so many first sessions with partner reps …
MESSAGE_HOURS = 48  # … after so many hours (judgement)
EARLY_DAYS = 21  # in the first three weeks with partner reps …
EARLY_HOURS = 72  # … the same muscles rest for so long (judgement from the time-course of soreness)
_NOBODY: Mapping[str, str] = MappingProxyType({})
TABLES_NEEDED = ("sessions", "trainers", "harms", "departures", "screening")


@dataclass(frozen=True, slots=True)
class Withheld:
    """One reason why there are no partner reps today; ``code`` is its name for programs."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class StandAlone:
    """A set of partner reps that follows no conventional set (common practice, no source).

    Parameters
    ----------
    learn_lifting, learn_lowering : int
        Light reps in which the client learns the resistance while lifting, then while lowering.
    matched_by : int
        The rep by which the resistance is well matched.
    more : int
        Reps after that, which the client may leave out; today's cap.
    hard : bool
        Whether these may be hard.
    """

    learn_lifting: int
    learn_lowering: int
    matched_by: int
    more: int
    hard: bool


@dataclass(frozen=True, slots=True)
class SessionPlan:
    """Today's session of one client; where the client is not ready, nothing that could be trained by.

    Parameters
    ----------
    study, client : str
    today : date
    readiness : Readiness
        Whether the client may train at all, and every reason against it.
    arm, arm_name, arm_description : str
    planned : bool
        Whether the arm has partner reps at all.
    changes_arm : bool
        Whether the same client has the other arm on other days, or on the other side.
    withheld : tuple of Withheld
        Every reason, readiness apart, why there are none today; empty where they are allowed.
    conditions : tuple of str
        What to see to before the session, whole sentences.
    trainer : str
        Who trains the client today; empty where the records do not say.
    sign_off : SignOff
        Of that trainer.
    stage : RampStage or None
        None where the arm has no partner reps.
    cap : int
        Most partner reps in a set today, 0 where they are withheld.
    exercises_today : int
        Most exercises with partner reps today.
    exercises : tuple of str
        Names of the exercises that may have partner reps.
    other_exercises : tuple of str
    dose : Dose or None
    stand_alone : StandAlone or None
        Only where the arm's partner reps are a set of their own, and are allowed.
    sessions : int
        Sessions attended since allocation, before today.
    last_partner_reps : date or None
    repetitions_left : int
        With how many repetitions left a set of a novice ends today; 0 where it goes as far as the dose says.
    rest_hours : float
        Hours before the same muscles are trained again, as the protocol asks in these very weeks.
    last_sets : tuple of (str, str, LastSet or None)
        Every exercise with its unit, and what was done in the last session before today.
    message_on : date or None
        Day of the message that follows one of the first three sessions with partner reps.
    clearance : str
        ``yes``, ``no`` or ``not needed`` as recorded; empty where it is not.
    """

    study: str
    client: str
    today: dt.date
    readiness: Readiness
    arm: str
    arm_name: str
    arm_description: str
    planned: bool
    changes_arm: bool
    withheld: tuple[Withheld, ...]
    conditions: tuple[str, ...]
    trainer: str
    sign_off: SignOff
    stage: RampStage | None
    cap: int
    exercises_today: int
    exercises: tuple[str, ...]
    other_exercises: tuple[str, ...]
    dose: Dose | None
    stand_alone: StandAlone | None
    sessions: int
    last_partner_reps: dt.date | None
    repetitions_left: int
    rest_hours: float
    last_sets: tuple[tuple[str, str, LastSet | None], ...]
    message_on: dt.date | None
    clearance: str

    @property
    def allowed(self) -> bool:
        """Whether there may be partner reps today."""
        return self.readiness.ready and not self.withheld

    @property
    def needs_attention(self) -> bool:
        """Whether the client may not train, or partner reps are withheld although the arm has them."""
        return not self.readiness.ready or (self.planned and not self.allowed)

    @property
    def none_words(self) -> str:
        """How it is said that the arm has no partner reps: for good, or as things stand today."""
        return "No partner reps today" if self.changes_arm else "No partner reps for this client"

    def summary(self) -> str:
        """A few lines for the terminal."""
        if not self.readiness.ready:
            reasons = [f"  {reason.text}" for reason in self.readiness.reasons]
            return "\n".join([self.readiness.sentence, f"Client {self.client}, {self.today}:", *reasons])
        lines = [f"Client {self.client}, {self.today}: {self.arm_name}"]
        if not self.planned:
            lines.append(f"{self.none_words}.")
        elif not self.allowed:
            lines.append("NO PARTNER REPS TODAY:")
            lines += [f"  {reason.text}" for reason in self.withheld]
        elif self.stage is not None:
            exercises = f"{self.exercises_today} exercise{'s' * (self.exercises_today != 1)}"
            lines.append(
                f"Partner reps today: {stage_words(self.stage)}. At most {self.cap} in a set, "
                f"on at most {exercises}, {effort_words(self.stage)}."
            )
            if self.other_exercises:  # such as the client's other side
                lines.append(f"On: {listed(self.exercises)}. Never on: {listed(self.other_exercises)}.")
        lines += [f"Before the session: {text}" for text in self.conditions]
        return "\n".join(lines)


def listed(names: Sequence[str]) -> str:
    """Names of exercises one after the other; a name may hold a comma.

    Examples
    --------
    >>> listed(("leg curl, left", "leg press"))
    'leg curl, left; leg press'
    """
    return "; ".join(names)


def stage_words(stage: RampStage) -> str:
    """Today's place in the ramp-in.

    Examples
    --------
    >>> import datetime as dt
    >>> stage_words(ramp_stage(Dose(partner_reps_per_set=3), [], today=dt.date(2026, 3, 2)))
    'step 1 of 2 of the ramp-in, session 1 with partner reps'
    """
    since = " since the break" if stage.lay_off_days else ""
    session = f"session {stage.session} with partner reps{since}"
    if stage.full:
        return f"whole dose, {session}"
    held = ", held back" if stage.held_back else ""
    return f"step {stage.step} of {stage.steps} of the ramp-in{held}, {session}"


def effort_words(stage: RampStage) -> str:
    """How hard it may become."""
    return "up to the client's limit" if stage.full else f"effort at most {stage.effort_limit} of 10"


def session_plans(
    protocol: Protocol,
    records: Records,
    allocated: Sequence[Allocated],
    *,
    of: Sequence[Allocated],
    today: dt.date,
    trainers: Mapping[str, str] = _NOBODY,
) -> tuple[SessionPlan, ...]:
    """Today's sessions of several clients; what concerns all of them is looked up once.

    Parameters
    ----------
    protocol, records, allocated, today
        As for `session_plan`.
    of : sequence of Allocated
        Whose sessions.
    trainers : mapping of str to str
        Who trains a client now, where that is not the trainer recorded before allocation.
    """
    stops = stops_in(protocol, records, allocated)
    study = tuple(_study_reasons(protocol, records, allocated, stops))
    return tuple(
        session_plan(
            protocol, records, client=mine.client, allocated=allocated, today=today,
            trainer=trainers.get(mine.client, ""), of_study=(stops, study),
        )
        for mine in of
    )  # fmt: skip


def session_plan(
    protocol: Protocol,
    records: Records,
    *,
    client: str,
    allocated: Sequence[Allocated],
    today: dt.date,
    trainer: str = "",
    of_study: tuple[tuple[Finding, ...], tuple[Withheld, ...]] | None = None,
) -> SessionPlan:
    """Today's session of one client.

    Parameters
    ----------
    protocol : Protocol
        In force today.
    records : Records
        A session of the client after ``today`` is a reason to withhold; the rest that is later is not read.
    client : str
        Client code; capitals are passed over.
    allocated : sequence of Allocated
        The only source of arms.
    today : date
    trainer : str
        Who trains the client today, if not the trainer recorded before allocation.
    of_study : tuple, optional
        What stops the use of the records, and what withholds partner reps from everybody; see
        `session_plans`.

    Raises
    ------
    ArgumentError
        If there is no such client, or no such trainer.
    DesignError
        If the client has no arm yet.
    """
    mine = _allocated_client(records, client, allocated)
    arm = arm_today(protocol, mine, today)
    who = _trainer(records, trainer) or mine.trainer
    stops, study = of_study or (stops_in(protocol, records, allocated), None)
    doubt = doubtful(stops, records, TABLES_OF_HEALTH)
    day = client_day(
        records,
        mine,
        trainer=who,
        today=today,
        sign_off_days=protocol.trainers.sign_off_days,
        unread_row=str(doubt[0]) if doubt else "",
    )
    dose, planned = arm.dose, has_partner_reps(arm)
    stage = ramp_stage(dose, day.partner_days, today=today) if planned and dose is not None else None
    offered = _offered(protocol, mine)
    at_most = 0 if stage is None else min(stage.exercises, len(offered))
    withheld = tuple(_arm_reasons(protocol, arm))
    if planned:
        own = _own_reasons(day, dose, stage, at_most) if dose is not None and stage is not None else ()
        if study is None:
            study = tuple(_study_reasons(protocol, records, allocated, stops))
        withheld = (*withheld, *own, *study)
    cap = stage.partner_reps if stage is not None and not withheld else 0
    plan = SessionPlan(
        study=protocol.study.title,
        client=mine.client,
        today=today,
        readiness=readiness(day, hands_on=has_hands_on(protocol)),
        arm=arm.code,
        arm_name=arm.name,
        arm_description=arm.description,
        planned=planned,
        changes_arm=bool(protocol.plan.within),
        withheld=withheld,
        conditions=tuple(_conditions(day, dose, stage, bool(cap))),
        trainer=who,
        sign_off=day.sign_off,
        stage=stage,
        cap=cap,
        exercises_today=at_most if cap else 0,
        exercises=tuple(exercise.name for exercise in offered),
        other_exercises=tuple(entry.name for entry in protocol.exercises if entry not in offered),
        dose=dose,
        stand_alone=_stand_alone(dose, stage, cap),
        sessions=day.sessions,
        last_partner_reps=day.last_partner_reps,
        repetitions_left=repetitions_left(day.attended_days, today=today)
        if day.novice and dose is not None and dose.to_limit
        else 0,
        rest_hours=0.0 if dose is None else _rest_hours(day, dose, stage, cap),
        last_sets=tuple(
            (entry.name, entry.unit, day.last_sets.get(entry.code)) for entry in protocol.exercises
        ),
        message_on=today + dt.timedelta(hours=MESSAGE_HOURS)
        if stage is not None and cap and stage.session <= MESSAGE_SESSIONS
        else None,
        clearance=day.clearance,
    )
    return plan if plan.readiness.ready else _without_training(plan)


def _without_training(plan: SessionPlan) -> SessionPlan:
    """The plan of a client who may not train: whose it is and why, and nothing to train by."""
    return replace(
        plan, arm_description="", conditions=(), stage=None, cap=0, exercises_today=0, exercises=(),
        other_exercises=(), dose=None, stand_alone=None, repetitions_left=0, rest_hours=0.0, last_sets=(),
        message_on=None,
    )  # fmt: skip


def arm_today(protocol: Protocol, mine: Allocated, today: dt.date) -> Arm:
    """The arm of a client on one day; in a wash-out the reference arm, of two sides the compared one."""
    if protocol.plan.within == "sides":
        return protocol.comparison_arm
    if not protocol.plan.within:
        return protocol.arm(mine.arm)
    day = 0 if mine.allocated_on is None else (today - mine.allocated_on).days
    if is_between_periods(protocol, day):
        return protocol.reference_arm
    return protocol.arm(arm_given(protocol, mine.arm, period=period_on_day(protocol, day)))


def _offered(protocol: Protocol, mine: Allocated) -> list[Exercise]:
    """Exercises that get partner reps; of sides, those of the side that was drawn for them."""
    offered = [exercise for exercise in protocol.exercises if exercise.partner_reps]
    if protocol.plan.within != "sides":
        return offered
    dominant, wanted = mine.factors.get("dominant", ""), protocol.comparison_arm.code
    if not dominant:
        return []
    return [
        exercise
        for exercise in offered
        if arm_given(protocol, mine.arm, dominant=exercise.side == dominant) == wanted
    ]


def has_partner_reps(arm: Arm) -> bool:
    """Whether the arm's dose has partner reps."""
    return arm.dose is not None and arm.dose.partner_reps_per_set > 0


def _allocated_client(records: Records, client: str, allocated: Sequence[Allocated]) -> Allocated:
    code = known_client(records, client, allocated)
    for entry in allocated:
        if same_code(entry.client, code):
            return entry
    raise DesignError(
        where=f"client {client}",
        expected="an allocated client",
        got="one without an arm",
        todo="Enrol the client first: studykit enrol STUDY CLIENT --by CODE.",
    )


def known_client(records: Records, client: str, allocated: Sequence[Allocated]) -> str:
    """A client's code as the ledger or the records spell it; capitals are passed over.

    Raises
    ------
    ArgumentError
        If there is no such client.
    """
    known = [entry.client for entry in allocated]
    known += [str(code) for name in ("clients", "screening") for code in records[name].columns["client"]]
    for code in known:
        if same_code(code, client):
            return code
    near = nearest_known(client, sorted(set(known)))
    raise ArgumentError(
        where=f"client {client}",
        expected="a client of the study",
        got="none of this code",
        todo=f"Is {near} meant?" if near else "Look the code up in records/clients.",
    )


def _trainer(records: Records, trainer: str) -> str:
    """The trainer as the records spell the code; empty where none was named."""
    known = {str(code).casefold(): str(code) for code in records["trainers"].columns["trainer"]}
    code = known.get(trainer.strip().casefold(), "")
    if trainer.strip() and not code:
        near = nearest_known(trainer, sorted(known.values()))
        raise ArgumentError(
            where=f"trainer {trainer}",
            expected="a trainer of records/trainers",
            got="none of this code",
            todo=f"Is {near} meant?" if near else "Enter the trainer there first.",
        )
    return code


def _arm_reasons(protocol: Protocol, arm: Arm) -> Iterator[Withheld]:
    if arm.dose is None:
        yield Withheld("no dose", "The protocol gives no dose for this arm.")
    elif arm.dose.partner_reps_per_set == 0:
        yield Withheld("arm", "This arm has no partner reps.")
    elif arm.code == protocol.reference_arm.code:
        yield Withheld(
            "reference arm",
            "The protocol gives partner reps to the reference arm, which has none by its role; put the "
            "protocol right first.",
        )


def _own_reasons(day: ClientDay, dose: Dose, stage: RampStage, exercises: int) -> Iterator[Withheld]:
    """Reasons that lie with the client, the trainer or the day."""
    if day.departed_on is not None:
        yield Withheld("departure", f"A departure of the client on {day.departed_on} is recorded.")
    if day.pregnancies:
        yield Withheld("pregnancy", f"The records speak of a pregnancy ({day.pregnancies[0].where}).")
    if day.touch is False:
        yield Withheld("touch", "The records say: the client does not accept hands-on resistance.")
    yield from _trainer_reasons(day)
    last = day.last_partner_reps
    hours = None if last is None else 24 * (day.today - last).days
    if hours is not None and hours < dose.hours_between:
        yield Withheld(
            "too soon",
            f"The last partner reps were on {last}, less than {dose.hours_between:g} hours before today.",
        )
    for missing in day.uncounted:
        if 24 * (day.today - missing).days < max(dose.hours_between, EARLY_HOURS):
            yield Withheld(
                "not recorded",
                f"The session of {missing} has no number of partner reps; enter it (0 for none) first.",
            )
    if day.later_session is not None:
        yield Withheld(
            "date",
            f"A session of {day.later_session} is recorded, which lies after {day.today}: correct it, or "
            "make the sheet for a later day.",
        )
    if stage.partner_reps == 0 or exercises == 0:
        yield Withheld("ramp-in", "The protocol has no partner reps at this stage of the ramp-in.")


def _trainer_reasons(day: ClientDay) -> Iterator[Withheld]:
    sign_off = day.sign_off
    if not day.trainer:
        yield Withheld("trainer", "The records do not say who trains the client.")
    elif sign_off.signed_off_on is None:
        yield Withheld("sign-off", f"Trainer {day.trainer} is not signed off for partner reps.")
    elif not sign_off.holds:
        yield Withheld(
            "sign-off",
            f"The sign-off of trainer {day.trainer} lapsed after {sign_off.holds_until}: no practice since "
            f"{sign_off.practised_on or sign_off.signed_off_on}. A new check comes first.",
        )


def _study_reasons(
    protocol: Protocol, records: Records, allocated: Sequence[Allocated], stops: Sequence[Finding]
) -> Iterator[Withheld]:
    """The pause rule on harms, and records that cannot be read."""
    rows, _ = derive_rows(records, protocol, allocated)
    for reason in pause_rule(protocol, by_client_period(protocol, rows)):
        yield Withheld("pause rule", f"The pause rule on harms has struck: {reason}.")
    needed = doubtful(stops, records, TABLES_NEEDED)
    if needed:
        more = f" And {len(needed) - 1} more; see: studykit check STUDY." if len(needed) > 1 else ""
        yield Withheld("records", f"Records that are needed cannot be used as they stand: {needed[0]}{more}")


def _conditions(day: ClientDay, dose: Dose | None, stage: RampStage | None, given: bool) -> Iterator[str]:
    """What to see to before the session."""
    if day.paused_until is not None:
        yield f"A pause until {day.paused_until} is registered: ask why; ill or hurt: no training today."
    for harm in day.open_harms:
        yield f"A {harm.words} is not said to be over: ask about it first."
    if not given or dose is None or stage is None:
        return
    last = day.last_partner_reps
    if last is None:
        return
    days = (day.today - last).days
    if _early(day, stage) and 24 * days < EARLY_HOURS:
        yield (
            f"Only on muscles that had no partner reps on {last}: in the first three weeks they rest "
            f"{EARLY_HOURS} hours."
        )
    elif 24 * (days - 1) < dose.hours_between:
        hours = f"{dose.hours_between:g} hours by the clock"
        yield f"The records hold days, not hours: see that {hours} have passed since {last}."


def _early(day: ClientDay, stage: RampStage) -> bool:
    """Whether today lies in the first three weeks with partner reps, or in those after a lay-off."""
    began = day.run_began_on
    return stage.session == 1 or began is None or (day.today - began).days < EARLY_DAYS


def _rest_hours(day: ClientDay, dose: Dose, stage: RampStage | None, cap: int) -> float:
    """Hours of rest after today's session."""
    early = stage is not None and bool(cap) and _early(day, stage)
    return max(dose.hours_between, float(EARLY_HOURS)) if early else dose.hours_between


def _stand_alone(dose: Dose | None, stage: RampStage | None, cap: int) -> StandAlone | None:
    if dose is None or stage is None or not dose.stand_alone or not cap:
        return None
    return StandAlone(learn_lifting=4, learn_lowering=4, matched_by=8, more=cap, hard=stage.full)
