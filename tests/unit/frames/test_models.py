"""Results as frames, and the engine through column names."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from studykit.errors import ArgumentError, RepeatedRowsWarning
from studykit.frames import fit_binary_frame, fit_frame, model_from_frame, to_frame
from studykit.kinds.continuous.results import ObservedSeries
from studykit.mixed import (
    RandomEffect,
    StandardDeviation,
    describe_variances,
    fit_binary_mixed,
    fit_linear_mixed,
    influence_of,
    likelihood_ratio,
    profile_interval,
    residual_quantiles,
)
from studykit.outcomes.results import OutcomeEstimate
from studykit.results import Estimate, RowCount


@pytest.fixture
def frame() -> pd.DataFrame:
    rng = np.random.default_rng(7)
    clients = np.repeat([f"C{index:02d}" for index in range(12)], 3)
    visit = np.tile([0.0, 6.0, 12.0], 12)
    arm = np.repeat(np.where(np.arange(12) % 2 == 0, "plain", "added"), 3)
    level = np.repeat(rng.normal(0, 2, 12), 3)
    load = 50 + level + 0.3 * visit + 0.2 * visit * (arm == "added") + rng.normal(0, 1, 36)
    return pd.DataFrame({"client": clients, "week": visit, "arm": arm, "load": load})


def test_column_names_give_what_the_engine_gives(frame: pd.DataFrame) -> None:
    before = frame.copy(deep=True)
    ours = fit_frame(
        frame,
        outcome="load",
        fixed=["week", "arm", ("week", "arm")],
        random={"client": ["intercept", "week"]},
        reference={"arm": "plain"},
    )
    week, added = frame["week"].to_numpy(), (frame["arm"] == "added").to_numpy(dtype=float)
    design = np.column_stack([np.ones(36), week, added, week * added])
    effect = RandomEffect("client", frame["client"].to_numpy(), np.column_stack([np.ones(36), week]))
    direct = fit_linear_mixed(frame["load"].to_numpy(), design, effect)
    assert [c.name for c in ours.coefficients] == ["intercept", "week", "arm[added]", "week:arm[added]"]
    assert [c.value for c in ours.coefficients] == [c.value for c in direct.coefficients]
    assert ours.contrast({"week:arm[added]": 1}) == direct.contrast([0, 0, 0, 1])
    assert ours.levels == (("arm", ("plain", "added")),)
    pd.testing.assert_frame_equal(frame, before)


def test_the_reference_turns_the_sign(frame: pd.DataFrame) -> None:
    fits = [
        fit_frame(
            frame, outcome="load", fixed=["arm"], random={"client": ["intercept"]}, reference={"arm": arm}
        )
        for arm in ("plain", "added")
    ]
    one, other = (fit.coefficients[1].value for fit in fits)
    assert one == pytest.approx(-other, rel=1e-9)


def test_rows_left_out_are_counted_by_column(frame: pd.DataFrame) -> None:
    frame.loc[[3, 4], "load"] = np.nan
    frame.loc[7, "arm"] = None
    fit = fit_frame(
        frame, outcome="load", fixed=["arm"], random={"client": ["intercept"]}, reference={"arm": "plain"}
    )
    assert str(fit.rows) == "33 of 36 rows used; left out: 2 (no value in load), 1 (no value in arm)"


@pytest.mark.parametrize("labels", ["texts", "pairs"])
def test_what_is_said_of_rows_carries_the_labels_of_the_frame(frame: pd.DataFrame, labels: str) -> None:
    """A label that was a position among the rows used dropped the wrong people's rows."""
    frame = frame.sample(frac=1.0, random_state=3)
    if labels == "texts":
        frame.index = pd.Index([f"row {place}" for place in frame.index], name="entry")
    else:
        frame.index = pd.MultiIndex.from_frame(frame[["client", "week"]], names=["who", "when"])
    missing, far = [frame.index[place] for place in (0, 5, 6)], frame.index[20]
    frame.loc[missing, "load"] = np.nan
    frame.loc[[far], "load"] += 40.0
    model = model_from_frame(frame, outcome="load", fixed=["week"], random={"client": ["intercept"]})
    fit = model.fit()
    used = frame.drop(index=missing)
    assert fit.index.equals(used.index)
    residuals, fitted = fit.residuals(conditional=True), fit.fitted_values(conditional=True)
    pd.testing.assert_series_equal(residuals + fitted, used["load"], check_names=False)
    assert residual_quantiles(fit.fit).labels[-1] == residuals.idxmax() == far
    assert set(residual_quantiles(fit.fit).labels).isdisjoint(missing)
    calmer = used.drop(index=[far])
    without = model_from_frame(calmer, outcome="load", fixed=["week"], random={"client": ["intercept"]})
    assert without.model.rows(np.arange(32) != 2).row_labels == tuple(calmer.index.delete(2))
    influence = influence_of(model.model, model.index.tolist() if labels == "texts" else used["client"])
    assert influence.largest("intercept")[0] == (far if labels == "texts" else used.loc[far, "client"])


