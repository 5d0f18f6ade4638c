r"""Problems whose residual matrix is nearly singular, in units in which nothing is.

Where tests repeat each other closely (body mass), some combination of visits hardly varies. Derivatives of
the likelihood by the elements of such a matrix ``S`` are as large as its inverse squared, and what they say
of the other combinations is lost in rounding: degrees of freedom would depend on the unit of the outcome.
Near ``S_0 = L L'`` the search and the inference therefore use

``S = L M L'`` with ``M`` near the identity, and in every class ``C f`` for its rows ``f``, ``C A_0 C' = I``,

so that all covariances are near the identity and all derivatives of one size.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.objective import Problem, class_covariance
from studykit.mixed.parameters import triangle
from studykit.mixed.pieces import ClassStack
from studykit.mixed.sums import transposed

Array = NDArray[np.float64]
Trials = NDArray[np.intp]

NEARLY_SINGULAR = 1e-3  # share of the largest variance; below it rounding would be seen in the eighth digit


def residual_share(problem: Problem, psi: Array) -> Array:
    """Least share (m,) of the variance of any combination of visits in an unstructured residual; else one."""
    layout = problem.layout
    if layout.residual.kind != "unstructured":
        return np.ones(len(psi))
    return layout.map.residual_share(problem.elements(layout.map.elements(psi)), len(layout.effects))


def conditioned(problem: Problem, psi: Array) -> list[tuple[Trials, Problem, Array]]:
    """Trials as they are; apart from them, those with a nearly singular residual, in units of their own."""
    near = residual_share(problem, psi) < NEARLY_SINGULAR
    if not near.any():
        return [(np.arange(len(psi)), problem, psi)]
    parts = []
    plain, close = np.flatnonzero(~near), np.flatnonzero(near)
    if len(plain):
        parts.append((plain, problem.take(plain), psi[plain]))
    return [*parts, (close, *_in_own_units(problem.take(close), psi[close]))]


def in_layout(problem: Problem, psi: Array, unit: Array) -> Array:
    """``psi`` (m, k) of the layout from that of a problem in the units of ``unit`` (m, k)."""
    block = problem.layout.map.blocks[-1]
    result = psi.copy()
    whole = block.factor(unit) @ block.factor(psi)
    result[:, block.start : block.stop] = whole[(slice(None), *triangle(block.order))]
    return result


def _in_own_units(problem: Problem, psi: Array) -> tuple[Problem, Array]:
    """The problem in the units of ``psi`` (m, k), and where ``psi`` is in them."""
    layout = problem.layout
    block, eta = layout.map.blocks[-1], layout.map.elements(psi)
    L, (a, b) = block.factor(psi), triangle(block.order)
    turn = np.tile(np.eye(psi.shape[1]), (len(psi), 1, 1))
    here = np.s_[:, block.start : block.stop, block.start : block.stop]
    turn[here] = L[:, a[:, None], a] * L[:, b[:, None], b]
    turn[here] += np.where(a != b, L[:, a[:, None], b] * L[:, b[:, None], a], 0.0)
    inner = turn[:, layout.inner[:, None], layout.inner]
    classes, moves, logdet = [], [], np.zeros(len(psi))
    for part, counts in zip(problem.classes, problem.counts, strict=True):
        factor = np.linalg.cholesky(class_covariance(layout, part.real, part.basis, eta))
        C = np.linalg.inv(factor)
        logs = np.log(np.diagonal(factor, axis1=2, axis2=3)).sum(axis=2)
        logdet += 2.0 * (counts * logs).sum(axis=1)
        basis = np.einsum("mji,mj...->mi...", inner, part.basis)
        classes.append(replace(part, basis=C[:, None] @ basis @ transposed(C)[:, None]))
        moves.append(_of_pairs(part, C))
    start = psi.copy()
    start[:, block.start : block.stop] = np.where(a == b, 1.0, 0.0)
    sums = problem.sums.moved(moves)
    return replace(problem, classes=tuple(classes), sums=sums, turn=turn, logdet=logdet), start


def _of_pairs(part: ClassStack, C: Array) -> Array:
    """What sums of products of pairs become (m, pairs, pairs) when the rows of every class are multiplied."""
    number, a, b = np.unravel_index(part.packed, part.share.shape)
    own, i, j = number[:, None], a[:, None], b[:, None]
    both = C[:, own, i, a] * C[:, own, j, b] + C[:, own, i, b] * C[:, own, j, a]
    return np.where(own == number, np.where(i == j, 0.5, 1.0) * both, 0.0)
