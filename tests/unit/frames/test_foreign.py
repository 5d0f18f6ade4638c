"""A trial in a data frame becomes a study: the numbers of the record tables, every refusal one message."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import studykit as sk
from studykit.errors import ArgumentError, FolderError
from tests.external.outcomes_within.test_outcomes_within import FIRST, SECOND

ROOT = Path(__file__).resolve().parents[3]
REFERENCE = json.loads((ROOT / "tests/external/real_trials/reference.json").read_text(encoding="utf-8"))
LONG = {"days": 7, "client": "id", "visit": "week", "arm": "way", "score": "load", "reference": "plain"}


def published(name: str) -> pd.DataFrame:
    """A trial of `analysis/` as its authors' packages have it: one frame."""
    folder = ROOT / "analysis" / name / "records"
    rows = pd.read_csv(folder / "measurements.csv").drop(columns="outcome")
    facts = pd.read_csv(folder / "clients.csv").merge(pd.read_csv(folder / "allocation.csv"), on="client")
    return rows.merge(facts, on="client", how="right")


def invented() -> pd.DataFrame:
    """Ten clients with blanks in their names, three visits, trainers who train both ways but one."""
    rng = np.random.default_rng(8)
    client = np.repeat([f"Client {place}" for place in range(10)], 3)
    way = np.repeat(["plain", "added", "plain", "added", "added"] * 2, 3)
    load = 50 + np.repeat(rng.normal(0, 4, 10), 3) + rng.normal(0, 1, 30) + np.tile([0, 2, 4], 10)
    trainer = np.repeat(["Kim", "Kim", "T2", "T2", "T3"] * 2, 3)
    return pd.DataFrame({
        "id": client, "week": np.tile([0.0, 4.0, 12.0], 10), "way": way, "load": load, "trainer": trainer,
        "sex": np.repeat(["f", "m", "m", "f", "f"] * 2, 3), "age": np.repeat(rng.normal(40, 9, 10), 3),
    })  # fmt: skip


def test_three_arms_of_a_published_trial(tmp_path: Path) -> None:
    """Anorexia (R package MASS), against nlme: as the trial's own protocol and records give it."""
    study, taken = sk.study_from_frame(
        published("weight_trial"), tmp_path / "weight", client="client", visit="visit", arm="arm",
        score="value", reference="control", comparison="family", days={"before": 0, "after": 90}, unit="lb",
        allocated="at random; how is told in the published trial",
    )  # fmt: skip
    results = study.analyse(seed=4)
    expected = REFERENCE["weight"]["unstructured"]
    assert results.primary.primary.contrast == "family compared with control"
    assert results.primary.primary.value == pytest.approx(expected["effect"], rel=1e-5)
    assert results.strength.other_arms[0].value == pytest.approx(expected["effect_behavioural"], rel=1e-5)
    assert results.randomised
    assert str(taken) == (
        "72 clients; 144 of 144 rows used.\nVisits: before on day 0, after on day 90; primary is after."
    )


def test_strata_drop_out_and_a_score_to_be_low(tmp_path: Path) -> None:
    """BtheB (R package HSAUR3), against nlme: 100 people, whoever comes only once is in it."""
    frame = published("depression_trial")
    frame.loc[len(frame)] = {"client": "P003", "visit": "month_8", "value": np.nan, "arm": None}
    days = {"pre": 0, "month_2": 61, "month_3": 91, "month_5": 152, "month_8": 243}
    study, taken = sk.study_from_frame(
        frame, tmp_path / "mood", client="client", visit="visit", arm="arm", score="value",
        reference="usual_care", days=days, primary_visit="month_2", strata=["drug", "length"],
        higher_is_better=False,
    )  # fmt: skip
    expected = REFERENCE["depression"]["unstructured"]
    results = study.analyse(seed=4)
    assert [row.value for row in results.primary.by_visit] == pytest.approx(expected["effect"], rel=1e-5)
    assert results.primary.primary.rows.used == taken.clients == 100
    assert results.primary.rows.used == expected["rows"] == taken.rows.used
    assert taken.rows.left_out == (("no value in value; the client stays", 1),)
    assert not results.randomised  # nothing said how they were allocated
    assert any("Nothing says how clients were allocated" in note for note in taken.notes)


