"""Retention: who still trains at the studio, for how long, and how arms compare.

Times are whole days since the start. This room knows no protocol, file, data frame or picture.

Examples
--------
Eight of eleven clients retained with partner reps, five of twelve without.

>>> import studykit as sk
>>> difference = sk.retention.risk_difference(sk.retention.StratifiedCounts([[5, 8]], [[12, 11]]))
>>> round(difference.value, 3), round(difference.p_value, 4)
(0.311, 0.1421)
"""

from __future__ import annotations

from studykit.retention.censored import CensoredTimes, from_spells
from studykit.retention.clock import (
    FOUR_WEEKS,
    ClientHistory,
    Closure,
    Departure,
    Pause,
    RetentionRule,
    Spell,
    active_status,
    countable_days,
    departures,
    is_active,
    spell,
    stopped_days,
)
from studykit.retention.countable import CountableDays, countable_days_of
from studykit.retention.curves import (
    CurveBand,
    QuantileTime,
    RetainedShare,
    RetentionCurve,
    first_day_at_risk,
    kaplan_meier,
)
from studykit.retention.discrete_hazard import DiscreteHazardModel, fit_discrete_hazards
from studykit.retention.hazard import HazardModel, fit_hazards, hazard_ratio
from studykit.retention.log_rank import LogRank, log_rank, log_rank_numbers
from studykit.retention.number_needed import (
    NeededRange,
    NumberNeeded,
    number_needed,
    number_needed_from_ends,
)
from studykit.retention.proportions import Proportion, share_interval
from studykit.retention.restricted_mean import (
    RestrictedMean,
    StratifiedMeanDifference,
    StratumMean,
    restricted_mean,
    restricted_mean_difference,
    restricted_mean_log_ratio,
    stratified_restricted_mean_difference,
)
from studykit.retention.risk_difference import (
    RiskDifference,
    RiskDifferences,
    risk_difference,
    risk_differences,
)
from studykit.retention.risk_ratio import RiskRatio, risk_ratio
from studykit.retention.stratified_counts import StratifiedCounts, StratumDifference, count_by_stratum

__all__ = [
    "FOUR_WEEKS",
    "CensoredTimes",
    "ClientHistory",
    "Closure",
    "CountableDays",
    "CurveBand",
    "Departure",
    "DiscreteHazardModel",
    "HazardModel",
    "LogRank",
    "NeededRange",
    "NumberNeeded",
    "Pause",
    "Proportion",
    "QuantileTime",
    "RestrictedMean",
    "RetainedShare",
    "RetentionCurve",
    "RetentionRule",
    "RiskDifference",
    "RiskDifferences",
    "RiskRatio",
    "Spell",
    "StratifiedCounts",
    "StratifiedMeanDifference",
    "StratumDifference",
    "StratumMean",
    "active_status",
    "count_by_stratum",
    "countable_days",
    "countable_days_of",
    "departures",
    "first_day_at_risk",
    "fit_discrete_hazards",
    "fit_hazards",
    "from_spells",
    "hazard_ratio",
    "is_active",
    "kaplan_meier",
    "log_rank",
    "log_rank_numbers",
    "number_needed",
    "number_needed_from_ends",
    "restricted_mean",
    "restricted_mean_difference",
    "restricted_mean_log_ratio",
    "risk_difference",
    "risk_differences",
    "risk_ratio",
    "share_interval",
    "spell",
    "stopped_days",
    "stratified_restricted_mean_difference",
]
