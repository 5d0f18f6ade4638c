"""Profile-likelihood intervals: all values of a quantity that the data do not contradict.

For a value ``t`` of the quantity, the model is fitted again with the quantity held at ``t``; the rise of
``-2 log L`` over the optimum is the likelihood-ratio statistic of ``t``. The interval holds every ``t``
whose statistic is below the chi-squared quantile with one degree of freedom (Bates, Maechler, Bolker &
Walker 2015, J Stat Softw 67(1), section 5.1). Ends are solved for, not interpolated.

What varies is profiled by the restricted likelihood, as models are fitted; fixed effects by maximum
likelihood, since the restricted one does not know them. Every result names its likelihood.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtri

from studykit.errors import ArgumentError, ConvergenceError
from studykit.mixed.constrained import Constrained, best_with_means, constrain, known_mean
from studykit.mixed.model import HasModel, MixedModel, as_model, own_method
from studykit.mixed.quantities import (
    Autocorrelation,
    Contrast,
    Correlation,
    CovarianceQuantity,
    Quantity,
    ResidualCorrelation,
    ResidualDeviation,
    StandardDeviation,
    VarianceShare,
    value_of,
)
from studykit.results import Interval, Result, check_confidence_level, frozen_array

Array = NDArray[np.float64]

FINITE = 40.0  # a signed root beyond it counts as this much: no interval asked for goes that far
METHODS = {True: "profile of the restricted likelihood", False: "profile of the maximum likelihood"}
NOT_NESTED = 1e-5  # by which a held fit may seem better than the free one


@dataclass(frozen=True, slots=True)
class ProfileInterval(Result):
    """An interval with the estimate and what must be said about its ends.

    Parameters
    ----------
    quantity : Quantity
    estimate : float
        By the same likelihood as the interval; ``nan`` for a correlation of something that does not
        vary.
    interval : Interval
        Its ``method`` names the likelihood.
    remarks : tuple of str
        One sentence for every end that lies at the boundary of what is possible.
    """

    quantity: Quantity
    estimate: float
    interval: Interval
    remarks: tuple[str, ...]

    def __str__(self) -> str:
        return (
            f"{self.quantity}: {self.estimate:.4g} ({100 * self.interval.confidence_level:g} % interval "
            f"{self.interval.lower:.4g} to {self.interval.upper:.4g}, {self.interval.method})"
        )


@dataclass(frozen=True, slots=True, eq=False)
class VarianceProfile(Result):
    """The curve behind an interval, for a picture.

    Parameters
    ----------
    quantity : Quantity
    estimate : float
    values : ndarray, shape (k,)
        Of the quantity, increasing.
    statistic : ndarray, shape (k,)
        Likelihood-ratio statistic of each value, zero at the estimate.
    signed_root : ndarray, shape (k,)
        Its square root, negative below the estimate; a straight line where the usual symmetric
        interval would do.
    method : str
        The likelihood, as the interval's ``method`` names it.
    """

    quantity: Quantity
    estimate: float
    values: Array
    statistic: Array
    signed_root: Array
    method: str


@dataclass(frozen=True, slots=True, eq=False)
class _Curve:
    """A profile on an inner scale on which it is nearly straight."""

    rise: Callable[[float], float]
    estimate: float
    lower: float
    upper: float
    step: float
    natural: Callable[[float], float]
    method: str
    visit: Callable[[Sequence[float]], None] = lambda _: None  # finds several rises at once

    def root(self, theta: float) -> float:
        """Square root of the statistic."""
        rise = self.rise(theta)
        if rise < -NOT_NESTED:
            raise ConvergenceError(
                where="profile of the likelihood",
                expected="no likelihood above the optimum",
                got=f"one that is higher by {-rise / 2:.3g}",
                todo="The fit ended in a local optimum: simplify the random effects.",
            )
        return min(math.sqrt(max(rise, 0.0)), FINITE)


def profile_interval(
    model: MixedModel | HasModel,
    quantity: Quantity,
    *,
    confidence_level: float = 0.95,
    reml: bool | None = None,
) -> ProfileInterval:
    """Interval by refitting with the quantity held.

    Parameters
    ----------
    model : MixedModel, or what carries one
    quantity : StandardDeviation, Correlation, ResidualDeviation, ResidualCorrelation, \