def test_names_become_codes_and_rows_left_out_are_told(tmp_path: Path) -> None:
    frame = invented()
    before = frame.copy()
    frame.loc[frame["id"] == "Client 7", "way"] = None  # never allocated, as far as the frame knows
    frame.loc[3, "way"] = None  # known from the client's other rows
    frame.loc[8, "load"] = np.nan
    frame.loc[9, "week"] = np.nan
    study, taken = sk.study_from_frame(
        frame, tmp_path / "s", trainer="trainer", strata=["sex"], adjust_for=["age"], **LONG
    )
    assert taken.clients == 9
    assert str(taken.rows) == (
        "25 of 30 rows used; left out: 1 (no value in week), 3 (no value in way for the client), "
        "1 (no value in load; the client stays)"
    )
    codes = dict(taken.codes)
    assert codes["Client 2"] == "C03"
    assert "Client" not in "".join(path.read_text("utf-8") for path in (tmp_path / "s").rglob("*.csv"))
    assert any("'Client 0'" in note for note in taken.notes)
    clients = pd.read_csv(tmp_path / "s/records/clients.csv", dtype=str).set_index("client")
    assert clients.loc["C03"].tolist() == ["T02", "m", str(before.loc[6, "age"])]  # T01 is Kim, in order
    arms = {one.client: one.arm for one in study.allocated()}
    assert arms["C02"] == "added" != arms["C01"]
    assert study.protocol.analysis.adjust_for == ("age_given",)
    assert study.analyse().primary.primary.rows.left_out == (("no score at the primary visit", 1),)