def test_a_value_that_cannot_be_used_is_found_by_its_label(frame: pd.DataFrame) -> None:
    frame.index = pd.Index(np.arange(len(frame)) + 500)
    frame.loc[500, "load"] = np.nan
    frame.loc[507, "week"] = np.inf
    with pytest.raises(
        ArgumentError, match=r"column week: expected finite numbers; found inf in the row labelled 507"
    ):
        fit_frame(frame, outcome="load", fixed=["week"], random={"client": ["intercept"]})
    frame["load"] = frame["load"].astype(object)
    frame.loc[511, "load"] = "fifty"
    with pytest.raises(ArgumentError, match=r"column load: .*; found 'fifty' in the row labelled 511"):
        fit_frame(frame, outcome="load", fixed=[], random={"client": ["intercept"]})


def test_nested_groups_are_told_apart_by_all_columns(frame: pd.DataFrame) -> None:
    frame["trainer"] = np.repeat(["T1", "T2"], 18)
    frame["number"] = np.tile(np.repeat(np.arange(6), 3), 2)  # client 0 of T1 is not client 0 of T2
    nested = fit_frame(frame, outcome="load", fixed=["week"], random={("trainer", "number"): ["intercept"]})
    plain = fit_frame(frame, outcome="load", fixed=["week"], random={"client": ["intercept"]})
    assert nested.log_likelihood == pytest.approx(plain.log_likelihood, rel=1e-12)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"fixed": ["arm"], "reference": None}, 'reference None. Give reference={"arm": "added"}'),
        ({"reference": {"arm": "nobody"}}, "levels added, plain; reference 'nobody'"),
        (
            {"reference": {"arm": "plain", "sex": "f"}},
            "expected columns that the model uses; found sex",
        ),
        ({"outcome": "weight"}, "expected columns among client, week, arm, load; found weight"),
        (
            {"outcome": "arm", "fixed": ["week"]},
            "column arm: expected finite numbers; found 'plain' in the row labelled 0, 'plain' in the row",
        ),
        ({"fixed": "arm"}, 'fixed: expected a list of columns, such as ["days"]'),
        ({"random": {"client": "intercept"}}, "random: expected a list"),
        ({"random": ["client"]}, "random: expected a mapping, such as"),
        ({"fixed": ["load"]}, "outcome: expected a column that explains nothing in the same model"),
        ({"frame": {"load": [1.0]}}, "fit_frame: expected a data frame; found dict"),
    ],
)
def test_wrong_calls_are_explained(frame: pd.DataFrame, change: dict[str, object], message: str) -> None:
    call: dict[str, object] = {
        "outcome": "load",
        "fixed": ["arm"],
        "random": {"client": ["intercept"]},
        "reference": {"arm": "plain"},
    }
    with pytest.raises(ArgumentError) as caught:
        fit_frame(**({"frame": frame} | call | change))  # type: ignore[arg-type]
    assert message in str(caught.value)


