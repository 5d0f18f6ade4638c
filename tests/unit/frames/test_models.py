"""Results as frames, and the engine through column names."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from studykit.errors import ArgumentError
from studykit.frames import fit_frame, model_from_frame, to_frame
from studykit.kinds.continuous.results import ObservedSeries
from studykit.mixed import RandomEffect, fit_linear_mixed, influence_of, residual_quantiles
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
    with pytest.raises(ArgumentError, match=r"column week: expected finite numbers; found inf in the row labelled 507"):
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
