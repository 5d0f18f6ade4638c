"""Standardised difference between arms in the change from before to after."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import ndtr, ndtri

from studykit.effects.standardised import Sample, small_sample_factor
from studykit.errors import ArgumentError
from studykit.results import Interval, Result, check_confidence_level

POOLED_BASELINE = "standard deviation at baseline, pooled over arms"
OWN_BASELINE = "each arm's own standard deviation at baseline"


@dataclass(frozen=True, slots=True)
class ChangeDifference(Result):
    """Difference in change, compared minus reference arm, in baseline standard deviations.

    Parameters
    ----------
    value : float
        The effect, corrected for small samples.
    denominator : str
        What the changes were divided by.
    variance : float
        Sampling variance; not a number where no correlation was given.
    """

    value: float
    denominator: str
    variance: float

    @property
    def standard_error(self) -> float:
        """Square root of the variance."""
        return math.sqrt(self.variance)

    @property
    def p_value(self) -> float:
        """Two-sided p-value of no difference, large-sample."""
        return float(2.0 * ndtr(-abs(self.value) / self.standard_error))

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """Large-sample interval; ends are not numbers where no correlation was given."""
        check_confidence_level(confidence_level)
        half = float(ndtri(0.5 + confidence_level / 2.0)) * self.standard_error
        return Interval(self.value - half, self.value + half, confidence_level, "normal, large-sample")


@dataclass(frozen=True, slots=True)
class BeforeAfter(Result):
    """One arm: baseline numbers, and the mean after."""

    baseline: Sample
    mean_after: float

    @property
    def change(self) -> float:
        """Mean after minus mean before."""
        return self.mean_after - self.baseline.mean


def change_difference_pooled(
    compared: BeforeAfter, reference: BeforeAfter, *, correlation: float | None = None
) -> ChangeDifference:
    r"""Difference in change over the pooled baseline standard deviation, corrected for bias.

    Parameters
    ----------
    compared, reference : BeforeAfter
        The two arms.
    correlation : float, optional
        Between before and after, for the variance.

    Returns
    -------
    ChangeDifference

    Notes
    -----
    Morris 2008, Organizational Research Methods 11:364, the estimate recommended there; variance from its
    equation 25: :math:`2(1-\rho)c^2\frac{n_1+n_0}{n_1n_0}\frac{m}{m-2}\{1+\frac{\delta^2}{2(1-\rho)
    (n_1+n_0)/(n_1n_0)}\}-\delta^2`, with :math:`m=n_1+n_0-2`.

    Examples
    --------
    >>> trained = BeforeAfter(Sample(30.6, 15.0, 20), 38.5)
    >>> control = BeforeAfter(Sample(23.1, 13.8, 20), 19.7)
    >>> round(change_difference_pooled(trained, control).value, 4)
    0.7684
    """
    one, two = compared.baseline, reference.baseline
    freedom = one.clients + two.clients - 2.0
    spread = math.sqrt(
        ((one.clients - 1) * one.standard_deviation**2 + (two.clients - 1) * two.standard_deviation**2)
        / freedom
    )
    factor = small_sample_factor(freedom)
    value = factor * (compared.change - reference.change) / spread
    variance = math.nan
    if correlation is not None:
        _check_correlation(correlation)
        size = 2.0 * (1.0 - correlation) * (1.0 / one.clients + 1.0 / two.clients)
        variance = factor**2 * size * freedom / (freedom - 2.0) * (1.0 + value**2 / size) - value**2
    return ChangeDifference(value, POOLED_BASELINE, variance)


def change_difference_own(
    compared: BeforeAfter,
    reference: BeforeAfter,
    *,
    correlations: tuple[float, float] | None = None,
) -> ChangeDifference:
    r"""Difference of each arm's change in its own baseline standard deviations, each corrected for bias.

    Parameters
    ----------
    compared, reference : BeforeAfter
        The two arms.
    correlations : (float, float), optional
        Between before and after, in the compared and in the reference arm, for the variance
        :math:`2(1-r)/n+d^2/(2n)` per arm (Becker 1988, British Journal of Mathematical and Statistical
        Psychology 41:257).

    Examples
    --------
    >>> trained = BeforeAfter(Sample(30.6, 15.0, 20), 38.5)
    >>> control = BeforeAfter(Sample(23.1, 13.8, 20), 19.7)
    >>> round(change_difference_own(trained, control).value, 4)
    0.7421
    """
    effects = [
        small_sample_factor(arm.baseline.clients - 1.0) * arm.change / arm.baseline.standard_deviation
        for arm in (compared, reference)
    ]
    variance = math.nan
    if correlations is not None:
        variance = 0.0
        for arm, effect, correlation in zip((compared, reference), effects, correlations, strict=True):
            _check_correlation(correlation)
            n = arm.baseline.clients
            variance += 2.0 * (1.0 - correlation) / n + effect**2 / (2.0 * n)
    return ChangeDifference(effects[0] - effects[1], OWN_BASELINE, variance)


def _check_correlation(correlation: float) -> None:
    if not -1.0 < correlation < 1.0:
        raise ArgumentError(where="correlation", expected="a number between -1 and 1", got=repr(correlation))
