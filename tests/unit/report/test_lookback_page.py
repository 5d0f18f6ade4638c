"""The page of a look back: associations only, pictures first, nothing that a person wrote unescaped."""

from __future__ import annotations

import json
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from studykit.lookback.answer_sentences import (
    CANNOT_CONCLUDE,
    headline,
    more_staying,
    retained_sentence,
    summary,
)
from studykit.lookback.look_back_results import LookBack
from studykit.report import lookback_figures
from studykit.report.lookback_page import (
    LookBackReading,
    look_back_document,
    reference_first,
    render_look_back,
)
from studykit.report.saving import save_look_back
from studykit.report.style import drawing_style, new_figure, svg_bytes
from studykit.report.wording_check import WordingContext, check_wording, text_of
from studykit.results import Interval
from tests.support.reading_ease import ease_of

LOOKING_BACK = WordingContext(
    randomised=False, looking_back=True, harms_systematic=False, required_limits=CANNOT_CONCLUDE
)


@pytest.fixture(scope="module")
def page(look_reading: LookBackReading) -> str:
    return render_look_back(look_reading)


def test_the_page_keeps_the_rules_of_wording_for_records_without_a_draw(page: str) -> None:
    """H11: verbs of association only; H01: the title says non-randomised."""
    found = check_wording(text_of(page), context=LOOKING_BACK, section="page")
    assert found == ()
    assert re.search(r"<title>[^<]*non-randomised", page)


@pytest.mark.parametrize(
    "sentence",
    [
        "Partner reps keep clients longer.",
        "More clients stayed because of partner reps.",
        "Partner reps reduced departures among clients.",
        "The effect of partner reps was a hazard ratio of 0.8 in 148 clients.",
    ],
)
def test_words_of_doing_are_found(sentence: str) -> None:
    assert check_wording(sentence, context=LOOKING_BACK)


def test_pictures_come_before_tables_and_the_lead_says_out_of_100(look_reading: LookBackReading) -> None:
    document = look_back_document(look_reading)
    kinds = [block.kind for section in document.sections for block in section.blocks]
    assert kinds.index("picture") < kinds.index("table")
    shown = [section.code for section in document.sections]
    assert shown[:3] == ["everybody", "answers", "conclude"]  # own retention before any comparison
    answers = document.sections[1]
    assert answers.blocks[0].content == headline(look_reading.look)
    assert document.first is not None
    assert document.first.sure == (
        "By day 182, about 7 more of 100 clients stayed with partner reps (95\u00a0% interval: 2 "
        "fewer to 16 more). Nobody was allocated by chance."
    )


def test_the_first_screen_is_easily_read(look_reading: LookBackReading) -> None:
    """At most 15 words a sentence on average, 25 at most, a readability index of at most 8."""
    first = look_back_document(look_reading).first
    assert first is not None
    ease = ease_of([text for _, text in first.lines])
    assert (ease.most <= 25, ease.average <= 15, ease.index <= 8) == (True, True, True), ease


def test_there_is_no_slot_for_an_effect_and_the_naive_number_is_no_answer(
    look_reading: LookBackReading, page: str
) -> None:
    """H01: no effect slot; H04: the whole-period grouping is shown only to be refused."""
    text = text_of(page)
    assert "effect" not in text.casefold()
    sections = {section.code: section for section in look_back_document(look_reading).sections}
    naive = " ".join(str(block.content) for block in sections["naive"].blocks if block.kind == "paragraph")
    assert "0.31 [0.20, 0.47]" in naive
    assert "This number is no answer." in naive
    answers = " ".join(
        str(block.content) for block in sections["answers"].blocks if isinstance(block.content, str)
    )
    assert "0.31" not in answers


def test_a_refused_answer_gives_its_reason_and_no_number(look: LookBack) -> None:
    refused = replace(look.answers[0], refused="9 departures, fewer than 20")
    text = headline(replace(look, answers=(refused, *look.answers[1:])))
    assert text.endswith("No comparison is given: 9 departures, fewer than 20.")
    assert "associated" not in text
    nothing = replace(look, lead=None, answers=(), naive=None, balance=(), bound=None,
                      why_none="every mark says that there were no partner reps")  # fmt: skip
    assert headline(nothing).endswith(
        "No comparison can be made from these records: every mark says that there were no partner reps."
    )
    assert "associated" not in headline(nothing)
    one = replace(look.retention, **{name: getattr(look.retention, name)[:1] for name in
                  ("day", "share", "lower", "upper", "at_risk")})  # fmt: skip
    few = "Too few clients were followed for a curve up to day 182."
    assert retained_sentence(replace(nothing, retention=one)) == few


