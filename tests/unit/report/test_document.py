"""A page in two depths: one screen first, the rest folded on a screen and unfolded on paper."""

from __future__ import annotations

import re

from studykit.report.document import Document, FirstScreen, Section, paragraphs, render_document

FIRST = FirstScreen("Too few <b>", "Join another studio.", "Not sure.", notices=("Early, not the result.",))
PAGE = render_document(
    Document(
        "A study", "Plan", ("Version 1.",),
        (Section("numbers", "Numbers", paragraphs("7 to 9"), folded=False),
         Section("power", "Power", paragraphs("9 in 100"))),
        "The end.", FIRST,
    )
)  # fmt: skip


def test_the_first_screen_comes_before_everything_but_the_title() -> None:
    body = PAGE[PAGE.index("<body>") : PAGE.index("<script>")]
    said = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body)).strip()
    assert said == (
        "Plan A study Early, not the result. What it means Too few &lt;b&gt; What to do Join another studio. "
        "How sure Not sure. Version 1. Numbers 7 to 9 Power 9 in 100 The end."
    )


def test_numbers_stand_open_and_the_rest_is_folded() -> None:
    sections = dict(re.findall(r'<section id="(\w+)">(.*?)</section>', PAGE, re.DOTALL))
    assert list(sections) == ["first", "numbers", "power"]
    folded = [code for code, text in sections.items() if "<details>" in text]
    assert folded == ["power"]
    assert "<summary><h2>Power</h2></summary>" in sections["power"]


def test_paper_unfolds_it_twice_over() -> None:
    """By the style sheet, and by the script in browsers whose style sheets cannot."""
    paper = PAGE[PAGE.index("@media print") : PAGE.index("</style>")]
    assert "details::details-content { content-visibility: visible; block-size: auto; }" in paper
    script = PAGE[PAGE.index("<script>") : PAGE.index("</script>")]
    assert re.search(r'"beforeprint".*details:not\(\[open\]\).*open = true', script, re.DOTALL)
    assert '"afterprint"' in script
