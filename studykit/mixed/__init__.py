"""Linear and binary mixed models: the engine under strength, planning and re-randomisation.

>>> import numpy as np
>>> from studykit.mixed import RandomEffect, fit_linear_mixed

See `studykit.mixed.random_effects` for the symbols, `studykit.mixed.objective` for the likelihood and
`studykit.mixed.inference` for the degrees of freedom.
"""

from __future__ import annotations

from studykit.mixed.binary_checks import SeparatedPattern, Separation
from studykit.mixed.binary_model import ManyBinaryFits, fit_binary_mixed, fit_many_binary_mixed
from studykit.mixed.binary_result import BinaryFit
from studykit.mixed.binary_risks import MarginalRisk, RiskRatio, StandardisedRisks
from studykit.mixed.bootstrap import Bootstrap, BootstrapInterval, bootstrap_intervals
from studykit.mixed.fit import ManyFits, fit_many_linear_mixed
from studykit.mixed.influence import (
    Influence,
    NormalQuantiles,
    influence_of,
    random_effect_quantiles,
    residual_quantiles,
)
from studykit.mixed.model import MixedModel, fit_linear_mixed
from studykit.mixed.profile import (
    ProfileInterval,
    VarianceProfile,
    interval_and_profile,
    profile_interval,
    variance_profile,
)
from studykit.mixed.quantities import (
    Autocorrelation,
    Contrast,
    Correlation,
    Quantity,
    ResidualCorrelation,
    ResidualDeviation,
    StandardDeviation,
    VarianceShare,
)
from studykit.mixed.random_effects import RandomEffect
from studykit.mixed.residuals import ResidualStructure
from studykit.mixed.result import (
    Coefficient,
    CovarianceParameters,
    JointTest,
    LikelihoodRatio,
    MixedFit,
    OptimiserReport,
    RandomEffectCovariance,
    RandomEffectPredictions,
    ResidualCovariance,
    likelihood_ratio,
)
from studykit.mixed.variances import IntraclassCorrelation, describe_variances, intraclass_correlation

__all__ = [
    "Autocorrelation",
    "BinaryFit",
    "Bootstrap",
    "BootstrapInterval",
    "Coefficient",
    "Contrast",
    "Correlation",
    "CovarianceParameters",
    "Influence",
    "IntraclassCorrelation",
    "JointTest",
    "LikelihoodRatio",
    "ManyBinaryFits",
    "ManyFits",
    "MarginalRisk",
    "MixedFit",
    "MixedModel",
    "NormalQuantiles",
    "OptimiserReport",
    "ProfileInterval",
    "Quantity",
    "RandomEffect",
    "RandomEffectCovariance",
    "RandomEffectPredictions",
    "ResidualCorrelation",
    "ResidualCovariance",
    "ResidualDeviation",
    "ResidualStructure",
    "RiskRatio",
    "SeparatedPattern",
    "Separation",
    "StandardDeviation",
    "StandardisedRisks",
    "VarianceProfile",
    "VarianceShare",
    "bootstrap_intervals",
    "describe_variances",
    "fit_binary_mixed",
    "fit_linear_mixed",
    "fit_many_binary_mixed",
    "fit_many_linear_mixed",
    "influence_of",
    "interval_and_profile",
    "intraclass_correlation",
    "likelihood_ratio",
    "profile_interval",
    "random_effect_quantiles",
    "residual_quantiles",
    "variance_profile",
]
