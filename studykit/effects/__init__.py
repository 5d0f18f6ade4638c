"""Effect sizes from summary numbers; model-based effects live with their model.

Every standardised effect names its denominator: the same difference is small or large by what it is
divided by.

Examples
--------
>>> import studykit as sk
>>> gains = sk.effects.sample_of([2.5, 5.0, 0.0, 7.5, 2.5])
>>> gain = sk.effects.paired_difference(gains)
>>> round(gain.value, 2), gain.denominator
(1.23, 'standard deviation of the differences within pairs')
"""

from __future__ import annotations

from studykit.effects.change import (
    BeforeAfter,
    ChangeDifference,
    change_difference_own,
    change_difference_pooled,
)
from studykit.effects.mixed_model import MixedModelEffect, mixed_model_effect
from studykit.effects.noncentral import noncentrality_interval
from studykit.effects.odds import (
    TwoByTwo,
    correlation_from_standardised,
    log_odds_from_standardised,
    standardised_from_log_odds,
)
from studykit.effects.ratios import (
    coefficient_of_variation_from_spread,
    log_from_percent,
    percent_from_log,
    percent_interval,
    spread_from_coefficient_of_variation,
)
from studykit.effects.standardised import (
    Sample,
    StandardisedDifference,
    difference_in_reference_spread,
    paired_difference,
    paired_difference_in_raw_spread,
    paired_from_independent,
    sample_of,
    small_sample_factor,
    standardised_difference,
)
from studykit.effects.superiority import (
    ProbabilityOfSuperiority,
    common_language_effect,
    matched_rank_biserial,
    overlap,
    probability_of_superiority,
    share_above_reference_median,
    superiority_from_standardised,
)

__all__ = [
    "BeforeAfter",
    "ChangeDifference",
    "MixedModelEffect",
    "ProbabilityOfSuperiority",
    "Sample",
    "StandardisedDifference",
    "TwoByTwo",
    "change_difference_own",
    "change_difference_pooled",
    "coefficient_of_variation_from_spread",
    "common_language_effect",
    "correlation_from_standardised",
    "difference_in_reference_spread",
    "log_from_percent",
    "log_odds_from_standardised",
    "matched_rank_biserial",
    "mixed_model_effect",
    "noncentrality_interval",
    "overlap",
    "paired_difference",
    "paired_difference_in_raw_spread",
    "paired_from_independent",
    "percent_from_log",
    "percent_interval",
    "probability_of_superiority",
    "sample_of",
    "share_above_reference_median",
    "small_sample_factor",
    "spread_from_coefficient_of_variation",
    "standardised_difference",
    "standardised_from_log_odds",
    "superiority_from_standardised",
]
