"""A linear mixed model with its data, before it is fitted, and the one call that makes and fits it.

A fit keeps results, not data. What has to fit again (profiles, bootstrap, leaving out a client) starts
from the model instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.errors import ArgumentError
from studykit.mixed import checks
from studykit.mixed.fit import fit_model
from studykit.mixed.random_effects import RandomEffect
from studykit.mixed.residuals import EQUAL, ResidualStructure
from studykit.mixed.result import MixedFit
from studykit.results import frozen_array

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class MixedModel:
    """What `fit_linear_mixed` takes, kept together.

    Parameters
    ----------
    outcome : array_like, shape (n,)
    fixed_effects : array_like, shape (n, p)
    random_effects : RandomEffect or sequence of RandomEffect
    names : sequence of str, optional
        Names of the fixed effects.
    residual : ResidualStructure, optional
    row_labels : sequence, optional
        What the rows are called in whatever is said of single rows; their numbers from 0 by default.

    Raises
    ------
    ArgumentError, DesignError
        As `fit_linear_mixed`, or if there is not one label per row.

    Examples
    --------
    >>> client = np.repeat([1, 2, 3, 4], 2)
    >>> model = MixedModel([1, 2, 4, 4, 7, 6, 3, 1], np.ones((8, 1)), RandomEffect("client", client))
    >>> model.fit().converged
    True
    """

    outcome: Array
    fixed_effects: Array
    random_effects: tuple[RandomEffect, ...]
    names: tuple[str, ...]
    residual: ResidualStructure
    row_labels: tuple[Any, ...] | None

    def __init__(
        self,
        outcome: ArrayLike,
        fixed_effects: ArrayLike,
        random_effects: RandomEffect | Sequence[RandomEffect],
        *,
        names: Sequence[str] | None = None,
        residual: ResidualStructure | None = None,
        row_labels: Sequence[Any] | None = None,
    ) -> None:
        effects = (random_effects,) if isinstance(random_effects, RandomEffect) else tuple(random_effects)
        structure = EQUAL if residual is None else residual
        y = checks.check_numbers(outcome, "outcome", 1)
        X = checks.check_numbers(fixed_effects, "fixed effects", 2)
        labels = checks.check_names(names, X.shape[1])
        checks.check_shapes(y, X, effects, structure)
        checks.check_levels(effects, len(y))
        checks.check_rank(X, labels)
        if row_labels is not None and len(row_labels) != len(y):
            raise ArgumentError(
                where="row labels", expected=f"{len(y)}, one per row", got=str(len(row_labels))
            )
        object.__setattr__(self, "outcome", frozen_array(y))
        object.__setattr__(self, "fixed_effects", frozen_array(X))
        object.__setattr__(self, "random_effects", effects)
        object.__setattr__(self, "names", labels)
        object.__setattr__(self, "residual", structure)
        object.__setattr__(self, "row_labels", None if row_labels is None else tuple(row_labels))

    def __repr__(self) -> str:
        names = ", ".join(effect.name for effect in self.random_effects) or "none"
        return (
            f"MixedModel({len(self.outcome)} rows, {len(self.names)} fixed effects, random effects: {names})"
        )

    def fit(self, *, reml: bool = True) -> MixedFit:
        """Fit by REML, or by maximum likelihood."""
        fit = fit_model(
            self.outcome,
            self.fixed_effects,
            self.random_effects,
            names=self.names,
            residual=self.residual,
            reml=reml,
        )
        return replace(fit, _row_labels=self.row_labels)

    def rows(self, chosen: NDArray[np.bool_]) -> MixedModel:
        """The same model for the rows where ``chosen`` (n,) is true.

        Raises
        ------
        ArgumentError, DesignError
            If what is left can no longer be fitted.
        """
        effects = [
            RandomEffect(effect.name, effect.groups[chosen], effect.design[chosen], columns=effect.columns)
            for effect in self.random_effects
        ]
        old = self.residual
        residual = ResidualStructure(
            old.kind,
            None if old.groups is None else old.groups[chosen],
            None if old.visits is None else old.visits[chosen],
        )
        labels = self.row_labels
        return MixedModel(
            self.outcome[chosen],
            self.fixed_effects[chosen],
            effects,
            names=self.names,
            residual=residual,
            row_labels=None if labels is None else [labels[row] for row in np.flatnonzero(chosen)],
        )


class HasModel(Protocol):
    """What carries a model with its data, such as a model or a fit from a data frame."""

    @property
    def model(self) -> MixedModel:
        """The engine's model."""


def as_model(given: MixedModel | HasModel, where: str) -> MixedModel:
    """The model itself, or the model that something carries."""
    found = given if isinstance(given, MixedModel) else getattr(given, "model", None)
    if not isinstance(found, MixedModel):
        raise ArgumentError(
            where=where, expected="a model with its data", got=type(given).__name__,
            todo="A fit keeps no data: give the MixedModel, or what model_from_frame or fit_frame gave.",
        )  # fmt: skip
    return found


def own_method(given: MixedModel | HasModel) -> bool | None:
    """Whether what carries the model was fitted by REML; None where it was not fitted."""
    reml = getattr(getattr(given, "fit", None), "reml", None)
    return reml if isinstance(reml, bool) else None


def fit_linear_mixed(
    outcome: ArrayLike,
    fixed_effects: ArrayLike,
    random_effects: RandomEffect | Sequence[RandomEffect],
    *,
    names: Sequence[str] | None = None,
    residual: ResidualStructure | None = None,
    reml: bool = True,
) -> MixedFit:
    """Fit ``y = X beta + sum Z_k b_k + e`` by REML or maximum likelihood.

    Parameters
    ----------
    outcome : array_like, shape (n,)
        Finite numbers, any unit.
    fixed_effects : array_like, shape (n, p)
        Columns of the mean, an intercept included if there is one; of full rank.
    random_effects : RandomEffect or sequence of RandomEffect
        Any number, nested or crossed; may be empty if the residual structure carries the correlation.
    names : sequence of str, optional
        Names of the fixed effects; ``x1``, ``x2``, … by default.
    residual : ResidualStructure, optional
        Equal variances by default.
    reml : bool
        False for maximum likelihood.

    Returns
    -------
    MixedFit
        Also when the search did not converge (``converged`` is then False).

    Raises
    ------
    ArgumentError
        Wrong shapes, text, values that are not finite, names that do not fit.
    DesignError
        A factor with one level, as many random effects as rows, a fixed effect that repeats others,
        variances that the rows cannot tell apart, crossed factors of too many levels.

    Notes
    -----
    Variances at zero stay in the model, at zero, and are named in ``boundary_terms``; inference goes on.
    Time and memory grow with the kinds of blocks, not with the rows; factors of many hundred levels that
    cross are refused by name.

    Examples
    --------
    Shoe wear of ten boys, two materials (Box, Hunter & Hunter 1978); the paired t-test gives t(9) = 3.349.

    >>> a = [13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3]
    >>> b = [14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6]
    >>> material = np.repeat([0.0, 1.0], 10)
    >>> fit = fit_linear_mixed(
    ...     a + b,
    ...     np.column_stack([np.ones(20), material]),
    ...     RandomEffect("boy", np.tile(np.arange(10), 2)),
    ...     names=["mean of A", "B minus A"],
    ... )
    >>> wear = fit.contrast({"B minus A": 1})
    >>> round(wear.value, 3), round(wear.statistic, 3), round(wear.degrees_of_freedom, 6)
    (0.41, 3.349, 9.0)
    """
    model = MixedModel(outcome, fixed_effects, random_effects, names=names, residual=residual)
    return model.fit(reml=reml)