def test_one_row_per_estimate_with_its_interval() -> None:
    estimate = OutcomeEstimate(
        "strength at week_12", "a compared with b", "one sentence", "ratio", "ratio",
        Estimate(0.05, 0.02, 30.0, "Kenward-Roger"), "primary", "a model",
        RowCount(4, 4, unit="clients"), ("few",),
    )  # fmt: skip
    table = to_frame((estimate,), confidence_level=0.9)
    row = table.iloc[0]
    interval = estimate.confidence_interval(0.9)
    assert (row["value"], row["lower"], row["upper"]) == (estimate.value, interval.lower, interval.upper)
    assert row["rows"] == "4 of 4 clients used"
    assert "estimate" not in table.columns


def test_arrays_give_one_row_per_element() -> None:
    series = ObservedSeries("C1", "a", np.array([0.0, 42.0]), np.array([50.0, 52.0]))
    table = to_frame([series])
    assert table[["client", "days", "scores"]].to_numpy().tolist() == [["C1", 0.0, 50.0], ["C1", 42.0, 52.0]]


def test_only_results_become_frames() -> None:
    with pytest.raises(ArgumentError, match="expected a result or a sequence of results; found str"):
        to_frame("strength")
    with pytest.raises(ArgumentError, match="expected results of studykit; found int"):
        to_frame([1])


def test_plain_tuples_of_results_become_rows() -> None:
    """Counts by reason, by kind and arm, and by trainer and arm are parts of results without a type."""
    reasons = to_frame((("moved away", 2), ("ill", 1)))
    assert reasons.to_dict("list") == {"name": ["moved away", "ill"], "number": [2, 1]}
    kinds = to_frame((("soreness", "conventional", 3),), columns=("kind", "arm", "events"))
    assert kinds.to_dict("records") == [{"kind": "soreness", "arm": "conventional", "events": 3}]
    trainers = (("T1", (("conventional", 5, 7), ("partner_reps", 6, 6))), ("T2", (("conventional", 1, 2),)))
    by_trainer = to_frame(trainers)
    assert list(by_trainer.columns) == ["name_1", "name_2", "number_1", "number_2"]
    assert by_trainer["number_2"].tolist() == [7, 6, 2]
    with pytest.raises(ArgumentError, match="to_frame: expected tuples of 3 values; found tuples of 2"):
        to_frame((("ill", 1),), columns=("a", "b", "c"))
    with pytest.raises(ArgumentError, match="expected tuples of one length"):
        to_frame((("ill", 1), ("moved", 1, 2)))


def test_what_a_result_keeps_for_itself_is_no_column(frame: pd.DataFrame) -> None:
    fit = fit_frame(frame, outcome="load", fixed=["week"], random={"client": ["intercept"]})
    assert not [name for name in to_frame(fit.fit).columns if name.startswith("_")]
    assert to_frame(fit.coefficients)["name"].tolist() == ["intercept", "week"]


def test_exact_copies_of_rows_are_told(frame: pd.DataFrame) -> None:
    """Copies made p .113 into .009 without a word."""
    copied = pd.concat([frame, frame.iloc[[4, 5, 9]]], ignore_index=True)
    with pytest.warns(
        RepeatedRowsWarning, match=r"3 of 39 rows repeat an earlier row .* \(first: 36, 37, 38\)"
    ):
        fit = fit_frame(copied, outcome="load", fixed=["week"], random={"client": ["intercept"]})
    assert "3 of 39 rows repeat" in str(fit.summary(intervals=False))
    doubled = frame.set_index("client", drop=False)
    named = fit_frame(doubled, outcome="load", fixed=["week"], random={"client": ["intercept"]})
    assert len(named.remarks) == 1
    assert named.remarks[0].startswith("Row labels occur more than once (first: 'C00')")


