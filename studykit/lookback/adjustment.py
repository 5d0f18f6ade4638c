"""What the comparisons are adjusted for, in a fixed order, and how much of it the departures can bear.

How two groups differed at time zero: standardised differences, without any test.

A test would ask whether the groups differ by chance; they were not formed by chance, and what matters is how
much they differ (Austin 2009, Statistics in Medicine 28:3083). Differences above 0.1 are commonly looked at.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from studykit.errors import ArgumentError
from studykit.lookback.log import UNKNOWN, Bools, ClientFact, Floats, Integers
from studykit.lookback.look_back_results import Balance
from studykit.retention.discrete_hazard import DiscreteHazardModel, fit_discrete_hazards, within_strata

EVENTS_PER_COLUMN = 5  # Vittinghoff & McCulloch 2007, Am J Epidemiol 165:710: five to nine are often enough
YEAR = 365.25
TENURE_KNOTS = (14.0, 56.0, 182.0)  # days since joining
WITHIN_SHARE = 0.2  # of the spread of the exposure, from which trainers can be compared with themselves
LEAST_ON_EACH_SIDE = 5  # departures
EXPOSURE = "partner reps"
LEAST_TRAINERS = 4  # as clusters: two with and two without can be told from two persons


@dataclass(frozen=True, slots=True, eq=False)
class Term:
    """One thing to adjust for: its columns stand or fall together."""

    name: str
    columns: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """Columns of an analysis, the exposure first.

    Parameters
    ----------
    columns : ndarray, shape (m, p)
    names : tuple of str
    adjusted_for, left_out : tuple of str
        Terms used, and terms for which there were too few departures or nothing that varies.
    chosen : list of int
        Places of the columns among the exposure and those of all terms.
    """

    columns: Floats
    names: tuple[str, ...]
    adjusted_for: tuple[str, ...]
    left_out: tuple[str, ...]
    chosen: list[int] = field(default_factory=list)

    @property
    def omission(self) -> str:
        """A sentence on what was left out, to go after others; empty where nothing was."""
        if not self.left_out:
            return ""
        return f" Left aside, as too few left or nothing varied: {', '.join(self.left_out)}."

    def fit(
        self,
        event: Bools,
        *,
        strata: Integers | None = None,
        clusters: Integers,
        weights: Floats | None = None,
        offset: Floats | None = None,
    ) -> DiscreteHazardModel:
        """Discrete hazards on these columns, `EXPOSURE` the first of them."""
        return fit_discrete_hazards(
            event,
            self.columns,
            names=self.names,
            strata=strata,
            clusters=clusters,
            weights=weights,
            offset=offset,
        )


NO_DESIGN = Design(np.empty((0, 0)), (), (), ())  # of an answer refused before anything is adjusted for


@dataclass(frozen=True, slots=True, eq=False)
class TrainerRole:
    """How trainers enter an analysis.

    Parameters
    ----------
    strata : ndarray of int, shape (m,)
        Codes from 0; all 0 where trainers are no strata.
    clusters : ndarray of int, shape (m,)
        Codes from 0: clients, or trainers.
    role : str
        ``"strata"``, ``"clusters"``, ``"one"``, or ``"inseparable"`` where trainers either do or do not add
        partner reps and are too few to tell the method from the person.
    """

    strata: Integers
    clusters: Integers
    role: str

    @property
    def adjusted_for(self) -> tuple[str, ...]:
        """The trainer, where each has a baseline of his or her own."""
        return ("trainer",) if self.role == "strata" else ()

    @property
    def refusal(self) -> str:
        """Why nothing can be compared; empty where something can."""
        if self.role != "inseparable":
            return ""
        return (
            "trainers either do or do not add partner reps, and there are fewer than two trainers on a side: "
            "the method cannot be told from the person"
        )


def too_few_departures(
    among: str, departures: tuple[float, float], sides: tuple[str, str], least_events: int
) -> str:
    """Why there are too few departures to compare two sides; empty where there are enough.

    Examples
    --------
    >>> too_few_departures("after day 28", (3, 40), ("with partner reps", "without"), 20)
    'too few departures after day 28: 3 with partner reps, 40 without; at least 20 together and 5 ...'
    """
    if sum(departures) >= least_events and min(departures) >= LEAST_ON_EACH_SIDE:
        return ""
    found = ", ".join(f"{number:.0f} {side}" for number, side in zip(departures, sides, strict=True))
    return (
        f"too few departures {among}: {found}; at least {least_events} together and {LEAST_ON_EACH_SIDE} "
        "on each side are needed"
    )


def build_design(
    exposure: Floats,
    terms: tuple[Term, ...],
    *,
    strata: Integers,
    events: int,
    per_column: int = EVENTS_PER_COLUMN,
) -> Design:
    """Add terms in their order, as long as there are ``per_column`` departures for each column.

    Examples
    --------
    >>> x = np.array([0.0, 1.0, 0.0, 1.0])
    >>> terms = (Term("age", np.array([[1.0], [2.0], [3.0], [5.0]])), Term("constant", np.ones((4, 1))))
    >>> built = build_design(x, terms, strata=np.zeros(4, dtype=int), events=20)
    >>> built.adjusted_for, built.left_out
    (('age',), ('constant',))
    """
    room = max(events // per_column - 1, 0)
    every = np.hstack([exposure[:, None], *(term.columns for term in terms)])
    gram = within_strata(every, strata)
    chosen, names, used, left_out = [0], [EXPOSURE], [], []
    end = 1
    for term in terms:
        own = range(end, end + term.columns.shape[1])
        end = own.stop
        kept = gram.independent(own, given=chosen)
        if not kept or len(kept) > room:
            left_out.append(term.name)
            continue
        room -= len(kept)
        chosen += kept
        names += [f"{term.name} {k + 1}" for k in range(len(kept))]
        used.append(term.name)
    return Design(every[:, chosen], tuple(names), tuple(used), tuple(left_out), chosen)


def trainer_role(exposure: Floats, trainer: Integers, client: Integers) -> TrainerRole:
    """Strata where trainers' own sessions differ in exposure, else clusters.

    Decided from exposure and trainer alone, never from departures.
    """
    labels, codes = np.unique(trainer, return_inverse=True)
    own = np.unique(client, return_inverse=True)[1].astype(np.int64)
    nothing = np.zeros(codes.size, dtype=np.int64)
    if labels.size <= 1:
        return TrainerRole(nothing, own, "one")
    number = np.bincount(codes)
    share = np.bincount(codes, exposure) / number
    total = float(np.var(exposure))
    within = float(np.sum(number * share * (1.0 - share)) / exposure.size)
    if within >= WITHIN_SHARE * total:
        return TrainerRole(codes.astype(np.int64), own, "strata")
    sides = (int(np.sum(share >= 0.5)), int(np.sum(share < 0.5)))
    enough = labels.size >= LEAST_TRAINERS and min(sides) >= 2
    return TrainerRole(nothing, codes.astype(np.int64), "clusters" if enough else "inseparable")


def tenure_terms(day: Floats) -> tuple[Term, Term]:
    """Time since joining: a straight line in its logarithm, and bends at `TENURE_KNOTS`."""
    log_weeks = np.log1p(day / 7.0)
    knots = np.log1p(np.array(TENURE_KNOTS) / 7.0)
    bends = np.maximum(log_weeks[:, None] - knots, 0.0)
    return Term("time since joining", log_weeks[:, None]), Term("time since joining, bends", bends)


def season_term(day: Integers) -> Term:
    """Time of the year as one wave."""
    angle = 2.0 * np.pi * (day % YEAR) / YEAR
    return Term("season", np.column_stack((np.cos(angle), np.sin(angle))))


def fact_terms(facts: tuple[ClientFact, ...], client: Integers) -> tuple[Term, ...]:
    """Facts at entry, one column per level but the first; not recorded is a level of its own."""
    terms = []
    for fact in facts:
        level = fact.level[client]
        codes = [*range(1, len(fact.levels)), UNKNOWN]
        terms.append(Term(fact.name, np.column_stack([(level == code).astype(float) for code in codes])))
    return tuple(terms)


def standardised_differences(
    facts: ArrayLike,
    with_partner_reps: ArrayLike,
    without: ArrayLike,
    *,
    names: tuple[str, ...],
    weights: tuple[ArrayLike, ArrayLike] | None = None,
) -> tuple[Balance, ...]:
    r"""Means (shares, for yes or no) of facts in two groups, and their standardised difference.

    Parameters
    ----------
    facts : array_like of float, shape (n, p)
        Known at or before time zero.
    with_partner_reps, without : array_like of bool, shape (n,)
        Members of the two groups; a client can be in both (clones).
    names : tuple of str
        One per fact.
    weights : tuple of two array_like of float, shape (n,), optional
        Of the members of either group, 0 outside it.

    Returns
    -------
    tuple of Balance
        ``nan`` differences where a group is empty or nothing varies.

    Raises
    ------
    ArgumentError
        If shapes differ.

    Notes
    -----
    :math:`(\bar x_1-\bar x_0)/\sqrt{(s_1^2+s_0^2)/2}` with the spreads before weighting in both columns, so
    that a change is a change of means (Austin & Stuart 2015, Statistics in Medicine 34:3661). Spreads have
    the divisor n, which for yes or no is the usual p(1 - p).

    Examples
    --------
    >>> rows = standardised_differences([[1.0], [1.0], [0.0], [1.0], [0.0], [0.0]],
    ...     [1, 1, 1, 0, 0, 0], [0, 0, 0, 1, 1, 1], names=("morning",))
    >>> round(rows[0].standardised_difference, 4)
    0.7071
    """
    x = np.asarray(facts, dtype=float)
    sides = [np.asarray(side, dtype=bool) for side in (with_partner_reps, without)]
    if x.ndim != 2 or x.shape[1] != len(names) or any(side.shape != x.shape[:1] for side in sides):
        raise ArgumentError(
            where="balance",
            expected=f"facts of shape (clients, {len(names)}) and two groups of clients",
            got=f"shapes {x.shape}, {sides[0].shape} and {sides[1].shape}",
        )
    means = [_means(x, side.astype(float)) for side in sides]
    spreads = [_means((x - mean) ** 2, side.astype(float)) for side, mean in zip(sides, means, strict=True)]
    pooled = np.sqrt((spreads[0] + spreads[1]) / 2.0)
    before = _over(means[0] - means[1], pooled)
    after = np.full(len(names), math.nan)
    if weights is not None:
        weighted = [_means(x, np.asarray(weight, dtype=float)) for weight in weights]
        after = _over(weighted[0] - weighted[1], pooled)
    return tuple(
        Balance(name, float(means[0][k]), float(means[1][k]), float(before[k]), float(after[k]))
        for k, name in enumerate(names)
    )


def _means(x: Floats, weight: Floats) -> Floats:
    total = float(weight.sum())
    return np.asarray(weight @ x / total, dtype=float) if total > 0.0 else np.full(x.shape[1], math.nan)


def _over(difference: Floats, spread: Floats) -> Floats:
    usable = np.isfinite(spread) & (spread > 0.0)
    return np.where(usable, difference / np.where(usable, spread, 1.0), math.nan)
