r"""Hazards on a discrete clock: each trial may be the last, at a hazard ratio that holds on every trial.

Legend: rows i with event :math:`y_i`, covariates :math:`x_i`, stratum g(i) with its own intercept
:math:`\alpha_g`, weight :math:`v_i`; :math:`\mu_i=\exp(\alpha_{g(i)}+x_i\beta)` and
:math:`P(y_i=1)=1-\exp(-\mu_i)`, the complementary log-log link, so that :math:`\exp(\beta)` is a hazard ratio
(Prentice & Gloeckler 1978). Score by linear predictor :math:`r=v(y\mu/(e^\mu-1)-(1-y)\mu)`, expected
information :math:`w=v\mu^2/(e^\mu-1)`. Intercepts are eliminated: with the weighted means :math:`\bar x_g`
the information about :math:`\beta` is :math:`\sum w(x-\bar x_g)(x-\bar x_g)^T`.

Variance: sandwich over clusters with the adjustment of Bell & McCaffrey 2002 (CR2), each cluster's residuals
multiplied by :math:`(I-H_{cc})^{-1/2}`, and t on their Satterthwaite degrees of freedom, all with p by p
matrices: :math:`(I-ZMZ^T)^{-1/2}=I+Z(\cdot)Z^T`. A single intercept is a column of Z; those of several strata
count in the means only.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.errors import ArgumentError, ConvergenceError
from studykit.results import Estimate, frozen_array

if TYPE_CHECKING:
    from scipy.sparse import csr_array

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

MOST_STEPS = 60
RUNAWAY = 12.0  # a log hazard ratio per standard deviation beyond which a coefficient has run away


@dataclass(frozen=True, slots=True, eq=False)
class DiscreteHazardModel:
    """A fitted discrete-time hazard model.

    Parameters
    ----------
    names : tuple of str
        Covariates.
    coefficients : ndarray, shape (p,)
        Log hazard ratios.
    covariance : ndarray, shape (p, p)
        Robust, over clusters.
    model_covariance : ndarray, shape (p, p)
        From the information, as if every row stood alone.
    degrees_of_freedom : ndarray, shape (p,)
    intercepts : ndarray, shape (strata,)
        Minus infinite for a stratum without an event, which says nothing about the ratios.
    linear_predictor : ndarray, shape (n,)
    log_likelihood : float
    events, clusters : int
    silent_strata : tuple of str
        Strata without an event, or with nothing else.
    """

    names: tuple[str, ...]
    coefficients: Floats
    covariance: Floats
    model_covariance: Floats
    degrees_of_freedom: Floats
    intercepts: Floats
    linear_predictor: Floats
    log_likelihood: float
    events: int
    clusters: int
    silent_strata: tuple[str, ...]
    _scores: Floats
    _stratum_residuals: csr_array
    _stratum_totals: Floats
    _stratum_means: Floats

    def log_hazard_ratio(self, name: str) -> Estimate:
        """Natural logarithm of the hazard ratio per unit of a covariate, with robust inference.

        Raises
        ------
        ArgumentError
            If there is no such covariate.
        """
        if name not in self.names:
            raise ArgumentError(
                where="discrete hazards", expected=f"one of {', '.join(self.names)}", got=name
            )
        k = self.names.index(name)
        return Estimate(
            float(self.coefficients[k]),
            math.sqrt(float(self.covariance[k, k])),
            float(self.degrees_of_freedom[k]),
            "CR2 sandwich over clusters, Satterthwaite",
        )

    @property
    def small_sample_inflation(self) -> float:
        """By how much the small-sample correction lengthens the standard error of the first coefficient."""
        plain = float(self.model_covariance[0] @ (self._scores.T @ self._scores) @ self.model_covariance[0])
        return max(math.sqrt(float(self.covariance[0, 0]) / plain), 1.0) if plain > 0.0 else 1.0

    def influence(self, of_coefficients: Floats, of_intercepts: Floats) -> Floats:
        """Each cluster's influence on quantities, from their derivatives by coefficients and by intercepts.

        Parameters
        ----------
        of_coefficients : ndarray, shape (p,) or (d, p)
        of_intercepts : ndarray, shape (strata,) or (d, strata)

        Returns
        -------
        ndarray, shape (clusters,) or (d, clusters)
            The error of a quantity is the sum, to first order.
        """
        along = (of_coefficients - of_intercepts @ self._stratum_means) @ self.model_covariance
        share = np.divide(
            of_intercepts,
            self._stratum_totals,
            out=np.zeros(np.shape(of_intercepts)),
            where=self._stratum_totals > 0.0,
        )
        return np.asarray(along @ self._scores.T + (self._stratum_residuals @ share.T).T)


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    y: Floats
    x: Floats
    weight: Floats
    stratum: Integers
    strata: int
    offset: Floats


def fit_discrete_hazards(
    event: ArrayLike,
    covariates: ArrayLike,
    *,
    names: tuple[str, ...],
    strata: Any = None,
    clusters: Any = None,
    weights: ArrayLike | None = None,
    offset: ArrayLike | None = None,
) -> DiscreteHazardModel:
    """Fit a discrete-time hazard model with a complementary log-log link.

    Parameters
    ----------
    event : array_like of bool, shape (n,)
        One row per trial at risk: whether it was the last.
    covariates : array_like, shape (n,) or (n, p)
        Known by the time of each trial.
    names : tuple of str
    strata : array_like, shape (n,), optional
        Each has its own intercept, such as the trainer of a session.
    clusters : array_like, shape (n,), optional
        Rows that vary together, such as the sessions of one client; every row alone unless given.
    weights : array_like, shape (n,), optional
        Row weights, ``>= 0``.
    offset : array_like, shape (n,), optional
        Added to the linear predictor, such as the logarithm of the days that a trial stands for.

    Returns
    -------
    DiscreteHazardModel

    Raises
    ------
    ArgumentError
        If shapes differ, a value is not finite, nobody left, or a covariate repeats others within strata.
    ConvergenceError
        If the likelihood has no maximum, because a covariate separates those who left.

    Examples
    --------
    >>> y, x = [0, 1, 0, 0, 1, 0, 0, 0], [0, 0, 0, 0, 1, 1, 1, 1]
    >>> model = fit_discrete_hazards(y, x, names=("x",))
    >>> round(float(model.coefficients[0]), 6)
    0.0
    """
    from scipy.linalg import block_diag
    from scipy.sparse import csr_array

    rows, centre, labels = _rows(event, covariates, names, strata, weights, offset)
    beta, alpha, loglik = _maximise(rows, names)
    eta = alpha[rows.stratum] + rows.x @ beta + rows.offset
    residuals, information = _derivatives(rows, eta)
    total, mean = _stratum_means(rows, information)
    inverse = np.asarray(np.linalg.inv(_information(rows, information, total, mean)), dtype=float)
    cluster = np.arange(rows.y.size) if clusters is None else np.unique(clusters, return_inverse=True)[1]
    if cluster.shape != rows.y.shape:
        raise ArgumentError(where="discrete hazards, clusters", expected=f"{rows.y.size} labels")
    centred = rows.x - mean[rows.stratum]
    alone = rows.strata == 1  # one intercept is a column like others; it is orthogonal to centred ones
    design = np.column_stack((np.ones(rows.y.size), centred)) if alone else centred
    bread = np.asarray(block_diag(1.0 / total, inverse) if alone else inverse)
    scores, own = _by_cluster(design, residuals, information, cluster)
    covariance, freedom = _cluster_robust(scores, own, bread)
    scores, covariance, freedom = scores[:, alone:], covariance[alone:, alone:], freedom[alone:]
    return DiscreteHazardModel(
        names=tuple(names),
        coefficients=frozen_array(beta),
        covariance=frozen_array(covariance),
        model_covariance=frozen_array(inverse),
        degrees_of_freedom=frozen_array(freedom),
        intercepts=frozen_array(alpha - centre @ beta),
        linear_predictor=frozen_array(eta),
        log_likelihood=loglik,
        events=int(np.sum(rows.y * (rows.weight > 0.0))),
        clusters=int(cluster.max()) + 1,
        silent_strata=tuple(
            str(label) for label, one in zip(labels, alpha, strict=True) if not np.isfinite(one)
        ),
        _scores=frozen_array(scores),
        _stratum_residuals=csr_array(
            (residuals, (cluster, rows.stratum)), shape=(int(cluster.max()) + 1, rows.strata)
        ),
        _stratum_totals=frozen_array(total),
        _stratum_means=frozen_array(mean + centre),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Gram:
    """Sums of products of columns: within strata, and of each column with itself."""

    within: Floats
    itself: Floats

    def independent(self, columns: Sequence[int], *, given: Sequence[int] = ()) -> list[int]:
        """Those of ``columns`` that differ within strata and are not made up of others before, or given."""
        kept = list(given)
        for k in columns:
            rest = self.within[k, k]
            if kept:
                own = self.within[np.ix_(kept, kept)]
                rest = rest - self.within[k, kept] @ np.linalg.solve(own, self.within[kept, k])
            if rest > 1e-9 * max(float(self.itself[k]), 1e-300):
                kept.append(k)
        return kept[len(given) :]


def within_strata(covariates: Floats, strata: Integers) -> Gram:
    """Sums of products of columns around their means within strata (codes from 0).

    Examples
    --------
    >>> x = np.array([[1.0, 2.0, 0.0], [2.0, 4.0, 0.0], [3.0, 6.0, 0.0]])
    >>> within_strata(x, np.zeros(3, dtype=int)).independent([0, 1, 2])
    [0]
    """
    ones = np.ones(strata.size)
    number = np.bincount(strata)
    mean = _sums(strata, number.size, ones, covariates) / np.maximum(number, 1)[:, None]
    within = covariates - mean[strata]
    return Gram(within.T @ within, np.einsum("ij,ij->j", covariates, covariates))


def _rows(
    event: ArrayLike,
    covariates: ArrayLike,
    names: tuple[str, ...],
    strata: Any,
    weights: ArrayLike | None,
    offset: ArrayLike | None,
) -> tuple[_Rows, Floats, NDArray[Any]]:
    """Check the input; rows with columns around their means, these means, and the strata's labels."""
    y = np.asarray(event, dtype=float)
    x = np.atleast_2d(np.asarray(covariates, dtype=float).T).T
    weight = np.ones_like(y) if weights is None else np.asarray(weights, dtype=float)
    group = np.zeros(y.size, dtype=np.int64) if strata is None else np.asarray(strata)
    known = np.zeros_like(y) if offset is None else np.asarray(offset, dtype=float)
    where = "discrete hazards"
    alike = weight.shape == group.shape == known.shape == y.shape
    if y.ndim != 1 or x.shape != (y.size, len(names)) or not alike:
        raise ArgumentError(
            where=where,
            expected=f"an event, a weight, a stratum, an offset and {len(names)} covariates per row",
            got=f"shapes {y.shape}, {weight.shape}, {group.shape}, {known.shape}, {x.shape}",
        )
    if not (np.isfinite(np.column_stack((x, weight, known))).all() and (weight >= 0.0).all()):
        raise ArgumentError(
            where=where, expected="finite covariates and offsets, weights from 0", got="others"
        )
    if not np.isin(y, (0.0, 1.0)).all() or not (y * weight).any():
        raise ArgumentError(
            where=where,
            expected="events that are yes or no, at least one yes",
            got="none" if not y.any() else "others",
            todo="Report that nobody left.",
        )
    labels, codes = np.unique(group, return_inverse=True)
    kept = within_strata(x, codes).independent(range(len(names)))
    if len(kept) < len(names):
        lost = ", ".join(name for k, name in enumerate(names) if k not in kept)
        raise ArgumentError(
            where=f"{where}, {lost}",
            expected="covariates that differ within strata and are not made up of those before",
            got="a constant or repeated covariate",
            todo="Leave it out.",
        )
    centre = x.mean(axis=0)  # differences of large sums stay exact
    return _Rows(y, x - centre, weight, codes.astype(np.int64), labels.size, known), centre, labels


