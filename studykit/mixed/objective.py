r"""The (restricted) likelihood, for one trial or many at once.

Model: ``y = X beta + sum Z_k b_k + e``, so ``V = A + U D U'`` with ``A`` block diagonal
(see `studykit.mixed.layout`). Write

========================== =============================================================================
``B = A^-1``               class by class, see `studykit.mixed.pieces`
``X~ = [X y]``             fixed effects and outcome
``C_uu, C_ux, C_xx``       ``U'BU``, ``U'BX~``, ``X~'BX~``: sums over classes, see `studykit.mixed.sums`
``L``                      factor of ``D``, ``D = L L'``; may be singular
``N``                      ``L (I + L' C_uu L)^-1 L'``, so that ``V^-1 = B - B U N U' B``
``E``                      ``-N C_ux``, so that ``V^-1 X~ = B (X~ + U E)``
``X~'V^-1 X~``             ``C_xx + C_xu E``; its blocks give ``Phi = (X'V^-1X)^-1`` and
``beta``                   ``Phi X'V^-1 y``
``v``                      ``(-beta, 1)``, so that ``P y = V^-1 X~ v``
========================== =============================================================================

``C_uu`` and with it ``N`` are block diagonal, one block per group; a zero variance is an ordinary value.
Then (Harville 1977; Bates, Maechler, Bolker & Walker 2015)

``f = -2 log L = log|A| + log|I + L' C_uu L| + log|X'V^-1X| + y' P y + (n - p) log(2 pi)``

by REML (no ``log|X'X|``); by maximum likelihood without ``log|X'V^-1X|`` and with ``n log(2 pi)``.

Every array has the trials along its first axis; one fit is one trial.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.checks import independent_columns
from studykit.mixed.layout import Layout
from studykit.mixed.pieces import ClassStack, find_pieces, whole_pieces
from studykit.mixed.residuals import powers
from studykit.mixed.sums import Products, Sums, add_up, flat, multiply, products_per_pair, taken, transposed

Array = NDArray[np.float64]
LOG_2PI = math.log(2.0 * math.pi)
NUMBERS_AT_ONCE = 500_000  # of the products of the columns, over the trials worked on together
POSITIVE = 1e-14  # smallest eigenvalue over the largest value of a covariance that can be inverted


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """A model with its data: what `evaluate` needs.

    Parameters
    ----------
    layout : Layout
    classes : tuple of ClassStack
    counts : tuple of ndarray, shape (m or 1, classes)
    sums : Sums
    rows : ndarray, shape (m,)
        Rows used in every trial.
    p : int
        Columns of the fixed effects.
    reml : bool
    turn : ndarray, shape (m, k, k), or None
        From the elements of this problem to those of the layout, where they differ, and
    logdet : ndarray, shape (m,) or float
        what its classes leave out of ``log|A|``: see `studykit.mixed.conditioning`.
    """

    layout: Layout
    classes: tuple[ClassStack, ...]
    counts: tuple[Array, ...]
    sums: Sums
    rows: Array
    p: int
    reml: bool
    turn: Array | None = None
    logdet: Array | float = 0.0

    @property
    def trials(self) -> int:
        """Number of trials."""
        return len(self.rows)

    def take(self, trials: NDArray[np.intp]) -> Problem:
        """The same for some of the trials."""
        return replace(
            self,
            classes=tuple(replace(part, basis=taken(part.basis, trials)) for part in self.classes),
            counts=tuple(taken(count, trials) for count in self.counts),
            sums=self.sums.take(trials),
            rows=self.rows[trials],
            turn=None if self.turn is None else self.turn[trials],
            logdet=self.logdet[trials] if isinstance(self.logdet, np.ndarray) else self.logdet,
        )

    def elements(self, eta: Array) -> Array:
        """The layout's elements (m, k) from those of this problem."""
        return eta if self.turn is None else (self.turn @ eta[..., None])[..., 0]


