"""What a fit gives: frozen values, with inference as methods; and the test of one fit against another.

The restricted likelihood compares covariances only: its value belongs to one set of fixed effects in one
coding. Fits that differ in their fixed effects are therefore compared by maximum likelihood, and a pair
that cannot be compared is refused rather than refitted unseen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, fdtrc

from studykit.errors import ArgumentError, ConvergenceError
from studykit.mixed.inference import (
    joint_satterthwaite,
    kenward_roger_degrees,
    satterthwaite_degrees,
)
from studykit.results import Estimate, Result

Array = NDArray[np.float64]
DegreesOfFreedom = Literal["kenward-roger", "satterthwaite", "residual"]
METHODS = {"kenward-roger": "Kenward-Roger", "satterthwaite": "Satterthwaite", "residual": "residual"}


@dataclass(frozen=True, slots=True)
class Coefficient(Result):
    """One fixed effect.

    Parameters
    ----------
    name : str
    value, standard_error : float
        In the unit of the outcome, per unit of the column.
    standard_error_method : str
        Which standard error it is. A contrast by Kenward and Roger has a larger one.
    """

    name: str
    value: float
    standard_error: float
    standard_error_method: str = "sqrt(diag((X'V^-1 X)^-1)), not adjusted for small samples"


@dataclass(frozen=True, slots=True, eq=False)
class RandomEffectCovariance(Result):
    """Covariance of one random effect's coefficients between levels.

    Parameters
    ----------
    name : str
    columns : tuple of str
    matrix : ndarray, shape (q, q)
        In the squared unit of the outcome (per unit of the columns).
    levels : int
    """

    name: str
    columns: tuple[str, ...]
    matrix: Array
    levels: int

    @property
    def standard_deviations(self) -> Array:
        """Square roots of the diagonal, in the unit of the outcome."""
        return np.asarray(np.sqrt(np.diag(self.matrix)))

    @property
    def correlations(self) -> Array:
        """Correlations; ``nan`` where a variance is zero."""
        return _correlations(self.matrix)


@dataclass(frozen=True, slots=True, eq=False)
class ResidualCovariance(Result):
    """Residual variance or covariance over visits.

    Parameters
    ----------
    kind : {"equal", "by visit", "autoregressive", "unstructured"}
    visits : tuple
        Distinct visits; empty for equal variances and for the autoregressive kind.
    matrix : ndarray, shape (v, v)
        Covariance over ``visits``; one number (1, 1) where it does not depend on the visit.
    autocorrelation : float or None
        Correlation of two visits at ``distance`` from each other, for the autoregressive kind.
    distance : float
        Smallest distance of two visits of one group, in the unit of the visits.
    """

    kind: str
    visits: tuple[Any, ...]
    matrix: Array
    autocorrelation: float | None = None
    distance: float = 1.0

    @property
    def variance(self) -> float:
        """The variance where there is only one."""
        if self.matrix.shape != (1, 1):
            raise ArgumentError(
                where="residual variance", expected="one variance", got=f"one per visit ({len(self.matrix)})"
            )
        return float(self.matrix[0, 0])


@dataclass(frozen=True, slots=True, eq=False)
class CovarianceParameters(Result):
    """All covariance parameters of a fit."""

    random_effects: tuple[RandomEffectCovariance, ...]
    residual: ResidualCovariance

    def __getitem__(self, name: str) -> Array:
        """Covariance matrix (q, q) of the random effect called ``name``."""
        for effect in self.random_effects:
            if effect.name == name:
                return effect.matrix
        raise unknown("random effect", name, [effect.name for effect in self.random_effects])


@dataclass(frozen=True, slots=True)
class OptimiserReport(Result):
    """How the search went.

    Parameters
    ----------
    steps : int
        Newton steps.
    decrement : float
        Fall of ``-2 log L`` that another step still promised.
    message : str
        One sentence.
    """

    steps: int
    decrement: float
    message: str


@dataclass(frozen=True, slots=True, eq=False)
class RandomEffectPredictions(Result):
    """Predicted coefficients of the levels of one random effect (BLUPs).

    Parameters
    ----------
    name : str
    levels : tuple
        Labels, in sorted order.
    columns : tuple of str
    values : ndarray, shape (levels, q)
    covariance : ndarray, shape (levels, q, q)
        Of prediction minus truth, the fixed effects' uncertainty included; the covariance
        parameters are taken as known.
    """

    name: str
    levels: tuple[Any, ...]
    columns: tuple[str, ...]
    values: Array
    covariance: Array

    @property
    def standard_errors(self) -> Array:
        """Standard errors of prediction, shape (levels, q)."""
        return np.asarray(np.sqrt(np.maximum(np.diagonal(self.covariance, axis1=1, axis2=2), 0.0)))


@dataclass(frozen=True, slots=True)
class JointTest(Result):
    """A test of several contrasts at once.

    Parameters
    ----------
    statistic : float
        F.
    numerator_degrees_of_freedom, denominator_degrees_of_freedom : float
    p_value : float
    method : str
    """

    statistic: float
    numerator_degrees_of_freedom: float
    denominator_degrees_of_freedom: float
    p_value: float
    method: str


@dataclass(frozen=True, slots=True, eq=False)
class Precision:
    """What the inference of the fixed effects rests on; symbols as in `studykit.mixed.inference`."""

    covariance: Array  # Phi (p, p)
    adjusted: Array  # Phi_A (p, p)
    slopes: Array  # S_i (k, p, p)
    expected: Array  # W (k, k)
    observed: Array  # K (k, k)


class Fit(Result):
    """What linear and binary fits have in common."""

    __slots__ = ()
    coefficients: tuple[Coefficient, ...]
    converged: bool
    boundary_terms: tuple[str, ...]
    optimiser_report: OptimiserReport
    predictions: tuple[RandomEffectPredictions, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the fixed effects."""
        return tuple(coefficient.name for coefficient in self.coefficients)

    @property
    def values(self) -> Array:
        """Estimates of the fixed effects, shape (p,)."""
        return np.array([coefficient.value for coefficient in self.coefficients])

    @property
    def at_boundary(self) -> bool:
        """Whether a variance is at zero or a covariance matrix singular; ordinary in small studies."""
        return bool(self.boundary_terms)

    def random_effect_predictions(self, name: str) -> RandomEffectPredictions:
        """Predictions of the random effect called ``name``."""
        for prediction in self.predictions:
            if prediction.name == name:
                return prediction
        raise unknown("random effect", name, [prediction.name for prediction in self.predictions])

    def _check_converged(self, where: str) -> None:
        if not self.converged:
            raise ConvergenceError(
                where=where,
                expected="a converged fit before inference",
                got=self.optimiser_report.message,
                todo="Simplify the random effects, or use another analysis named before the data.",
            )

    def _check_known(self, mapping: Mapping[str, float]) -> None:
        for name in mapping:
            if name not in self.names:
                raise unknown("fixed effect", str(name), list(self.names))

    def _weights(self, weights: ArrayLike | Mapping[str, float], *, any_at_all: bool = False) -> Array:
        """A contrast (p,), from numbers or a mapping from name to weight."""
        p = len(self.coefficients)
        if isinstance(weights, Mapping):
            self._check_known(weights)
            row = np.array([float(weights.get(name, 0.0)) for name in self.names])
        else:
            row = np.asarray(weights, dtype=float)
        if row.shape != (p,) or not np.isfinite(row).all():
            raise ArgumentError(
                where="weights",
                expected=f"{p} finite numbers, one per fixed effect, or a mapping from name to weight",
                got=f"shape {row.shape}",
            )
        if any_at_all and not row.any():
            raise ArgumentError(where="weights", expected="at least one that is not zero", got="zeros")
        return row


