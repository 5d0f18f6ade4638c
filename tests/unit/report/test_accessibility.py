"""Every page that the tool writes can be read by everybody: one set of rules, held for all templates at once.

Rules are those of WCAG 2.2 that a parser can check: language and title (3.1.1, 2.4.2), headings in order
(1.3.1, 2.4.6), table headers (1.3.1), text alternatives (1.1.1), contrast of at least 4.5 (1.4.3), and text
that reflows at 320 pixels (1.4.10). From memory but for the formula of contrast, which is the standard's own.
"""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from studykit import report
from studykit.planning.plan import plan_study
from studykit.protocol.protocol_file import read_protocol
from studykit.report.lookback_page import LookBackReading, render_look_back
from studykit.report.page import render_report
from studykit.report.plan_page import render_plan
from studykit.report.rendering import _environment
from studykit.shipped import shipped

TEMPLATES = Path(report.__file__).parent / "templates"
WHOLE = sorted(path.name for path in TEMPLATES.glob("*.j2") if "<html" in path.read_text(encoding="utf-8"))
SHEETS = sorted(path.name for path in TEMPLATES.glob("*.css"))


class Rules(HTMLParser):
    """What a page breaks, in words."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.broken: list[str] = []
        self.levels: list[int] = []
        self.tables: list[list[str]] = []
        self.feed(page)
        if self.levels[:1] != [1] or self.levels.count(1) != 1:
            self.broken.append(f"headings begin with one of level 1: {self.levels[:3]}")
        steps = zip(self.levels, self.levels[1:], strict=False)
        self.broken += [f"heading {low} jumps to {high}" for low, high in steps if high > low + 1]
        for start, rule in (
            ('<html lang="en', "a language"),
            ("<title>", "a title"),
            ("width=device", "a viewport"),
        ):
            if start not in page:
                self.broken.append(f"{rule} is missing")

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        if re.fullmatch("h[1-6]", tag) or named.get("role") == "heading":
            self.levels.append(int(named.get("aria-level") or tag[1:]))
        if tag == "th" and named.get("scope") not in {"col", "row"}:
            self.broken.append("a table header without scope")
        if tag == "img" and not named.get("alt"):
            self.broken.append("a picture without a text alternative")
        if tag == "svg" and not (named.get("role") == "img" and named.get("aria-label")):
            self.broken.append("a drawing without a label")
        if tag in {"nav", "aside"} and not named.get("aria-label"):
            self.broken.append(f"{tag} without a label")


def luminance(colour: str) -> float:
    """Relative luminance by WCAG's formula."""
    full = colour.lstrip("#")
    full = "".join(2 * digit for digit in full) if len(full) == 3 else full
    parts = (int(full[place : place + 2], 16) / 255.0 for place in (0, 2, 4))
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(ink: str, paper: str) -> float:
    """By WCAG's formula, 1 to 21."""
    dark, light = sorted((luminance(ink), luminance(paper)))
    return (light + 0.05) / (dark + 0.05)


def inked(sheet: str) -> dict[str, tuple[str, str]]:
    """Ink and paper of every rule of a style sheet that sets an ink; paper is white where it sets none."""
    names = dict(re.findall(r"(--\w+): (#\w+);", sheet))
    found = {}
    for selector, body in re.findall(r"([^{};]+)\{([^{}]*)\}", sheet):
        told = dict(re.findall(r"(?:^|;)\s*(color|background): ([^;]+)", body))
        values = {key: names.get(text.removeprefix("var(").rstrip(")"), text) for key, text in told.items()}
        if values.get("color", "inherit").startswith("#"):
            found[selector.strip()] = (values["color"], values.get("background", "#fff"))
    return found


@pytest.mark.parametrize("name", WHOLE)
def test_every_template_keeps_the_rules(name: str) -> None:
    source, _, _ = _environment().loader.get_source(_environment(), name)  # type: ignore[union-attr]
    page = re.sub(r"\{%.*?%\}|<style>.*?</style>", "", source, flags=re.DOTALL)
    assert Rules(page).broken == []


@pytest.mark.parametrize("name", SHEETS)
def test_every_ink_has_contrast_and_every_text_reflows(name: str) -> None:
    sheet = (TEMPLATES / name).read_text(encoding="utf-8")
    colours = inked(sheet)
    assert len(colours) > 2
    wash = re.search(r"--wash: (#\w+)", sheet)
    papers = [wash.group(1)] if wash else []
    for selector, (ink, paper) in colours.items():
        for behind in (paper, *(papers if paper == "#fff" else [])):
            assert contrast(ink, behind) >= 4.5, (selector, ink, behind)
    assert "overflow-wrap: anywhere" in sheet  # a code of 64 characters broke the page at 320 pixels
    paper_rules = sheet[sheet.index("@media print") :]
    assert re.search(r"break-inside: avoid", paper_rules)


def test_the_contrast_is_that_of_the_standard() -> None:
    assert contrast("#000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#fff") == pytest.approx(
        4.48, abs=0.005
    )  # the well-known grey that just fails


def test_the_plan_keeps_the_rules() -> None:
    protocol = read_protocol(shipped("protocols") / "parallel.toml").protocol
    assert Rules(render_plan(plan_study(protocol), protocol)).broken == []


def test_the_report_keeps_the_rules_and_shows_the_flow_as_a_table(results, protocol) -> None:  # type: ignore[no-untyped-def]
    page = render_report(results, protocol)
    assert Rules(page).broken == []
    flow = page[page.index('<section id="flow">') :]
    table = flow[flow.index("<table>") : flow.index("</section>")]
    assert f">{results.flow.arms[0].allocated}<" in table


def test_the_look_back_keeps_the_rules(look_reading: LookBackReading) -> None:
    assert Rules(render_look_back(look_reading)).broken == []
