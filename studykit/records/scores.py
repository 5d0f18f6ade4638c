"""Scores of a strength test: units, estimated one-repetition maximum, load at fixed repetitions.

Equations for a load lifted for r repetitions to the limit; r = 1 always gives the load itself, since
that is what a one-repetition maximum is (most of the equations alone would give more). Predictions are
for comparing a client with himself by one equation, never equations or clients with each other.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.errors import ArgumentError
from studykit.kinds.continuous.section import AsRecorded, ContinuousOutcome, EstimatedMaximum
from studykit.records.nearest import listed

Floats = NDArray[np.float64]

KILOGRAMS_PER_POUND = 0.45359237  # exact, by the international definition of the pound
NEWTONS_PER_KILOGRAM_FORCE = 9.80665  # exact, by the definition of standard gravity
MOST_BRZYCKI_REPETITIONS = 36.0  # the equation has its pole at 37

_TO_BASE: Mapping[str, tuple[str, float]] = MappingProxyType(
    {
        "kg": ("mass", 1.0),
        "lb": ("mass", KILOGRAMS_PER_POUND),
        "N": ("force", 1.0),
        "kgf": ("force", NEWTONS_PER_KILOGRAM_FORCE),
        "plates": ("plates", 1.0),
    }
)


def unit_factor(unit: str, *, to: str) -> float:
    """What a value in ``unit`` is multiplied by to be in the unit ``to``; ``nan`` where that cannot be.

    Plates are labels of one machine: they convert to nothing else. A mass is no force.

    Examples
    --------
    >>> unit_factor("lb", to="kg"), unit_factor("kgf", to="N"), unit_factor("plates", to="kg")
    (0.45359237, 9.80665, nan)
    """
    if unit == to:
        return 1.0
    kind, factor = _TO_BASE.get(unit, ("", np.nan))
    other, divisor = _TO_BASE.get(to, ("another", np.nan))
    return factor / divisor if kind == other else float("nan")


def _epley(load: Floats, repetitions: Floats) -> Floats:
    return load * (1.0 + repetitions / 30.0)


def _brzycki(load: Floats, repetitions: Floats) -> Floats:
    return np.where(
        repetitions <= MOST_BRZYCKI_REPETITIONS,
        36.0 * load / np.maximum(37.0 - repetitions, 1.0),
        np.nan,
    )


def _lombardi(load: Floats, repetitions: Floats) -> Floats:
    return np.asarray(load * repetitions**0.10)


def _mayhew(load: Floats, repetitions: Floats) -> Floats:
    return np.asarray(100.0 * load / (52.2 + 41.9 * np.exp(-0.055 * repetitions)))


def _oconner(load: Floats, repetitions: Floats) -> Floats:
    return load * (1.0 + 0.025 * repetitions)


def _wathen(load: Floats, repetitions: Floats) -> Floats:
    return np.asarray(100.0 * load / (48.8 + 53.8 * np.exp(-0.075 * repetitions)))


def _lander(load: Floats, repetitions: Floats) -> Floats:
    return np.where(
        repetitions <= MOST_BRZYCKI_REPETITIONS,
        100.0 * load / (101.3 - 2.67123 * np.minimum(repetitions, MOST_BRZYCKI_REPETITIONS)),
        np.nan,
    )


EQUATIONS: Mapping[str, Callable[[Floats, Floats], Floats]] = MappingProxyType(
    {
        "epley": _epley,
        "brzycki": _brzycki,
        "lombardi": _lombardi,
        "mayhew": _mayhew,
        "oconner": _oconner,
        "wathen": _wathen,
        "lander": _lander,
    }
)
"""Equations by the name that the protocol uses."""


def estimated_maximum(load: ArrayLike, repetitions: ArrayLike, *, equation: str) -> Floats:
    """Estimated one-repetition maximum, in the unit of ``load``.

    Parameters
    ----------
    load : array_like of float
        Load lifted.
    repetitions : array_like of float
        Full repetitions to the limit; below 1 there is no estimate (``nan``).
    equation : str
        A key of `EQUATIONS`.

    Returns
    -------
    ndarray of float
        The load itself at one repetition; ``nan`` above 36 repetitions for the two equations that
        have a pole near there (Brzycki, Lander).

    Raises
    ------
    ArgumentError
        If the equation is not known.

    Notes
    -----
    With w the load and r the repetitions: Epley (1985) w(1 + r/30); Brzycki (1993) 36w/(37 - r);
    Lombardi (1989) w r^0.10; Mayhew et al. (1992) 100w/(52.2 + 41.9 exp(-0.055 r)); O'Conner et al.
    (1989) w(1 + 0.025 r); Wathen (1994) 100w/(48.8 + 53.8 exp(-0.075 r)); Lander (1985)
    100w/(101.3 - 2.67123 r); compared in LeSuer et al. (1997), J Strength Cond Res 11:211. Two of
    them circulate with rounded coefficients as well (Epley 0.0333r, Brzycki 1.0278 - 0.0278r); the
    differences are below 0.03 %.

    Examples
    --------
    >>> estimated_maximum([100.0, 100.0], [5, 1], equation="epley").round(3).tolist()
    [116.667, 100.0]
    """
    if equation not in EQUATIONS:
        raise ArgumentError(where="equation", expected=listed(EQUATIONS), got=repr(equation))
    lifted = np.asarray(load, dtype=float)
    counted = np.asarray(repetitions, dtype=float)
    with np.errstate(invalid="ignore"):
        estimate = EQUATIONS[equation](lifted, np.maximum(counted, 1.0))
    estimate = np.where(counted == 1.0, lifted, estimate)
    return np.asarray(np.where(counted >= 1.0, estimate, np.nan))


def attempt_scores(
    outcome: ContinuousOutcome, load: Floats, *, repetitions: Floats, success: Floats
) -> tuple[Floats, tuple[tuple[str, NDArray[np.bool_]], ...]]:
    """Score of every attempt by the outcome's rule, and why attempts have none.

    Parameters
    ----------
    outcome : ContinuousOutcome
        With the rule "load at repetitions" or "estimated maximum".
    load, repetitions, success : ndarray of float, shape (m,)
        ``success`` 1, 0 or ``nan`` (not recorded: the repetitions decide).

    Returns
    -------
    (ndarray of float, tuple of (str, ndarray of bool))
        Scores, ``nan`` where there is none, and disjoint reasons for those.

    Notes
    -----
    *Load at repetitions*: an attempt counts when at least the prescribed number of full repetitions was
    done and the attempt was not marked as failed. More repetitions than prescribed show that the load
    was lifted for the prescribed number too, so the attempt keeps its load and is credited no more. The
    score of a visit is the heaviest such load.

    *Estimated maximum*: attempts not marked as failed, of 1 to ``most_repetitions`` repetitions.
    """
    rule = outcome.score
    if isinstance(rule, AsRecorded):
        raise ArgumentError(
            where=f"outcome {outcome.code}", expected="a rule for attempts", got="as recorded"
        )
    failed = success == 0.0
    known = np.isfinite(load) & np.isfinite(repetitions)
    if isinstance(rule, EstimatedMaximum):
        few, many = repetitions < 1.0, repetitions > rule.most_repetitions
        score = estimated_maximum(load, repetitions, equation=rule.equation)
        few_words = "no full repetition"
    else:
        few, many = repetitions < rule.repetitions, np.zeros(load.shape, dtype=bool)
        score = np.array(load, dtype=float)
        few_words = "fewer repetitions than prescribed"
    reasons = (
        ("load or repetitions not recorded", ~known),
        ("attempt failed", known & failed),
        (few_words, known & ~failed & few),
        ("more repetitions than the equation is used for", known & ~failed & many),
    )
    unusable = ~known | failed | few | many
    return np.where(unusable, np.nan, score), reasons


def without_logarithm(outcome: ContinuousOutcome, score: Floats) -> NDArray[np.bool_]:
    """Scores of zero or below (nothing lifted, or an assisted load) where the analysis takes logarithms.

    What becomes of them is the protocol's ``zero_rule``: ``"stop"`` asks somebody to decide,
    ``"leave out"`` leaves them out and counts them.
    """
    return np.asarray((score <= 0.0) & (outcome.scale == "log"))
