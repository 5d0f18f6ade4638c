"""Variances in words: a statement with an interval, never a z-test.

A variance cannot be negative, so that its standard error says little near zero and a z-test of it has the
wrong distribution (Self & Liang 1987, J Am Stat Assoc 82:605). What is said instead: the standard
deviation in the unit of the outcome, its interval, and whether zero is ruled out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from studykit.errors import ArgumentError
from studykit.mixed.bootstrap import bootstrap_intervals
from studykit.mixed.model import HasModel, MixedModel, as_model
from studykit.mixed.profile import profile_interval
from studykit.mixed.quantities import (
    CovarianceQuantity,
    ResidualDeviation,
    StandardDeviation,
    VarianceShare,
)
from studykit.results import Interval, Result


@dataclass(frozen=True, slots=True)
class IntraclassCorrelation(Result):
    """Correlation of two tests that share some levels, from the variances of a mixed model.

    Parameters
    ----------
    value : float
        Between 0 and 1.
    interval : Interval
    shared : tuple of str
        Random effects that the two tests have in common.
    other : tuple of str
        Sources of variation in which they differ.
    typical_difference : float
        Repeatability coefficient: 95 % of pairs of tests that differ in nothing but the residual lie
        closer than this, ``1.96 sqrt(2) sigma``, in the unit of the outcome (Bland & Altman 1999).
    remarks : tuple of str
    """

    value: float
    interval: Interval
    shared: tuple[str, ...]
    other: tuple[str, ...]
    typical_difference: float
    remarks: tuple[str, ...]

    def __str__(self) -> str:
        return (
            f"Two tests with the same {' and '.join(self.shared)} correlate {self.value:.3f} "
            f"({100 * self.interval.confidence_level:g} % interval {self.interval.lower:.3f} to "
            f"{self.interval.upper:.3f}); they differ by {', '.join(self.other)}."
        )


def intraclass_correlation(
    model: MixedModel | HasModel,
    shared: str | tuple[str, ...],
    *,
    seed: int | None = None,
    draws: int = 1000,
    confidence_level: float = 0.95,
) -> IntraclassCorrelation:
    """Intraclass correlation (repeatability) with an interval, by REML.

    Parameters
    ----------
    model : MixedModel
        Random intercepts only, one residual variance.
    shared : str or tuple of str
        Random effects that the two tests have in common: ``"client"`` for the same client tested twice.
    seed : int, optional
        Given: parametric bootstrap; not given: profile of the restricted likelihood, for one random
        effect.
    draws : int
        Of the bootstrap.
    confidence_level : float

    Returns
    -------
    IntraclassCorrelation

    Raises
    ------
    ArgumentError
        If the model has slopes or several residual variances, since the correlation then depends on
        which tests are meant; or several effects without a seed.

    Examples
    --------
    >>> import numpy as np
    >>> from studykit.mixed import RandomEffect
    >>> client = np.repeat(np.arange(6), 3)
    >>> loads = [50, 52, 51, 60, 61, 63, 55, 54, 56, 70, 68, 71, 58, 58, 57, 62, 65, 63]
    >>> model = MixedModel(loads, np.ones((18, 1)), RandomEffect("client", client))
    >>> print(intraclass_correlation(model, "client"))
    Two tests with the same client correlate 0.965 (95 % interval 0.869 to 0.994); they differ by residual.
    """
    model = as_model(model, "intraclass correlation")
    effects = (shared,) if isinstance(shared, str) else tuple(shared)
    if seed is None and len(effects) != 1:
        raise ArgumentError(
            where="intraclass correlation",
            expected="a seed for the bootstrap, or one random effect for the profile",
            got=f"{len(effects)} random effects and no seed",
        )
    quantity = VarianceShare(effects)
    if seed is None:
        profile = profile_interval(model, quantity, confidence_level=confidence_level, reml=True)
        value, interval, remarks = profile.estimate, profile.interval, profile.remarks
    else:
        found = bootstrap_intervals(
            model, [quantity], seed=seed, draws=draws, confidence_level=confidence_level
        )
        value, interval, remarks = found.intervals[0].estimate, found.intervals[0].interval, found.remarks
    fit = model.fit()
    others = [effect.name for effect in model.random_effects if effect.name not in effects]
    return IntraclassCorrelation(
        value,
        interval,
        effects,
        (*others, "residual"),
        1.96 * math.sqrt(2.0 * fit.covariance_parameters.residual.variance),
        remarks,
    )


def describe_variances(
    model: MixedModel | HasModel, *, unit: str = "", confidence_level: float = 0.95
) -> tuple[str, ...]:
    """One sentence per standard deviation, with its interval by the restricted profile likelihood.

    Parameters
    ----------
    model : MixedModel
    unit : str
        Of the outcome, for the sentences.
    confidence_level : float

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> import numpy as np
    >>> from studykit.mixed import RandomEffect
    >>> client = np.repeat(np.arange(6), 3)
    >>> loads = [50, 52, 51, 60, 61, 63, 55, 54, 56, 70, 68, 71, 58, 58, 57, 62, 65, 63]
    >>> model = MixedModel(loads, np.ones((18, 1)), RandomEffect("client", client))
    >>> print(describe_variances(model, unit="kg")[1])
    Residual standard deviation: 1.25 kg (95 % interval 0.876 to 1.98 kg).
    """
    model = as_model(model, "variances")
    return tuple(_sentence(model, quantity, unit, confidence_level) for quantity in quantities_of(model))


def quantities_of(model: MixedModel) -> list[CovarianceQuantity]:
    """Every standard deviation of a model, the residual ones last."""
    quantities: list[CovarianceQuantity] = [
        StandardDeviation(effect.name, column if len(effect.columns) > 1 else None)
        for effect in model.random_effects
        for column in effect.columns
    ]
    structure = model.residual
    return quantities + (
        [ResidualDeviation(visit) for visit in structure.visit_labels]
        if structure.kind in ("by visit", "unstructured")
        else [ResidualDeviation()]
    )


def _sentence(model: MixedModel, quantity: CovarianceQuantity, unit: str, confidence_level: float) -> str:
    found = profile_interval(model, quantity, confidence_level=confidence_level, reml=True)
    of = f" {unit}" if unit else ""
    ends = found.interval
    text = f"{quantity}: {found.estimate:.3g}{of} ({100 * confidence_level:g} % interval {ends.lower:.3g} to "
    text = f"{text[0].upper()}{text[1:]}{ends.upper:.3g}{of})."
    return " ".join([text, *found.remarks])
