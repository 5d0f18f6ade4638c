"""What is refused before anything is fitted, each with the reason and what to do."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.errors import ArgumentError, DesignError
from studykit.mixed.random_effects import RandomEffect
from studykit.mixed.residuals import ResidualStructure

Array = NDArray[np.float64]

LOST = 1e-5  # share of the largest variance below which a residual that nothing holds has run to zero
RANK = 1e-9  # of a column's own length: what is left of it after the earlier columns
IDENTIFIED = 1e-9  # smallest eigenvalue of the scaled information
MOST_COLUMNS = 3000  # of crossed factors in one group: their products take seconds beyond that
MOST_NUMBERS = 100_000_000  # rows times such columns: 0.8 GB, and a few arrays are of that size


def check_numbers(values: ArrayLike, what: str, dimensions: int) -> Array:
    """A copy as floating-point numbers; text, wrong dimensions and non-finite values are refused."""
    try:
        array = np.array(values, dtype=float)
    except (TypeError, ValueError):
        raise ArgumentError(
            where=what, expected="numbers", got=f"{type(values).__name__} with text"
        ) from None
    if array.ndim != dimensions:
        raise ArgumentError(
            where=what,
            expected="one number per row"
            if dimensions == 1
            else "one row per outcome and one column per effect",
            got=f"shape {array.shape}",
        )
    bad = ~np.isfinite(array)
    if bad.any():
        rows = np.unique(np.nonzero(bad)[0])
        raise ArgumentError(
            where=what,
            expected="finite numbers",
            got=f"nan or infinity in {len(rows)} rows (first, counted from 0: "
            f"{', '.join(map(str, rows[:5].tolist()))})",
            todo="Leave these rows out and say so.",
        )
    return array


def check_names(names: Sequence[str] | None, p: int) -> tuple[str, ...]:
    """The names of the fixed effects: those given, or ``x1``, ``x2`` and so on."""
    if names is None:
        return tuple(f"x{number + 1}" for number in range(p))
    given = tuple(map(str, names))
    if len(given) != p or len(set(given)) != p:
        raise ArgumentError(
            where="names",
            expected=f"{p} different names, one per column of the fixed effects",
            got=f"{len(given)} names, {len(set(given))} different",
        )
    return given


def check_shapes(
    outcome: Array, fixed_effects: Array, effects: Sequence[RandomEffect], residual: ResidualStructure
) -> None:
    """Every part must have one entry per row."""
    n = len(outcome)
    visits = [] if residual.visits is None else [("residual structure, visits", len(residual.visits))]
    check_lengths(n, fixed_effects, effects, visits)
    if n <= fixed_effects.shape[1]:
        raise DesignError(
            where="fixed effects",
            expected=f"fewer columns than rows ({n})",
            got=f"{fixed_effects.shape[1]} columns",
        )


def check_lengths(
    n: int, fixed_effects: Array, effects: Sequence[RandomEffect], others: Sequence[tuple[str, int]] = ()
) -> None:
    """One entry per row everywhere, and different names of random effects."""
    parts = [("fixed effects", len(fixed_effects))]
    parts += [(f"random effect {effect.name!r}", len(effect.groups)) for effect in effects]
    for what, length in [*parts, *others]:
        if length != n:
            raise ArgumentError(where=what, expected=f"{n} rows, as in the outcome", got=f"{length}")
    if len({effect.name for effect in effects}) != len(effects):
        raise ArgumentError(where="random effects", expected="different names", got="a name used twice")


def check_levels(effects: Sequence[RandomEffect], n: int) -> None:
    """A factor needs two levels, and fewer random effects than rows."""
    for effect in effects:
        levels = len(effect.levels)
        columns = effect.design.shape[1]
        check_two_levels(effect)
        if levels * columns >= n:
            raise DesignError(
                where=f"random effect {effect.name!r}",
                expected=f"fewer random effects than rows ({n})",
                got=f"{levels} levels with {columns} column{'s' if columns > 1 else ''} each, "
                f"{levels * columns} random effects",
                todo="They cannot be told apart from the residual: leave columns out, or use an "
                "unstructured residual instead.",
            )


def check_two_levels(effect: RandomEffect) -> None:
    """A factor needs two levels."""
    if len(effect.levels) < 2:
        raise DesignError(
            where=f"random effect {effect.name!r}",
            expected="at least two levels: one level shows no variation between levels",
            got="one level",
            todo="Leave this random effect out.",
        )


def check_crossed(n: int, columns: int, effects: Sequence[RandomEffect]) -> None:
    """Factors that cross others with very many levels cannot be eliminated as one dense matrix."""
    if columns > MOST_COLUMNS or n * columns > MOST_NUMBERS:
        most = min(MOST_COLUMNS, MOST_NUMBERS // n)
        raise DesignError(
            where=f"random effects {listed([effect.name for effect in effects])}",
            expected=f"crossed factors with at most {most} levels together for {n} rows",
            got=f"{columns}",
            todo="Give the factor with the fewer levels as fixed effects, or fit parts of the rows.",
        )


def check_contrasts(contrasts: ArrayLike, p: int) -> Array:
    """Contrasts (k, p), none of them zero."""
    M = np.atleast_2d(np.asarray(contrasts, dtype=float))
    if M.shape[1] != p or not M.any(axis=1).all():
        raise ArgumentError(
            where="contrasts", expected=f"rows of {p} weights, not all zero", got=f"shape {M.shape}"
        )
    return M


def independent_columns(X: Array, R: Array) -> NDArray[np.bool_]:
    """Whether no column of ``X`` (..., n, p) repeats earlier ones, by its triangular factor ``R``."""
    length = np.maximum(np.linalg.norm(X, axis=-2), 1e-300)
    diagonal = np.abs(np.diagonal(R, axis1=-2, axis2=-1))
    return np.asarray((diagonal > RANK * length).all(axis=-1))


def check_rank(X: Array, names: Sequence[str]) -> Array:
    """Upper triangular factor of the fixed effects; refused if a column repeats others."""
    empty = [name for name, column in zip(names, X.T, strict=True) if not column.any()]
    if empty:
        raise DesignError(
            where="fixed effects",
            expected="columns that are not zero everywhere",
            got=f"nothing but zeros in {listed(empty)}",
            todo="An empty cell, such as an arm without tests at a visit, has no mean: leave it out.",
        )
    length = np.linalg.norm(X, axis=0)
    scaled = X / length
    R = np.linalg.qr(scaled, mode="r")
    weak = np.flatnonzero(np.abs(np.diag(R)) < RANK)
    if len(weak):
        place = int(weak[0])
        weights = np.linalg.lstsq(scaled[:, :place], scaled[:, place], rcond=None)[0]
        others = [names[int(k)] for k in np.flatnonzero(np.abs(weights) > 1e-7)]
        raise DesignError(
            where="fixed effects",
            expected="columns of which none is a combination of the others",
            got=f"{names[place]!r} repeats {listed(others)}",
            todo=f"Leave {names[place]!r} or one of the others out.",
        )
    return np.asarray(R * length)


def refuse_unidentified(information: Array, names: Sequence[str]) -> None:
    """Say which covariance elements of one trial, information (k, k), cannot be told apart."""
    guilty = [name for name, bad in zip(names, _unidentified(information), strict=True) if bad]
    raise DesignError(
        where="random effects",
        expected="variances that the rows can tell apart",
        got=f"no way to separate {listed(guilty)}",
        todo="Leave one of them out: a slope needs more visits per client than columns, and a factor "
        "that is also a fixed effect has no variance of its own.",
    )


def identified(information: Array) -> NDArray[np.bool_]:
    """For every trial, whether its rows can tell all covariance elements apart.

    ``information`` (m, k, k) is the expected information of the covariance elements; it is singular at
    one covariance if and only if it is at all: the derivatives ``V_i`` then depend on each other once
    the fixed effects are removed.
    """
    size = np.sqrt(np.maximum(np.diagonal(information, axis1=1, axis2=2), 1e-300))
    scaled = information / size[:, :, None] / size[:, None, :]
    alone = (size <= 1e-7 * size.max(axis=1, keepdims=True)).any(axis=1)
    return np.asarray(~alone & (np.linalg.eigvalsh(scaled)[:, 0] >= IDENTIFIED))


def _unidentified(information: Array) -> NDArray[np.bool_]:
    """Which covariance elements take part in a combination that the data say nothing about."""
    size = np.sqrt(np.maximum(np.diag(information), 0.0))
    largest = float(size.max(initial=0.0))
    alone = size <= 1e-7 * largest
    scaled = information / np.where(alone, 1.0, size)[:, None] / np.where(alone, 1.0, size)
    scaled[alone, :] = scaled[:, alone] = 0.0
    values, vectors = np.linalg.eigh(scaled)
    null = vectors[:, values < IDENTIFIED]
    return np.asarray((np.abs(null) > 1e-4).any(axis=1))


def explains_all(effects: Sequence[RandomEffect], X: Array, rows: NDArray[np.bool_]) -> bool:
    """Whether fixed and random effects together can take every value of the outcome in these rows.

    Then nothing tells the residual variance from the others where it is small: it may run to zero, and what
    the inference needs to know of it is lost in rounding. (An unstructured residual that becomes singular
    ends the search itself, see `studykit.mixed.search`.)
    """
    columns = X.shape[1] + sum(len(effect.levels) * effect.design.shape[1] for effect in effects)
    if columns < rows.sum():
        return False
    parts = [
        column[:, None] * (effect.codes[:, None] == np.arange(len(effect.levels)))
        for effect in effects
        for column in effect.design.T
    ]
    return bool(np.linalg.matrix_rank(np.column_stack([X, *parts])[rows]) == rows.sum())


def listed(names: Sequence[str]) -> str:
    """Names in quotation marks, with commas and an "and"."""
    quoted = [repr(name) for name in names]
    return quoted[0] if len(quoted) == 1 else f"{', '.join(quoted[:-1])} and {quoted[-1]}"
