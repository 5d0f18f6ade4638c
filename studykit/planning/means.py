"""Closed forms for means: two arms, pairs, baseline adjustment, repeated tests, wanted precision."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from scipy.special import ndtri

from studykit.effects.noncentral import noncentrality_interval
from studykit.errors import ArgumentError
from studykit.planning.power import Sides, check_share, crossing, smallest_whole, t_power
from studykit.results import Result

Method = Literal["follow-up only", "change", "baseline-adjusted"]


@dataclass(frozen=True, slots=True)
class Needed(Result):
    """A sample size.

    Parameters
    ----------
    raw : float
        As the formula gives it.
    whole : int
        Rounded up: clients per arm, or pairs, as the function says.
    """

    raw: float
    whole: int

    @classmethod
    def of(cls, raw: float) -> Needed:
        """Round up; a number a hair above a whole one is that whole one."""
        return cls(raw, math.ceil(raw - 1e-9))


def _refuse_zero(difference: float, name: str) -> None:
    if difference == 0.0 or not math.isfinite(difference):
        raise ArgumentError(
            where=name, expected="a difference that is not 0", got=repr(difference),
            todo="No number of clients shows that there is no difference; ask for a width instead.",
        )  # fmt: skip


def clients_for_difference(
    difference: float,
    sd: float,
    *,
    alpha: float = 0.05,
    power: float = 0.8,
    sides: Sides = 2,
    inflation: float = 1.0,
    ratio: float = 1.0,
) -> Needed:
    """Clients per arm for a difference of two means by the t-test.

    Parameters
    ----------
    difference, sd : float
        In one unit; the sign of the difference does not matter.
    alpha, power : float
    sides : {1, 2}
    inflation : float
        Factor on the variance, such as a design effect or 1 - r² for baseline adjustment; degrees of
        freedom stay 2 n - 2.
    ratio : float
        Clients in the other arm for each one in the arm that the answer is about.

    Raises
    ------
    ArgumentError
        If the difference is 0, or a number is out of range.

    Examples
    --------
    Cohen's medium effect (Cohen 1988, table 2.4.1).

    >>> clients_for_difference(0.5, 1.0).whole
    64
    """
    _refuse_zero(difference, "difference")
    check_share(power, name="power")
    if not sd > 0.0 or not inflation > 0.0 or not ratio > 0.0:
        raise ArgumentError(
            where="sd",
            expected="a spread, an inflation and a ratio above 0",
            got=f"{sd}, {inflation}, {ratio}",
        )

    def reaches(number: float) -> float:
        error = sd * math.sqrt(inflation * (1.0 + 1.0 / ratio) / number)
        freedom = (1.0 + ratio) * number - 2.0
        return t_power(abs(difference), error, degrees_of_freedom=freedom, alpha=alpha, sides=sides)

    return Needed.of(crossing(reaches, power, least=3.0 / (1.0 + ratio)))


def pairs_for_difference(
    difference: float, sd_of_differences: float, *, alpha: float = 0.05, power: float = 0.8, sides: Sides = 2
) -> Needed:
    """Pairs for a mean difference within pairs by the paired t-test.

    Examples
    --------
    >>> pairs_for_difference(0.5, 1.0).whole
    34
    """
    _refuse_zero(difference, "difference")
    check_share(power, name="power")

    def reaches(number: float) -> float:
        error = sd_of_differences / math.sqrt(number)
        return t_power(abs(difference), error, degrees_of_freedom=number - 1.0, alpha=alpha, sides=sides)

    return Needed.of(crossing(reaches, power, least=1.5))


def summary_variance(method: Method, correlation: float, *, baselines: int = 1, follow_ups: int = 1) -> float:
    r"""Variance of one client's summary, in units of the variance of one test.

    Parameters
    ----------
    method : {"follow-up only", "change", "baseline-adjusted"}
        Mean of the follow-up tests; minus the mean of the baseline tests; or adjusted for that mean.
    correlation : float
        Between any two tests of a client, the same for all pairs.
    baselines, follow_ups : int
        Numbers of tests, p and r below.

    Notes
    -----
    Frison & Pocock 1992, Statistics in Medicine 11:1685. Follow-up only :math:`(1+(r-1)\rho)/r`; change adds
    :math:`(1+(p-1)\rho)/p-2\rho`; adjusted subtracts :math:`p\rho^2/(1+(p-1)\rho)`. For one test each the
    adjusted one is :math:`1-\rho^2` (Borm, Fransen & Lemmens 2007, Journal of Clinical Epidemiology 60:1234).

    Examples
    --------
    >>> round(summary_variance("baseline-adjusted", 0.7, follow_ups=3), 2)
    0.31
    """
    if not -1.0 < correlation < 1.0 or baselines < 1 or follow_ups < 1:
        raise ArgumentError(
            where="summary_variance", expected="a correlation between -1 and 1, and one or more tests",
            got=f"{correlation}, {baselines}, {follow_ups}",
        )  # fmt: skip
    variance = (1.0 + (follow_ups - 1) * correlation) / follow_ups
    before = (1.0 + (baselines - 1) * correlation) / baselines
    if method == "change":
        return variance + before - 2.0 * correlation
    if method == "baseline-adjusted":
        return variance - correlation**2 / before
    return variance


def composite_variance(exercises: int, correlation: float) -> float:
    """Variance of the mean over exercises, in units of the variance of one.

    Examples
    --------
    Four machines that correlate 0.4 cut the standard deviation to 0.742 of one machine's.

    >>> round(composite_variance(4, 0.4) ** 0.5, 3)
    0.742
    """
    if not 1.0 + (exercises - 1) * correlation > 0.0:
        raise ArgumentError(
            where="correlation_exercises", expected=f"more than {-1.0 / (exercises - 1):.2f}",
            got=f"{correlation:g}",
            todo=f"So many as {exercises} cannot all be less alike.",
        )  # fmt: skip
    return (1.0 + (exercises - 1) * correlation) / exercises


def slope_variance(times: Sequence[float], correlation: float) -> float:
    """Variance of one client's slope over several tests, in units of the variance of one test.

    Parameters
    ----------
    times : sequence of float
        Of the tests, at least two different ones.
    correlation : float
        Between any two tests of a client.

    Notes
    -----
    (1 - r) / sum of squared distances of the times from their mean: Diggle, Heagerty, Liang & Zeger 2002,
    Analysis of Longitudinal Data, section 2.4.

    Examples
    --------
    >>> round(slope_variance((0, 2, 5), 0.5), 4)
    0.0395
    """
    middle = math.fsum(times) / max(len(times), 1)
    spread = math.fsum((time - middle) ** 2 for time in times)
    if not spread > 0.0 or not -1.0 < correlation < 1.0:
        raise ArgumentError(
            where="slope_variance", expected="two or more different times, a correlation between -1 and 1",
            got=f"{tuple(times)}, {correlation}",
        )  # fmt: skip
    return (1.0 - correlation) / spread


def clients_for_several_arms(
    spread_of_means: float, sd: float, *, arms: int, alpha: float = 0.05, power: float = 0.8
) -> Needed:
    """Clients per arm for the joint F-test of three or more arms (statsmodels' power class).

    Parameters
    ----------
    spread_of_means : float
        Standard deviation of the arms' true means, divisor: number of arms.
    sd : float
        Between clients within an arm.
    arms : int
        At least 2.

    Examples
    --------
    >>> clients_for_several_arms(0.25, 1.0, arms=3).whole
    53
    """
    from statsmodels.stats.power import FTestAnovaPower

    check_share(power, name="power")
    if arms < 2 or not sd > 0.0 or not spread_of_means > 0.0:
        raise ArgumentError(
            where="clients_for_several_arms", expected="two or more arms, spreads above 0",
            got=f"{arms}, {spread_of_means}, {sd}",
        )  # fmt: skip
    whole = FTestAnovaPower()  # counts clients of all arms together

    def reaches(number: float) -> float:
        return float(whole.power(spread_of_means / sd, arms * number, alpha, k_groups=arms))

    return Needed.of(crossing(reaches, power, least=1.0 + 1.0 / arms))


def clients_for_width_of_d(d: float, width: float, *, confidence_level: float = 0.95) -> Needed:
    """Clients per arm for an interval of a standardised difference that is no wider than ``width``.

    Parameters
    ----------
    d : float
        Expected standardised difference.
    width : float
        Full width of its interval by the noncentral t.

    Notes
    -----
    Kelley & Rausch 2006, Psychological Methods 11:363: the interval at the expected value.

    Examples
    --------
    >>> clients_for_width_of_d(0.5, 0.50).whole
    127
    """
    if not width > 0.0:
        raise ArgumentError(where="width", expected="a number above 0", got=repr(width))

    def narrowness(number: int) -> float:
        root = math.sqrt(2.0 / number)
        lower, upper = noncentrality_interval(d / root, 2.0 * number - 2.0, confidence_level=confidence_level)
        return -(upper - lower) * root

    whole = smallest_whole(narrowness, -width, what="clients")
    return Needed(float(whole), whole)


def clients_for_half_width(
    sd: float, half_width: float, *, confidence_level: float = 0.95, arms: int = 2
) -> Needed:
    """Clients per arm for an interval of a mean (or a difference) that reaches a distance to either side.

    Normal quantile, as printed in textbooks; the plan itself uses t.

    Examples
    --------
    >>> clients_for_half_width(10.0, 4.0).whole, clients_for_half_width(10.0, 4.0, arms=1).whole
    (49, 25)
    """
    check_share(confidence_level, name="confidence_level")
    if not half_width > 0.0:
        raise ArgumentError(where="half_width", expected="a distance above 0", got=repr(half_width))
    return Needed.of(arms * (float(ndtri(0.5 + confidence_level / 2.0)) * sd / half_width) ** 2)


def inflated_for_losses(clients: float, lost: float) -> Needed:
    """Clients to begin with, so that enough remain: divided by what remains, not multiplied by what is lost.

    Examples
    --------
    >>> inflated_for_losses(64, 0.15).whole, inflated_for_losses(64, 0.20).whole
    (76, 80)
    """
    if not 0.0 <= lost < 1.0:
        raise ArgumentError(where="lost", expected="a share from 0 to below 1", got=repr(lost))
    return Needed.of(clients / (1.0 - lost))
