"""Sample size, power and precision in closed form: what a plan stands on, for a calculation of one's own.

Every function takes numbers and gives numbers; its docstring says of which clients they are (of one arm, of
all), in which unit, and from which source. A difference on the log scale is ``log(1 + per cent / 100)``.

Examples
--------
Clients in each arm for half a standard deviation, 80 % power at the two-sided 5 % level:

>>> import studykit as sk
>>> sk.power.clients_for_difference(0.5, 1.0).whole
64

The same with a test before that correlates 0.8 with the one after, of which both arms' means are adjusted:

>>> left = sk.power.summary_variance("baseline-adjusted", 0.8)
>>> sk.power.clients_for_difference(0.5, left**0.5).whole
24
"""

from __future__ import annotations

from studykit.planning.clusters import (
    crossed_error,
    design_effect,
    fewest_trainers,
    nested_error,
    one_arm_error,
    trainers_for_difference,
)
from studykit.planning.log_rank_power import (
    clients_for_log_rank,
    departures_needed,
    hazard_ratio_from_shares,
    log_rank_power,
)
from studykit.planning.margins import (
    alike_power,
    clients_for_alike,
    clients_for_not_worse,
    clients_for_share_not_worse,
    clients_for_shares_alike,
    not_worse_power,
)
from studykit.planning.means import (
    clients_for_difference,
    clients_for_half_width,
    clients_for_several_arms,
    clients_for_width_of_d,
    composite_variance,
    inflated_for_losses,
    pairs_for_difference,
    slope_variance,
    summary_variance,
)
from studykit.planning.power import detectable_difference, expected_half_width, t_power
from studykit.planning.precision import clients_for_assured_half_width
from studykit.planning.two_proportions import (
    clients_for_shares,
    detectable_share,
    score_interval_width,
    score_test_power,
    shares_power,
)
from studykit.planning.within import clients_for_crossover, crossover_error, schedule_error, spread_over

__all__ = [
    "alike_power",
    "clients_for_alike",
    "clients_for_assured_half_width",
    "clients_for_crossover",
    "clients_for_difference",
    "clients_for_half_width",
    "clients_for_log_rank",
    "clients_for_not_worse",
    "clients_for_several_arms",
    "clients_for_share_not_worse",
    "clients_for_shares",
    "clients_for_shares_alike",
    "clients_for_width_of_d",
    "composite_variance",
    "crossed_error",
    "crossover_error",
    "departures_needed",
    "design_effect",
    "detectable_difference",
    "detectable_share",
    "expected_half_width",
    "fewest_trainers",
    "hazard_ratio_from_shares",
    "inflated_for_losses",
    "log_rank_power",
    "nested_error",
    "not_worse_power",
    "one_arm_error",
    "pairs_for_difference",
    "schedule_error",
    "score_interval_width",
    "score_test_power",
    "shares_power",
    "slope_variance",
    "spread_over",
    "summary_variance",
    "t_power",
    "trainers_for_difference",
]