@dataclass(frozen=True, slots=True, eq=False)
class Whitened:
    """Data in the search's units: ``X = Q R`` with orthonormal ``Q``, ``y = Q ordinary + spread left``.

    Parameters
    ----------
    Q, R : ndarray, shapes (m or 1, n, p), (m or 1, p, p)
        Of the observed rows; others are zero. ``R`` is the identity where columns repeat others.
    independent : ndarray of bool, shape (m or 1,)
        Whether no column repeats others.
    ordinary : ndarray, shape (m, p)
    left : ndarray, shape (m, n)
        Of mean square one over the degrees of freedom.
    spread : ndarray, shape (m,)
        One where nothing is left.
    varies : ndarray of bool, shape (m,)
        Whether anything is left but rounding.
    """

    Q: Array
    R: Array
    independent: NDArray[np.bool_]
    ordinary: Array
    left: Array
    spread: Array
    varies: NDArray[np.bool_]


def whiten(y: Array, X: Array, observed: NDArray[np.bool_] | None = None) -> Whitened:
    """Take least squares on fixed effects (m or 1, n, p) out of outcomes (m, n), in observed rows (m, n)."""
    if observed is not None:
        y, X = y * observed, X * observed[:, :, None]
    Q, R = np.linalg.qr(X)
    independent = independent_columns(X, R)
    R = np.where(independent[:, None, None], R, np.eye(R.shape[-1]))
    ordinary, left = np.zeros((len(y), X.shape[2])), y
    for _ in range(2):  # the second time takes out what rounding left of a large mean
        more = (transposed(Q) @ left[..., None])[..., 0]
        ordinary, left = ordinary + more, left - (Q @ more[..., None])[..., 0]
    rows = y.shape[1] if observed is None else observed.sum(axis=1)
    spread = np.sqrt((left**2).sum(axis=1) / np.maximum(rows - X.shape[2], 1))
    varies = spread > 1e-14 * np.abs(y).max(axis=1, initial=0.0)
    spread = np.where(varies, spread, 1.0)
    return Whitened(Q, R, independent, ordinary, left / spread[:, None], spread, varies)


def build_problem(
    layout: Layout,
    y: Array,
    X: Array,
    *,
    reml: bool,
    observed: NDArray[np.bool_] | None = None,
) -> Problem:
    """Add up outcomes (m, n) and fixed effects (m or 1, n, p), of the rows observed (m or 1, n)."""
    pieces = whole_pieces(layout) if observed is None else find_pieces(layout, observed)
    used = np.full(1, float(layout.n)) if observed is None else observed.sum(axis=1).astype(float)
    rows = np.broadcast_to(used, len(y))
    sums = add_up(layout, pieces, X, y)
    return Problem(layout, pieces.classes, pieces.counts, sums, rows, X.shape[2], reml)