def test_how_many_stayed_is_told_with_its_interval_and_no_day_beyond_the_records(look: LookBack) -> None:
    nothing = replace(look, answers=(), lead=None)
    said = retained_sentence(nothing)
    assert re.search(
        r"about \d+ \(95\u00a0% interval: \d+ to \d+\) still trained on day 182 after joining\.$", said
    )
    longer = retained_sentence(replace(nothing, horizon=5000))
    assert longer.endswith("Too few were followed longer for a number on day 5000.")
    assert "still trained on day 5000" not in longer


def test_a_page_without_any_comparison_is_whole(look_reading: LookBackReading) -> None:
    look = replace(look_reading.look, lead=None, answers=(), naive=None, balance=(), bound=None,
                   target_trial=())  # fmt: skip
    text = text_of(render_look_back(replace(look_reading, look=look)))
    assert "No comparison can be made" in text
    assert check_wording(text, context=LOOKING_BACK, section="page") == ()


@pytest.mark.parametrize(
    ("value", "lower", "upper", "whom", "ends"),
    [
        (-0.07, -0.16, 0.02, "7 more of 100 clients stayed with partner reps", "2 fewer to 16 more"),
        (-0.07, -0.12, -0.02, "7 more of 100 clients stayed with partner reps", "2 to 12 more"),
        (0.05, 0.01, 0.09, "5 fewer of 100 clients stayed with partner reps", "1 to 9 fewer"),
        (
            0.001,
            -0.05,
            0.05,
            "as many of 100 clients stayed with partner reps as without",
            "5 fewer to 5 more",
        ),
    ],
)
def test_differences_out_of_100(
    look: LookBack, value: float, lower: float, upper: float, whom: str, ends: str
) -> None:
    found = look.answers[0].risk_difference
    assert found is not None
    turned = replace(found, value=value, interval=Interval(lower, upper, 0.95, "t"))
    assert more_staying(turned) == f"about {whom} (95\u00a0% interval: {ends})"


def test_the_records_are_described_and_so_is_what_they_lack(page: str) -> None:
    """H10: source, period, pauses, coding of partner reps, changes of booking rules."""
    lines = text_of(page).split("\n")
    assert "days covered\t2025-01-01 to 2026-07-01" in [line.rstrip("\t") for line in lines]
    assert any(line.startswith("sessions that say whether partner reps were done\t2 of 2") for line in lines)
    assert any(line.startswith("changes of prices, booking or billing\tnot in the records") for line in lines)


def test_what_people_wrote_is_escaped(look_reading: LookBackReading) -> None:
    odd = replace(look_reading.look, source="<script>alert(1)</script>.csv")
    page = render_look_back(replace(look_reading, look=odd))
    assert "<script>alert" not in page
    assert "&lt;script&gt;" in page


def test_saved_files_are_whole_and_the_same_each_time(
    look_reading: LookBackReading, page: str, tmp_path: Path
) -> None:
    saved = save_look_back(look_reading, tmp_path / "a")
    save_look_back(look_reading, tmp_path / "b")
    names = sorted(str(path.relative_to(tmp_path / "a")) for path in (tmp_path / "a").rglob("*.*"))
    assert saved.read_text(encoding="utf-8") == page
    assert {"lookback.json", "manifest.json", "tables/lookback_answers.csv", "tables/noticed_rows.csv",
            "figures/lookback_out_of_100.svg", "figures/lookback_out_of_100.png"} <= set(names)  # fmt: skip
    for name in names:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name
    plain = json.loads((tmp_path / "a" / "lookback.json").read_text(encoding="utf-8"))
    assert plain["naive"]["hazard_ratio"]["value"] == 0.31
    for answer in plain["answers"]:
        assert {"method", "estimand", "hazard_ratio", "risk_difference"} <= set(answer)
    assert plain["answers"][0]["hazard_ratio"]["interval"]["lower"] == 0.58
    rows = (tmp_path / "a" / "tables" / "noticed_rows.csv").read_text(encoding="utf-8-sig").splitlines()
    assert rows[1] == '14,"export.csv, column date",a date that cannot be read,left out'
    assert len(rows) == 3


