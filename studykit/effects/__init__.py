"""Effect sizes in one place: from summary numbers, from arrays, and from a fit.

Summary numbers are `Sample`s (mean, standard deviation, clients), arrays become one by `sample_of`, and a fit
from a data frame has `effect_size`. Raw differences are contrasts of the fit; per cent is a difference of
logarithms (`percent_from_log`); shares give a difference, and from it the number needed. What libraries
give rightly (d, g, their large-sample errors) agrees with them; what is added is the interval by noncentral
t, the denominator by name, and the number needed with its interval.

Every standardised effect names its denominator: the same difference is small or large by what it is
divided by.

Examples
--------
>>> import studykit as sk
>>> gains = sk.effects.sample_of([2.5, 5.0, 0.0, 7.5, 2.5])
>>> gain = sk.effects.paired_difference(gains)
>>> round(gain.value, 2), gain.denominator
(1.23, 'standard deviation of the differences within pairs')

Eight of eleven clients stayed with partner reps, five of twelve without:

>>> difference = sk.effects.risk_difference(sk.effects.StratifiedCounts([[5, 8]], [[12, 11]]))
>>> needed = sk.effects.number_needed(difference)
>>> round(needed.value, 1), [(part.direction, round(part.fewest, 1)) for part in needed.interval]
(3.2, [('benefit', 1.6), ('harm', 9.7)])
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
from studykit.retention import (
    NeededRange,
    NumberNeeded,
    StratifiedCounts,
    number_needed,
    number_needed_from_ends,
    risk_difference,
)

__all__ = [
    "BeforeAfter",
    "ChangeDifference",
    "MixedModelEffect",
    "NeededRange",
    "NumberNeeded",
    "ProbabilityOfSuperiority",
    "Sample",
    "StandardisedDifference",
    "StratifiedCounts",
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
    "number_needed",
    "number_needed_from_ends",
    "overlap",
    "paired_difference",
    "paired_difference_in_raw_spread",
    "paired_from_independent",
    "percent_from_log",
    "percent_interval",
    "probability_of_superiority",
    "risk_difference",
    "sample_of",
    "share_above_reference_median",
    "small_sample_factor",
    "spread_from_coefficient_of_variation",
    "standardised_difference",
    "standardised_from_log_odds",
    "superiority_from_standardised",
]
