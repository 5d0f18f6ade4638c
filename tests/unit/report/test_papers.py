"""The papers before the first client: what each must say, how easily it is read, what is left open."""

from __future__ import annotations

import re
import string
import tomllib

import pytest

from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.types import Protocol
from studykit.report.papers import DRAFT, OPEN, PAPERS, Part, open_questions, papers_of, render_paper
from studykit.shipped import shipped, shipped_page
from tests.support.answered import answered
from tests.support.reading_ease import ease_of, page_texts, sentences, words_of

DESIGNS = ("parallel", "trainers", "crossover", "limbs", "stepped")
SPIRIT_2025 = re.findall(
    r"\S+",
    """1a 1b 2 3a 3b 3c 3d 4 5 6 7a 7b 8 9a 9b 10 11 12 13 14a 14b 15a 15b 15c 15d 16 17 18 19 20 21a 21b 22
    23 24a 24b 24c 25a 25b 26 27a 27b 27c 27d 28a 28b 29 30 31 32a 32b 33 34""",
)
TERMS = {  # plain words, and the technical term that stands beside them
    "cannot finish the next lift|next lift cannot be finished": "momentary failure",
    "muscle breaks? down|dark urine after|Dark urine, bad": "rhabdomyolysis",
    "muscle gets longer": "eccentric phase",
    "muscle shortens": "concentric phase",
    "client of the other group": "contamination",
    "less than was planned": "non-adherence",
    "turn the answer round": "tipping point",
    "draws the groups again": "re-randomisation test",
    "exactly is to be found": "estimand",
    "see the next one": "concealment",
    "do not know which group|should not know the group": "blinded assessor",
}


def protocol_of(design: str = "parallel", *changes: tuple[str, str]) -> Protocol:
    text = answered((shipped("protocols") / f"{design}.toml").read_text(encoding="utf-8"))
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return parse_protocol(text).protocol


def pages(protocol: Protocol) -> dict[str, str]:
    return {paper.name: render_paper(paper, protocol) for paper in papers_of(protocol)}


READY = pages(protocol_of())


