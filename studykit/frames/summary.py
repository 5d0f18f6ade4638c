"""The model table: everything of a fit that is read before its numbers are used."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from studykit.errors import StudykitError
from studykit.frames.means import estimate_cells, estimate_heading
from studykit.frames.shown import Line, Shown, significant
from studykit.frames.tables import Row, estimate_of, numbers_of
from studykit.mixed import MixedFit, MixedModel, ProfileInterval, profile_interval
from studykit.mixed.quantities import Correlation, CovarianceQuantity, value_of
from studykit.mixed.variances import quantities_of
from studykit.report.numbers import level as level_text
from studykit.results import Estimate, Interval, RowCount, check_confidence_level

FEW_LEVELS = 6  # of a grouping (Gelman & Hill 2007, Data Analysis Using Regression, section 12.9: five)


@dataclass(frozen=True, slots=True, repr=False)
class ModelSummary(Shown):
    """A fitted linear mixed model, for reading.

    Parameters
    ----------
    coefficients : tuple of (str, Estimate)
        Fixed effects with the degrees of freedom that the fit allows; empty where it did not converge.
    variances : tuple of ProfileInterval
        Standard deviations and correlations; ends are not numbers where no interval was asked for or found.
    groups : tuple of (str, int)
        Levels of every grouping.
    rows : RowCount
    reml : bool
    log_likelihood : float
    akaike : float
        ``-2 log L + 2 k`` of a fit by maximum likelihood; not a number after REML, where it would compare
        models only with the same fixed effects.
    marginal_r_squared, conditional_r_squared : float
        Share of the variance that the fixed effects, and these with the groups, account for (Nakagawa &
        Schielzeth 2013, Methods Ecol Evol 4:133; random slopes by Johnson 2014, same journal 5:944).
    sentences : tuple of str
        Convergence, variances at zero, what has to be said of the rows.
    confidence_level : float
    """

    coefficients: tuple[tuple[str, Estimate], ...]
    variances: tuple[ProfileInterval, ...]
    groups: tuple[tuple[str, int], ...]
    rows: RowCount
    reml: bool
    log_likelihood: float
    akaike: float
    marginal_r_squared: float
    conditional_r_squared: float
    sentences: tuple[str, ...]
    confidence_level: float

    def frame_rows(self, confidence_level: float) -> list[Row]:
        """Fixed effects, then standard deviations and correlations at the summary's own level."""
        rows: list[Row] = [
            {"part": "fixed effect", "name": name} | numbers_of(estimate, confidence_level)
            for name, estimate in self.coefficients
        ]
        for found in self.variances:
            ends = found.interval
            rows.append(
                {
                    "part": "variation", "name": str(found.quantity), "value": found.estimate,
                    "lower": ends.lower, "upper": ends.upper, "confidence_level": ends.confidence_level,
                    "interval_method": ends.method,
                }
            )  # fmt: skip
        names = ("log_likelihood", "akaike", "marginal_r_squared", "conditional_r_squared")
        return rows + [{"part": "whole model", "name": name, "value": getattr(self, name)} for name in names]

    @property
    def _parts(self) -> Sequence[tuple[str, Line, Sequence[Line]]]:
        fixed = [
            (name, *estimate_cells(estimate, self.confidence_level)) for name, estimate in self.coefficients
        ]
        spread = [
            (
                str(found.quantity).replace(" between levels of ", ", "),  # a line of the screen
                significant(found.estimate),
                f"{significant(found.interval.lower)} to {significant(found.interval.upper)}"
                if not math.isnan(found.interval.upper)
                else "–",
            )
            for found in self.variances
        ]
        interval = f"{level_text(self.confidence_level)} interval"
        return (
            ("Fixed effects", ("", *estimate_heading(self.confidence_level)), fixed),
            ("Variation", ("", "estimate", interval), spread),
        )

    @property
    def _notes(self) -> Sequence[str]:
        groups = ", ".join(f"{levels} levels of {name}" for name, levels in self.groups)
        kind = "Restricted log-likelihood" if self.reml else "Log-likelihood"
        akaike = "" if math.isnan(self.akaike) else f", AIC {self.akaike:.2f}"
        shares = (
            ""
            if math.isnan(self.marginal_r_squared)
            else f" R² {self.marginal_r_squared:.3f} by the fixed effects, {self.conditional_r_squared:.3f} "
            "with the groups."
        )
        method = dict.fromkeys(estimate.method for _, estimate in self.coefficients)
        methods = dict.fromkeys(found.interval.method for found in self.variances)
        return (
            f"{self.rows}; {groups}.",
            f"{kind} {self.log_likelihood:.3f}{akaike}.{shares}",
            *(f"Standard errors and degrees of freedom: {name}." for name in method),
            *(f"Intervals of variation: {name}." for name in methods if name),
            *self.sentences,
        )