@dataclass(frozen=True, slots=True, eq=False)
class MixedFit(Fit):
    """A fitted linear mixed model.

    Parameters
    ----------
    coefficients : tuple of Coefficient
    covariance_parameters : CovarianceParameters
    log_likelihood : float
        REML: ``-(log|V| + log|X'V^-1 X| + y'Py + (n - p) log 2 pi) / 2``, without ``log|X'X|``; it
        depends on the coding of the fixed effects. ML: the ordinary one.
    reml : bool
    converged : bool
        False: the search did not reach an optimum; inference is refused.
    boundary_terms : tuple of str
        One sentence per variance at zero or matrix that is singular.
    optimiser_report : OptimiserReport
    rows : int
    predictions : tuple of RandomEffectPredictions
    precision : Precision
    fingerprint : tuple of str
        Hashes of the outcome and of the fixed effects, by which fits know that they may be compared.
    """

    coefficients: tuple[Coefficient, ...]
    covariance_parameters: CovarianceParameters
    log_likelihood: float
    reml: bool
    converged: bool
    boundary_terms: tuple[str, ...]
    optimiser_report: OptimiserReport
    rows: int
    predictions: tuple[RandomEffectPredictions, ...]
    precision: Precision
    fingerprint: tuple[str, str]
    _fitted: tuple[Array, Array]
    _residuals: tuple[Array, Array]
    _row_labels: tuple[Any, ...] | None = None

    def __repr__(self) -> str:
        state = "" if self.converged else ", not converged"
        return (
            f"MixedFit({self.rows} rows, {len(self.coefficients)} fixed effects, "
            f"{'REML' if self.reml else 'ML'} log-likelihood {self.log_likelihood:.4f}{state})"
        )

    @property
    def row_labels(self) -> tuple[Any, ...]:
        """What the rows are called: as given to the model (a frame's index), else their numbers from 0."""
        return tuple(range(self.rows)) if self._row_labels is None else self._row_labels

    @property
    def parameters(self) -> int:
        """Number of parameters: fixed effects and covariance elements."""
        return len(self.coefficients) + len(self.precision.observed)

    def contrast(
        self,
        weights: ArrayLike | Mapping[str, float],
        *,
        degrees_of_freedom: DegreesOfFreedom = "kenward-roger",
        null: float = 0.0,
    ) -> Estimate:
        """A weighted sum of fixed effects with its uncertainty.

        Parameters
        ----------
        weights : array_like of shape (p,), or mapping from name to weight
            Names that are left out have weight zero.
        degrees_of_freedom : {"kenward-roger", "satterthwaite", "residual"}
            Kenward-Roger adjusts the standard error too and needs a REML fit; ``"residual"`` is rows
            minus fixed effects. Where Kenward-Roger is not computed (very many rows), Satterthwaite takes
            its place, and the method of the result says so.
        null : float
            What the p-value is computed against.

        Returns
        -------
        Estimate

        Raises
        ------
        ConvergenceError
            If the fit did not converge.
        ArgumentError
            If a name is unknown, the length is wrong, or Kenward-Roger is asked of an ML fit.
        """
        self._check_inference(degrees_of_freedom)
        m = self._weights(weights, any_at_all=True)
        part, covariance = self.precision, self.precision.covariance
        if degrees_of_freedom == "residual":
            degrees = float(self.rows - len(m))
        elif degrees_of_freedom == "satterthwaite":
            degrees = float(satterthwaite_degrees(m[None], covariance, part.slopes, part.observed)[0])
        else:
            degrees, _ = kenward_roger_degrees(m[None], covariance, part.slopes, part.expected)
            covariance = part.adjusted
        error = float(np.sqrt(m @ covariance @ m))
        return Estimate(float(m @ self.values), error, degrees, METHODS[degrees_of_freedom], null)

    def joint_test(
        self,
        weights: ArrayLike | Sequence[Mapping[str, float]],
        *,
        degrees_of_freedom: DegreesOfFreedom = "kenward-roger",
    ) -> JointTest:
        """F test that several contrasts are all zero.

        Parameters
        ----------
        weights : array_like of shape (l, p), or sequence of mappings
            One row per contrast; rows that repeat others are refused.
        degrees_of_freedom : {"kenward-roger", "satterthwaite", "residual"}

        Returns
        -------
        JointTest

        Raises
        ------
        ConvergenceError
            If the fit did not converge.
        ArgumentError
            As `contrast`, or if the rows are linearly dependent.
        """
        self._check_inference(degrees_of_freedom)
        listed: Any = weights
        M = np.array([self._weights(row) for row in listed])
        if M.ndim != 2 or np.linalg.matrix_rank(M) < len(M):
            raise ArgumentError(
                where="weights", expected="rows of which none repeats the others", got=f"{len(M)} rows"
            )
        part, rows, beta = self.precision, len(M), self.values
        if degrees_of_freedom == "residual":
            F, degrees = _wald(M, beta, part.covariance) / rows, float(self.rows - len(beta))
        elif degrees_of_freedom == "satterthwaite":
            F, degrees = joint_satterthwaite(M, beta, part.covariance, part.slopes, part.observed)
        else:
            degrees, factor = kenward_roger_degrees(M, part.covariance, part.slopes, part.expected)
            F = factor * _wald(M, beta, part.adjusted) / rows
        p_value = float(fdtrc(rows, min(degrees, 1e12), max(F, 0.0))) if degrees > 0.0 else float("nan")
        return JointTest(F, float(rows), degrees, p_value, METHODS[degrees_of_freedom])

    def fitted_values(self, *, conditional: bool) -> Array:
        """Fitted values (n,): of these clients and trainers (conditional), or of the average one."""
        return self._fitted[int(conditional)].copy()

    def residuals(self, *, conditional: bool) -> Array:
        """Outcome minus `fitted_values` of the same kind, shape (n,)."""
        return self._residuals[int(conditional)].copy()

    def _check_inference(self, degrees_of_freedom: str) -> None:
        if degrees_of_freedom not in get_args(DegreesOfFreedom):
            raise ArgumentError(
                where="degrees_of_freedom",
                expected=f"one of {', '.join(map(repr, METHODS))}",
                got=repr(degrees_of_freedom),
            )
        self._check_converged("mixed model")
        if degrees_of_freedom == "kenward-roger" and not self.reml:
            raise ArgumentError(
                where="degrees_of_freedom",
                expected="a REML fit for Kenward-Roger",
                got="a fit by maximum likelihood",
                todo='Fit with reml=True, or ask for "satterthwaite".',
            )


