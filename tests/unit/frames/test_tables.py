"""Every public type of result as a data frame: one row for each thing, numbers as numbers."""

from __future__ import annotations

import ast
import inspect
import math
import re
from collections.abc import Mapping
from dataclasses import fields, is_dataclass, make_dataclass
from functools import cache
from importlib import import_module
from types import ModuleType, NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np
import pandas as pd
import pytest

import studykit as sk
from studykit import frames, mixed
from studykit.errors import ArgumentError, Finding
from studykit.kinds.continuous.results import ContinuousResult
from studykit.lookback import look_back_results
from studykit.mixed import RandomEffect
from studykit.outcomes import results as outcomes
from studykit.results import Estimate, HasInterval, Interval, Result, RowCount
from studykit.study import study as study_module
from tests.unit.report.conftest import make_results

HOMES = (sk, sk.effects, sk.retention, sk.power, mixed, frames, look_back_results, outcomes)
NAMES: dict[str, Any] = {}
# What is given to a function, or kept inside a result to compute with: no table to read.
NO_RESULTS = {
    "AttendanceLog", "BinaryData", "BinaryPrecision", "Bindings", "Design", "FrameModel", "FrameRows",
    "MixedModel", "Precision", "RandomEffect", "ReadProtocol", "RecordTable", "Records", "ResidualStructure",
    "Study", "Protocol", "CensoredTimes", "ClientHistory", "StratifiedCounts", "DiscreteHazardModel",
}  # fmt: skip


def hints_of(thing: Any) -> dict[str, Any]:
    """Annotations; a name that only type checkers know stands for anything."""
    try:
        return get_type_hints(thing, localns=NAMES)
    except NameError as error:
        NAMES[error.name] = Any
        return hints_of(thing)


def returned(home: Any, name: str) -> Any:
    thing = getattr(home, name)
    if inspect.isclass(thing):
        return thing
    if name.startswith("__") or isinstance(thing, ModuleType) or not callable(thing):
        return None
    return hints_of(thing).get("return")


def names_of(home: Any) -> list[str]:
    listed = getattr(home, "__all__", None)
    return list(listed or [name for name, thing in vars(home).items() if is_dataclass(thing)])


@cache
def result_types() -> tuple[type, ...]:
    """Every dataclass that a public function returns, and what these hold (abstract ones are never made)."""
    seen: dict[type, None] = {}
    waiting: list[Any] = [returned(home, name) for home in HOMES for name in names_of(home)]
    while waiting:
        kind = waiting.pop()
        if isinstance(kind, type) and is_dataclass(kind):
            if kind not in seen and kind.__name__ not in NO_RESULTS and "pydantic" not in kind.__module__:
                seen[kind] = None
                waiting += hints_of(kind).values()
        else:
            waiting += get_args(kind)
    made_ones = (kind for kind in seen if not inspect.isabstract(kind))
    return tuple(sorted(made_ones, key=lambda kind: (kind.__name__, kind.__module__)))


def made(hint: Any) -> Any:
    """Some value of a type, made from its annotation."""
    origin, inner = get_origin(hint), get_args(hint)
    if hint in (Any, object):
        return "thing"
    if origin is Literal:
        return inner[0]
    if origin in (Union, UnionType):
        return made(next(kind for kind in inner if kind is not NoneType))
    if origin is tuple:
        return (made(inner[0]),) * 2 if inner[-1] is Ellipsis else tuple(made(kind) for kind in inner)
    if origin is np.ndarray or hint is np.ndarray:
        return np.array([1.0, 2.5, 7.0])
    if origin in (dict, Mapping):
        return {made(inner[0]): made(inner[1])}
    if origin is not None and origin not in (Union, UnionType):
        return (made(inner[0]),) if inner else "thing"
    if hint is HasInterval:
        return Estimate(2.0, 0.5, 12.0, "given")
    if hint is RowCount:
        return RowCount(5, 4, (("no test", 1),))
    simple = {float: 0.25, int: 3, str: "word", bool: True, NoneType: None}
    if hint in simple:
        return simple[hint]
    if hasattr(hint, "_fields"):
        return hint(*map(made, hints_of(hint).values()))
    if isinstance(hint, type) and is_dataclass(hint):
        if hint.__name__ in examples():
            return examples()[hint.__name__]
        if inspect.isabstract(hint):
            return made(ContinuousResult)
        inside = hints_of(hint)
        values = {field.name: made(inside[field.name]) for field in fields(hint)}
        try:
            return hint(**{field.name: values[field.name] for field in fields(hint) if field.init})
        except ArgumentError:  # numbers that have to fit each other, which a table does not ask
            bare = object.__new__(hint)
            for name, value in values.items():
                object.__setattr__(bare, name, value)
            return bare
    return "thing"


CLIENT = np.repeat([f"C{place}" for place in range(8)], 4)
WEEK = np.tile([0.0, 4.0, 8.0, 12.0], 8)


