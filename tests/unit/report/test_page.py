"""The page: order, wording, escaping, nothing from outside, every required part."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser
from typing import Any

import numpy as np
import pytest

from studykit.outcomes.limits import early_remarks
from studykit.outcomes.results import StudyResults
from studykit.protocol.types import Protocol
from studykit.report.page import render_report, report_document
from studykit.report.report_context import Reading
from studykit.report.sentences import limits
from studykit.report.text import summary
from studykit.report.wording_check import WordingContext, check_wording, text_of

NASTY = '<b>&"'
VOID = {"meta", "link", "br", "img", "hr", "input"}


@dataclass(frozen=True)
class Change:
    by: str = "OW"
    event_time: str = "2026-02-01"
    reason: str = "a second studio joins"
    changed: tuple[str, ...] = ("study.setting",)


@dataclass(frozen=True)
class Look:
    by: str = "OW"
    event_time: str = "2026-05-01T10:00:00.000Z"
    body: dict[str, Any] = field(default_factory=lambda: {"reason": "the landlord asked"})


class Outline(HTMLParser):
    """Sections with their text, and whether tags close as they open."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.problems: list[str] = []

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        named = dict(attributes)
        if named.get("id"):
            self.ids.append(str(named["id"]))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, _tag: str, attributes: list[tuple[str, str | None]]) -> None:
        if dict(attributes).get("id"):
            self.ids.append(str(dict(attributes)["id"]))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.problems.append(tag)


@pytest.fixture(scope="module")
def page(results: StudyResults, protocol: Protocol) -> str:
    return render_report(results, protocol, amendments=(Change(),), looks=(Look(),))


def section(page: str, code: str) -> str:
    found = re.search(rf'<section id="{code}">(.*?)</section>', page, re.DOTALL)
    assert found, code
    return found.group(1)


def test_tags_close_and_names_are_unique(page: str) -> None:
    outline = Outline()
    outline.feed(page)
    assert outline.problems == []
    assert outline.open == []
    assert len(outline.ids) == len(set(outline.ids))


def test_every_link_and_reference_finds_its_target(page: str) -> None:
    outline = Outline()
    outline.feed(page)
    targets = set(re.findall(r'href="#([^"]+)"', page)) | set(re.findall(r"url\(#([^)]+)\)", page))
    assert targets <= set(outline.ids)


def test_the_page_needs_no_network_and_no_script_of_others(page: str) -> None:
    """Ask 8.1: one file that opens offline."""
    assert page.count("<script>") == page.count("<script") == 1  # our own, for paper
    assert "http" not in page
    assert not re.search(r'\b(src|href)="(?!#)', page)
    assert "@import" not in page
    assert 'name="viewport"' in page


def test_retention_comes_before_strength_and_answers_before_all(page: str) -> None:
    codes = re.findall(r'<section id="([^"]+)">', page)
    assert codes[:2] == ["first", "answers"]
    assert codes.index("outcome-retention") < codes.index("outcome-strength")
    assert codes == [
        "first",
        "answers",
        "flow",
        "baseline",
        "outcome-retention",
        "outcome-strength",
        "delivery",
        "harms",
        "limits",
        "cautions",
        "planned",
        "changes",
        "methods",
        "items",
        "provenance",
    ]


def test_the_head_says_the_design_and_whether_it_is_randomised(
    page: str, results: StudyResults, protocol: Protocol
) -> None:
    """C01 and G11."""
    assert "Randomised comparison of 2 arms (parallel arms, clients allocated one by one)" in page
    other = render_report(replace(results, randomised=False), protocol)
    assert "Non-randomised comparison of 2 arms" in other
    assert "Protocol version 1.0, code 9c1f0a7be2d4; 1 amendment." in page


def context_of(results: StudyResults, reading: Reading) -> WordingContext:
    return WordingContext(
        randomised=results.randomised,
        harms_systematic=results.harms is not None and results.harms.systematic,
        primary=("strength",),
        smallest_arm=min(arm.allocated for arm in results.flow.arms),
        required_limits=limits(reading),
    )


def test_all_words_of_the_page_keep_the_rules(page: str, results: StudyResults, protocol: Protocol) -> None:
    """G01 to G25 over everything that we write."""
    context = context_of(results, Reading(results, protocol, (Change(),), (Look(),)))
    assert check_wording(text_of(page), context=context, section="page") == ()
    baseline = text_of(section(page, "baseline"))
    assert check_wording(baseline, context=context, section="baseline") == ()