Autocorrelation, VarianceShare or Contrast
        A share of one random effect; for several, see `bootstrap_intervals`.
    confidence_level : float
    reml : bool, optional
        By the restricted likelihood (True), which allows for the fixed effects, or by maximum likelihood
        (False). By default as the fit that was given was made, and as models are fitted where none was:
        restricted, but maximum likelihood for a contrast.

    Returns
    -------
    ProfileInterval

    Raises
    ------
    ArgumentError
        If the model has no such quantity, or a contrast is asked of the restricted likelihood.
    ConvergenceError
        If a fit does not converge.

    Examples
    --------
    >>> from studykit.mixed import RandomEffect
    >>> client = np.repeat(np.arange(6), 3)
    >>> loads = [50, 52, 51, 60, 61, 63, 55, 54, 56, 70, 68, 71, 58, 58, 57, 62, 65, 63]
    >>> model = MixedModel(loads, np.ones((18, 1)), RandomEffect("client", client))
    >>> print(str(profile_interval(model, StandardDeviation("client"))).split(": ")[1])
    6.55 (95 % interval 3.873 to 14.34, profile of the restricted likelihood)
    """
    check_confidence_level(confidence_level)
    return _interval(_asked_curve(model, quantity, reml), quantity, confidence_level)


def _asked_curve(model: MixedModel | HasModel, quantity: Quantity, reml: bool | None) -> _Curve:
    """The curve by the likelihood asked for, else by that of the fit that was given."""
    if reml is None and not isinstance(quantity, Contrast):
        reml = own_method(model)
    return _curve(as_model(model, "profile"), quantity, reml)


def _interval(curve: _Curve, quantity: Quantity, confidence_level: float) -> ProfileInterval:
    target = float(ndtri(0.5 + confidence_level / 2.0))
    lower, low_open = _end(curve, curve.lower, target)
    upper, high_open = _end(curve, curve.upper, target)
    interval = Interval(curve.natural(lower), curve.natural(upper), confidence_level, curve.method)
    ends = ((interval.lower, low_open, "lower"), (interval.upper, high_open, "upper"))
    remarks = [_remark(quantity, value, which) for value, at_limit, which in ends if at_limit]
    estimate = curve.natural(curve.estimate)
    if math.isnan(estimate):
        remarks.append("The estimated variance is zero, so that the data say nothing about this correlation.")
    return ProfileInterval(quantity, estimate, interval, tuple(remarks))


def variance_profile(
    model: MixedModel | HasModel,
    quantity: Quantity,
    *,
    points: int = 41,
    farthest: float = 3.0,
    reml: bool | None = None,
) -> VarianceProfile:
    """Points of the profile of a quantity, for a picture.

    Parameters
    ----------
    model : MixedModel
    quantity : as in `profile_interval`
    points : int
        At least 3.
    farthest : float
        Signed root at which the curve ends, unless the boundary comes first; 3 holds a 99.7 % interval.
    reml : bool, optional
        As in `profile_interval`.

    Returns
    -------
    VarianceProfile

    Raises
    ------
    ArgumentError, ConvergenceError
        As `profile_interval`; too few points.
    """
    if points < 3 or not 0.0 < farthest < FINITE:
        raise ArgumentError(
            where="variance_profile",
            expected=f"at least 3 points and a farthest signed root between 0 and {FINITE:g}",
            got=f"{points} and {farthest:g}",
        )
    return _points(_asked_curve(model, quantity, reml), quantity, points, farthest)


def interval_and_profile(
    model: MixedModel | HasModel,
    quantity: Quantity,
    *,
    confidence_level: float = 0.95,
    points: int = 11,
    farthest: float = 3.0,
    reml: bool | None = None,
) -> tuple[ProfileInterval, VarianceProfile]:
    """`profile_interval` and `variance_profile` from one search, for a picture with its interval.

    Parameters
    ----------
    model, quantity, confidence_level, points, farthest, reml
        As there.

    Raises
    ------
    ArgumentError, ConvergenceError
        As there.
    """
    check_confidence_level(confidence_level)
    curve = _asked_curve(model, quantity, reml)
    interval = _interval(curve, quantity, confidence_level)
    return interval, _points(curve, quantity, points, farthest)


def _points(curve: _Curve, quantity: Quantity, points: int, farthest: float) -> VarianceProfile:
    lower, upper = _end(curve, curve.lower, farthest)[0], _end(curve, curve.upper, farthest)[0]
    thetas = np.linspace(lower, upper, points)
    middle = curve.estimate
    if not math.isnan(middle):
        thetas = np.unique(np.append(thetas, middle))
    curve.visit(thetas.tolist())
    roots = {theta: curve.root(theta) for theta in thetas.tolist()}
    signed = np.array([math.copysign(roots[t], t - middle) if roots[t] else 0.0 for t in thetas.tolist()])
    return VarianceProfile(
        quantity,
        curve.natural(middle),
        frozen_array([curve.natural(theta) for theta in thetas.tolist()]),
        frozen_array(signed**2),
        frozen_array(signed),
        curve.method,
    )


def _end(curve: _Curve, limit: float, target: float) -> tuple[float, bool]:
    """Where the signed root reaches ``target`` on the way to ``limit``; whether the limit came first."""
    inner = 0.0 if math.isnan(curve.estimate) else curve.estimate
    start, direction = inner, math.copysign(1.0, limit - inner)
    if limit == inner:
        return limit, True
    step = min(curve.step, 0.5 * abs(limit - start))
    outer = start + direction * step
    reached = curve.root(outer)
    while reached < target:
        inner = outer
        if outer == limit:
            return limit, True
        step *= min(4.0, max(1.3, 1.2 * target / max(reached, 1e-6)))
        outer = start + direction * step
        if direction * (outer - limit) > 0.0 or abs(limit - outer) < 0.01 * abs(limit - start):
            outer = limit
        reached = curve.root(outer)
    width = abs(outer - inner)
    return float(
        brentq(lambda theta: curve.root(theta) - target, inner, outer, xtol=1e-9 * width, rtol=1e-12)
    ), False


def _curve(model: MixedModel, quantity: Quantity, asked: bool | None) -> _Curve:
    if isinstance(quantity, Contrast):
        if asked:
            raise ArgumentError(
                where="profile of a contrast",
                expected="maximum likelihood (reml=False)",
                got="the restricted likelihood, which does not know the fixed effects",
            )
        return _contrast_curve(model, quantity)
    if isinstance(quantity, VarianceShare) and len(quantity.effects) > 1:
        raise ArgumentError(
            where="profile of a share",
            expected="one random effect",
            got=f"{len(quantity.effects)}",
            todo="Use bootstrap_intervals for the share of several.",
        )
    parameters = model.fit().covariance_parameters
    value_of(quantity, parameters)  # refuses what the model does not have
    reml = asked is None or asked
    held = constrain(model, quantity, parameters, reml=reml)
    lower, upper, step, natural = _range(model, quantity, held)
    return _Curve(held.rise, held.estimate, lower, upper, step, natural, METHODS[reml], held.visit)


def _range(
    model: MixedModel, quantity: CovarianceQuantity, held: Constrained
) -> tuple[float, float, float, Callable[[float], float]]:
    """Ends of the inner scale, first step from the estimate, and the way back to the quantity."""
    right = math.pi / 2.0
    match quantity:
        case StandardDeviation() | ResidualDeviation():
            step = 0.4 * held.estimate if held.estimate > 0.0 else 0.3 / held.hold.unit
            return 0.0, math.inf, step, float
        case Correlation() | ResidualCorrelation():
            return -right, right, 0.4, math.sin
        case VarianceShare():
            return 0.0, right, 0.2, lambda t: math.sin(t) ** 2
        case Autocorrelation():
            return (-1.0 if model.residual.even else 0.0), 1.0, 0.1, float


def _contrast_curve(model: MixedModel, contrast: Contrast) -> _Curve:
    """The weighted sum ``b`` held by moving one column into the outcome.

    ``X beta = sum over k of (x_k - x_j w_k / w_j) beta_k + x_j b / w_j``, with ``w_j`` the largest weight.
    """
    weights = np.zeros(len(model.names))
    for name, weight in contrast.weights:
        if name not in model.names:
            raise ArgumentError(
                where="contrast",
                expected=f"names of fixed effects ({', '.join(map(repr, model.names))})",
                got=repr(name),
            )
        weights[model.names.index(name)] = weight
    if not weights.any():
        raise ArgumentError(where="contrast", expected="a weight that is not zero", got="none")
    fit = model.fit(reml=False)
    estimate = fit.contrast(weights, degrees_of_freedom="residual")
    best = -2.0 * fit.log_likelihood
    pivot = int(np.argmax(np.abs(weights)))
    x = model.fixed_effects[:, pivot] / weights[pivot]
    rest = np.delete(model.fixed_effects - np.outer(x, weights), pivot, axis=1)

    if len(weights) == 1:
        least = known_mean(model)
        unit = float(weights[0])

        def rise(value: float) -> float:
            return least(value / unit) - best

    else:

        def rise(value: float) -> float:
            return best_with_means(model, model.outcome - x * value, rest) - best

    step = 2.0 * estimate.standard_error
    return _Curve(rise, estimate.value, -math.inf, math.inf, step, float, METHODS[False])


def _remark(quantity: Quantity, value: float, which: str) -> str:
    """What it means that the interval ends where the range ends."""
    match quantity:
        case StandardDeviation() | VarianceShare():
            return (
                f"The {which} end is zero, the smallest value possible: these data do not rule out that "
                f"there is no variation of this kind."
            )
        case Autocorrelation() if value == 0.0:
            return (
                f"The {which} end is zero, the end of the range: these data do not rule out that there is no "
                f"correlation."
            )
        case Correlation() | ResidualCorrelation() | Autocorrelation():
            return (
                f"The {which} end is {value:g}, the end of the range: these data do not rule out a "
                f"perfect correlation."
            )
        case _:
            return f"The {which} end is {value:g}, the end of what is possible."
