"""Every public type of result as a data frame: one row for each thing, numbers as numbers."""

from __future__ import annotations

import inspect
import math
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from functools import cache
from types import ModuleType
from typing import Any, get_args, get_type_hints

import numpy as np
import pandas as pd
import pytest
from scipy.sparse import csr_array

import studykit as sk
from studykit import frames, mixed
from studykit.lookback import look_back_results as lookback
from studykit.mixed import RandomEffect
from studykit.results import Estimate, HasInterval, Interval, RowCount

# What is given to a function, or kept inside a result to compute with, and is read by nobody.
NO_RESULTS = {
    "AttendanceLog", "BeforeAfter", "BinaryData", "BinaryPrecision", "CensoredTimes", "ClientFact",
    "ClientHistory", "Closure", "CountableDays", "Design", "Finding", "FrameModel", "FrameRows", "MixedModel",
    "NoticedRows", "Pause", "Precision", "RandomEffect", "ReadProtocol", "RecordTable", "Records",
    "ResidualStructure", "RetentionRule", "Sample", "Spans", "Spell", "StratifiedCounts", "Study", "TwoByTwo",
    "Correlation", "ResidualDeviation", "StandardDeviation", "VarianceShare", "ResidualCorrelation",
    "Autocorrelation", "Contrast", "RowCount", "Interval", "OptimiserReport", "Separation",
    "SeparatedPattern", "ErrorAndFreedom", "Departure", "Verdict", "Protocol",
}  # fmt: skip


def result_types() -> Iterator[type]:
    """Every dataclass that a public function returns, and what these hold."""
    seen: set[type] = set()
    waiting: list[Any] = []
    for home in (sk, sk.effects, sk.retention, sk.power, mixed, frames):
        for name in home.__all__:
            thing = getattr(home, name)
            if inspect.isclass(thing):
                waiting.append(thing)
            elif not isinstance(thing, ModuleType) and callable(thing):
                waiting.append(get_type_hints(thing).get("return"))
    while waiting:
        kind = waiting.pop()
        if isinstance(kind, type) and is_dataclass(kind) and kind not in seen:
            seen.add(kind)
            if kind.__name__ not in NO_RESULTS:
                hints = get_type_hints(kind, localns={"csr_array": csr_array})
                waiting += [hints[field.name] for field in fields(kind)]
                yield kind
        else:
            waiting += get_args(kind)


CLIENT = np.repeat([f"C{place}" for place in range(8)], 4)
WEEK = np.tile([0.0, 4.0, 8.0, 12.0], 8)


@cache
def frame() -> pd.DataFrame:
    rng = np.random.default_rng(3)
    load = 50 + np.repeat(rng.normal(0, 3, 8), 4) + 0.4 * WEEK + rng.normal(0, 1, 32)
    arm = np.where(CLIENT < "C4", "plain", "added")
    kept = (rng.random(32) < 0.6).astype(float)
    return pd.DataFrame({"client": CLIENT, "week": WEEK, "arm": arm, "load": load, "kept": kept})