@pytest.mark.parametrize(
    "change", ["not randomised", "harms not asked", "no retention", "no strength", "nothing but strength"]
)
def test_other_studies_keep_the_rules_too(results: StudyResults, protocol: Protocol, change: str) -> None:
    assert results.harms is not None
    other = {
        "not randomised": replace(results, randomised=False),
        "harms not asked": replace(results, harms=replace(results.harms, systematic=False)),
        "no retention": replace(results, outcomes=(results.strength,)),
        "no strength": replace(results, outcomes=(results.retention,), decisions=()),
        "nothing but strength": replace(
            results, outcomes=(results.strength,), harms=None, delivery=None, baseline=()
        ),
    }[change]
    text = text_of(render_report(other, protocol))
    context = context_of(other, Reading(other, protocol))
    assert check_wording(text, context=context, section="page") == ()


def test_dates_that_nobody_recorded_are_not_printed(results: StudyResults, protocol: Protocol) -> None:
    never = np.datetime64("NaT", "D")
    flow = replace(results.flow, first_allocation=never, last_allocation=never, data_through=never)
    text = text_of(render_report(replace(results, flow=flow), protocol))
    assert "NaT" not in text
    assert "Flow of clients." in text
    assert "First allocation" not in text


def test_an_outcome_that_is_missing_stands_beside_the_answers(
    results: StudyResults, protocol: Protocol
) -> None:
    remark = "The primary outcome, strength, could not be estimated: none in place of a score."
    text = text_of(render_report(replace(results, remarks=(*results.remarks, remark)), protocol))
    assert text.index("could not be estimated") < text.index("Flow of clients.")


def test_the_baseline_table_has_no_tests(page: str) -> None:
    """C03 and G05."""
    text = text_of(section(page, "baseline"))
    assert "44.2 (12.1)" in text
    assert not re.search(r"\bp\b", text)


def test_retention_has_definition_and_horizon_in_its_head(page: str) -> None:
    """C07 and G18."""
    (caption, *_) = re.findall(r"<caption>(.*?)</caption>", section(page, "outcome-retention"))
    assert "day 182 (week 26)" in caption
    assert "fewer than 28 countable days" in caption


def test_all_42_lines_of_the_reporting_standard_are_answered(page: str) -> None:
    """C14, with the completion rule: no bare "not applicable", no blank.

    Source: CONSORT 2025 (Hopewell et al. 2025), 30 items in 42 lines.
    """
    rows = re.findall(r"<tr><th scope=\"row\">(.*?)</th>(.*?)</tr>", section(page, "items"))
    items = [item for item, _ in rows]
    assert len(items) == 42
    assert len(set(items)) == 42
    assert {int(re.match(r"\d+", item).group(0)) for item in items} == set(range(1, 31))  # type: ignore[union-attr]
    for item, rest in rows:
        state, where = re.findall(r"<td[^>]*>(.*?)</td>", rest)[1:]
        assert state in {"in this report", "in the protocol", "to be supplied", "does not apply"}
        assert len(where) > 3, item


def test_planned_analyses_are_listed_done_or_not_done(
    page: str, results: StudyResults, protocol: Protocol
) -> None:
    """C11 and C12."""
    text = text_of(section(page, "planned"))
    assert "clients\tplanned 80\t72 allocated" in text
    assert "looks by arm before the end\tnone planned\t1 made" in text
    without = text_of(render_report(replace(results, outcomes=(results.strength,)), protocol))
    assert "retention, day 182\tsecondary\tnot done: there are no records for it" in without


def test_amendments_and_looks_are_printed(page: str, results: StudyResults, protocol: Protocol) -> None:
    text = text_of(section(page, "changes"))
    assert "2026-02-01\tOW\ta second studio joins\tstudy.setting" in text
    assert "2026-05-01\tOW\tthe landlord asked\tnot planned; decides nothing" in text
    without = text_of(section(render_report(results, protocol), "changes"))
    assert "Amendments after the lock: none." in without
    # X20: two tests at 5 per cent, Armitage, McPherson & Rowe 1969
    assert "come out as different 8.3 times in 100, not 5" in text_of(section(page, "limits"))
    planned = protocol.model_copy(
        update={"oversight": protocol.oversight.model_copy(update={"planned_looks": 1})}
    )
    looked = render_report(results, planned, looks=[Look()])
    assert "planned, decides at 0.31\u00a0%" in section(looked, "changes")
    assert "come out as different" not in looked
    assert "(level 0.31\u00a0%), by alpha spending" in section(looked, "methods")
    assert "alpha spending" not in section(page, "methods")