class HasFit(Protocol):
    """What carries a linear mixed fit, such as one from a data frame."""

    @property
    def fit(self) -> MixedFit:
        """The engine's fit."""


def as_fit(given: MixedFit | HasFit, where: str) -> MixedFit:
    """The fit itself, or the fit that something carries."""
    found = given if isinstance(given, MixedFit) else getattr(given, "fit", None)
    if not isinstance(found, MixedFit):
        todo = "Fit the model first, with its method fit()." if callable(found) else ""
        raise ArgumentError(where=where, expected="a linear mixed fit", got=type(given).__name__, todo=todo)
    return found


def _wald(M: Array, beta: Array, covariance: Array) -> float:
    values = M @ beta
    return float(values @ np.linalg.solve(M @ covariance @ M.T, values))


def _correlations(matrix: Array) -> Array:
    deviations = np.sqrt(np.diag(matrix))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(matrix / np.outer(deviations, deviations))


def unknown(what: str, name: str, known: list[str]) -> ArgumentError:
    """A name that is not there, with those that are."""
    return ArgumentError(where=what, expected=f"one of {', '.join(map(repr, known))}", got=repr(name))


BOUNDARY = (
    "If the smaller fit puts a variance to zero, this p-value is too large, since a variance cannot be "
    "negative; for one variance, boundary_p_value gives the mixture of Self and Liang."
)
ROUNDING = 1e-6  # by which a larger model may fall short of a smaller one