def summarise(
    fit: MixedFit,
    model: MixedModel,
    rows: RowCount,
    remarks: Sequence[str],
    *,
    confidence_level: float,
    intervals: bool,
) -> ModelSummary:
    """The table of `FrameFit.summary`."""
    check_confidence_level(confidence_level)
    marginal, conditional = explained(fit, model)
    effects = fit.covariance_parameters.random_effects
    return ModelSummary(
        tuple((name, estimate_of(fit, {name: 1.0})) for name in fit.names) if fit.converged else (),
        tuple(
            _spread(fit, model, quantity, confidence_level, asked=intervals)
            for quantity in _quantities(model)
        ),
        tuple((effect.name, effect.levels) for effect in effects),
        rows,
        fit.reml,
        fit.log_likelihood,
        math.nan if fit.reml else -2.0 * fit.log_likelihood + 2.0 * fit.parameters,
        marginal,
        conditional,
        (_state(fit), *fit.boundary_terms, *_beyond(fit), *remarks),
        confidence_level,
    )


def _state(fit: MixedFit) -> str:
    if fit.converged:
        return "The search converged."
    return f"The search did not converge ({fit.optimiser_report.message}): no inference is given."


def _beyond(fit: MixedFit) -> tuple[str, ...]:
    """Where the spread of groups is hardly known, what would be done by who knows something beforehand."""
    few = [
        effect.name
        for effect in fit.covariance_parameters.random_effects
        if effect.levels < FEW_LEVELS or any(effect.name in term for term in fit.boundary_terms)
    ]
    if not few:
        return ()
    hardly = f"The spread of {', '.join(few)} is hardly known"
    return (f"{hardly}: with knowledge from elsewhere, this is where a Bayesian analysis would be done.",)


def _quantities(model: MixedModel) -> list[CovarianceQuantity]:
    """Standard deviations, then the correlations within each random effect."""
    pairs: list[CovarianceQuantity] = [
        Correlation(effect.name, effect.columns[one], effect.columns[two])
        for effect in model.random_effects
        for two in range(len(effect.columns))
        for one in range(two)
    ]
    return [*quantities_of(model), *pairs]


def _spread(
    fit: MixedFit, model: MixedModel, quantity: CovarianceQuantity, confidence_level: float, *, asked: bool
) -> ProfileInterval:
    if asked and fit.converged:
        try:
            return profile_interval(model, quantity, confidence_level=confidence_level, reml=fit.reml)
        except StudykitError:  # a profile that cannot be followed leaves the estimate without an interval
            pass
    nothing = Interval(math.nan, math.nan, confidence_level, "")
    return ProfileInterval(quantity, value_of(quantity, fit.covariance_parameters), nothing, ())


def explained(fit: MixedFit, model: MixedModel) -> tuple[float, float]:
    """Marginal and conditional R-squared; not numbers where residual variances differ.

    Variance of the fixed part over the rows (divisor n - 1), mean over the rows of the groups' variance,
    and residual variance.
    """
    residual = fit.covariance_parameters.residual
    if not fit.converged or residual.matrix.shape != (1, 1):
        return math.nan, math.nan
    fixed = float(np.var(fit.fitted_values(conditional=False), ddof=1))
    groups = sum(
        float(np.einsum("ni,ij,nj->n", effect.design, found.matrix, effect.design).mean())
        for effect, found in zip(model.random_effects, fit.covariance_parameters.random_effects, strict=True)
    )
    total = fixed + groups + residual.variance
    return fixed / total, (fixed + groups) / total