def told(page: str) -> str:
    return " ".join(re.sub(r"<style>.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL).split())


def test_the_index_is_the_published_formula() -> None:
    """4.71 characters a word + 0.5 words a sentence - 21.43 (Smith and Senter 1967), by hand."""
    found = ease_of(["The cat sat. It ran off, 12 times."])
    assert (found.average, found.most) == (4.0, 5)
    assert found.index == pytest.approx(4.71 * 24 / 8 + 0.5 * 4 - 21.43)
    assert sentences("One. Two! “Three?” Four") == ["One.", "Two!", "“Three?", "Four"]
    assert words_of("a load - 2.5 kg: don't") == ["a", "load", "2", "5", "kg", "don't"]
    assert page_texts("<p>One <b>no</b> two.</p><table><p>x</p></table><li>three</li>") == [
        "One two.",
        "three",
    ]


@pytest.mark.parametrize("design", DESIGNS)
def test_every_paper_is_easily_read(design: str) -> None:
    """At most 15 words a sentence on average, 25 at most, and an index of at most 8."""
    for name, page in pages(protocol_of(design)).items():
        found = ease_of(page_texts(page))
        assert found.average <= 15.0, name
        assert found.most <= 25, (name, found.longest)
        assert found.index <= 8.0, name


@pytest.mark.parametrize("name", PAPERS)
def test_a_term_stands_once_beside_its_plain_words(name: str) -> None:
    text = told(READY[name])
    for plain, term in TERMS.items():
        assert text.count(f"({term})") == (1 if re.search(plain, text) else 0), (name, term)


@pytest.mark.parametrize("name", PAPERS)
def test_every_paper_is_a_draft_with_room_for_who_was_shown_it(name: str) -> None:
    paper = next(paper for paper in papers_of(protocol_of()) if paper.name == name)
    assert DRAFT == "Draft: show it to two clients before you use it."
    assert DRAFT in READY[name].split("<h1>")[0]
    table = READY[name].split("Who was shown this page, and what changed")[1]
    assert table.count("<tr>") == 1 + 2
    row = {"paper": name, "date": "2026-03-02", "shown_to": "C001", "what_was_unclear": "<odds>",
           "what_changed": "shorter"}  # fmt: skip
    shown = render_paper(paper, protocol_of(), shown=[row, row | {"paper": "other", "shown_to": "C009"}])
    assert "C001" in shown
    assert "&lt;odds&gt;" in shown
    assert "C009" not in shown
    assert "no medical advice" in READY[name]
    assert "from memory" in READY[name]


def test_the_consent_form_answers_every_point_of_the_guideline() -> None:
    """ICH E6(R3) 2.8.10, points a to v; f to v read in a copy, a to e from memory."""
    sections = tomllib.loads(shipped_page("protocols", "papers/consent.toml"))["section"]
    covered = {point for section in sections for point in section.get("covers", "").split()}
    assert covered == set(string.ascii_lowercase[:22])
    text = told(READY["consent"])
    for said in (
        "This is research",  # b
        "Chance puts you in one of the groups",  # c
        "day 0, day 42, day 84",  # d
        "Blood pressure goes up a lot when you strain, most of all if you hold your breath",  # f
        "dark urine, like tea or cola",
        "You may get no gain",  # g
        "You can train here as before",  # h
        "which knows of partner reps",  # i
        "nothing; the sessions cost what they cost now",  # j, k
        "You can stop at any time, and you do not have to say why",  # l
        "We keep what was written down until that day, and we still count it",  # m, n
        "You can also ask us to take your data out",
        "A reviewer or an inspector may look at the records",  # o
        "Your name will not be in any report",  # p
        "If we learn something that may change your mind, we tell you soon",  # q
        "harms are looked at by SR, from outside the studio",  # r
        "We stop you if you are ill",  # s
        "about 26 weeks",  # t
        "About 40 clients take part",  # u
        "I want the results when the study is over",  # v
        "Partner reps: hands may touch me while I train. I can take this back on its own.",
        "The person who asks you is RE. It must not be your own trainer",
        "Read out by (not your trainer)",
    ):
        assert said in text, said


MUST_SAY = {
    "screening": ("160 over 100", "180 over 110", "before consent", "A doctor has cleared the person"),
    "test_day": ("Last hard session: 48 hours", "call 112", "leg press, try 4: load in kg", "Do not cheer"),
    "sign_off": ("Practice of lifting", "Practice of lowering", "One matched rep", "Who observed (code)",
                 "lapses after 28 days", "Lowering takes 3 to 5 seconds"),
    "harm": ("How bad (severity)", "How grave (seriousness)", "more than 72 hours, or more than 5 of 10",
             "Had to stay in hospital", "training may be the cause", "How long after the last session",
             "Judged by (code)", "Tell SR on the same day"),
    "privacy": ("What we hold", "Where it is", "the owner, in the safe of the office", "Why", "How long",
                "Until 2036-12-31", "Who sees it", "A copy:", "A correction:", "withdrawal of consent",
                "withdrawal of data", "anonymised"),
    "protocol": ("one machine set per exercise to", "28a committee", "20 how clients are found open"),
}  # fmt: skip


@pytest.mark.parametrize("name", MUST_SAY)
def test_what_a_paper_must_say(name: str) -> None:
    text = told(READY[name])
    for said in MUST_SAY[name]:
        assert said in text, said


def test_the_items_of_the_standard_stand_by_number_and_say_which_are_open() -> None:
    """SPIRIT 2025, 34 items in 53 lines."""
    items = tomllib.loads(shipped_page("protocols", "papers/spirit_2025.toml"))["items"]
    assert [item["item"] for item in items] == SPIRIT_2025
    assert open_questions(protocol_of()) == ("20",)
    new = parse_protocol((shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")).protocol
    assert open_questions(new) == ("3d", "9b", "20", "28a", "30", "33", "34")
    for change, item in (
        (('blinding = "the tester', 'blinding = "" # "the tester'), "24b"),
        (('funding = "the', 'funding = "n/a" # "the'), "7a"),
        (("planned_looks = 0", "planned_looks = 1"), "28b"),
        (('barred = "partner reps, in', 'barred = "" # "partner reps, in'), "15d"),
        (('registration = "not registered, b', 'registration = "tbd" # "b'), "4"),
    ):
        assert item in open_questions(protocol_of("parallel", change)), item


def test_what_nobody_answered_is_left_open_and_nothing_is_claimed() -> None:
    new = parse_protocol((shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")).protocol
    for name, number in (("consent", 6), ("privacy", 2), ("protocol", 7), ("test_day", 3), ("harm", 4)):
        assert pages(new)[name].count(OPEN) >= number, name
        assert OPEN not in READY[name]


def test_what_people_typed_is_shown_and_never_filled_in() -> None:
    protocol = protocol_of("parallel", ("in the safe of the office", "<b>{study.title}</b> {*clients}"))
    page = pages(protocol)["privacy"]
    assert "&lt;b&gt;{study.title}&lt;/b&gt; {*clients}" in page


def test_without_partner_reps_nobody_is_signed_off_for_them() -> None:
    text = answered((shipped("protocols") / "parallel.toml").read_text(encoding="utf-8"))
    start = text.index("ramp_in = [")
    text = text[:start] + text[text.index("]\n", text.index("exercises = 2 },")) + 2 :]
    text = text.replace("partner_reps_per_set = 3 ", "partner_reps_per_set = 0 ")
    bare = parse_protocol(text.replace("partner_reps = true", "partner_reps = false")).protocol
    assert [paper.name for paper in papers_of(bare)] == [name for name in PAPERS if name != "sign_off"]
    assert "Touch" not in [part.title for part in papers_of(bare)[1].parts]


@pytest.mark.parametrize("design", DESIGNS)
def test_chance_is_told_as_the_design_has_it(design: str) -> None:
    said = {"parallel": "like the toss of a coin", "trainers": "randomised by trainer",
            "crossover": "randomised crossover", "limbs": "randomised by side",
            "stepped": "stepped roll-out"}  # fmt: skip
    text = told(pages(protocol_of(design))["consent"])
    assert [name for name in DESIGNS if said[name] in text] == [design]


@pytest.mark.parametrize("name", PAPERS)
def test_headings_and_tables_can_be_read_aloud(name: str) -> None:
    page = READY[name]
    assert page.count("<h1>") == 1
    assert '<html lang="en-GB">' in page
    assert page.count("<th>") == 0
    assert not re.search(r"<(script|img|link)\b|https?://", page)
    parts: tuple[Part, ...] = next(paper.parts for paper in papers_of(protocol_of()) if paper.name == name)
    assert page.count("<h2>") == len(parts) + 1