def test_truths_and_levels_that_do_not_occur(frame: pd.DataFrame) -> None:
    frame["added"] = frame["arm"] == "added"
    frame["size"] = pd.Categorical(frame["week"].map({0.0: "small", 6.0: "mid", 12.0: "large"}),
                                   ["small", "mid", "none", "large"], ordered=True)  # fmt: skip
    fit = fit_frame(frame, outcome="load", fixed=["added", "size"], random={"client": ["intercept"]})
    assert fit.fit.names == ("intercept", "added[True]", "size[mid]", "size[large]")
    turned = fit_frame(
        frame, outcome="load", fixed=["added"], random={"client": ["intercept"]}, reference={"added": True}
    )
    assert turned.fit.names == ("intercept", "added[False]")
    with pytest.raises(ArgumentError, match="levels small, mid, large; reference 'none'"):
        fit_frame(frame, outcome="load", fixed=["size"], random={"client": ["intercept"]},
                  reference={"size": "none"})  # fmt: skip


def test_rows_that_went_missing_are_part_of_the_message(frame: pd.DataFrame) -> None:
    frame.loc[frame["arm"] == "added", "load"] = np.nan
    with pytest.raises(
        ArgumentError, match=r"levels plain; .*18 of 36 rows used; left out: 18 \(no value in load"
    ):
        fit_frame(frame, outcome="load", fixed=["arm"], random={"client": ["intercept"]},
                  reference={"arm": "plain"})  # fmt: skip


@pytest.mark.parametrize(
    ("written", "hint"),
    [
        ("arm*week", r'their product as a tuple: \["arm", "week", \("arm", "week"\)\]'),
        ("arm:week", r'Write the product as a tuple: \("arm", "week"\)'),
        ("arm + week", r'Write the columns one by one: \["arm", "week"\]'),
    ],
)
def test_columns_in_one_text_get_a_hint(frame: pd.DataFrame, written: str, hint: str) -> None:
    with pytest.raises(ArgumentError, match=hint):
        fit_frame(frame, outcome="load", fixed=[written], random={"client": ["intercept"]})
    with pytest.raises(ArgumentError) as caught:
        fit_frame(frame, outcome="load", fixed=["arms"], random={"client": ["intercept"]})
    assert not caught.value.todo


def test_a_fit_from_a_frame_is_taken_wherever_its_parts_are(frame: pd.DataFrame) -> None:
    call = {"outcome": "load", "random": {"client": ["intercept"]}}
    larger = fit_frame(frame, fixed=["week", "arm"], reference={"arm": "plain"}, reml=False, **call)
    smaller = fit_frame(frame, fixed=["week"], reml=False, **call)
    assert likelihood_ratio(smaller, larger) == likelihood_ratio(smaller.fit, larger.fit)
    assert residual_quantiles(larger).labels == residual_quantiles(larger.fit).labels
    quantity = StandardDeviation("client")
    assert profile_interval(larger, quantity) == profile_interval(larger.model, quantity, reml=False)
    model = model_from_frame(frame, fixed=["week"], **call)
    assert profile_interval(model, quantity) == profile_interval(model.model, quantity, reml=True)
    assert influence_of(smaller, "client").levels == influence_of(model.model, "client").levels
    assert describe_variances(model) == describe_variances(model.model)
    with pytest.raises(
        ArgumentError, match=r"expected a linear mixed fit; found FrameModel. Fit the model first"
    ):
        residual_quantiles(model)
    with pytest.raises(
        ArgumentError, match=r"expected a model with its data; found MixedFit. A fit keeps no data"
    ):
        profile_interval(larger.fit, quantity)


def test_a_binary_outcome_from_a_frame(frame: pd.DataFrame) -> None:
    rng = np.random.default_rng(5)
    frame["kept"] = rng.random(36) < 0.6
    ours = fit_binary_frame(frame, outcome="kept", fixed=["arm", "week", ("arm", "week")],
                            random={"client": ["intercept"]}, reference={"arm": "plain"})  # fmt: skip
    added, week = (frame["arm"] == "added").to_numpy(float), frame["week"].to_numpy()
    design = np.column_stack([np.ones(36), added, week, added * week])
    direct = fit_binary_mixed(frame["kept"].to_numpy(float), design, RandomEffect("client", frame["client"]))
    assert [c.value for c in ours.coefficients] == [c.value for c in direct.coefficients]
    everybody = [np.column_stack([np.ones(36), arm, week, arm * week]) for arm in (np.ones(36), np.zeros(36))]
    assert ours.risks("arm", "added", "plain").difference == direct.standardised_risks(*everybody).difference
    with pytest.raises(ArgumentError, match=r"levels that the model knows \(plain, added\); found 'other'"):
        ours.risks("arm", "other", "plain")