def _derivatives(rows: _Rows, eta: Floats) -> tuple[Floats, Floats]:
    """Score and expected information of each row by its linear predictor."""
    with np.errstate(over="ignore"):
        mu = np.exp(np.minimum(eta, 30.0))
        odds = np.divide(mu, np.expm1(mu), out=np.ones_like(mu), where=mu > 1e-12)
    score = rows.weight * (rows.y * odds - (1.0 - rows.y) * mu)
    return np.asarray(score), np.asarray(rows.weight * mu * odds)


def _log_likelihood(rows: _Rows, eta: Floats) -> float:
    mu = np.exp(np.minimum(eta, 30.0))
    gone = rows.y > 0.0
    with np.errstate(divide="ignore"):  # a step too far gives minus infinity, and is halved
        of_events = np.log(-np.expm1(-mu[gone]))
    return float(rows.weight[gone] @ of_events - rows.weight[~gone] @ mu[~gone])


def _sums(stratum: Integers, strata: int, weight: Floats, x: Floats) -> Floats:
    """Weighted sums of the columns of ``x`` per stratum, in one pass over the rows."""
    from scipy.sparse import csc_array

    return np.asarray(csc_array((weight, stratum, np.arange(stratum.size + 1)), (strata, stratum.size)) @ x)


def _stratum_means(rows: _Rows, information: Floats) -> tuple[Floats, Floats]:
    """Total information of each stratum, and its weighted mean of the covariates."""
    total = np.bincount(rows.stratum, information, minlength=rows.strata)
    sums = _sums(rows.stratum, rows.strata, information, rows.x)
    return np.asarray(total, dtype=float), sums / np.where(total > 0.0, total, 1.0)[:, None]


