"""Linear mixed models with small-sample inference: the engine under strength, planning and re-randomisation.

>>> import numpy as np
>>> from studykit.mixed import RandomEffect, fit_linear_mixed

See `studykit.mixed.random_effects` for the symbols, `studykit.mixed.objective` for the likelihood and
`studykit.mixed.inference` for the degrees of freedom.
"""

from __future__ import annotations

from studykit.mixed.comparison import LikelihoodRatio, likelihood_ratio
from studykit.mixed.fit import fit_linear_mixed
from studykit.mixed.many import ManyFits, fit_many_linear_mixed
from studykit.mixed.random_effects import RandomEffect
from studykit.mixed.residuals import ResidualStructure
from studykit.mixed.result import (
    Coefficient,
    CovarianceParameters,
    JointTest,
    MixedFit,
    OptimiserReport,
    RandomEffectCovariance,
    RandomEffectPredictions,
    ResidualCovariance,
)

__all__ = [
    "Coefficient",
    "CovarianceParameters",
    "JointTest",
    "LikelihoodRatio",
    "ManyFits",
    "MixedFit",
    "OptimiserReport",
    "RandomEffect",
    "RandomEffectCovariance",
    "RandomEffectPredictions",
    "ResidualCovariance",
    "ResidualStructure",
    "fit_linear_mixed",
    "fit_many_linear_mixed",
    "likelihood_ratio",
]
