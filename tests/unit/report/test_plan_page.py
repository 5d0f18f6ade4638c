"""The planning page: its order, what an owner reads first, looks, pilot, and what people typed."""

from __future__ import annotations

import re

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from studykit.planning.plan import plan_study
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.types import Protocol
from studykit.report.document import Section
from studykit.report.gallery import WIDE
from studykit.report.numbers import Scale
from studykit.report.plan_figures import draw_chances, draw_widths
from studykit.report.plan_page import render_plan
from studykit.report.plan_sections import costs_section, looks_section, pilot_section
from studykit.report.style import LOOKS, drawing_style, new_figure
from studykit.report.tables import Table
from studykit.report.wording_check import text_of
from studykit.shipped import shipped
from tests.support.reading_ease import ease_of

READY = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")
LOOK = ("planned_looks = 0", "planned_looks = 1")


def protocol(*pairs: tuple[str, str]) -> Protocol:
    text = READY
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return parse_protocol(text).protocol


@pytest.fixture(scope="module")
def page() -> str:
    return render_plan(plan_study(protocol()), protocol())


def table(section: Section, name: str) -> Table:
    blocks = [block.content for block in section.blocks]
    return next(item for item in blocks if isinstance(item, Table) and item.code == name)


def texts(found: Table) -> list[list[str]]:
    return [[cell.text().replace("\u00a0", " ") for cell in row] for row in found.rows]


def test_the_page_keeps_the_order_in_which_an_owner_needs_it(page: str) -> None:
    sections = [code for code in re.findall(r'<section id="([a-z-]+)"', page) if code != "simulated"]
    wanted = ["width", "learn", "cost", "power", "doubts", "recommendation", "sharper", "assumptions"]
    assert [code for code in sections if code in wanted] == wanted
    assert sections.index("assumptions") < sections.index("looks") < sections.index("drawing")


def test_the_first_screen_is_easily_read() -> None:
    """At most 15 words a sentence on average, 25 at most, a readability index of at most 8."""
    for planned in (protocol(), protocol(LOOK), protocol(("clients = 40", "clients = 400"))):
        ease = ease_of([text for _, text in plan_study(planned).in_short.lines])
        assert (ease.most <= 25, ease.average <= 15, ease.index <= 8) == (True, True, True), ease


def test_the_first_lines_say_what_is_in_reach_and_what_is_not(page: str) -> None:
    """Trade facts F3: 40 clients and four machines show differences of the order of 10 %, not 2 %."""
    words = text_of(page[page.index('<section id="first"') :][:1500]).replace("\u00a0", " ")
    assert "with 40 clients, a true difference of 11.2 % or more is found in 80 of 100" in words
    assert "Change the design. With one side of each client in either arm" in words
    assert re.findall(r'<section id="([a-z-]+)">\s*<h2>', page) == ["first", "width"]  # the rest is folded


def test_costs_by_number_of_clients() -> None:
    rows = texts(table(costs_section(plan_study(protocol())), "plan_cost"))
    assert ["40 (planned)", "134", "17", "120", "100", "134"] in rows
    assert [row[0] for row in rows] == ["20", "40 (planned)", "80", "160", "320"]
    money = protocol(
        ("[planning.pauses]", '[planning.hour_cost]\nvalue = 10.0\nsource = "own books"\n\n[planning.pauses]')
    )
    assert texts(table(costs_section(plan_study(money)), "plan_cost"))[1][-1] == "1336"


def test_planned_looks_stand_with_what_they_take() -> None:
    """X30: 2.9626 and 1.9686 standard errors, halfway and at the end."""
    first, last = texts(table(looks_section(plan_study(protocol(LOOK))), "plan_looks"))
    assert first[:4] == ["look 1", "14", "50 %", "0.31 %"]
    assert last[:4] == ["the end", "28", "100 %", "4.90 %"]
    assert float(first[4].removesuffix(" %")) > 2 * float(last[4].removesuffix(" %"))
    unplanned = dict(texts(table(looks_section(plan_study(protocol())), "plan_unplanned_looks")))
    assert unplanned == {"none": "5.0 of 100", "1": "8.3 of 100", "2": "10.7 of 100", "4": "14.2 of 100"}


