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

from studykit.retention.calendar import RetentionCalendar, retention_calendar
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
from studykit.retention.comparison import LogRank, compare_retention
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
from studykit.retention.exact_odds import ExactOddsRatio, exact_odds_ratio
from studykit.retention.hazard import HazardModel, fit_hazards, hazard_ratio
from studykit.retention.mantel_haenszel import (
    cochran_mantel_haenszel,
    log_odds_ratio,
    log_risk_ratio,
    wald_risk_difference,
)
from studykit.retention.number_needed import (
    NeededRange,
    NumberNeeded,
    number_needed,
    number_needed_from_ends,
)
from studykit.retention.proportions import Proportion
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
from studykit.retention.trainer_proportions import TrainerDifference, TrainerShare, trainer_difference
from studykit.retention.two_proportions import mee_interval, newcombe_interval

__all__ = [
    "FOUR_WEEKS",
    "CensoredTimes",
    "ClientHistory",
    "Closure",
    "CountableDays",
    "CurveBand",
    "Departure",
    "DiscreteHazardModel",
    "ExactOddsRatio",
    "HazardModel",
    "LogRank",
    "NeededRange",
    "NumberNeeded",
    "Pause",
    "Proportion",
    "QuantileTime",
    "RestrictedMean",
    "RetainedShare",
    "RetentionCalendar",
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
    "TrainerDifference",
    "TrainerShare",
    "active_status",
    "cochran_mantel_haenszel",
    "compare_retention",
    "count_by_stratum",
    "countable_days",
    "countable_days_of",
    "departures",
    "exact_odds_ratio",
    "first_day_at_risk",
    "fit_discrete_hazards",
    "fit_hazards",
    "from_spells",
    "hazard_ratio",
    "is_active",
    "kaplan_meier",
    "log_odds_ratio",
    "log_risk_ratio",
    "mee_interval",
    "newcombe_interval",
    "number_needed",
    "number_needed_from_ends",
    "restricted_mean",
    "restricted_mean_difference",
    "restricted_mean_log_ratio",
    "retention_calendar",
    "risk_difference",
    "risk_differences",
    "risk_ratio",
    "spell",
    "stopped_days",
    "stratified_restricted_mean_difference",
    "trainer_difference",
    "wald_risk_difference",
]