def _information(rows: _Rows, information: Floats, total: Floats, mean: Floats) -> Floats:
    """Information about the coefficients once the intercepts are eliminated."""
    return np.asarray(rows.x.T @ (information[:, None] * rows.x) - mean.T @ (total[:, None] * mean))


def _maximise(rows: _Rows, names: tuple[str, ...]) -> tuple[Floats, Floats, float]:
    """Fisher scoring with step halving, intercepts eliminated in every step."""
    here = rows.weight > 0.0
    trials = np.bincount(rows.stratum, rows.weight, minlength=rows.strata)
    gone = np.bincount(rows.stratum, rows.weight * rows.y, minlength=rows.strata)
    speaks = (gone > 0.0) & (gone < trials)
    share = np.where(speaks, gone / np.maximum(trials, 1e-300), 0.5)
    alpha = np.where(speaks, np.log(-np.log1p(-share)), np.where(gone > 0.0, np.inf, -np.inf))
    some = here & speaks[rows.stratum]
    if not some.any():
        raise ConvergenceError(
            where="discrete hazards", expected="a stratum with and without events", got="none"
        )
    inside = _Rows(
        rows.y[some], rows.x[some], rows.weight[some], rows.stratum[some], rows.strata, rows.offset[some]
    )
    columns = range(len(names))
    if not some.all() and len(within_strata(inside.x, inside.stratum).independent(columns)) < len(names):
        raise ConvergenceError(
            where="discrete hazards",
            expected="covariates that differ in strata with and without events",
            got="some that do not",
            todo="Use fewer covariates or strata.",
        )
    spread = np.sqrt(np.average((inside.x - inside.x.mean(axis=0)) ** 2, axis=0, weights=inside.weight))
    beta = np.zeros(rows.x.shape[1])
    known = np.bincount(inside.stratum, inside.weight * inside.offset, minlength=rows.strata)
    start = np.where(speaks, alpha - known / np.maximum(trials, 1e-300), 0.0)
    eta = start[inside.stratum] + inside.offset
    value = _log_likelihood(inside, eta)
    for _ in range(MOST_STEPS):
        score, information = _derivatives(inside, eta)
        total, mean = _stratum_means(inside, information)
        of_stratum = np.bincount(inside.stratum, score, minlength=rows.strata)
        matrix = _information(inside, information, total, mean)
        step = np.linalg.solve(matrix, score @ inside.x - of_stratum @ mean) if beta.size else beta
        rise = np.divide(of_stratum, total, out=np.zeros_like(total), where=total > 0.0) - mean @ step
        gain = float(score @ (inside.x @ step + rise[inside.stratum]))
        along = rise[inside.stratum] + inside.x @ step
        for halving in range(30):
            moved = eta + along / 2.0**halving
            reached = _log_likelihood(inside, moved)
            if reached >= value - 1e-12 * abs(value):
                break
        beta, start = beta + step / 2.0**halving, start + rise / 2.0**halving
        eta, value = moved, reached
        if np.any(np.abs(beta) * spread > RUNAWAY):
            break
        if gain <= 1e-12 * max(1.0, abs(value)):
            return beta, np.where(speaks, start, alpha), value
    worst = names[int(np.argmax(np.abs(beta) * spread))] if names else "the intercepts"
    raise ConvergenceError(
        where="discrete hazards",
        expected="a maximum of the likelihood",
        got=f"a coefficient of {worst} that keeps growing: it separates those who left",
        todo="Use fewer covariates, or report the numbers only.",
    )