def test_a_look_too_early_to_decide_anything_says_so() -> None:
    """Little is spent early: at 2 per cent of the tests no difference is large enough."""
    early = protocol(("planned_looks = 0", "planned_looks = 1\nlook_fractions = [0.02]"))
    first, _ = texts(table(looks_section(plan_study(early)), "plan_looks"))
    assert first[3:5] == ["0.00 %", "none is enough"]


def test_where_no_difference_is_assumed_none_is_said_to_be_found() -> None:
    none = protocol(
        ("value = 2.0\nlow = -2.0\nhigh = 6.0", "value = 0.0"),
        ("value = 2.0\nlow = -5.0\nhigh = 8.0", "value = 0.0\nlow = -5.0\nhigh = 5.0"),
    )
    plan = plan_study(none)
    page = render_plan(plan, none)
    power = page[page.index('id="power"') : page.index('id="doubts"')]
    assert power.count("no difference is assumed, so that there is none to be found") == 2
    assert power.count("Nobody knows the true difference") == 1  # only where a range is plausible
    assert plan.chances[1].at_most == 0.5
    assert plan.chances[1].planned.averaged > 0.0


def test_a_pilot_is_shown_in_words_not_in_colours(page: str) -> None:
    assert 'id="pilot"' not in page
    found = table(pilot_section(plan_study(protocol(), pilot=True)), "plan_pilot")
    assert [column.heading for column in found.columns][1:3] == ["go on", "stop"]
    assert any("change first" in column.heading for column in found.columns)
    shown = " ".join(cell for row in texts(found) for cell in row)
    assert "8 of 10 or more" in shown
    assert not re.search(r"\b(red|amber|green)\b", shown + str(found.notes))


def test_weak_evidence_is_marked_with_its_source(page: str) -> None:
    assumed = page[page.index('<section id="assumptions"') :]
    rows = [
        re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row) for row in re.findall(r"<tr>(.*?)</tr>", assumed, re.S)
    ]
    marked = {row[0] for row in rows if "replace it by your own figure" in " ".join(row)}
    assert any("correlation of a client" in text for text in marked)
    assert not any("spread of scores between clients" in text for text in marked)


def test_what_people_typed_is_escaped() -> None:
    nasty = protocol(('title = "Conventional', 'title = "<script>alert(1)</script> Conventional'))
    assert "<script>alert" not in render_plan(plan_study(nasty), nasty)


def test_the_same_plan_gives_the_same_bytes(page: str) -> None:
    assert render_plan(plan_study(protocol()), protocol()) == page


@pytest.mark.parametrize("clients", [12, 40, 80, 96, 240, 400])
def test_the_words_beside_the_plan_stay_in_the_picture(clients: int) -> None:
    """With many clients the point is far right; its label once ran out of the picture."""
    points = [(count, 360.0 / count**0.5) for count in (12, 20, 40, 80, 160, 400)]
    with drawing_style():
        figure, ax = new_figure(WIDE, 2.9)
        draw_widths(points, ax, planned=(clients, 360.0 / clients**0.5), scale=Scale("percentage points", 0))
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        (label,) = [text for text in ax.texts if "as planned" in text.get_text()]
        box = label.get_window_extent(canvas.get_renderer())
    assert box.x1 <= figure.bbox.x1
    assert box.y1 <= figure.bbox.y1


def test_each_chance_has_a_line_of_its_own_from_the_largest_difference_down() -> None:
    plan = plan_study(protocol())
    (chances,) = [found for found in plan.chances if found.outcome == "strength"]
    with drawing_style():
        _, ax = new_figure(WIDE, 3.0)
        draw_chances(chances, ax, scale=Scale("%", 1), wanted_power=0.8)
    curves = [line for line in ax.lines if len(line.get_xdata()) == len(chances.curve)]
    assert [line.get_color() for line in curves] == [look.ink for look in LOOKS[:3]]
    heights = [line.get_ydata()[-1] for line in curves]
    last = chances.curve[-1]
    assert heights == [100.0 * chance for chance in (last.if_largest, last.averaged, last.if_assumed)]