@cache
def frame() -> pd.DataFrame:
    rng = np.random.default_rng(3)
    load = 50 + np.repeat(rng.normal(0, 3, 8), 4) + 0.4 * WEEK + rng.normal(0, 1, 32)
    arm = np.where(CLIENT < "C4", "plain", "added")
    kept = (rng.random(32) < 0.6).astype(float)
    return pd.DataFrame({"client": CLIENT, "week": WEEK, "arm": arm, "load": load, "kept": kept})


def times() -> Any:
    days, left = np.array([30, 60, 90, 120, 150, 200, 40, 80]), np.array([1, 1, 0, 1, 0, 0, 1, 0], bool)
    return sk.retention.CensoredTimes(days, left)


@cache
def examples() -> dict[str, Any]:
    """Real results of the types whose rows are not simply their fields, by name."""
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
        fit.contrast({"week": 1}), fit.joint_test([{"week": 1}]), fit.means("arm"),
        fit.means("arm").rows[0], fit.means("arm").pairwise(), fit.means("arm").pairwise().rows[0],
        fit.test_terms(), fit.test_terms().rows[0], fit.summary(), binary, binary.fit, risks, risks.compared,
        risks.ratio, draws, draws.intervals[0], sk.profile_interval(simple, spread),
        sk.variance_profile(simple, spread, points=5),
        sk.influence_of(simple, "client", contrast={"week": 1}),
        sk.residual_quantiles(fit), sk.intraclass_correlation(simple, "client"),
        sk.likelihood_ratio(simple.fit(reml=False), sk.fit_frame(
            table, outcome="load", fixed=["week", "arm"], random={"client": ["intercept"]},
            reference={"arm": "plain"}, reml=False)),
        sk.fit_many_linear_mixed(np.stack([load, load + WEEK]), design, effect, contrasts=np.eye(2)),
        sk.fit_many_binary_mixed(np.stack([kept, 1 - kept]), design, effect, contrasts=np.eye(2)),
        sk.fit_frame(table, outcome="load", fixed=["arm"], random={"client": ["intercept"]},
                     reference={"arm": "plain"}).effect_size({"arm[added]": 1}),
        sk.retention.fit_hazards(times(), np.array([[0.0], [1.0]] * 4), names=("arm",)),
        sk.retention.kaplan_meier(times()), sk.retention.StratifiedCounts([[5, 8]], [[12, 11]]),
        sk.effects.standardised_difference(
            sk.effects.Sample(103.0, 5.5, 50), sk.effects.Sample(100.0, 4.5, 50)),
        sk.retention.NeededRange("benefit", 4.0, math.inf),
        sk.describe(table, by="arm"), sk.describe(table, by="arm").table,
        look_back_results.Association(0.7, Interval(0.5, 0.98, 0.95, "t"), 0.04, 0.2, 30.0),
    ]  # fmt: skip
    return {type(item).__name__: item for item in made}


@pytest.mark.parametrize("kind", result_types(), ids=lambda kind: kind.__name__)
def test_every_public_result_becomes_a_frame(kind: type) -> None:
    """One row or more, every cell plain, no interval inside a text."""
    result = made(kind)
    table = sk.to_frame(result, confidence_level=0.9)
    assert len(table)
    assert table.columns.is_unique
    for column in table:
        for cell in table[column]:
            assert cell is None or isinstance(cell, str | int | float | np.generic), f"{column}: {type(cell)}"
            assert not re.search(r"\d to [-\d]|Interval\(|array\(|object at", str(cell)), f"{column}: {cell}"
    if isinstance(result, HasInterval) and is_dataclass(result):
        interval = result.confidence_interval(0.9)
        row = table.iloc[0]
        assert (row["lower"], row["upper"]) == pytest.approx((interval.lower, interval.upper), nan_ok=True)
        assert row["value"] == pytest.approx(result.value, nan_ok=True)


def study_types() -> tuple[type, ...]:
    """What the methods of a study give: their names are imported for type checkers only."""
    found = {}
    for node in ast.walk(ast.parse(inspect.getsource(study_module))):
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("studykit"):
            home = import_module(str(node.module))
            found |= {alias.name: getattr(home, alias.name) for alias in node.names}
    kinds = [kind for kind in found.values() if inspect.isclass(kind) and is_dataclass(kind)]
    return tuple(kind for kind in kinds if kind is not Finding and kind not in result_types())


@pytest.mark.parametrize("kind", [*result_types(), *study_types()], ids=lambda kind: kind.__name__)
def test_every_public_result_is_short_where_it_is_shown(kind: type) -> None:
    """A line or two as a value, a screen of 80 by 24 when printed, a table in a notebook."""
    result = made(kind)
    assert len(repr(result)) <= 160
    assert "\n" not in repr(result)
    rows = [max(1, math.ceil(len(line) / 80)) for line in str(result).splitlines()]
    assert sum(rows) <= 24, str(result)
    if kind is not Finding:  # which is a sentence, and known before there are results
        html = result._repr_html_()
        assert html.startswith(("<table", '<div class="table'))
        assert "</table>" in html


