"""What hangs on one client or one trainer, and whether residuals and predictions look normal.

Leaving out is exact: the model is fitted again, covariance parameters included, without the rows of one
level. No one-step approximation is used.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from studykit.errors import ArgumentError, ConvergenceError, StudykitError
from studykit.mixed.fit import fit_many_linear_mixed
from studykit.mixed.model import HasModel, MixedModel, as_model
from studykit.mixed.random_effects import check_labels, level_codes
from studykit.mixed.result import HasFit, MixedFit, as_fit
from studykit.results import Estimate, Result, RowCount, frozen_array

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Influence(Result):
    """The fit without each level in turn.

    Parameters
    ----------
    levels : tuple
        Labels, in sorted order.
    rows : ndarray of int, shape (levels,)
        Rows left out with each.
    names : tuple of str
        Fixed effects.
    values : ndarray, shape (levels, p)
        Fixed effects without the level; ``nan`` where nothing could be fitted.
    change : ndarray, shape (levels, p)
        Without the level minus with it, in standard errors of the fit with all rows.
    contrast : Estimate or None
        The contrast asked for, with all rows.
    contrast_values, contrast_change, contrast_p_values : ndarray, shape (levels,), or None
        The same for the contrast.
    refits : RowCount
        Refits made, used and failed.
    failed : tuple of (label, str)
        Levels without which nothing could be fitted, each with the reason.
    method : str
    """

    levels: tuple[Any, ...]
    rows: NDArray[np.intp]
    names: tuple[str, ...]
    values: Array
    change: Array
    contrast: Estimate | None
    contrast_values: Array | None
    contrast_change: Array | None
    contrast_p_values: Array | None
    refits: RowCount
    failed: tuple[tuple[Any, str], ...]
    method: str = "exact refit without the rows of one level, Kenward-Roger"

    def largest(self, name: str | None = None) -> tuple[Any, float]:
        """The level with the largest change, of one fixed effect or (by default) of the contrast.

        Raises
        ------
        ArgumentError
            If the name is unknown, or there is no contrast to look at.
        """
        if name is None and self.contrast_change is not None:
            changes = self.contrast_change
        elif name in self.names:
            changes = self.change[:, self.names.index(name)]
        else:
            raise ArgumentError(
                where="influence",
                expected=f"one of {', '.join(map(repr, self.names))}, or a contrast given before",
                got=repr(name),
            )
        if not np.isfinite(changes).any():
            raise ArgumentError(where="influence", expected="a refit that succeeded", got="none")
        place = int(np.nanargmax(np.abs(changes)))
        return self.levels[place], float(changes[place])


def influence_of(
    model: MixedModel | HasModel,
    groups: str | ArrayLike,
    *,
    contrast: Mapping[str, float] | Sequence[float] | None = None,
) -> Influence:
    """Leave out each client, or each trainer, and fit again.

    Parameters
    ----------
    model : MixedModel
    groups : str or array_like, shape (n,)
        Name of a random effect, or a label for every row.
    contrast : mapping from name to weight, or sequence of p weights, optional
        Followed too, with its Kenward-Roger p-value.

    Returns
    -------
    Influence

    Raises
    ------
    ArgumentError
        If the groups do not fit the rows.
    ConvergenceError
        If the fit with all rows does not converge.

    Examples
    --------
    >>> from studykit.mixed import RandomEffect
    >>> client = np.repeat(np.arange(6), 3)
    >>> loads = [50, 52, 51, 60, 61, 63, 55, 54, 56, 99, 98, 97, 58, 58, 57, 62, 65, 63]
    >>> X = np.ones((18, 1))
    >>> model = MixedModel(loads, X, RandomEffect("client", client), names=["mean"])
    >>> influence_of(model, "client").largest("mean")[0]
    3
    """
    model = as_model(model, "influence")
    levels, codes = _levels(model, groups)
    fit = model.fit()
    if not fit.converged:
        raise ConvergenceError(
            where="influence", expected="a converged fit with all rows", got=fit.optimiser_report.message
        )
    p = len(fit.names)
    estimate, weights = None, np.eye(p)
    if contrast is not None:
        estimate = fit.contrast(contrast)
        weights = np.vstack([weights, _row(fit.names, contrast)])
    observed = codes[None, :] != np.arange(len(levels))[:, None]
    many = fit_many_linear_mixed(
        model.outcome,
        model.fixed_effects,
        model.random_effects,
        contrasts=weights,
        observed=observed,
        names=model.names,
        residual=model.residual,
    )
    bad = np.flatnonzero(~many.converged)
    failed = tuple((levels[level], _reason(model, observed[level])) for level in bad.tolist())
    value = np.where(many.converged[:, None], many.value, np.nan)
    errors = np.array([coefficient.standard_error for coefficient in fit.coefficients])
    return Influence(
        levels=levels,
        rows=frozen_array(np.bincount(codes, minlength=len(levels))),
        names=fit.names,
        values=frozen_array(value[:, :p]),
        change=frozen_array((value[:, :p] - fit.values) / errors),
        contrast=estimate,
        contrast_values=None if estimate is None else frozen_array(value[:, p]),
        contrast_change=None
        if estimate is None
        else frozen_array((value[:, p] - estimate.value) / estimate.standard_error),
        contrast_p_values=None if estimate is None else frozen_array(many.p_value[:, p]),
        refits=RowCount(len(levels), len(levels) - len(bad), (("could not be fitted", len(bad)),), "refits"),
        failed=failed,
    )


@dataclass(frozen=True, slots=True, eq=False)
class NormalQuantiles(Result):
    """Sorted values beside what a normal distribution would give.

    Parameters
    ----------
    what : str
    labels : tuple
        The fit's row labels or levels, in the order of ``observed``.
    observed : ndarray, shape (k,)
        In standard deviations, increasing.
    expected : ndarray, shape (k,)
        Normal quantiles at ``(i - 3/8) / (k + 1/4)`` (Blom 1958).
    """

    what: str
    labels: tuple[Any, ...]
    observed: Array
    expected: Array

    @property
    def straightness(self) -> float:
        """Correlation of observed and expected; 1 for a straight line, ``nan`` where nothing varies."""
        if not len(self.observed) or float(np.ptp(self.observed)) == 0.0:
            return float("nan")
        return float(np.corrcoef(self.observed, self.expected)[0, 1])


def residual_quantiles(fit: MixedFit | HasFit) -> NormalQuantiles:
    """Conditional residuals, divided by their own standard deviation, against the normal."""
    fit = as_fit(fit, "residual quantiles")
    residuals = fit.residuals(conditional=True)
    spread = float(np.sqrt(np.mean(residuals**2)))
    scaled = residuals / spread if spread > 0.0 else residuals
    return _sorted("residuals", fit.row_labels, scaled)


def random_effect_quantiles(
    fit: MixedFit | HasFit, name: str, *, column: str | None = None
) -> NormalQuantiles:
    """Predictions of a random effect, each divided by its own standard deviation, against the normal.

    The standard deviation of a prediction is ``sqrt(G - covariance of prediction minus truth)``: levels
    with few rows are drawn to zero more strongly and are put on a par here.

    Raises
    ------
    ArgumentError
        If there is no such effect or column, or its variance is zero.
    """
    fit = as_fit(fit, "random effect quantiles")
    predictions = fit.random_effect_predictions(name)
    columns = predictions.columns
    if (column is None and len(columns) > 1) or (column is not None and column not in columns):
        raise ArgumentError(
            where="column", expected=f"one of {', '.join(map(repr, columns))}", got=repr(column)
        )
    place = 0 if column is None else columns.index(column)
    variance = float(fit.covariance_parameters[name][place, place])
    own = variance - predictions.covariance[:, place, place]
    if not (own > 0.0).all():
        raise ArgumentError(
            where=f"quantiles of {name!r}",
            expected="levels whose predictions vary",
            got="a variance estimated at zero",
            todo="There is nothing to look at: every prediction is zero.",
        )
    what = f"predictions of {name}" if column is None else f"predictions of {name} ({column})"
    return _sorted(what, predictions.levels, predictions.values[:, place] / np.sqrt(own))


def _sorted(what: str, labels: tuple[Any, ...], values: Array) -> NormalQuantiles:
    order = np.argsort(values, kind="stable")
    k = len(values)
    expected = ndtri((np.arange(1, k + 1) - 0.375) / (k + 0.25))
    return NormalQuantiles(
        what, tuple(labels[place] for place in order), frozen_array(values[order]), frozen_array(expected)
    )


def _levels(model: MixedModel, groups: str | ArrayLike) -> tuple[tuple[Any, ...], NDArray[np.intp]]:
    if isinstance(groups, str):
        named = {effect.name: effect.groups for effect in model.random_effects}
        if groups not in named:
            raise ArgumentError(
                where="groups",
                expected=f"a random effect ({', '.join(map(repr, named)) or 'none'}) or one label per row",
                got=repr(groups),
            )
        labels: NDArray[Any] = named[groups]
    else:
        labels = np.asarray(groups)
    if labels.shape != (len(model.outcome),):
        raise ArgumentError(
            where="groups", expected=f"{len(model.outcome)} labels, one per row", got=f"shape {labels.shape}"
        )
    check_labels(labels, "groups")
    levels, codes = level_codes(labels)
    return tuple(levels.tolist()), codes


def _row(names: tuple[str, ...], weights: Mapping[str, float] | Sequence[float]) -> Array:
    if isinstance(weights, Mapping):
        return np.array([float(weights.get(name, 0.0)) for name in names])
    return np.asarray(weights, dtype=float)


def _reason(model: MixedModel, kept: NDArray[np.bool_]) -> str:
    """Why the rows that are left cannot be fitted."""
    try:
        return model.rows(kept).fit().optimiser_report.message
    except StudykitError as error:
        return str(error)
