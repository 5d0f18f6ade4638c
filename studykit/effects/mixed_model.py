"""Standardised effects from a mixed model's contrast and variances."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from studykit.errors import ArgumentError
from studykit.results import HasInterval, Interval, Result


@dataclass(frozen=True, slots=True)
class MixedModelEffect(Result):
    """A contrast divided by a standard deviation from the same model.

    Parameters
    ----------
    contrast : HasInterval
        In the outcome's unit.
    standard_deviation : float
        The denominator, in the same unit; taken as known in the interval.
    denominator : str
        Which variances it is made of.
    """

    contrast: HasInterval
    standard_deviation: float
    denominator: str

    @property
    def value(self) -> float:
        """The standardised effect."""
        return self.contrast.value / self.standard_deviation

    @property
    def p_value(self) -> float:
        """That of the contrast."""
        return self.contrast.p_value

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """The contrast's interval divided by the standard deviation; its own uncertainty is left out."""
        ends = self.contrast.confidence_interval(confidence_level)
        return Interval(
            ends.lower / self.standard_deviation,
            ends.upper / self.standard_deviation,
            confidence_level,
            f"{ends.method}; denominator taken as known",
        )


def mixed_model_effect(contrast: HasInterval, variances: Mapping[str, float]) -> MixedModelEffect:
    r"""Contrast over the square root of a sum of variance components.

    Parameters
    ----------
    contrast : HasInterval
        A contrast of the model, on the analysis scale.
    variances : mapping of str to float
        Name and variance of every component that belongs to the spread between single measurements, such
        as client, trainer and residual; zeros allowed.

    Returns
    -------
    MixedModelEffect

    Raises
    ------
    ArgumentError
        If a variance is negative or all are zero.

    Notes
    -----
    :math:`d=\beta/\sqrt{\sum\sigma^2}` (Westfall, Kenny & Judd 2014, Journal of Experimental Psychology:
    General 143:2020, equation 5 in words). It is comparable with d of independent arms, unlike an effect in
    standard deviations of differences.

    Examples
    --------
    >>> from studykit.results import Estimate
    >>> effect = mixed_model_effect(Estimate(2.0, 0.5, 20.0, "given"), {"client": 12.0, "residual": 4.0})
    >>> effect.value, effect.denominator
    (0.5, 'square root of the sum of the variances: client, residual')
    """
    if any(not variance >= 0.0 for variance in variances.values()) or not sum(variances.values()) > 0.0:
        raise ArgumentError(
            where="mixed-model effect", expected="variances from 0, not all 0", got=repr(dict(variances))
        )
    names = ", ".join(variances)
    return MixedModelEffect(
        contrast, math.sqrt(sum(variances.values())), f"square root of the sum of the variances: {names}"
    )
