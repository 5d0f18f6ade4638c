"""From a frame of one's own to the document: a description, a fit, estimates, a figure, a text."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

import studykit as sk
from studykit.errors import ArgumentError
from studykit.report.numbers import p_exact, statistic_text

docx = pytest.importorskip("docx")


@pytest.fixture(scope="module")
def scores() -> pd.DataFrame:
    """Sixty students at three times, from the data sets of pingouin ("mixed_anova")."""
    import pingouin

    return pingouin.read_dataset("mixed_anova")


@pytest.fixture(scope="module")
def fit(scores: pd.DataFrame) -> Any:
    return sk.fit_frame(
        scores, outcome="Scores", fixed=["Group", "Time"], random={"Subject": ["intercept"]},
        reference={"Group": "Control", "Time": "August"},
    )  # fmt: skip


def rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"))))


def test_from_frame_to_document(scores: pd.DataFrame, fit: Any, tmp_path: Path) -> None:
    figure = Figure()
    figure.add_subplot().plot([1, 2, 3])
    slope = fit.contrast({"Group[Meditation]": 1})
    described = sk.describe(scores, ["Scores", "Time"], by="Group")
    things = [
        described, fit, {"meditation": slope}, (figure, "Scores by time. Points are means."), "One.\n\nTwo.",
    ]  # fmt: skip
    path = sk.write_up(things, tmp_path, title="Scores and meditation")
    content = path.read_bytes()
    document = docx.Document(str(path))
    words = [paragraph.text for paragraph in document.paragraphs]
    assert words[0] == "Scores and meditation"
    assert {"Method", "Results", "References", "One.", "Two."} <= set(words)
    assert any(text.startswith("Kenward, M. G., & Roger, J. H. (1997).") for text in words)
    assert [text for text in words if text.startswith(("Table ", "Figure "))] == [
        "Table 1", "Table 2", "Table 3", "Table 4", "Figure 1",
    ]  # fmt: skip
    interval = slope.confidence_interval(0.95)
    told = f"{statistic_text(slope.statistic, slope.degrees_of_freedom)}, {p_exact(slope.p_value)}, 95% CI ["
    assert sum(f"meditation: {slope.value:.2f}, {told}" in text for text in words) == 1
    shown = rows(next((tmp_path / "tables").glob("table_2_*.csv")))
    assert [row["effect"] for row in shown] == list(fit.fit.names)
    found = next(row for row in shown if row["effect"] == "Group[Meditation]")
    exact = {"estimate": slope.value, "standard error": slope.standard_error, "t": slope.statistic,
             "df": slope.degrees_of_freedom, "p": slope.p_value, "lower": interval.lower}  # fmt: skip
    assert {name: float(found[name]) for name in exact} == exact
    shape = document.inline_shapes[0]._inline.docPr
    assert (shape.get("title"), shape.get("descr")) == ("Figure 1", "Scores by Time. Points are means.")
    assert sk.write_up(things, tmp_path, title="Scores and meditation").read_bytes() == content


def test_means_contrasts_and_the_model_table_keep_their_numbers(fit: Any, tmp_path: Path) -> None:
    means = fit.means("Group")
    contrasts, summary = means.pairwise(), fit.summary()
    sk.write_up([means, contrasts, summary], tmp_path, title="Means")
    files = {path.stem.split("_", 2)[2]: rows(path) for path in (tmp_path / "tables").glob("*.csv")}
    (contrast,) = contrasts.frame_rows(0.95)
    (shown,) = files["mean_contrasts_2"]
    assert shown["effect"] == contrast["contrast"]
    assert float(shown["p"]) == contrast["adjusted_p_value"]
    assert float(shown["upper"]) == contrast["upper"]
    assert [row["effect"] for row in files["means_1"]] == ["Control", "Meditation"]
    assert {row["p"] for row in files["means_1"]} == {""}  # a mean is tested against nothing
    whole = {row["effect"]: row for row in files["model_summary_3"]}
    likelihood = whole["whole model, log_likelihood"]
    assert float(likelihood["estimate"]) == fit.log_likelihood
    assert likelihood["lower"] == ""


def test_the_fit_of_the_document_is_that_of_other_software(fit: Any) -> None:
    """Balanced data: the contrast of groups is that of the classical analysis between subjects."""
    import pingouin

    scores = pingouin.read_dataset("mixed_anova")
    means = scores.groupby(["Group", "Subject"])["Scores"].mean()
    test = pingouin.ttest(means["Meditation"], means["Control"]).iloc[0]
    slope = fit.contrast({"Group[Meditation]": 1})
    assert abs(slope.statistic - float(test["T"])) < 1e-6
    assert slope.degrees_of_freedom == pytest.approx(58.0, abs=1e-4)


def test_a_description_counts_what_is_there_and_what_is_missing() -> None:
    frame = pd.DataFrame(
        {
            "arm": ["b", "b", "a", "a", None],
            "age": [30.0, 34.0, 41.0, math.nan, 20.0],
            "left": [True, False, True, None, True],
            "size": pd.Categorical(["S", "L", None, "S", "S"], categories=["S", "M", "L"]),
        },
        index=[7, 7, 9, 9, 1],
    )
    found = sk.describe(frame, by="arm")
    assert found.groups == (("a", 2), ("b", 2), ("all", 5))
    age = {cell.group: cell for cell in found.cells if cell.name == "age"}
    assert (age["b"].mean, age["b"].standard_deviation, age["a"].missing) == (32.0, np.sqrt(8.0), 1)
    assert (age["all"].count, age["all"].missing, age["all"].median) == (4, 1, 32.0)
    assert [cell.level for cell in found.cells if cell.name == "size"] == ["S", "S", "S", "L", "L", "L"]
    left = [cell for cell in found.cells if (cell.name, cell.level) == ("left", "True")]
    assert [(cell.count, cell.rows - cell.missing) for cell in left] == [(1, 1), (1, 2), (3, 4)]
    assert found.table.notes[-1] == "Rows without arm, in the last group only: 1."
    assert "| age | 41.0 (not estimated) | 32.0 (2.8) | 31.3 (8.8) | 1 |" in str(found)
    assert len(sk.to_frame(found.cells)) == len(found.cells)


@pytest.mark.parametrize(
    ("frame", "settings", "message"),
    [
        ([1, 2], {}, "expected a data frame"),
        (pd.DataFrame({"a": [1]}), {"columns": "a"}, r"Write \['a'\]"),
        (pd.DataFrame({"a": [1]}), {"columns": ["b"]}, "one of the columns a"),
        (pd.DataFrame({"a": [1]}), {"by": "c"}, "one of the columns a"),
        (pd.DataFrame({"a": []}), {}, "0 rows"),
        (pd.DataFrame({"a": [1.0, math.inf]}), {}, "infinity"),
        (pd.DataFrame({"name": [f"P{n}" for n in range(21)]}), {}, "at most 20 different values; found 21"),
        (pd.DataFrame([[1, 2]], columns=["a", "a"]), {}, "a name twice"),
    ],
)
def test_what_cannot_be_described_is_said(frame: Any, settings: dict[str, Any], message: str) -> None:
    with pytest.raises(ArgumentError, match=message):
        sk.describe(frame, **settings)


def test_what_cannot_be_written_up_is_said_and_nothing_is_written(tmp_path: Path) -> None:
    with pytest.raises(ArgumentError, match="thing 2: expected results of a study, a fit, a description"):
        sk.write_up(["A text.", {"p": 0.03}], tmp_path / "out")
    with pytest.raises(ArgumentError, match="thing 1: expected a matplotlib figure beside its caption"):
        sk.write_up([(3, "a caption")], tmp_path / "out")
    assert not (tmp_path / "out").exists()
