"""Standardised mean differences between arms and within pairs, with small-sample correction."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln, stdtr

from studykit.effects.noncentral import noncentrality_interval
from studykit.errors import ArgumentError
from studykit.results import Interval, Result, check_confidence_level

POOLED = "standard deviation within arms, pooled"
REFERENCE = "standard deviation of the reference arm"
OF_DIFFERENCES = "standard deviation of the differences within pairs"
WITHIN_PAIRS = "standard deviation of single measurements, from that of the differences and the correlation"


def small_sample_factor(degrees_of_freedom: float) -> float:
    r"""Hedges' exact factor J that makes d unbiased.

    :math:`J(m)=\Gamma(m/2)/\{\sqrt{m/2}\,\Gamma((m-1)/2)\}` (Hedges 1981, Journal of Educational
    Statistics 6:107).

    Parameters
    ----------
    degrees_of_freedom : float
        Of the standard deviation in the denominator, above 1.

    Raises
    ------
    ArgumentError
        If there are not more than 1.

    Examples
    --------
    >>> round(small_sample_factor(10), 4)
    0.9227
    """
    m = degrees_of_freedom
    if not m > 1.0:
        raise ArgumentError(where="Hedges' factor", expected="more than 1 degree of freedom", got=repr(m))
    return float(np.exp(gammaln(m / 2.0) - gammaln((m - 1.0) / 2.0)) / math.sqrt(m / 2.0))


@dataclass(frozen=True, slots=True)
class Sample(Result):
    """One arm's numbers: mean, standard deviation (divisor n - 1) and clients.

    Raises
    ------
    ArgumentError
        If there are fewer than two clients, or the standard deviation is not positive and finite.
    """

    mean: float
    standard_deviation: float
    clients: int

    def __post_init__(self) -> None:
        if self.clients < 2 or not 0.0 < self.standard_deviation < math.inf or not math.isfinite(self.mean):
            raise ArgumentError(
                where="effect size",
                expected="a finite mean, a standard deviation above 0 and at least two clients",
                got=f"{self.mean}, {self.standard_deviation}, {self.clients}",
            )


def sample_of(values: ArrayLike) -> Sample:
    """Mean, standard deviation and number of some values.

    Examples
    --------
    >>> sample_of([1.0, 2.0, 3.0])
    Sample(mean=2.0, standard_deviation=1.0, clients=3)
    """
    array: NDArray[np.float64] = np.asarray(values, dtype=float)
    if array.ndim != 1 or array.size < 2 or not np.isfinite(array).all():
        raise ArgumentError(where="effect size", expected="at least two finite values", got=repr(array.shape))
    return Sample(float(array.mean()), float(array.std(ddof=1)), int(array.size))


@dataclass(frozen=True, slots=True)
class StandardisedDifference(Result):
    """A difference divided by a named standard deviation.

    Parameters
    ----------
    value : float
        The effect, corrected for small samples when ``corrected``.
    denominator : str
        What the difference was divided by, in words.
    variance : float
        Large-sample variance of ``value``.
    degrees_of_freedom : float
        Of the denominator.
    statistic : float
        The t statistic of no difference.
    scale : float
        ``value`` per unit of noncentrality: the interval is the noncentral one times this.
    corrected : bool
        Whether Hedges' factor was applied (g) or not (d). The interval is that of the effect itself
        times the same factor.
    """

    value: float
    denominator: str
    variance: float
    degrees_of_freedom: float
    statistic: float
    scale: float
    corrected: bool

    @property
    def standard_error(self) -> float:
        """Large-sample standard error."""
        return math.sqrt(self.variance)

    @property
    def p_value(self) -> float:
        """Two-sided p-value of no difference, by t."""
        return float(2.0 * stdtr(self.degrees_of_freedom, -abs(self.statistic)))

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """Interval from the noncentral t distribution."""
        check_confidence_level(confidence_level)
        lower, upper = noncentrality_interval(
            self.statistic, self.degrees_of_freedom, confidence_level=confidence_level
        )
        return Interval(self.scale * lower, self.scale * upper, confidence_level, "noncentral t")


def standardised_difference(
    compared: Sample, reference: Sample, *, corrected: bool = True
) -> StandardisedDifference:
    r"""Difference of two means over the pooled standard deviation: d, or g when corrected.

    Parameters
    ----------
    compared, reference : Sample
        The two arms.
    corrected : bool
        Apply Hedges' exact factor.

    Returns
    -------
    StandardisedDifference

    Notes
    -----
    :math:`V_d=(n_1+n_0)/(n_1n_0)+d^2/\{2(n_1+n_0)\}`, :math:`V_g=J^2V_d` (Borenstein et al. 2009, chapter
    4). Interval: noncentral t with noncentrality :math:`\delta\sqrt{n_1n_0/(n_1+n_0)}`.

    Examples
    --------
    >>> g = standardised_difference(Sample(103, 5.5, 50), Sample(100, 4.5, 50))
    >>> round(g.value, 4), round(g.standard_error, 4)
    (0.5924, 0.2028)
    """
    n1, n0 = compared.clients, reference.clients
    freedom = n1 + n0 - 2.0
    pooled = math.sqrt(
        ((n1 - 1) * compared.standard_deviation**2 + (n0 - 1) * reference.standard_deviation**2) / freedom
    )
    d = (compared.mean - reference.mean) / pooled
    size = math.sqrt(n1 * n0 / (n1 + n0))
    factor = small_sample_factor(freedom) if corrected else 1.0
    variance = 1.0 / size**2 + d**2 / (2.0 * (n1 + n0))
    return StandardisedDifference(
        factor * d, POOLED, factor**2 * variance, freedom, d * size, factor / size, corrected
    )


def difference_in_reference_spread(
    compared: Sample, reference: Sample, *, corrected: bool = False
) -> StandardisedDifference:
    r"""Difference of two means over the standard deviation of the reference arm (Glass).

    Use it when training may change the spread as well as the mean.

    Notes
    -----
    The interval treats both arms as having the spread of the reference arm in the noncentrality, with
    :math:`n_0-1` degrees of freedom; :math:`V=1/n_0+s_1^2/(n_1s_0^2)+\Delta^2/\{2(n_0-1)\}` (Hedges &
    Olkin 1985, chapter 5; Algina, Keselman & Penfield 2006 for the scale of the interval).

    Examples
    --------
    >>> round(difference_in_reference_spread(Sample(103, 5.5, 50), Sample(100, 4.5, 50)).value, 4)
    0.6667
    """
    n1, n0 = compared.clients, reference.clients
    freedom = n0 - 1.0
    spread = reference.standard_deviation
    delta = (compared.mean - reference.mean) / spread
    per_noncentrality = math.sqrt(1.0 / n0 + (compared.standard_deviation / spread) ** 2 / n1)
    factor = small_sample_factor(freedom) if corrected else 1.0
    variance = per_noncentrality**2 + delta**2 / (2.0 * freedom)
    return StandardisedDifference(
        factor * delta,
        REFERENCE,
        factor**2 * variance,
        freedom,
        delta / per_noncentrality,
        factor * per_noncentrality,
        corrected,
    )


def paired_difference(differences: Sample, *, corrected: bool = False) -> StandardisedDifference:
    """Mean difference over the standard deviation of the differences, often written d with index z.

    It grows with the correlation within pairs, so it cannot be compared with a difference between arms.

    Examples
    --------
    >>> round(paired_difference(Sample(3, 5.5, 50)).value, 4)
    0.5455
    """
    n, freedom = differences.clients, differences.clients - 1.0
    d = differences.mean / differences.standard_deviation
    factor = small_sample_factor(freedom) if corrected else 1.0
    variance = 1.0 / n + d**2 / (2.0 * n)
    return StandardisedDifference(
        factor * d,
        OF_DIFFERENCES,
        factor**2 * variance,
        freedom,
        d * math.sqrt(n),
        factor / math.sqrt(n),
        corrected,
    )


def paired_difference_in_raw_spread(
    differences: Sample, correlation: float, *, corrected: bool = True
) -> StandardisedDifference:
    r"""Mean difference within pairs over the standard deviation of single measurements.

    Parameters
    ----------
    differences : Sample
        Of the differences within pairs.
    correlation : float
        Between the two measurements of a pair, below 1 in size.
    corrected : bool
        Apply Hedges' exact factor with n - 1 degrees of freedom.

    Raises
    ------
    ArgumentError
        If the correlation is not between -1 and 1.

    Notes
    -----
    :math:`s=s_D/\sqrt{2(1-r)}`, :math:`V_d=\{1/n+d^2/(2n)\}\,2(1-r)` (Borenstein et al. 2009, chapter 4,
    formulas 4.26 to 4.28). The correlation is taken as known.

    Examples
    --------
    >>> round(paired_difference_in_raw_spread(Sample(3, 5.5, 50), 0.7).value, 4)
    0.416
    """
    if not -1.0 < correlation < 1.0:
        raise ArgumentError(where="correlation", expected="a number between -1 and 1", got=repr(correlation))
    n, freedom = differences.clients, differences.clients - 1.0
    ratio = math.sqrt(2.0 * (1.0 - correlation))
    z = differences.mean / differences.standard_deviation
    d = z * ratio
    factor = small_sample_factor(freedom) if corrected else 1.0
    variance = (1.0 / n + d**2 / (2.0 * n)) * ratio**2
    return StandardisedDifference(
        factor * d,
        WITHIN_PAIRS,
        factor**2 * variance,
        freedom,
        z * math.sqrt(n),
        factor * ratio / math.sqrt(n),
        corrected,
    )


def paired_from_independent(effect: float, correlation: float) -> float:
    """The same effect in standard deviations of the differences instead of single measurements.

    Morris & DeShon 2002, Psychological Methods 7:105.

    Examples
    --------
    >>> paired_from_independent(0.5, 0.5)
    0.5
    """
    if not -1.0 < correlation < 1.0:
        raise ArgumentError(where="correlation", expected="a number between -1 and 1", got=repr(correlation))
    return effect / math.sqrt(2.0 * (1.0 - correlation))