def test_an_effect_in_standard_deviations_of_single_measurements(frame: pd.DataFrame) -> None:
    fit = fit_frame(frame, outcome="load", fixed=["arm"], random={"client": ["intercept"]},
                    reference={"arm": "plain"})  # fmt: skip
    effect = fit.effect_size({"arm[added]": 1})
    spread = fit.fit.covariance_parameters["client"][0, 0] + fit.fit.covariance_parameters.residual.variance
    assert effect.value == pytest.approx(fit.contrast({"arm[added]": 1}).value / spread**0.5)
    assert effect.denominator == "square root of the sum of the variances: client, residual"


def test_means_that_cannot_be_asked_for_are_explained(frame: pd.DataFrame) -> None:
    fit = fit_frame(frame, outcome="load", fixed=["arm", ("arm", "week")], random={"client": ["intercept"]},
                    reference={"arm": "plain"})  # fmt: skip
    for call, message in (
        ({"of": "trainer"}, "expected fixed effects among arm, week; found 'trainer'"),
        ({"of": "arm", "by": "week"}, r'expected values of week, .* Say at which: at={"week": \[0, 12\]}'),
        ({"of": "arm", "weights": "size"}, 'expected "equal" or "rows"; found \'size\''),
        ({"of": "arm", "at": {"week": [0, 6]}}, "one value each where they are not asked for; found week"),
    ):
        with pytest.raises(ArgumentError, match=message):
            fit.means(**call)
    with pytest.raises(ArgumentError, match="expected one of 'plain', 'added'; found 'nobody'"):
        fit.means("arm").against("nobody")
    with pytest.raises(
        ArgumentError, match=r"terms that arm:week is made of in the model; found no term week"
    ):
        fit.test_terms()


def test_the_model_table_is_short_and_escapes_what_it_shows(frame: pd.DataFrame) -> None:
    frame["arm"] = frame["arm"].replace({"added": "<b>added"})
    fit = fit_frame(frame, outcome="load", fixed=["arm", "week"], random={"client": ["intercept"]},
                    reference={"arm": "plain"})  # fmt: skip
    text = str(fit.summary())
    assert len(text.splitlines()) <= 24
    assert "36 of 36 rows used; 12 levels of client." in text
    assert "The search converged." in text
    html = fit._repr_html_()
    assert "arm[&lt;b&gt;added]" in html
    assert "<b>" not in html
    for thing in (
        fit,
        fit.fit,
        fit.summary(),
        fit.means("arm"),
        fit.test_terms(),
        fit.means("arm").pairwise(),
    ):
        assert len(repr(thing)) < 160
        assert "\n" not in repr(thing)
    ml = fit_frame(frame, outcome="load", fixed=["week"], random={"client": ["intercept"]}, reml=False)
    assert ml.summary(intervals=False).akaike == -2 * ml.log_likelihood + 2 * 4
    assert np.isnan(fit.summary(intervals=False).akaike)


@pytest.mark.parametrize(("clients", "told"), [(5, True), (6, False)])
def test_where_a_spread_is_hardly_known_it_is_said_what_would_be_done(clients: int, *, told: bool) -> None:
    week = np.tile([0.0, 1.0, 2.0], clients)
    own = np.repeat(np.arange(clients) * 3.0, 3)
    frame = pd.DataFrame({"client": np.repeat(range(clients), 3), "week": week, "load": 50 + own + week % 2})
    fit = fit_frame(frame, outcome="load", fixed=["week"], random={"client": ["intercept"]})
    assert ("Bayesian" in str(fit)) is told
