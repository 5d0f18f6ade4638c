"""How two groups differed at time zero: standardised differences, without any test.

A test would ask whether the groups differ by chance; they were not formed by chance, and what matters is how
much they differ (Austin 2009, Statistics in Medicine 28:3083). Differences above 0.1 are commonly looked at.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.errors import ArgumentError
from studykit.lookback.results import Balance

Floats = NDArray[np.float64]


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