def test_an_early_reading_says_so_in_its_first_line_and_shows_no_effect_in_bold(
    results: StudyResults, protocol: Protocol
) -> None:
    early = replace(results, remarks=(*early_remarks(0), *results.remarks))
    page = render_report(early, protocol)
    lines = text_of(page[page.index("<body>") :]).split("\n")
    assert lines[0].startswith("Early, not the result. ")
    told = (
        "This is an early reading, not the result: the study goes on; no look was planned now, so it decides"
    )
    first = text_of(section(page, "first"))
    assert told in first
    assert not re.search(r"higher|lower|more with|%|\[", first)
    assert "<details>" in section(page, "answers")
    bold = re.findall(r'<(strong|b|h[1-3]|p class="lead")\b[^>]*>(.*?)</', page, re.DOTALL)
    assert len(bold) > 10
    assert not [text for _, text in bold if re.search(r"higher|lower|%|\[", text)]
    said = " ".join(summary(early, protocol=protocol).split())
    assert said.startswith(f"ATTENTION: {told}")
    assert said.count("early reading") == 1
    final = render_report(results, protocol)
    assert "arly reading" not in final + summary(results)
    assert "Early" not in text_of(final)
    assert "<details>" not in section(final, "answers")


def test_cautions_of_the_report_are_printed_with_local_ones(
    results: StudyResults, protocol: Protocol
) -> None:
    """Trade requirement E8."""
    local = protocol.model_copy(
        update={"cautions": protocol.cautions.model_copy(update={"local": (f"Mind {NASTY}.",)})}
    )
    text = text_of(section(render_report(results, local), "cautions"))
    assert "no medical advice" in text
    assert "licensed practitioner" in text
    assert f"Mind {NASTY}." in text


def test_provenance_has_hashes_versions_and_seed(page: str) -> None:
    """C13."""
    text = text_of(section(page, "provenance"))
    for piece in (
        "9c1f0a7be2d4",
        "a" * 64,
        "version of numpy\t2.4.6",
        "seed\t20260309",
        "2026-11-25T10:00:00Z",
    ):
        assert piece in text


def test_whatever_people_wrote_is_escaped(results: StudyResults, protocol: Protocol) -> None:
    """Ask 8.2, with the client code and names that people may type."""
    assert results.retention is not None
    nasty = replace(
        results,
        title=NASTY,
        arms=(("conventional", NASTY), ("partner_reps", "partner reps")),
        remarks=(NASTY,),
        baseline=(replace(results.baseline[0], name=NASTY),),
        outcomes=(
            replace(
                results.retention,
                definition=NASTY,
                by_trainer=((NASTY, results.retention.by_trainer[0][1]),),
            ),
            replace(
                results.strength,
                name=NASTY,
                model=NASTY,
                series=(replace(results.strength.series[0], client=NASTY),),
            ),
        ),
        flow=replace(results.flow, excluded=((NASTY, 24),)),
    )
    study = protocol.study.model_copy(update={"question": NASTY, "funding": NASTY, "setting": NASTY})
    page = render_report(
        nasty,
        protocol.model_copy(update={"study": study}),
        amendments=(Change(reason=NASTY),),
        looks=(Look(body={"reason": NASTY}),),
    )
    assert "<b>" not in page
    assert NASTY in text_of(page)
    outline = Outline()
    outline.feed(page)
    assert outline.problems == []


def test_same_results_same_page(page: str, results: StudyResults, protocol: Protocol) -> None:
    assert page == render_report(results, protocol, amendments=(Change(),), looks=(Look(),))


def test_every_day_on_the_page_comes_from_results_or_protocol(page: str) -> None:
    """No day is made while writing."""
    recruited, followed = ("2026-01-12", "2026-04-20"), "2026-11-16"
    changed, looked, made = "2026-02-01", "2026-05-01", "2026-11-25"
    days = {*recruited, followed, changed, looked, made}
    assert set(re.findall(r"\d{4}-\d\d-\d\d", page)) == days


def test_a_look_at_attendance_records_before_the_study_is_told(
    results: StudyResults, protocol: Protocol
) -> None:
    """H13: hypothesis and planning values may have come from them."""
    told = "Before this study, attendance records (export.csv; 176 clients) were looked at on 2026-01-05."
    document = report_document(Reading(results, protocol, earlier_records=(told,)))
    changes = next(section for section in document.sections if section.code == "changes")
    assert told in [block.content for block in changes.blocks]
