"""How far a repeated test agrees with itself: intraclass correlation and typical error."""

from __future__ import annotations

import math
import warnings

import numpy as np
from numpy.typing import NDArray

from studykit.kinds.continuous.analysis import Setting
from studykit.kinds.continuous.results import Reliability
from studykit.results import Interval

Floats = NDArray[np.float64]
LEAST_CLIENTS = 3
ONE_BASELINE = (
    "There were not two visits before allocation, so tests cannot show how far a test agrees with itself."
)


def intraclass_correlation(scores: Floats, confidence_level: float) -> tuple[float, Interval]:
    """Agreement of single tests, clients and visits both random: ICC(2,1) of Shrout and Fleiss, by pingouin.

    Parameters
    ----------
    scores : ndarray, shape (clients, tests)
        Complete.
    confidence_level : float

    Notes
    -----
    The value is pingouin's; its interval is rounded to two decimals there and is computed here again, from
    the same mean squares (Shrout & Fleiss 1979, Psychological Bulletin 86:420; McGraw & Wong 1996).
    """
    clients, tests = scores.shape
    value = _by_pingouin(scores)
    between, visits, error = mean_squares(scores)
    return value, _agreement_interval(
        value, between, visits, error, clients=clients, tests=tests, confidence_level=confidence_level
    )


def mean_squares(scores: Floats) -> tuple[float, float, float]:
    """Between clients, between tests, and error, of a complete two-way table."""
    clients, tests = scores.shape
    grand = scores.mean()
    by_client, by_test = scores.mean(axis=1), scores.mean(axis=0)
    between = tests * float(((by_client - grand) ** 2).sum()) / (clients - 1)
    visits = clients * float(((by_test - grand) ** 2).sum()) / (tests - 1)
    rest = scores - by_client[:, None] - by_test[None, :] + grand
    return between, visits, float((rest**2).sum()) / ((clients - 1) * (tests - 1))


def _by_pingouin(scores: Floats) -> float:
    import pandas as pd
    import pingouin

    clients, tests = scores.shape
    table = pd.DataFrame(
        {
            "client": np.repeat(np.arange(clients), tests),
            "test": np.tile(np.arange(tests), clients),
            "score": scores.ravel(),
        }
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # divisions by zero where two tests agree exactly
        answer = pingouin.intraclass_corr(table, targets="client", raters="test", ratings="score")
    return float(answer["ICC"].to_numpy()[1])


def _agreement_interval(
    value: float,
    between: float,
    visits: float,
    error: float,
    *,
    clients: int,
    tests: int,
    confidence_level: float,
) -> Interval:
    """F-based interval with Satterthwaite degrees of freedom."""
    from scipy.stats import f as f_distribution

    name = "F, Shrout and Fleiss"
    if error == 0.0 and visits == 0.0:
        return Interval(value, value, confidence_level, name)
    n, k = clients, tests
    ratio = visits / error if error else math.inf
    if math.isinf(ratio):
        return Interval(math.nan, math.nan, confidence_level, name)
    spread = k * value * ratio + n * (1.0 + (k - 1.0) * value) - k * value
    freedom = (k - 1.0) * (n - 1.0) * spread**2
    freedom /= (n - 1.0) * k**2 * value**2 * ratio**2 + (n * (1.0 + (k - 1.0) * value) - k * value) ** 2
    upper_point = 0.5 + confidence_level / 2.0
    first = float(f_distribution.ppf(upper_point, n - 1.0, freedom))
    second = float(f_distribution.ppf(upper_point, freedom, n - 1.0))
    common = k * visits + (k * n - k - n) * error
    return Interval(
        n * (between - first * error) / (first * common + n * between),
        n * (second * between - error) / (common + n * second * between),
        confidence_level,
        name,
    )


def typical_error(scores: Floats) -> float:
    """Standard deviation of one client's tests about his mean, systematic change between tests apart.

    Root of the error mean square; with two tests the standard deviation of the differences over root two
    (Hopkins 2000, Sports Medicine 30:1).
    """
    return math.sqrt(mean_squares(scores)[2])


def reliability_of_tests(setting: Setting) -> tuple[tuple[Reliability, ...], tuple[str, ...]]:
    """Per exercise from the visits before allocation, where there are at least two; else a remark."""
    visits = list(setting.rows.baseline_visits)
    if len(visits) < 2:
        return (), (ONE_BASELINE,)
    found, remarks = [], []
    for place, exercise in enumerate(setting.rows.exercise_labels):
        own = setting.cube[:, visits, place]
        own = own[np.isfinite(own).all(axis=1)]
        if own.shape[0] < LEAST_CLIENTS:
            remarks.append(
                f"Too few clients were tested twice before allocation on {exercise or 'the outcome'}."
            )
            continue
        value, interval = intraclass_correlation(own, setting.protocol.analysis.confidence_level)
        error, unit = typical_error_presented(typical_error(own), setting)
        labels = ", ".join(setting.rows.visit_labels[visit] for visit in visits)
        found.append(Reliability(exercise, own.shape[0], value, interval, error, unit, f"visits {labels}"))
    return tuple(found), tuple(remarks)


def typical_error_presented(error: float, setting: Setting) -> tuple[float, str]:
    """Per cent on the log scale (100 (exp(s) - 1)), else in the outcome's unit.

    Notes
    -----
    Hopkins 2000 gives the per-cent form for the standard deviation of logarithms.
    """
    if setting.outcome.scale == "log":
        return 100.0 * math.expm1(error), "%"
    return error, setting.outcome.unit
