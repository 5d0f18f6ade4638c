"""How far a client is in the ramp-in of partner reps or of sets to the limit, and if a sign-off still holds.

Both follow from dates alone. The numbers below hold back where a protocol does not; they are common
practice or judgement, no source, except that one earlier bout of lowering work protects for weeks.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from studykit.protocol.types import Dose, RampStep

LAY_OFF_DAYS = 42  # days without partner reps after which the ramp-in begins again
SEASONED_SESSIONS = 3  # no full effort before so many sessions with partner reps …
SEASONED_DAYS = 14  # … and so many days since the first of them
HIGHEST_BEFORE = 8  # effort, 0 to 10, that is not passed until then
FULL_EFFORT = 10
CAUTIOUS_RAMP = (
    RampStep(from_session=1, to_session=2, partner_reps=2, effort_limit=5, exercises=1),
    RampStep(from_session=3, to_session=4, partner_reps=3, effort_limit=7, exercises=2),
)
"""The ramp-in of a protocol that has none."""
NOVICE_RAMP = ((2, 3), (4, 1))
"""Up to which session of a novice a conventional set ends with how many repetitions left, in either arm."""


@dataclass(frozen=True, slots=True)
class RampStage:
    """Today's place in the ramp-in.

    Parameters
    ----------
    session : int
        Number of today's session with partner reps since the ramp-in began, from 1.
    step, steps : int
        Place of today's step, from 1, and number of steps; ``step`` is ``steps + 1`` at the whole dose.
    partner_reps : int
        Most partner reps in a set today; never more than the protocol's dose.
    exercises : int
        Most exercises with partner reps today.
    effort_limit : int
        Effort from 0 to 10 that is not passed; 10 is no limit.
    full : bool
        Whether the whole dose is given.
    held_back : bool
        Whether the steps are behind the client, but three sessions and two weeks are not.
    lay_off_days : int
        Days without partner reps after which the ramp-in began again; 0 where it did not.
    """

    session: int
    step: int
    steps: int
    partner_reps: int
    exercises: int
    effort_limit: int
    full: bool
    held_back: bool
    lay_off_days: int


def ramp_stage(dose: Dose, given: Iterable[dt.date], *, today: dt.date) -> RampStage:
    """Today's place in the ramp-in, from the client's own sessions with partner reps.

    Parameters
    ----------
    dose : Dose
        Of the client's arm; without a ramp-in of its own `CAUTIOUS_RAMP` is taken.
    given : iterable of date
        Days of attended sessions with at least one partner rep; days from ``today`` on are not counted.
    today : date

    Examples
    --------
    >>> dose = Dose(partner_reps_per_set=3)
    >>> days = [dt.date(2026, 3, day) for day in (2, 5, 9, 12)]
    >>> stage = ramp_stage(dose, days, today=dt.date(2026, 3, 13))
    >>> stage.session, stage.full, stage.held_back
    (5, False, True)
    >>> ramp_stage(dose, days, today=dt.date(2026, 3, 16)).full
    True
    """
    run, lay_off = _current_run(sorted({day for day in given if day < today}), today)
    steps = dose.ramp_in or CAUTIOUS_RAMP
    session = len(run) + 1
    seasoned = len(run) >= SEASONED_SESSIONS and (today - run[0]).days >= SEASONED_DAYS
    past = session > steps[-1].to_session
    if past and seasoned:
        return RampStage(
            session, len(steps) + 1, len(steps), dose.partner_reps_per_set, dose.exercises_per_session,
            FULL_EFFORT, True, False, lay_off,
        )  # fmt: skip
    place = len(steps) - 1 if past else _place(steps, session)
    step = steps[place]
    return RampStage(
        session=session,
        step=place + 1,
        steps=len(steps),
        partner_reps=min(step.partner_reps, dose.partner_reps_per_set),
        exercises=min(step.exercises, dose.exercises_per_session),
        effort_limit=step.effort_limit if seasoned else min(step.effort_limit, HIGHEST_BEFORE),
        full=False,
        held_back=past,
        lay_off_days=lay_off,
    )


def repetitions_left(attended: Iterable[dt.date], *, today: dt.date) -> int:
    """With how many repetitions left a novice ends a set today, before sets go to the limit; 0 afterwards.

    Parameters
    ----------
    attended : iterable of date
        Days of attended sessions, whatever was done; days from ``today`` on are not counted.
    today : date

    Examples
    --------
    >>> days = [dt.date(2026, 3, day) for day in (2, 5, 9, 12)]
    >>> [repetitions_left(days[:number], today=dt.date(2026, 3, 16)) for number in range(5)]
    [3, 3, 1, 1, 0]
    >>> repetitions_left(days, today=dt.date(2026, 5, 16))
    3
    """
    run, _ = _current_run(sorted({day for day in attended if day < today}), today)
    return next((left for last, left in NOVICE_RAMP if len(run) < last), 0)


def _current_run(days: Sequence[dt.date], today: dt.date) -> tuple[list[dt.date], int]:
    """Sessions since the last lay-off, and the length of that lay-off."""
    run: list[dt.date] = []
    lay_off = 0
    for day in [*days, today]:
        if run and (day - run[-1]).days > LAY_OFF_DAYS:
            lay_off = (day - run[-1]).days
            run = []
        run.append(day)
    return run[:-1], lay_off


def _place(steps: Sequence[RampStep], session: int) -> int:
    """The last step that has begun; the first where none has."""
    return max((place for place, step in enumerate(steps) if step.from_session <= session), default=0)


@dataclass(frozen=True, slots=True)
class SignOff:
    """Whether a trainer may give partner reps.

    Parameters
    ----------
    signed_off_on : date or None
        Day of the competency check, where it is recorded and not in the future.
    practised_on : date or None
        Last day on which the trainer gave partner reps while signed off.
    holds_until : date or None
        Last day of the sign-off if there is no further practice.
    holds : bool
        Whether the sign-off holds today.
    """

    signed_off_on: dt.date | None
    practised_on: dt.date | None
    holds_until: dt.date | None
    holds: bool


def sign_off(
    signed_off_on: dt.date | None, practice: Iterable[dt.date], *, today: dt.date, days: int
) -> SignOff:
    """Whether a trainer's sign-off holds today.

    Practice renews a sign-off that holds; it does not revive one that has lapsed: that takes a new check.

    Parameters
    ----------
    signed_off_on : date or None
    practice : iterable of date
        Days on which the trainer gave partner reps.
    today : date
    days : int
        Days without practice after which the sign-off lapses.

    Examples
    --------
    >>> checked, today = dt.date(2026, 1, 5), dt.date(2026, 2, 20)
    >>> sign_off(checked, [], today=today, days=28).holds
    False
    >>> sign_off(checked, [dt.date(2026, 1, 30)], today=today, days=28).holds
    True
    """
    if signed_off_on is None or signed_off_on > today:
        return SignOff(None, None, None, False)
    last, practised = signed_off_on, None
    for day in sorted(day for day in practice if signed_off_on <= day <= today):
        if (day - last).days > days:
            break
        last = practised = day
    until = last + dt.timedelta(days=days)
    return SignOff(signed_off_on, practised, until, today <= until)