def test_trainers_of_one_arm_each_count_as_clusters(tmp_path: Path) -> None:
    frame = invented()
    frame["trainer"] = frame["way"].str[0].str.upper() + frame.index.map(lambda row: str(row // 3 % 3))
    study, taken = sk.study_from_frame(frame, tmp_path / "s", trainer="trainer", **LONG)
    assert study.protocol.trainers.deliver == "one arm"
    assert any("Every trainer has clients of one arm only" in note for note in taken.notes)


def test_a_crossover_finds_the_order_of_each_client(tmp_path: Path) -> None:
    frame = invented().drop(columns="way")
    first = frame["id"].str[-1].astype(int) % 2 == 0
    frame["way"] = np.where((frame["week"] == 4) == first, "plain", "added")
    frame.loc[(frame["id"] == "Client 4") & (frame["week"] == 12), ["way", "load"]] = None, np.nan
    study, _ = sk.study_from_frame(frame, tmp_path / "s", design="crossover", **LONG)
    orders = [one.arm for one in study.allocated()]
    assert orders == ["plain_then_added", "added_then_plain"] * 5
    inside = frame[frame["week"] > 0].pivot_table("load", "id", "way")[["plain", "added"]].dropna()
    assert len(inside) == 9
    assert np.sign(study.analyse().primary.primary.value) == np.sign(
        (inside["added"] - inside["plain"]).mean()
    )


def test_a_printed_crossover_without_a_visit_before(tmp_path: Path) -> None:
    """Peak flow of 13 children (Senn 2002, Cross-over Trials in Clinical Research, chapter 3): 46.6."""
    scores = pd.DataFrame([*FIRST, *SECOND], columns=["one", "two"]).rename_axis("child").reset_index()
    frame = scores.melt("child", var_name="period", value_name="flow")
    frame["drug"] = np.where((frame["child"] < len(FIRST)) == (frame["period"] == "one"), "new", "old")
    study, _ = sk.study_from_frame(
        frame, tmp_path / "s", client="child", visit="period", arm="drug", score="flow", reference="old",
        days={"one": 1, "two": 8}, design="crossover", allocated="at random",
    )  # fmt: skip
    found = study.analyse().primary.primary
    assert found.value == pytest.approx(46.6071, abs=1e-4)
    assert found.estimate.standard_error == pytest.approx(10.7766, abs=1e-4)
    assert found.estimate.degrees_of_freedom == pytest.approx(11.0, abs=1e-4)


def refused(**changed: Any) -> tuple[pd.DataFrame, dict[str, Any]]:
    frame = invented()
    for name in [name for name in changed if name.startswith("cell_")]:
        column = name.removeprefix("cell_")
        frame[column] = frame[column].astype(object)
        frame.loc[7, column] = changed.pop(name)
    return changed.pop("frame", frame), LONG | changed


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"score": "weight"}, "expected columns among id, week, way, .*; found weight"),
        ({"score": "week"}, "expected each column named for one thing; found week for several"),
        ({"reference": "none"}, "reference: expected an arm of the column way .added, plain.; found 'none'"),
        ({"comparison": "plain"}, "comparison: expected an arm of the column way"),
        ({"cell_way": "added"}, 'added for client Client 2 .row labelled 7.* design="crossover"'),
        ({"days": {0: 0, 4: 28}}, "expected a day for each value of week: 0, 4, 12; found no day for 12"),
        ({"days": {0: 0, 4: 28, 12: 84, 9: 60}}, "found no row of 9"),
        ({"days": {0: 1, 4: 28, 12: 84}}, "a visit before allocation at 0 or earlier.*frame.melt"),
        ({"days": {0: 0, 4: 28, 12: 28}}, "expected different days"),
        ({"cell_week": "late"}, 'Give days={"0": …, "4": …, "12": …, "late": …}'),
        ({"primary_visit": 0}, "primary_visit: expected a visit after allocation: 4, 12; found 0"),
        ({"cell_load": "12,5"}, "column load: expected finite numbers; found '12,5' in the row labelled 7"),
        ({"cell_load": -2.0, "scale": "log"}, "above 0 on the log scale; found -2.0 in the row labelled 7"),
        ({"strata": "sex"}, r'expected lists of columns, such as \["sex"\]'),
        ({"strata": ["age"], "frame": invented().assign(age=np.repeat(range(30, 41), 3)[:30] + 0.0)}, None),
        ({"cell_sex": "f", "strata": ["sex"]}, "sex: expected one value for each client; found m and f"),
        ({"frame": invented().iloc[:0]}, "expected rows with id and week; found none of 0 rows"),
        ({"frame": invented().assign(load=np.nan)}, "expected rows with way and load; found none of 30 rows"),
        ({"frame": pd.concat([invented(), invented().iloc[4:6]])},
         "2 more, first of Client 1 at 4 in the row labelled 4. Copies: frame.drop_duplicates"),
        ({"frame": [1, 2]}, "expected a data frame of pandas; found list"),
        ({"design": "crossover"}, "one arm in the first period and the other in the second; found the same"),
    ],
)  # fmt: skip
def test_every_refusal_is_one_message_and_writes_nothing(
    changed: dict[str, Any], message: str | None, tmp_path: Path
) -> None:
    frame, given = refused(**changed)
    if message is None:  # ten numbers are levels, eleven are not
        sk.study_from_frame(frame, tmp_path / "ten", **given)
        frame = pd.concat([frame, frame.iloc[:3].assign(id="C99", age=99.0)])
        message = r'a stratum of a few levels; found 11 different numbers. Give adjust_for=\["age"\]'
    with pytest.raises(ArgumentError, match=message):
        sk.study_from_frame(frame, tmp_path / "s", **given)
    assert not (tmp_path / "s").exists()


def test_a_folder_in_the_way_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(FolderError, match="expected a new folder"):
        sk.study_from_frame(invented(), tmp_path, **LONG)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