def _by_cluster(
    x: Floats, residuals: Floats, information: Floats, cluster: Integers
) -> tuple[Floats, Floats]:
    """Score and information about the coefficients in each cluster."""
    p, number = x.shape[1], int(cluster.max()) + 1
    scores = _sums(cluster, number, residuals, x)
    own = np.empty((number, p, p))
    for j in range(p):
        products = _sums(cluster, number, information * x[:, j], x[:, : j + 1])
        own[:, j, : j + 1] = own[:, : j + 1, j] = products
    return scores, own


def _cluster_robust(scores: Floats, own: Floats, inverse: Floats) -> tuple[Floats, Floats]:
    """CR2 covariance of the coefficients, and Satterthwaite degrees of freedom of each."""
    p = inverse.shape[0]
    if not p:
        return np.zeros((0, 0)), np.zeros(0)
    root = np.linalg.cholesky(inverse)
    leverage, vectors = np.linalg.eigh(root.T @ own @ root)
    leverage = np.clip(leverage, 0.0, None)
    full = leverage > 1.0 - 1e-9  # a cluster that alone decides a direction: nothing is left to correct
    lift = np.where(full, 0.0, (1.0 / np.sqrt(np.where(full, 1.0, 1.0 - leverage)) - 1.0))
    lift = np.where(leverage > 1e-12, lift / np.maximum(leverage, 1e-12), 0.5)
    turn = root @ vectors
    adjust = np.eye(p) + own @ (turn * lift[:, None, :]) @ np.swapaxes(turn, 1, 2)
    meat = np.einsum("gij,gj->gi", adjust, scores) @ inverse
    toward = np.einsum("gji,jk->gik", adjust, inverse)  # column k: the direction of coefficient k
    pushed = np.einsum("gij,gjk->gik", own, toward)
    alone = np.einsum("gik,gik->gk", toward, pushed)
    shared = np.einsum("gik,ij,gjk->gk", pushed, inverse, pushed)
    freedom = np.empty(p)
    for k in range(p):
        cross = pushed[:, :, k].T @ pushed[:, :, k] @ inverse
        squares = np.sum(alone[:, k] ** 2 - 2.0 * alone[:, k] * shared[:, k]) + np.trace(cross @ cross)
        total = float(np.sum(alone[:, k] - shared[:, k]))
        # At most the number of clusters; 1 where nothing is left to tell it by.
        freedom[k] = total**2 / max(float(squares), total**2 / len(own)) if total > 0.0 else 1.0
    return np.asarray(meat.T @ meat), freedom
