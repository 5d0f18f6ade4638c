"""The tally sheet counts, asks nobody to do partner reps, has a line for harms and carries the cautions."""

from __future__ import annotations

from studykit.protocol.cautions import cautions_for
from studykit.report.tally_sheet import render_tally_sheet
from studykit.report.wording_check import text_of


def test_the_tally_sheet_counts_and_cautions() -> None:
    for trainers in ([], ["T1", "T2"]):
        text = " ".join(text_of(render_tally_sheet(trainers)).split())
        assert "it asks nobody to do partner reps" in text
        assert text.count("Harms of the week") == max(len(trainers), 1)
        for caution in cautions_for("tally"):
            assert caution.words in text
