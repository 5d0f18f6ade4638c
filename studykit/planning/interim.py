"""What planned looks before the end do to a plan: what each look takes, and what all of them cost."""

from __future__ import annotations

from dataclasses import dataclass

from scipy.optimize import brentq
from scipy.special import ndtri

from studykit.outcomes.boundaries import (
    LookBoundary,
    error_of_unplanned_looks,
    first_crossings,
    planned_boundaries,
)
from studykit.outcomes.decision import level_at_the_end
from studykit.planning.power import Sides, check_share
from studykit.protocol.types import Protocol

UNPLANNED = (1, 2, 4)  # early looks beside the analysis at the end


@dataclass(frozen=True, slots=True)
class CostOfLooks:
    """What boundaries cost and bring.

    Parameters
    ----------
    inflation : float
        Factor on the number of clients for the same power as with one analysis at the end.
    share_if_none, share_if_assumed : float
        Expected share of the final information when the study ends, at the first boundary passed or at
        the end: without a difference, and with the one that the study has the wanted power for.
    """

    inflation: float
    share_if_none: float
    share_if_assumed: float


@dataclass(frozen=True, slots=True)
class InterimPlan:
    """Planned looks, and what unplanned ones would cost.

    Parameters
    ----------
    boundaries : tuple of LookBoundary
        Planned looks in order, then the end; empty where no look is planned.
    tested : tuple of int
        Clients with a final test at each of them, expected.
    cost : CostOfLooks or None
    unplanned : tuple of (int, float)
        Early looks, and the type I error with so many, each judged as if it were the only one.
    alpha : float
        Of one analysis at the end.
    """

    boundaries: tuple[LookBoundary, ...]
    tested: tuple[int, ...]
    cost: CostOfLooks | None
    unplanned: tuple[tuple[int, float], ...]
    alpha: float


def cost_of_looks(
    boundaries: tuple[LookBoundary, ...], *, alpha: float = 0.05, power: float = 0.8, sides: Sides = 2
) -> CostOfLooks:
    """Factor on the number of clients, and how early a study ends on average.

    Examples
    --------
    One look halfway, spending little early: almost free.

    >>> from studykit.outcomes.boundaries import spending_boundaries
    >>> found = cost_of_looks(spending_boundaries((0.5, 1.0)))
    >>> round(found.inflation, 3), round(found.share_if_assumed, 2)
    (1.004, 0.92)
    """
    check_share(power, name="power")
    criticals = [look.critical for look in boundaries]
    fractions = [look.fraction for look in boundaries]

    def missing(drift: float) -> float:
        return sum(first_crossings(criticals, fractions, drift=drift, sides=sides).upper) - power

    drift = float(brentq(missing, 0.0, 20.0, xtol=1e-9))
    alone = float(ndtri(1.0 - alpha / sides) + ndtri(power))

    def share(at: float) -> float:
        passed = first_crossings(criticals, fractions, drift=at, sides=sides)
        early = [up + down for up, down in zip(passed.upper[:-1], passed.lower[:-1], strict=True)]
        return 1.0 - sum(
            chance * (1.0 - fraction) for chance, fraction in zip(early, fractions[:-1], strict=True)
        )

    return CostOfLooks((drift / alone) ** 2, share(0.0), share(drift))


def plan_looks(protocol: Protocol, *, tested: float) -> InterimPlan:
    """Planned looks of a protocol, and what unplanned ones would cost.

    Parameters
    ----------
    protocol : Protocol
    tested : float
        Clients with a final test at the end, expected.
    """
    alpha = protocol.analysis.alpha
    unplanned = tuple((early, error_of_unplanned_looks(early + 1, alpha=alpha)) for early in UNPLANNED)
    if not protocol.oversight.planned_looks:
        return InterimPlan((), (), None, unplanned, alpha)
    boundaries = planned_boundaries(protocol)
    return InterimPlan(
        boundaries=boundaries,
        tested=tuple(round(look.fraction * tested) for look in boundaries),
        cost=cost_of_looks(boundaries, alpha=alpha, power=protocol.planning.power),
        unplanned=unplanned,
        alpha=alpha,
    )


def looks_sentences(plan: InterimPlan) -> tuple[str, ...]:
    """What looks cost, in plain words.

    Examples
    --------
    >>> unplanned = ((1, 0.083), (4, 0.142))
    >>> for sentence in looks_sentences(InterimPlan((), (), None, unplanned, 0.05)):
    ...     print(sentence)  # doctest: +ELLIPSIS
    No look at results by arm before the end is planned.
    Every unplanned look costs: judged at 5 % each time, two arms ... 14 times with 4.
    """
    alpha = f"{100 * plan.alpha:g} %"
    (few, error_few), (more, error_more) = plan.unplanned[0], plan.unplanned[-1]
    unplanned = (
        f"Every unplanned look costs: judged at {alpha} each time, two arms that are alike come out as "
        f"different {100 * error_few:.0f} times in 100 with {few} early look, "
        f"{100 * error_more:.0f} times with {more}."
    )
    if plan.cost is None:
        return "No look at results by arm before the end is planned.", unplanned
    last, many = plan.boundaries[-1], len(plan.boundaries) - 1
    planned = f"{many} looks are planned" if many > 1 else "One look is planned"
    kept = (
        f"{planned} at results by arm before the end. With the analysis at the end the error stays at "
        f"{alpha}: at the end p has to be {last.level:.4f} or less, not {plan.alpha:g}."
    )
    price = (
        f"The price is {100 * (plan.cost.inflation - 1):.1f} % more clients for the same power. With the "
        "difference that the study is made for it ends after "
        f"{100 * plan.cost.share_if_assumed:.0f} % of the tests on average."
    )
    return kept, price, "An estimate from a study that ended early is too large on average.", unplanned


def level_of(protocol: Protocol) -> float:
    """Two-sided level of one primary outcome, where several share it evenly."""
    primaries = sum(outcome.role == "primary" for outcome in protocol.outcomes)
    return level_at_the_end(protocol) / max(primaries, 1)