def test_numbers_for_planning_are_saved_as_a_protocol_takes_them(
    look_reading: LookBackReading, tmp_path: Path
) -> None:
    tables = ('[planning.sessions_per_week]\nvalue = 1.8\nsource = "own"\nevidence = "moderate"',)
    numbers = replace(look_reading.look.next_study, assumptions=tables)
    page = save_look_back(
        replace(look_reading, look=replace(look_reading.look, next_study=numbers)), tmp_path
    )
    read = tomllib.loads((tmp_path / "planning.toml").read_text(encoding="utf-8"))
    assert read["planning"]["sessions_per_week"]["value"] == 1.8
    assert "The file planning.toml beside this page" in page.read_text(encoding="utf-8")
    save_look_back(look_reading, tmp_path)
    assert not (tmp_path / "planning.toml").exists()


def test_figures_of_an_earlier_look_back_do_not_stay(look_reading: LookBackReading, tmp_path: Path) -> None:
    save_look_back(look_reading, tmp_path)
    (tmp_path / "figures" / "mine.svg").write_text("kept")
    nothing = replace(look_reading.look, lead=None, answers=(), naive=None, balance=(), bound=None,
                      target_trial=())  # fmt: skip
    save_look_back(replace(look_reading, look=nothing), tmp_path)
    left = {path.name for path in (tmp_path / "figures").iterdir()}
    assert left == {"lookback_everybody.svg", "lookback_everybody.png", "mine.svg"}


def test_the_terminal_says_the_same_sentences(look: LookBack) -> None:
    text = " ".join(summary(look).split())
    assert headline(look).replace("\u00a0", " ") in text
    assert "No number is given: no trainer began within the records." in text
    assert check_wording(text, context=LOOKING_BACK) == ()


def test_figures_draw_what_the_result_says(look: LookBack) -> None:
    with drawing_style():
        figure, ax = new_figure(4.2, 2.8)
        lookback_figures.draw_out_of_100(
            [("without", 64.2, 55.3, 70.8), ("with partner reps", 71.4, 60.2, 83.4)], ax, horizon=182
        )
    fields = [len(field.get_offsets()) for field in ax.collections]
    assert fields == [55, 16, 29, 60, 23, 17]
    assert "71 of 100 (60 to 83)" in [text.get_text() for text in ax.texts]
    assert svg_bytes(figure) == svg_bytes(figure)
    rows = lookback_figures.difference_rows(look)
    assert [row.heavy for row in rows] == [True, False, False]
    with drawing_style():
        figure, ax = new_figure(4.2, 2.8)
        lookback_figures.draw_answers(look, ax)
    middle = [line.get_xdata()[0] for line in ax.lines if line.get_marker() in "Do"]
    assert np.allclose(middle, [7.0, 7.0, 7.0])


def test_the_curve_without_partner_reps_is_drawn_as_the_reference(look: LookBack) -> None:
    curves = look.answers[0].curves
    ordered = reference_first(curves)
    assert {curve.label for curve in ordered} == {curve.label for curve in curves}
    assert ordered[0].label == "without"
    assert reference_first(curves[::-1])[0] is ordered[0]


def test_curves_with_the_reference_first_and_their_numbers_at_risk(look: LookBack) -> None:
    line = lookback_figures.curve_line(look.answers[0].curves[0], 182)
    assert line.at_risk_days.tolist() == [0, 28, 56, 84, 112, 140, 182]
    assert line.at_risk[0] == 90
    late = look.answers[0].curves[0]
    begins = late.day >= 50
    cut = replace(late, day=late.day[begins], share=late.share[begins], lower=late.lower[begins],
                  upper=late.upper[begins], at_risk=late.at_risk[begins])  # fmt: skip
    assert lookback_figures.curve_line(cut, 182).at_risk_days.tolist() == [56, 84, 112, 140, 182]