@cache
def examples() -> dict[str, Any]:
    """One of every type of result, by its name."""
    table = frame()
    fit = sk.fit_frame(
        table, outcome="load", fixed=["arm", "week"], random={"client": ["intercept", "week"]},
        reference={"arm": "plain"},
    )  # fmt: skip
    simple = sk.model_from_frame(table, outcome="load", fixed=["week"], random={"client": ["intercept"]})
    spread = sk.StandardDeviation("client")
    draws = sk.bootstrap_intervals(simple, [spread], seed=1, draws=100)
    binary = sk.fit_binary_frame(table, outcome="kept", fixed=["arm"], random={"client": ["intercept"]},
                                 reference={"arm": "plain"})  # fmt: skip
    risks = binary.risks("arm", "added", "plain")
    effect = RandomEffect("client", CLIENT)
    design = np.column_stack([np.ones(32), WEEK])
    load, kept = table["load"].to_numpy(), table["kept"].to_numpy()
    made = [
        fit, fit.fit, *fit.coefficients[:1], fit.fit.covariance_parameters, fit.fit.predictions[0],
        fit.fit.covariance_parameters.random_effects[0], fit.fit.covariance_parameters.residual,
        fit.contrast({"week": 1}), fit.joint_test([{"week": 1}]), fit.effect_size, fit.means("arm"),
        fit.means("arm").rows[0], fit.means("arm").pairwise(), fit.means("arm").pairwise().rows[0],
        fit.test_terms(), fit.test_terms().rows[0], fit.summary(), binary, binary.fit, risks, risks.compared,
        risks.ratio, draws, draws.intervals[0], sk.profile_interval(simple, spread),
        sk.variance_profile(simple, spread, points=5), sk.influence_of(simple, "client", contrast={"week": 1}),
        sk.residual_quantiles(fit), sk.intraclass_correlation(simple, "client"),
        sk.likelihood_ratio(simple.fit(reml=False), sk.fit_frame(
            table, outcome="load", fixed=["week", "arm"], random={"client": ["intercept"]},
            reference={"arm": "plain"}, reml=False)),
        sk.fit_many_linear_mixed(np.stack([load, load + WEEK]), design, effect, contrasts=np.eye(2)),
        sk.fit_many_binary_mixed(np.stack([kept, 1 - kept]), design, effect, contrasts=np.eye(2)),
        sk.fit_frame(table, outcome="load", fixed=["arm"], random={"client": ["intercept"]},
                     reference={"arm": "plain"}).effect_size({"arm[added]": 1}),
        *of_effects(), *of_retention(), *of_lookback(),
        sk.power.clients_for_difference(0.5, 1.0), 
    ]  # fmt: skip
    return {type(item).__name__: item for item in made}


def of_effects() -> list[Any]:
    effects = sk.effects
    one, two = effects.Sample(103.0, 5.5, 50), effects.Sample(100.0, 4.5, 50)
    before = effects.BeforeAfter(one, 108.0), effects.BeforeAfter(two, 101.0)
    return [
        effects.standardised_difference(one, two),
        effects.change_difference_pooled(*before, correlation=0.6),
        effects.probability_of_superiority([3.0, 4.0, 5.0], [1.0, 2.0, 3.0]),
    ]


def of_retention() -> list[Any]:
    retention = sk.retention
    days, left = np.array([30, 60, 90, 120, 150, 200, 40, 80]), np.array([1, 1, 0, 1, 0, 0, 1, 0], bool)
    arm = np.array([0, 1, 0, 1, 0, 1, 0, 1])
    times = retention.CensoredTimes(days, left)
    first, second = (retention.CensoredTimes(days[arm == one], left[arm == one]) for one in (0, 1))
    curve = retention.kaplan_meier(times)
    counts = retention.StratifiedCounts([[5, 8], [4, 6]], [[12, 11], [9, 10]])
    difference = retention.risk_difference(counts)
    strata = [np.zeros(4, int), np.zeros(4, int)]
    needed = retention.number_needed(difference)
    del strata
    return [
        curve, curve.band(0.95) if hasattr(curve, "band") else curve, retention.log_rank(times, arm),
        difference, needed, needed.interval[0], retention.restricted_mean(curve, 100),
        retention.fit_hazards(times, arm[:, None].astype(float), names=("arm",)), first, second,
    ]  # fmt: skip


def of_lookback() -> list[Any]:
    association = lookback.Association(0.7, Interval(0.5, 0.98, 0.95, "t"), 0.04, 0.2, 30.0)
    return [association]


@pytest.mark.parametrize("kind", sorted(result_types(), key=lambda kind: kind.__name__), ids=lambda k: k.__name__)
def test_every_public_result_becomes_a_frame(kind: type) -> None:
    if kind.__name__ not in examples():
        pytest.fail(f"no example of {kind.__module__}.{kind.__name__}")
    result = examples()[kind.__name__]
    table = sk.to_frame(result)
    assert len(table) >= 1 and len(table.columns) >= 1
