"""A balanced data set of another package: the F tests of the mixed model are those of its own analysis."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pandas as pd
import pingouin
import pytest

from studykit.frames import to_frame

SCRIPT = Path(__file__).parents[3] / "analysis" / "16_own_frame.py"


def test_the_worked_script_agrees_with_the_analysis_of_variance() -> None:
    """Complete and balanced, a variance between people above zero: Kenward-Roger is then exact."""
    script = runpy.run_path(str(SCRIPT), run_name="worked")
    fit = script["fit_scores"](script["read"]())
    ours = to_frame(fit.test_terms()).set_index("term")
    theirs = pingouin.mixed_anova(
        pingouin.read_dataset("mixed_anova"), dv="Scores", within="Time", between="Group", subject="Subject"
    ).set_index("Source")
    for term, source in (("Group", "Group"), ("Time", "Time"), ("Group:Time", "Interaction")):
        assert ours.loc[term, "statistic"] == pytest.approx(theirs.loc[source, "F"], rel=1e-6)
        assert ours.loc[term, "denominator_degrees_of_freedom"] == pytest.approx(
            theirs.loc[source, "DF2"], rel=1e-6
        )
    frame = script["read"]()
    cells = frame.groupby(["Group", "Time"], observed=True)["Scores"].mean()
    found = to_frame(fit.means("Group", by="Time"))
    labels = pd.MultiIndex.from_frame(found[["Group", "Time"]])
    np.testing.assert_allclose(found["value"], cells.loc[labels], rtol=1e-9)
