r"""Bound for unrecorded common causes: how strong one would have to be to explain an association away.

The E-value of VanderWeele & Ding 2017 (Annals of Internal Medicine 167:268): a cause that is associated with
partner reps and with leaving, each by a ratio of risks of :math:`E=R+\sqrt{R(R-1)}` beyond what was adjusted
for, could by itself make an observed ratio :math:`R\ge 1` out of none; a weaker one could not. Ratios below 1
are turned over first.
"""

from __future__ import annotations

import math

from studykit.errors import ArgumentError
from studykit.lookback.look_back_results import Answer, Association, BiasRow, UnmeasuredBound
from studykit.results import Interval

COMMON = 0.15  # share that left, above which a hazard ratio is no ratio of risks any more
SUPPOSED_SHARES = ((0.4, 0.2), (0.5, 0.2), (0.6, 0.2))  # of a cause that keeps clients: with, without
SUPPOSED_RATIOS = (0.8, 0.6, 0.4)  # of leaving, for clients with that cause


def e_value(ratio: float) -> float:
    """Least strength of an unrecorded common cause that could make this ratio of risks out of none.

    Raises
    ------
    ArgumentError
        If ``ratio`` is not above 0.

    Examples
    --------
    Formula feeding and death from respiratory infection, 3.9 (VanderWeele & Ding 2017):

    >>> round(e_value(3.9), 2), round(e_value(1 / 3.9), 2), e_value(1.0)
    (7.26, 7.26, 1.0)
    """
    if not ratio > 0.0:
        raise ArgumentError(where="ratio of risks", expected="a number above 0", got=repr(ratio))
    high = max(ratio, 1.0 / ratio)
    return high + math.sqrt(high * (high - 1.0))


def e_value_of_interval(interval: Interval) -> float:
    """The same for the end of the interval that is nearer to 1; 1 where the interval holds 1.

    Examples
    --------
    >>> round(e_value_of_interval(Interval(1.8, 8.7, 0.95, "published")), 2)
    3.0
    """
    if interval.contains(1.0):
        return 1.0
    return e_value(interval.lower if interval.lower > 1.0 else interval.upper)


def risk_ratio_from_hazard_ratio(hazard_ratio: float) -> float:
    r"""Ratio of risks that goes with a hazard ratio when many leave.

    Notes
    -----
    :math:`(1-0.5^{\sqrt{h}})/(1-0.5^{\sqrt{1/h}})`, VanderWeele & Ding 2017, Table 2, for outcomes in more
    than 15 % by the end of follow-up.

    Examples
    --------
    >>> round(risk_ratio_from_hazard_ratio(0.56), 4)
    0.6701
    """
    if not hazard_ratio > 0.0:
        raise ArgumentError(where="hazard ratio", expected="a number above 0", got=repr(hazard_ratio))
    root = math.sqrt(hazard_ratio)
    return math.expm1(-math.log(2.0) * root) / math.expm1(-math.log(2.0) / root)


def corrected_ratio(
    ratio: float, *, share_with: float, share_without: float, risk_ratio_of_cause: float
) -> float:
    r"""The ratio of risks that would be seen, had one common cause of yes or no been adjusted for.

    Parameters
    ----------
    ratio : float
        As observed.
    share_with, share_without : float
        Share of clients with the cause, among those with partner reps and among the others.
    risk_ratio_of_cause : float
        Of leaving, with the cause to without, the same in both groups.

    Notes
    -----
    Observed ratio times :math:`\{1+p_0(g-1)\}/\{1+p_1(g-1)\}` (Bross 1966; Schlesselman 1978, American
    Journal of Epidemiology 108:3; from memory).

    Examples
    --------
    >>> round(corrected_ratio(0.8, share_with=0.5, share_without=0.2, risk_ratio_of_cause=0.5), 4)
    0.96
    """
    if not (0.0 <= share_with <= 1.0 and 0.0 <= share_without <= 1.0 and risk_ratio_of_cause > 0.0):
        raise ArgumentError(
            where="supposed common cause",
            expected="shares from 0 to 1 and a ratio above 0",
            got=f"{share_with}, {share_without}, {risk_ratio_of_cause}",
        )
    extra = risk_ratio_of_cause - 1.0
    return ratio * (1.0 + share_without * extra) / (1.0 + share_with * extra)


def bias_table(ratio: float) -> tuple[BiasRow, ...]:
    """What some supposed causes would leave of a ratio of risks.

    The causes keep clients and are commoner among those with partner reps when the ratio is below 1, and
    among the others when it is above: the direction in which they would explain it.

    Examples
    --------
    >>> len(bias_table(0.8)), bias_table(1.25)[0].share_with < bias_table(1.25)[0].share_without
    (9, True)
    """
    rows = []
    for more, less in SUPPOSED_SHARES:
        shares = (more, less) if ratio <= 1.0 else (less, more)
        rows += [
            BiasRow(
                shares[0],
                shares[1],
                cause,
                corrected_ratio(
                    ratio, share_with=shares[0], share_without=shares[1], risk_ratio_of_cause=cause
                ),
            )
            for cause in SUPPOSED_RATIOS
        ]
    return tuple(rows)


def bound_unmeasured(answer: Answer) -> UnmeasuredBound | None:
    """The bound for one answer; ``None`` where it has no number or an interval without an end.

    The ratio of risks is taken where the answer has one, then the hazard ratio (converted when more than 15 %
    left), then the difference of risks.
    """
    found = _as_risk_ratio(answer)
    if found is None:
        return None
    ratio, interval, method = found
    if not (0.0 < ratio < math.inf):
        return None
    ends = e_value_of_interval(interval) if interval.lower > 0.0 or interval.upper < 1.0 else 1.0
    return UnmeasuredBound(ratio, e_value(ratio), ends, method, bias_table(ratio))


def _as_risk_ratio(answer: Answer) -> tuple[float, Interval, str] | None:
    if answer.risk_ratio is not None:
        return answer.risk_ratio.value, answer.risk_ratio.interval, "from the ratio of the shares that left"
    if answer.hazard_ratio is not None:
        return _from_hazard_ratio(answer.hazard_ratio, _share_left(answer))
    if answer.risk_difference is not None and answer.out_of_100 is not None:
        without = 1.0 - answer.out_of_100[1] / 100.0
        if without > 0.0:
            return _from_difference(answer.risk_difference, without)
    return None


def _share_left(answer: Answer) -> float:
    if answer.out_of_100 is not None:
        return 1.0 - min(answer.out_of_100) / 100.0
    return answer.events / max(answer.clients, 1)


def _from_hazard_ratio(association: Association, share_left: float) -> tuple[float, Interval, str]:
    if share_left <= COMMON:
        return association.value, association.interval, "from the hazard ratio, as few left"
    lower, upper = association.interval.lower, association.interval.upper
    interval = Interval(
        risk_ratio_from_hazard_ratio(lower) if lower > 0.0 else 0.0,
        risk_ratio_from_hazard_ratio(upper) if upper < math.inf else math.inf,
        association.interval.confidence_level,
        association.interval.method,
    )
    words = "from the hazard ratio, turned into a ratio of risks because more than 15 % left"
    return risk_ratio_from_hazard_ratio(association.value), interval, words


def _from_difference(association: Association, without: float) -> tuple[float, Interval, str]:
    """The difference over the share that left without partner reps, that share taken as known."""
    interval = association.interval.transformed(lambda end: max(1.0 + end / without, 0.0))
    words = "from the difference of shares, the share without partner reps taken as known"
    return 1.0 + association.value / without, interval, words
