"""What is refused before a binary mixed model is fitted, and how separation is found and said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import linprog

from studykit.errors import ArgumentError, DesignError
from studykit.mixed import checks
from studykit.mixed.random_effects import RandomEffect
from studykit.results import Result

Array = NDArray[np.float64]

NAMED = 6  # most patterns of columns that a sentence lists


@dataclass(frozen=True, slots=True)
class SeparatedPattern(Result):
    """Rows with the same values of the columns concerned, whose outcomes are all of one kind.

    Parameters
    ----------
    values : tuple of (str, float)
        Column and value.
    successes, trials : int
        ``successes`` is 0 or ``trials``.
    """

    values: tuple[tuple[str, float], ...]
    successes: int
    trials: int

    def __str__(self) -> str:
        where = " and ".join(f"{name} = {value:g}" for name, value in self.values) or "all columns at zero"
        word = "has" if self.trials == 1 else "have"
        return f"where {where}, {self.successes} of {self.trials} {word} the outcome"


@dataclass(frozen=True, slots=True)
class Separation(Result):
    """Fixed effects that tell outcomes apart without error: their coefficients have no finite estimate.

    Parameters
    ----------
    columns : tuple of str
        The fixed effects concerned.
    patterns : tuple of SeparatedPattern
        Where all outcomes are of one kind; empty where there are too many different rows to list.
    """

    columns: tuple[str, ...]
    patterns: tuple[SeparatedPattern, ...]

    def __str__(self) -> str:
        names = checks.listed(self.columns)
        plural = len(self.columns) > 1
        seen = (
            "; ".join(map(str, self.patterns))
            if self.patterns
            else f"rows far along {names} have outcomes of one kind only"
        )
        seen = seen[0].upper() + seen[1:]
        return (
            f"{seen}: {'coefficients' if plural else 'the coefficient'} of {names} "
            f"{'have' if plural else 'has'} no finite estimate without a penalty."
        )


def check_outcome(outcome: ArrayLike, trials: ArrayLike | None) -> tuple[Array, Array]:
    """Successes and trials (n,), whole numbers with ``0 <= successes <= trials``."""
    y = checks.check_numbers(outcome, "outcome", 1)
    m = np.ones(len(y)) if trials is None else checks.check_numbers(trials, "trials", 1)
    if len(m) != len(y):
        raise ArgumentError(where="trials", expected=f"{len(y)} rows, as in the outcome", got=f"{len(m)}")
    if trials is None and not np.isin(y, (0.0, 1.0)).all():
        wrong = y[~np.isin(y, (0.0, 1.0))][0]
        raise ArgumentError(
            where="outcome",
            expected="0 or 1 in every row",
            got=f"{wrong:g}",
            todo="For counts out of several trials give the numbers of trials too.",
        )
    _refuse_rows("trials", "whole numbers of at least 1", m, (m < 1.0) | (m != np.round(m)))
    _refuse_rows(
        "outcome", "whole numbers from 0 to the trials of the row", y, (y < 0) | (y > m) | (y != np.round(y))
    )
    if y.sum() in (0.0, m.sum()):
        raise DesignError(
            where="outcome",
            expected="outcomes of both kinds",
            got=f"{y.sum():g} of {m.sum():g} with the outcome, in every arm and at every level",
            todo="No model can compare arms here: give the counts, with an exact or score interval.",
        )
    return y, m


def _refuse_rows(where: str, expected: str, values: Array, bad: NDArray[np.bool_]) -> None:
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        raise ArgumentError(
            where=where, expected=expected, got=f"{values[row]:g} in row {row} (counted from 0)"
        )


def check_parts(y: Array, m: Array, X: Array, effects: Sequence[RandomEffect]) -> None:
    """One entry per row everywhere, different names, and fewer fixed effects than trials."""
    if not effects:
        raise ArgumentError(
            where="random effects", expected="at least one", got="none", todo="Use logistic regression."
        )
    checks.check_lengths(len(y), X, effects)
    if min(len(y), m.sum() - 1) < X.shape[1]:
        raise DesignError(
            where="fixed effects", expected="no more columns than rows", got=f"{X.shape[1]} for {len(y)} rows"
        )


def check_levels(y: Array, m: Array, effects: Sequence[RandomEffect]) -> None:
    """Two levels or more, fewer random effects than trials, and a level with both kinds of outcome."""
    for effect in effects:
        levels, codes = effect.levels, effect.codes
        where = f"random effect {effect.name!r}"
        count = len(levels) * effect.design.shape[1]
        checks.check_two_levels(effect)
        if count >= m.sum():
            raise DesignError(
                where=where,
                expected=f"fewer random effects than trials ({m.sum():g})",
                got=f"{count}",
                todo="One yes or no per level cannot show variation between levels: leave it out.",
            )
        successes, total = np.bincount(codes, y), np.bincount(codes, m)
        if ((successes == 0) | (successes == total)).all():
            raise DesignError(
                where=where,
                expected=f"both kinds of outcome within at least one level of {effect.name}",
                got=f"{int((successes == total).sum())} levels with it in every trial and "
                f"{int((successes == 0).sum())} in none",
                todo="The variance has no finite estimate then. Reduce every level to one outcome and leave "
                "this random effect out.",
            )


def check_separable(X: Array, effects: Sequence[RandomEffect]) -> None:
    """Random effects that repeat each other, or that the fixed effects hold already, are refused."""
    basis = np.linalg.qr(X)[0]
    seen: list[tuple[str, NDArray[np.intp], Array]] = []
    for effect in effects:
        levels, codes = effect.levels, effect.codes
        for column in effect.design.T:
            total = np.bincount(codes, column**2, len(levels))
            held = sum(np.bincount(codes, column * q, len(levels)) ** 2 for q in basis.T)
            if (total - held <= 1e-9 * total.max()).all():
                raise DesignError(
                    where=f"random effect {effect.name!r}",
                    expected="variation that the fixed effects do not already hold",
                    got="a fixed effect for every level",
                    todo="Leave one of the two out.",
                )
        for name, other, design in seen:
            pairs = len(np.unique(other * len(levels) + codes))
            same = pairs == len(levels) == int(other.max()) + 1
            if same and design.shape == effect.design.shape and np.allclose(design, effect.design):
                raise DesignError(
                    where="random effects",
                    expected="variances that the rows can tell apart",
                    got=f"no way to separate {name!r} and {effect.name!r}",
                    todo="Leave one of them out.",
                )
        seen.append((effect.name, codes, effect.design))


def find_separation(y: Array, m: Array, X: Array, names: Sequence[str]) -> Separation | None:
    """The fixed effects that separate the outcomes, by linear programming (Konis 2007).

    A direction ``d`` separates if ``x'd >= 0`` in rows with successes only, ``<= 0`` in rows with failures
    only and ``= 0`` in mixed rows, not all zero; without one, the estimates are finite (Albert & Anderson
    1984, Biometrika 71:1). This holds for every symmetric or skew link, and with random effects of any given
    variance, since it holds at every value of them.
    """
    scale = np.sqrt((X**2).mean(axis=0))
    Z = X / scale
    sign = np.where(y == m, 1.0, -1.0)
    mixed = (y > 0) & (y < m)
    pure = np.unique(sign[~mixed, None] * Z[~mixed], axis=0)
    equal = np.unique(Z[mixed], axis=0)
    if not len(pure):
        return None
    answer = linprog(
        -pure.sum(axis=0),
        A_ub=-pure,
        b_ub=np.zeros(len(pure)),
        A_eq=equal if len(equal) else None,
        b_eq=np.zeros(len(equal)) if len(equal) else None,
        bounds=(-1.0, 1.0),
        method="highs",
    )
    if answer.status != 0 or -answer.fun < 1e-7:
        return None
    direction = answer.x
    concerned = np.abs(direction) > 1e-7
    apart = np.abs(Z @ direction) > 1e-7
    constant = (X[0] == X).all(axis=0)
    shown = np.flatnonzero(concerned & ~constant)
    if not len(shown):
        shown = np.flatnonzero(~constant)
    columns = tuple(names[k] for k in np.flatnonzero(concerned & ~constant).tolist()) or tuple(names)
    return Separation(columns, _patterns(y, m, X, names, shown, apart))


def _patterns(
    y: Array,
    m: Array,
    X: Array,
    names: Sequence[str],
    shown: NDArray[np.intp],
    apart: NDArray[np.bool_],
) -> tuple[SeparatedPattern, ...]:
    rows, codes = np.unique(X[:, shown], axis=0, return_inverse=True)
    codes = codes.ravel()
    successes, trials = np.bincount(codes, y), np.bincount(codes, m)
    touched = np.bincount(codes, apart) > 0
    chosen = np.flatnonzero(touched & ((successes == 0) | (successes == trials)))
    if len(chosen) > NAMED:
        return ()
    return tuple(
        SeparatedPattern(
            tuple((names[k], float(value)) for k, value in zip(shown, rows[place], strict=True)),
            int(successes[place]),
            int(trials[place]),
        )
        for place in chosen
    )
