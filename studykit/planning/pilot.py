"""A pilot study: progression rules fixed in advance, how likely each outcome is, what so few can show.

Three outcomes for each rule, and in words only: go on, change first, stop.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from scipy.special import gammaincinv

from studykit.errors import ArgumentError
from studykit.planning.assumptions import Assumptions, share_still_there
from studykit.planning.power import check_share
from studykit.protocol.types import ProgressionRule, Protocol
from studykit.retention.proportions import share_interval

if TYPE_CHECKING:
    from scipy import stats

Measure = Literal["recruitment", "consent", "delivery", "tests", "retention"]
MEASURES: dict[Measure, str] = {
    "recruitment": "clients who join in a month",
    "consent": "of those who may join, those who agree",
    "delivery": "clients whose partner reps are done as planned",
    "tests": "of clients who still come, those tested",
    "retention": "clients who still come at the last visit",
}
_CHANCE = 0.8  # of the upper limit of a spread


@dataclass(frozen=True, slots=True)
class RuleOutlook:
    """One progression rule, and what may come of it.

    Parameters
    ----------
    measure, meaning : str
    go_on, stop : float
        From here on go on, below this stop; shares, or clients a month.
    counted : int
        What is counted, at most: clients, people, or for recruitment months.
    go_on_count, stop_count : int
        The same as counts: at least so many, fewer than so many.
    assumed : float
        Taken to be true: a share, or clients a month.
    chance_go_on, chance_change, chance_stop : float
        If the assumption is true.
    lower, upper : float
        Interval of the measure if the pilot turns out as assumed.
    """

    measure: str
    meaning: str
    go_on: float
    stop: float
    counted: int
    go_on_count: int
    stop_count: int
    assumed: float
    chance_go_on: float
    chance_change: float
    chance_stop: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class PilotPlan:
    """A pilot study.

    Parameters
    ----------
    clients, months : int
        In all arms together, and length of recruitment.
    rules : tuple of RuleOutlook
    own_rules : bool
        Whether the protocol states them; else they are the defaults, judgement without a source.
    chance_go_on, chance_stop : float
        That every rule says go on, and that at least one says stop, if the measures do not hang together.
    spread_factor : float
        The spread of scores found in the pilot, times this, is not below the true one 80 times in 100.
    """

    clients: int
    months: int
    rules: tuple[RuleOutlook, ...]
    own_rules: bool
    chance_go_on: float
    chance_stop: float
    spread_factor: float


def spread_factor(degrees_of_freedom: float, *, chance: float = _CHANCE) -> float:
    """By how much to raise a standard deviation from a pilot, so that it is not too small with some chance.

    Notes
    -----
    sqrt(df / chi²) at the lower tail: Browne 1995, Statistics in Medicine 14:1933.

    Examples
    --------
    >>> round(spread_factor(18), 3)
    1.183
    """
    check_share(chance, name="chance")
    if not degrees_of_freedom > 0.0:
        raise ArgumentError(
            where="spread_factor", expected="degrees of freedom above 0", got=repr(degrees_of_freedom)
        )
    half = degrees_of_freedom / 2.0
    return math.sqrt(half / float(gammaincinv(half, 1.0 - chance)))


def share_outlook(
    measure: Measure,
    *,
    go_on: float,
    stop: float,
    counted: int,
    assumed: float,
    confidence_level: float = 0.95,
) -> RuleOutlook:
    """A rule on a share of ``counted`` clients; exact binomial chances and interval (Clopper & Pearson 1934).

    Examples
    --------
    >>> found = share_outlook("tests", go_on=0.75, stop=0.5, counted=20, assumed=0.85)
    >>> found.go_on_count, found.stop_count, round(found.chance_go_on, 3), found.chance_stop < 0.001
    (15, 10, 0.933, True)
    """
    from scipy import stats

    for share in (go_on, assumed):
        if not 0.0 < share <= 1.0:
            raise ArgumentError(where=measure, expected="shares above 0 and at most 1", got=repr(share))
    if counted < 1:
        raise ArgumentError(where=measure, expected="at least one client", got=repr(counted))
    least, fewest = _count(go_on * counted), _count(stop * counted)
    law = stats.binom(counted, assumed)
    interval = share_interval(
        round(counted * assumed), counted, confidence_level=confidence_level, method="exact"
    )
    return _outlook(measure, go_on, stop, counted, least, fewest, assumed, law, interval)


def rate_outlook(
    *, go_on: float, stop: float, months: int, assumed: float, confidence_level: float = 0.95
) -> RuleOutlook:
    """A rule on the clients who join in a month; exact Poisson chances and interval (Garwood 1936).

    Examples
    --------
    >>> found = rate_outlook(go_on=3.0, stop=1.5, months=6, assumed=4.0)
    >>> found.go_on_count, found.stop_count, round(found.chance_go_on, 2)
    (18, 9, 0.91)
    """
    from scipy import stats

    if not min(go_on, assumed) > 0.0 or months < 1:
        raise ArgumentError(
            where="recruitment",
            expected="rates above 0 and at least one month",
            got=f"{go_on}, {assumed}, {months}",
        )
    law = stats.poisson(assumed * months)
    interval = rate_interval(round(assumed * months), float(months), confidence_level=confidence_level)
    least, fewest = _count(go_on * months), _count(stop * months)
    return _outlook("recruitment", go_on, stop, months, least, fewest, assumed, law, interval)


def rate_interval(found: int, months: float, *, confidence_level: float) -> tuple[float, float]:
    """Exact interval of a number in a month (Garwood 1936, Biometrika 28:437).

    Examples
    --------
    >>> [round(end, 2) for end in rate_interval(10, 1.0, confidence_level=0.95)]
    [4.8, 18.39]
    """
    from scipy import stats

    tail = (1.0 - confidence_level) / 2.0
    lower = 0.0 if found == 0 else float(stats.chi2.ppf(tail, 2 * found)) / (2.0 * months)
    return lower, float(stats.chi2.ppf(1.0 - tail, 2 * found + 2)) / (2.0 * months)


def verdict(rule: ProgressionRule, value: float) -> str:
    """What a rule says about a share, or about clients a month.

    Examples
    --------
    >>> rule = ProgressionRule(measure="tests", go_on=0.75, stop=0.5)
    >>> [verdict(rule, value) for value in (0.8, 0.6, 0.4)]
    ['go on', 'change first', 'stop']
    """
    if value >= rule.go_on - 1e-9:
        return "go on"
    return "stop" if value < rule.stop - 1e-9 else "change first"


def _count(number: float) -> int:
    """Smallest whole number that reaches a threshold."""
    return math.ceil(number - 1e-9)


def _outlook(
    measure: Measure, go_on: float, stop: float, counted: int, least: int, fewest: int, assumed: float,
    law: stats.rv_frozen, interval: tuple[float, float],
) -> RuleOutlook:  # fmt: skip

    onward, halt = float(law.sf(least - 1)), float(law.cdf(fewest - 1))
    return RuleOutlook(
        measure, MEASURES[measure], go_on, stop, counted, least, fewest, assumed, onward,
        max(1.0 - onward - halt, 0.0), halt, *interval,
    )  # fmt: skip


def default_rules(protocol: Protocol, assumptions: Assumptions) -> tuple[ProgressionRule, ...]:
    """Rules for a protocol that states none: judgement, no source; on delivery as in its fidelity section."""
    a_month = assumptions.value("clients_per_month")
    fidelity = protocol.fidelity
    found = [
        ProgressionRule(measure="recruitment", go_on=0.75 * a_month, stop=0.4 * a_month),
        ProgressionRule(measure="consent", go_on=0.4, stop=0.2),
    ]
    if _clients_with_partner_reps(protocol, 100):
        found.append(
            ProgressionRule(measure="delivery", go_on=fidelity.good_share, stop=fidelity.partial_share)
        )
    if protocol.follow_up_visits:
        found.append(ProgressionRule(measure="tests", go_on=0.75, stop=0.5))
        found.append(ProgressionRule(measure="retention", go_on=0.7, stop=0.5))
    return tuple(found)


def _clients_with_partner_reps(protocol: Protocol, clients: int) -> int:
    total = sum(arm.ratio for arm in protocol.arms)
    dosed = sum(
        arm.ratio for arm in protocol.arms if arm.dose is not None and arm.dose.partner_reps_per_set > 0
    )
    return round(clients * dosed / total)


def plan_pilot(protocol: Protocol, assumptions: Assumptions, *, clients: int | None = None) -> PilotPlan:
    """The pilot study of a protocol.

    Parameters
    ----------
    protocol : Protocol
    assumptions : Assumptions
    clients : int, optional
        If not as its pilot section says.

    Notes
    -----
    Delivery is counted by clients, as if all sets of a client were alike: the cautious reading.
    """
    number = protocol.pilot.clients if clients is None else clients
    rules = protocol.pilot.rules or default_rules(protocol, assumptions)
    outlooks = tuple(_of_rule(rule, protocol, assumptions, number) for rule in rules)
    arms = len(protocol.arms)
    return PilotPlan(
        clients=number,
        months=protocol.pilot.months,
        rules=outlooks,
        own_rules=bool(protocol.pilot.rules),
        chance_go_on=math.prod(rule.chance_go_on for rule in outlooks),
        chance_stop=1.0 - math.prod(1.0 - rule.chance_stop for rule in outlooks),
        spread_factor=spread_factor(max(number - arms, 1)),
    )


def _of_rule(
    rule: ProgressionRule, protocol: Protocol, assumptions: Assumptions, clients: int
) -> RuleOutlook:
    level = protocol.analysis.confidence_level
    if rule.measure == "recruitment":
        return rate_outlook(
            go_on=rule.go_on, stop=rule.stop, months=protocol.pilot.months,
            assumed=assumptions.value("clients_per_month"), confidence_level=level,
        )  # fmt: skip
    last = protocol.follow_up_visits[-1].day if protocol.follow_up_visits else 0
    stay = share_still_there(protocol, assumptions, day=last)
    if rule.measure == "consent":
        assumed = assumptions.value("consented_of_eligible")
        counted = math.ceil(clients / assumed)
    elif rule.measure == "delivery":
        assumed, counted = (
            assumptions.value("delivered_as_planned"),
            _clients_with_partner_reps(protocol, clients),
        )
    elif rule.measure == "tests":
        assumed, counted = 1.0 - assumptions.value("missed_tests"), round(clients * stay)
    else:
        assumed, counted = stay, clients
    return share_outlook(
        rule.measure, go_on=rule.go_on, stop=rule.stop, counted=max(counted, 1), assumed=assumed,
        confidence_level=level,
    )  # fmt: skip


def pilot_sentences(plan: PilotPlan) -> tuple[str, str, str]:
    """What a pilot is for, and what may come of it."""
    aim = (
        f"A pilot of {plan.clients} clients tries out whether the large study can be done. It does not "
        "compare the arms: so few cannot, and its difference is no guide to the size of the large study."
    )
    outlook = (
        f"If the assumptions are right, every rule says go on {100 * plan.chance_go_on:.0f} times in 100, "
        f"and at least one says stop {100 * plan.chance_stop:.0f} times."
    )
    spread = (
        f"Raise the spread of scores that it finds by {100 * (plan.spread_factor - 1):.0f} % before the "
        "large study is planned with it; then it is large enough 80 times in 100."
    )
    return aim, outlook, spread
