"""Likelihood-ratio tests between two fits of the same rows, one nested in the other.

The restricted likelihood compares covariances only: its value belongs to one set of fixed effects in one
coding. Fits that differ in their fixed effects are therefore compared by maximum likelihood, and a pair
that cannot be compared is refused rather than refitted unseen.
"""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import chdtrc

from studykit.errors import ArgumentError, ConvergenceError
from studykit.mixed.result import MixedFit

BOUNDARY = (
    "If the smaller fit puts a variance to zero, this p-value is too large, since a variance cannot be "
    "negative; for one variance, boundary_p_value gives the mixture of Self and Liang."
)
ROUNDING = 1e-6  # by which a larger model may fall short of a smaller one


@dataclass(frozen=True, slots=True)
class LikelihoodRatio:
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


def likelihood_ratio(smaller: MixedFit, larger: MixedFit) -> LikelihoodRatio:
    """Test a fit against a larger one that contains it.

    Parameters
    ----------
    smaller, larger : MixedFit
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