def trials_at_once(layout: Layout, p: int) -> int:
    """How many trials should be worked on together, so that the arrays stay in the processor's cache."""
    often = products_per_pair(layout, p) * (len(layout.inner) + 1)
    once = layout.n * (layout.columns.shape[1] + p)  # the rows themselves, added up before the search
    return max(1, int(NUMBERS_AT_ONCE // max(often, once // 4)))


@dataclass(frozen=True, slots=True, eq=False)
class ClassState:
    """What one stack of classes holds at given parameters: ``V_i`` (m or 1, k, classes, s, s) and ``B``."""

    classes: ClassStack
    counts: Array
    basis: Array
    B: Array


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """The likelihood at given parameters, with all that its derivatives need.

    ``scale`` is the factor by which the given covariance was multiplied to reach the best scale; every
    other field already belongs to the scaled covariance. ``C`` has one entry along its second axis.
    """

    value: Array
    scale: Array
    eta: Array
    classes: tuple[ClassState, ...]
    C: Products
    N: Array
    E: Array
    Phi: Array
    v: Array

    @property
    def beta(self) -> Array:
        """Estimates of the fixed effects, (m, p)."""
        return -self.v[:, :-1]


def evaluate(problem: Problem, psi: Array, *, rescale: bool = True) -> State:
    """The likelihood of every trial at ``psi`` (m, k), at the best scale of the covariance."""
    layout, p, m = problem.layout, problem.p, len(psi)
    eta = layout.map.elements(psi)
    logdet = np.zeros(m) + problem.logdet
    classes: list[ClassState] = []
    packed: list[Array] = []
    for stack, counts in zip(problem.classes, problem.counts, strict=True):
        basis = class_basis(layout, stack.basis, eta)
        B, logs = _inverse(layout, stack.real, basis, eta)
        logdet += (counts * logs).sum(axis=1)
        classes.append(ClassState(stack, counts, basis, B))
        packed.append(flat(B, 1)[:, stack.packed])
    C = problem.sums.products(_joined(packed)[:, None])
    uu, ux, xx = C.uu[:, 0], C.ux[:, 0], C.xx[:, 0]
    N, E, XVX = np.zeros_like(uu), np.zeros_like(ux), xx
    if layout.groups:
        L = outer_factor(layout, psi)[:, None]
        M = multiply(transposed(L), multiply(uu, L)) + np.eye(L.shape[-1])
        inverse, log_u = _invert(M)
        logdet += log_u.sum(axis=1)
        N = multiply(multiply(L, inverse), transposed(L))
        E = -multiply(N, ux)
        XVX = xx + transposed(ux.reshape(m, -1, p + 1)) @ E.reshape(m, -1, p + 1)
    Phi, log_x = _invert(XVX[:, :p, :p])
    if problem.reml:
        logdet += log_x
    beta = (Phi @ XVX[:, :p, p:])[..., 0]
    quadratic = XVX[:, p, p] - (beta * XVX[:, p, :p]).sum(axis=1)
    degrees = problem.rows - p * problem.reml
    logdet = np.where(np.isfinite(logdet) & (quadratic > 0.0), logdet, np.inf)
    scale = np.where(quadratic > 0.0, quadratic / degrees, 1.0) if rescale else np.ones(m)
    value = logdet + degrees * np.log(scale) + quadratic / scale + degrees * LOG_2PI
    v = np.concatenate([-beta, np.ones((m, 1))], axis=1)
    return _scaled(layout, State(value, scale, eta, tuple(classes), C, N, E, Phi, v))


def _joined(parts: list[Array]) -> Array:
    return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=-1)


def _scaled(layout: Layout, state: State) -> State:
    """Everything at the covariance multiplied by ``scale``."""
    by = state.scale[:, None, None, None]
    C = state.C
    return State(
        value=state.value,
        scale=state.scale,
        eta=np.where(layout.map.linear, state.eta, state.eta * state.scale[:, None]),
        classes=tuple(
            ClassState(part.classes, part.counts, _scaled_basis(layout, part.basis, state.scale), part.B / by)
            for part in state.classes
        ),
        C=Products(C.uu / by[..., None], C.ux / by[..., None], C.xx / by),
        N=state.N * by,
        E=state.E,
        Phi=state.Phi * by[..., 0],
        v=state.v,
    )


def class_basis(layout: Layout, basis: Array, eta: Array) -> Array:
    """Derivative of ``A`` by every inner element, shape (m or 1, k, classes, size, size)."""
    if not layout.autocorrelation:
        return basis
    variance, rho = eta[:, -2, None, None, None], eta[:, -1, None, None, None]
    same, lag = basis[:, -2], basis[:, -1]
    power, slope, _ = powers(rho, lag, even=layout.residual.even)
    others = np.broadcast_to(basis[:, :-2], (len(eta), *basis[0, :-2].shape))
    return np.concatenate([others, (same * power)[:, None], (variance * same * slope)[:, None]], axis=1)


def class_curvature(layout: Layout, stack: ClassStack, eta: Array) -> dict[tuple[int, int], Array]:
    """Second derivatives of ``A`` that are not zero, by places among the inner elements.

    Only ``variance * rho^lag`` is not linear in its elements.
    """
    if not layout.autocorrelation:
        return {}
    variance, rho = eta[:, -2, None, None, None], eta[:, -1, None, None, None]
    same, lag = stack.basis[:, -2], stack.basis[:, -1]
    last = len(layout.inner) - 1
    _, once, twice = powers(rho, lag, even=layout.residual.even)
    return {(last - 1, last): same * once, (last, last): variance * same * twice}


def _scaled_basis(layout: Layout, basis: Array, scale: Array) -> Array:
    """Only the derivative by the autocorrelation changes with the scale of the covariance."""
    if not layout.autocorrelation:
        return basis
    factor = np.ones((len(scale), basis.shape[1]))
    factor[:, -1] = scale
    return basis * factor[..., None, None, None]


def _inverse(layout: Layout, real: Array, basis: Array, eta: Array) -> tuple[Array, Array]:
    """``B`` (zero at padded places) and ``log|A|`` (m, classes)."""
    B, logs = _invert(class_covariance(layout, real, basis, eta))
    if B.shape[-1] > 1:
        places = np.arange(B.shape[-1])
        B[..., places, places] -= 1.0 - real
    return B, logs


def class_covariance(layout: Layout, real: Array, basis: Array, eta: Array) -> Array:
    """``A`` of every class, (m, classes, size, size); one on the diagonal at padded places."""
    weights = eta[:, layout.inner]
    if layout.autocorrelation:
        weights = np.where(layout.map.linear[layout.inner], 0.0, weights)
    A = weights @ flat(basis[0], 1) if len(basis) == 1 else (weights[:, None] @ flat(basis))[:, 0]
    A = A.reshape(len(eta), *basis.shape[2:])
    size = A.shape[-1]
    if size > 1:
        places = np.arange(size)
        A[..., places, places] += 1.0 - real
    return A


def _invert(matrices: Array) -> tuple[Array, Array]:
    """Inverses (..., s, s) and log-determinants; infinite where a matrix is not positive definite."""
    size = matrices.shape[-1]
    if size == 1:
        values = matrices[..., 0, 0]
        good = values > 0.0
        safe = np.where(good, values, 1.0)
        return (1.0 / safe)[..., None, None], np.where(good, np.log(safe), np.inf)
    good = np.ones(matrices.shape[:-2], bool)
    try:
        factor, inverse = np.linalg.cholesky(matrices), np.linalg.inv(matrices)
    except np.linalg.LinAlgError:  # by either: at the very edge only one of them may notice
        least = np.linalg.eigvalsh(matrices)[..., 0]
        good = least > POSITIVE * np.abs(matrices).max(axis=(-2, -1))
        matrices = np.where(good[..., None, None], matrices, np.eye(size))
        factor, inverse = np.linalg.cholesky(matrices), np.linalg.inv(matrices)
    logs = 2.0 * np.log(np.diagonal(factor, axis1=-2, axis2=-1)).sum(axis=-1)
    return np.asarray(inverse), np.where(good, logs, np.inf)


def outer_factor(layout: Layout, psi: Array) -> Array:
    """``L`` of one group, shape (m, q, q)."""
    q = layout.columns.shape[1]
    L = np.zeros((len(psi), q, q))
    for item in layout.outer:
        small = layout.map.blocks[item.effect].factor(psi)
        for a in range(item.order):
            for b in range(a + 1):
                rows = np.arange(item.start + a, item.stop, item.order)
                L[:, rows, rows - a + b] = small[:, a, b, None]
    return L


def block_inverses(layout: Layout, eta: Array) -> list[Array]:
    """``A^-1`` of every kind of block of every stack (kinds, size, size), for one trial's elements (1, k)."""
    inverses = []
    for stack in layout.stacks:
        basis = class_basis(layout, stack.basis[None], eta)
        inverses.append(_inverse(layout, stack.real.astype(float), basis, eta)[0][0])
    return inverses