def test_what_is_printed_of_a_study_is_its_answer() -> None:
    results = make_results()
    lines = str(results).splitlines()
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80
    primary = results.strength.primary
    ends = primary.confidence_interval()
    assert f"  strength: {primary.value:.4g} ({ends.lower:.4g} to {ends.upper:.4g}), p " in str(results)
    assert results.strength.primary.contrast[:9] in str(results)


def test_what_is_shown_is_escaped_and_of_any_length() -> None:
    named = Estimate(1.0, 0.5, 9.0, "<script>" + 200 * "x")
    assert "<script" not in named._repr_html_()
    assert len(repr(named)) <= 160
    many = {f"part_{place}": place for place in range(60)}
    wide = make_dataclass("Wide", [(name, int) for name in many], bases=(Result,), frozen=True)(**many)
    assert len(str(wide).splitlines()) <= 24
    assert "and 40 more fields" in str(wide)
    short = RowCount(3, 3)
    assert repr(short) == "RowCount(supplied=3, used=3, left_out=(), unit='rows')"


def test_the_types_are_found() -> None:
    names = {kind.__name__ for kind in result_types()}
    assert {"MixedFit", "FrameFit", "Means", "Influence", "LookBack", "RetentionCurve", "Needed"} <= names
    assert {"OutcomeEstimate", "StandardisedDifference", "BinaryFit", "HarmArm", "NumberNeeded"} <= names


def test_a_fit_gives_its_fixed_effects_with_everything() -> None:
    fit = examples()["FrameFit"]
    table = sk.to_frame(fit).set_index("name")
    week = fit.contrast({"week": 1})
    row = table.loc["week"]
    assert list(table.index) == ["intercept", "arm[added]", "week"]
    assert row["value"] == week.value
    assert row["standard_error"] == week.standard_error
    assert row["degrees_of_freedom"] == week.degrees_of_freedom
    assert row["statistic"] == week.statistic
    assert row["p_value"] == week.p_value
    assert row["lower"] == week.confidence_interval().lower


def test_an_estimate_of_a_study_carries_what_was_tested() -> None:
    """Its standard error, degrees of freedom and statistic were lost on the way to the frame."""
    inner = Estimate(0.05, 0.02, 30.0, "Kenward-Roger")
    estimate = outcomes.OutcomeEstimate(
        "strength", "a with b", "sentence", "ratio", "ratio", inner, "primary", "model", RowCount(4, 4)
    )
    row = sk.to_frame(estimate).iloc[0]
    assert (row["standard_error"], row["degrees_of_freedom"]) == (0.02, 30.0)
    assert row["statistic"] == inner.statistic
    assert row["value"] == math.exp(0.05)


def test_spread_by_group_and_pair() -> None:
    parameters = examples()["MixedFit"].covariance_parameters
    table = sk.to_frame(parameters).set_index(["group", "quantity", "column", "with"])["value"]
    own = parameters.random_effects[0]
    assert table["client", "variance", "week", ""] == own.matrix[1, 1]
    assert table["client", "correlation", "intercept", "week"] == pytest.approx(own.correlations[0, 1])
    assert table["residual", "standard deviation", "", ""] == pytest.approx(parameters.residual.variance**0.5)


def test_predictions_and_influence_name_their_level() -> None:
    predictions = examples()["RandomEffectPredictions"]
    table = sk.to_frame(predictions).set_index(["level", "column"])
    assert table.loc[("C3", "week"), "value"] == predictions.values[3, 1]
    assert table.loc[("C3", "week"), "standard_error"] == predictions.standard_errors[3, 1]
    influence = examples()["Influence"]
    table = sk.to_frame(influence).set_index(["level", "name"])
    assert len(table) == 8 * 3
    assert table.loc[("C5", "contrast"), "change"] == influence.contrast_change[5]
    assert table.loc[("C5", "week"), "value"] == influence.values[5, 1]


def test_labels_stand_beside_the_values_they_belong_to() -> None:
    quantiles = examples()["NormalQuantiles"]
    table = sk.to_frame(quantiles)
    assert table["labels"].tolist() == list(quantiles.labels)
    assert table["observed"].tolist() == quantiles.observed.tolist()


def test_coefficients_say_which_standard_error_they_show() -> None:
    table = sk.to_frame(examples()["MixedFit"].coefficients)
    assert table["standard_error_method"].str.contains("not adjusted for small samples").all()


def test_what_is_no_result_is_refused() -> None:
    with pytest.raises(ArgumentError, match="expected results of studykit; found dict"):
        sk.to_frame([{}])
