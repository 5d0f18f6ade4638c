"""What a number of clients costs: people to ask, months, test visits, hours, and money where it is stated."""

from __future__ import annotations

import math
from dataclasses import dataclass

from studykit.planning.assumptions import Assumptions
from studykit.protocol.types import Assumption, Dose, Protocol

_DAYS_OF_MONTH = 365.25 / 12.0
_WARM_UP_MINUTES, _MINUTES_OF_A_TEST = 10.0, 10.0


@dataclass(frozen=True, slots=True)
class CostPoint:
    """What one number of clients asks of a studio, as if nobody left.

    Parameters
    ----------
    clients : int
        In all arms together.
    people_asked : int
        Until so many have joined; those who have joined already are not among them.
    months_of_recruitment, months_in_all : float
        ``months_in_all`` ends when the last client has been followed.
    test_visits : int
    test_hours : float
        Of whoever tests.
    talk_hours : float
        To explain, ask, record.
    extra_hours : float
        That partner reps add to the sessions, trainers' time.
    money : float or None
        All these hours, where the protocol states the cost of one.
    """

    clients: int
    people_asked: int
    months_of_recruitment: float
    months_in_all: float
    test_visits: int
    test_hours: float
    talk_hours: float
    extra_hours: float
    money: float | None

    @property
    def hours(self) -> float:
        """All hours together."""
        return self.test_hours + self.talk_hours + self.extra_hours


@dataclass(frozen=True, slots=True)
class CostPlan:
    """What the study costs.

    Parameters
    ----------
    planned : CostPoint
    curve : tuple of CostPoint
        By number of clients.
    visits, exercises : int
        Of each client; exercises is 0 where there are none.
    follow_up_weeks : int
        For each client.
    test_minutes, extra_minutes : float
        Of one test visit, and added to one session with partner reps.
    """

    planned: CostPoint
    curve: tuple[CostPoint, ...]
    visits: int
    exercises: int
    follow_up_weeks: int
    test_minutes: float
    extra_minutes: float


def partner_rep_minutes(dose: Dose) -> float:
    """Minutes that a dose of partner reps adds to one session, from the dose itself.

    Examples
    --------
    Two exercises with three partner reps of 3 and 4 seconds and 10 seconds to begin.

    >>> round(partner_rep_minutes(Dose(partner_reps_per_set=3)), 2)
    1.03
    """
    one = (sum(dose.lifting_seconds) + sum(dose.lowering_seconds)) / 2.0
    return dose.exercises_per_session * (dose.gap_seconds + dose.partner_reps_per_set * one) / 60.0


def follow_up_days(protocol: Protocol) -> int:
    """Days from a client's allocation until nothing more is to be seen."""
    visits = (visit.day for visit in protocol.visits)
    followed = (outcome.horizon + outcome.confirmed_after for outcome in protocol.outcomes)
    return max((*visits, *followed))


def plan_costs(
    protocol: Protocol,
    assumptions: Assumptions,
    *,
    clients: int,
    counts: tuple[int, ...],
    enrolled: int = 0,
) -> CostPlan:
    """What the study costs, at the planned number of clients and at others.

    Parameters
    ----------
    protocol : Protocol
    assumptions : Assumptions
    clients : int
        Planned, in all arms together.
    counts : tuple of int
        Other numbers of clients.
    enrolled : int
        Clients who have joined already.
    """
    exercises = len({code for outcome in protocol.outcomes for code in outcome.tested_on})
    minutes = assumptions.value_or("test_minutes", _test_minutes(exercises)) if protocol.visits else 0.0
    extra, sessions = _extra(protocol, assumptions)
    joining = assumptions.value("eligible_of_screened") * assumptions.value("consented_of_eligible")
    a_month, talk = assumptions.value("clients_per_month"), assumptions.value("talk_minutes")
    price = assumptions.stated("hour_cost")
    days, visits = follow_up_days(protocol), len(protocol.visits)

    def point(number: int) -> CostPoint:
        to_come = max(number - enrolled, 0)
        # Where all have to begin together, those are asked who train here already: nobody is waited for.
        months = 0.0 if protocol.plan.words.join else to_come / a_month
        tests, talks, added = (number * each / 60.0 for each in (visits * minutes, talk, extra * sessions))
        return CostPoint(
            clients=number,
            people_asked=math.ceil(to_come / joining - 1e-9),
            months_of_recruitment=months,
            months_in_all=months + days / _DAYS_OF_MONTH,
            test_visits=number * visits,
            test_hours=tests,
            talk_hours=talks,
            extra_hours=added,
            money=None if price is None else price * (tests + talks + added),
        )

    return CostPlan(
        planned=point(clients),
        curve=tuple(point(number) for number in counts),
        visits=visits,
        exercises=exercises,
        follow_up_weeks=-(-days // 7),
        test_minutes=minutes,
        extra_minutes=extra,
    )


def _test_minutes(exercises: int) -> Assumption:
    """Warm-up, then some attempts with rests on each machine."""
    value = _WARM_UP_MINUTES + _MINUTES_OF_A_TEST * exercises
    return Assumption(
        value=value,
        low=0.6 * value,
        high=1.5 * value,
        source=f"{_WARM_UP_MINUTES:g}, and {_MINUTES_OF_A_TEST:g} an exercise: common practice, no source",
        evidence="judgement",
    )


def _extra(protocol: Protocol, assumptions: Assumptions) -> tuple[float, float]:
    """Minutes added to a session with partner reps, and such sessions for each client on average."""
    arms = [(arm.ratio, arm.dose) for arm in protocol.arms]
    total = sum(ratio for ratio, _ in arms)
    dosed = [(ratio, dose) for ratio, dose in arms if dose is not None and dose.partner_reps_per_set > 0]
    if not dosed:
        return 0.0, 0.0
    with_partner_reps = sum(ratio for ratio, _ in dosed)
    from_dose = sum(ratio * partner_rep_minutes(dose) for ratio, dose in dosed) / with_partner_reps
    minutes = assumptions.value_or(
        "extra_minutes",
        Assumption(
            value=round(from_dose, 2), source="counted from the dose in the protocol", evidence="moderate"
        ),
    )
    confirmed = max(outcome.confirmed_after for outcome in protocol.outcomes)
    weeks = (follow_up_days(protocol) - confirmed) / 7.0
    sessions = weeks * assumptions.value("sessions_per_week") * assumptions.value("attended_of_planned")
    return minutes, sessions * with_partner_reps / total