@dataclass(frozen=True, slots=True)
class LikelihoodRatio(Result):
    """Twice the difference of two log-likelihoods.

    Parameters
    ----------
    statistic : float
    degrees_of_freedom : int
        Difference of the numbers of parameters.
    p_value : float
        By the chi-squared distribution; too large where the smaller fit puts a variance to zero,
        which lies at the boundary: see `boundary_p_value`.
    method : str
    remark : str
        Where the fits differ in their covariances, what the boundary does to the p-value; else empty.
    """

    statistic: float
    degrees_of_freedom: int
    p_value: float
    method: str
    remark: str = ""

    @property
    def boundary_p_value(self) -> float:
        """The p-value if the larger fit adds one variance, with its covariances to columns already there.

        Half chi-squared with ``d`` and half with ``d - 1`` degrees of freedom (Self & Liang 1987, J Am
        Stat Assoc 82:605; Stram & Lee 1994, Biometrics 50:1171). An approximation for many clients; it
        is offered, never applied unasked, and not meant for fixed effects.
        """
        fewer = self.degrees_of_freedom - 1
        lower = float(chdtrc(fewer, self.statistic)) if fewer else float(self.statistic == 0.0)
        return 0.5 * (self.p_value + lower)


def likelihood_ratio(smaller: MixedFit | HasFit, larger: MixedFit | HasFit) -> LikelihoodRatio:
    """Test a fit against a larger one that contains it.

    Parameters
    ----------
    smaller, larger : MixedFit, or what carries one
        Of the same outcome; both by maximum likelihood, or both by REML with the same fixed effects.
        That one model contains the other is the caller's to know.

    Returns
    -------
    LikelihoodRatio

    Raises
    ------
    ConvergenceError
        If one of the fits did not converge.
    ArgumentError
        Different outcomes, REML beside maximum likelihood, REML with different fixed effects, no more
        parameters in the larger fit, or a larger fit that is worse (then it is not nested).
    """
    smaller, larger = as_fit(smaller, "likelihood ratio"), as_fit(larger, "likelihood ratio")
    for fit in (smaller, larger):
        if not fit.converged:
            raise ConvergenceError(
                where="likelihood ratio", expected="converged fits", got=fit.optimiser_report.message
            )
    if smaller.reml != larger.reml:
        raise _refused("two fits of one kind", "REML beside maximum likelihood", "Fit both with reml=False.")
    if smaller.fingerprint[0] != larger.fingerprint[0]:
        raise _refused("the same outcome in both fits", "different outcomes", "")
    if smaller.reml and smaller.fingerprint[1] != larger.fingerprint[1]:
        raise _refused(
            "the same fixed effects in REML fits", "different fixed effects", "Fit both with reml=False."
        )
    degrees = larger.parameters - smaller.parameters
    if degrees <= 0:
        raise _refused(
            "more parameters in the larger fit", f"{larger.parameters} and {smaller.parameters}", "Swap them?"
        )
    statistic = 2.0 * (larger.log_likelihood - smaller.log_likelihood)
    if statistic < -ROUNDING:
        raise _refused("a larger fit that contains the smaller", f"one that is worse by {-statistic:.4g}", "")
    statistic = max(statistic, 0.0)
    kind = "restricted" if smaller.reml else "maximum"
    more_covariances = len(larger.precision.observed) > len(smaller.precision.observed)
    return LikelihoodRatio(
        statistic,
        degrees,
        float(chdtrc(degrees, statistic)),
        f"{kind} likelihood ratio, chi-squared",
        BOUNDARY if more_covariances else "",
    )


def _refused(expected: str, got: str, todo: str) -> ArgumentError:
    return ArgumentError(where="likelihood ratio", expected=expected, got=got, todo=todo)
