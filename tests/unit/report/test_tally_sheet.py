"""The tally sheet counts, asks nobody to do partner reps, has a line for harms and carries the cautions."""

from __future__ import annotations

from studykit.protocol.cautions import cautions_for
from studykit.report.tally_sheet import render_tally_sheet
from studykit.report.wording_check import text_of
from tests.support.reading_ease import ease_of, page_texts


def test_the_tally_sheet_counts_and_cautions() -> None:
    for trainers in ([], ["T1", "T2"]):
        text = " ".join(text_of(render_tally_sheet(trainers)).split())
        assert "it asks nobody to do partner reps" in text
        assert text.count("Harms of the week") == max(len(trainers), 1)
        for caution in cautions_for("tally"):
            assert caution.words in text


def test_the_tally_sheet_is_easily_read() -> None:
    """At most 15 words a sentence on average, 25 at most, a readability index of at most 8."""
    ease = ease_of(page_texts(render_tally_sheet(["T1", "T2"])))
    assert (ease.most <= 25, ease.average <= 15, ease.index <= 8) == (True, True, True), ease
