"""The Word document opens, says what the results say, and is the same file each time."""

from __future__ import annotations

import csv
import io
import re
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import studykit as sk
from studykit.errors import ArgumentError
from studykit.report.document import Block, Section
from studykit.report.numbers import PER_CENT_CHANGE, p_exact, statistic_text
from studykit.report.tables import Probability, RowNote, Table, cells, column, to_csv, words_column
from studykit.writeup.manuscript import Manuscript, Part, laid_out, split_title, styled, title_case
from studykit.writeup.references import shipped_references, sources_of
from studykit.writeup.word_file import packed_again, word_bytes
from studykit.writeup.write_up import write_up
from tests.unit.report.conftest import make_protocol, make_results

docx = pytest.importorskip("docx")
W = "{http://schemas.openxmlformats.org/wordprocessingml/2006/main}"


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("write_up")
    return write_up(make_results(), folder, protocol=make_protocol())


@pytest.fixture(scope="module")
def document(written: Path) -> Any:
    return docx.Document(str(written))


def texts(document: Any) -> list[str]:
    return [paragraph.text for paragraph in document.paragraphs]


def csv_rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"))))


def test_the_same_results_give_the_same_bytes(written: Path, tmp_path: Path) -> None:
    again = write_up(make_results(), tmp_path, protocol=make_protocol())
    names = sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*.*"))
    assert len(names) > 30
    assert again.read_bytes() == written.read_bytes()
    assert all((tmp_path / name).read_bytes() == (written.parent / name).read_bytes() for name in names)
    times = {member.date_time for member in zipfile.ZipFile(written).infolist()}
    assert times == {(1980, 1, 1, 0, 0, 0)}


def test_packing_again_forgets_order_and_hour() -> None:
    made = []
    for names, year in ((("a", "[Content_Types].xml"), 1999), (("[Content_Types].xml", "a"), 2020)):
        stream = io.BytesIO()
        with zipfile.ZipFile(stream, "w") as archive:
            for name in names:
                archive.writestr(zipfile.ZipInfo(name, (year, 1, 2, 3, 4, 6)), name)
        made.append(packed_again(stream.getvalue()))
    assert made[0] == made[1]
    assert zipfile.ZipFile(io.BytesIO(made[0])).namelist() == ["[Content_Types].xml", "a"]


def test_every_table_has_a_bold_number_an_italic_title_and_no_vertical_line(document: Any) -> None:
    assert len(document.tables) >= 12
    for table in document.tables:
        title, number = (table._tbl.getprevious(), table._tbl.getprevious().getprevious())
        number, title = (docx.text.paragraph.Paragraph(element, document) for element in (number, title))
        assert re.fullmatch(r"Table [A-C]?\d+", number.text)
        assert all(run.bold for run in number.runs)
        italic = "".join(run.text for run in title.runs if run.italic)
        assert len(italic) > 0.8 * len(title.text)
        borders = table._tbl.tblPr.find(f"{W}tblBorders")
        assert {element.tag.removeprefix(W) for element in borders} == {"top", "bottom"}
        inner = {element.tag.removeprefix(W) for cell in table._tbl.iter(f"{W}tcBorders") for element in cell}
        assert inner == {"bottom"}
        assert table._tbl.tr_lst[0].find(f".//{W}tblHeader") is not None
        assert table.style.name == "Normal Table"  # a style could bring lines of its own


def test_tables_are_numbered_in_order_and_each_is_called_in_the_text(document: Any) -> None:
    numbers = [int(text[6:]) for text in texts(document) if re.fullmatch(r"Table \d+", text)]
    assert numbers == list(range(1, len(numbers) + 1)) != []
    appendix = [text for text in texts(document) if re.fullmatch(r"Table C\d+", text)]
    assert appendix == [f"Table C{number}" for number in range(1, len(appendix) + 1)] != []
    called = " ".join(text for text in texts(document) if text.startswith("See "))
    reached: set[int] = set()
    for first, to, last in re.findall(r"Tables? (\d+)(?: (to|and) (\d+))?", called):
        reached |= set(range(int(first), int(last) + 1)) if to else {int(first)}
    assert reached >= set(numbers)


def test_every_figure_has_alternative_text(document: Any, written: Path) -> None:
    shapes = document.inline_shapes
    assert len(shapes) == len(list((written.parent / "figures").iterdir())) >= 5
    for shape in shapes:
        facts = shape._inline.docPr
        assert facts.get("title").startswith("Figure ")
        assert len(facts.get("descr")) > 15
    first = shapes[0]._inline.docPr
    assert (first.get("title"), first.get("descr").split(".")[0]) == ("Figure 1", "Flow of Clients")


def test_the_documents_numbers_are_those_of_the_files_and_of_the_results(
    document: Any, written: Path
) -> None:
    results = make_results()
    for path in sorted((written.parent / "tables").glob("*_contrasts.csv")):
        outcome = results[path.stem.split("_", 2)[2].removesuffix("_contrasts")]
        shown = next(float(row["p"]) for row in csv_rows(path) if row["role"] == outcome.primary.role)
        everything = [item.p_value for item in (outcome.primary, *getattr(outcome, "contrasts", ()))]
        assert shown in everything
    number = next(
        place
        for place, path in enumerate(document.tables)
        if path._tbl.tblPr.find(f"{W}tblCaption").get(f"{W}val") == "Table 1"
    )
    table = document.tables[number]
    baseline = next((written.parent / "tables").glob("table_1_*.csv"))
    assert len(csv_rows(baseline)) == len(table.rows) - 1
    html = baseline.with_suffix(".html").read_text(encoding="utf-8")
    tex = baseline.with_suffix(".tex").read_text(encoding="utf-8")
    for row in table.rows[1:]:
        for cell in row.cells:
            plain = cell.text.replace("%", r"\%").replace("\u2212", "$-$").replace("\u00a0", "~")
            assert cell.text in html.replace("&#39;", "'")
            assert plain.replace("_", r"\_") in tex


def test_the_primary_result_is_written_as_the_manual_writes_it(document: Any) -> None:
    results = make_results()
    primary = results.primary.primary
    statistic = statistic_text(primary.estimate.statistic, primary.estimate.degrees_of_freedom)
    interval = replace(PER_CENT_CHANGE, unit="").interval(primary.confidence_interval(0.95))
    told = f"{statistic}, {p_exact(primary.p_value)}, 95% CI {interval}"
    assert re.match(r"t\([\d.]+\) = [−\d.]+, p [=<] \.\d{3}, 95% CI \[", told)
    assert sum(told in text for text in texts(document)) == 1
    paragraph = next(item for item in document.paragraphs if told in item.text)
    assert {"t", "p"} <= {run.text for run in paragraph.runs if run.italic}


def test_sensitivity_stands_apart_from_the_results(written: Path) -> None:
    tables = written.parent / "tables"
    (apart,) = (path for path in tables.glob("*_strength_contrasts_sensitivity.csv"))
    (main,) = tables.glob("*_strength_contrasts.csv")
    assert {row["role"] for row in csv_rows(apart)} == {"sensitivity"}
    assert "sensitivity" not in {row["role"] for row in csv_rows(main)} != set()


def test_notes_are_general_first_then_by_letter() -> None:
    rows = (cells("first", Probability(0.2361)), cells("second", Probability(0.00001)))
    notes = ("Method, unless another is named: by t.", RowNote("Second", "by score.", (1,)), "All clients.")
    table = Table("t", "p of two rows", (words_column("what"), column("p")), rows, notes)
    section = Section("s", "A section", (Block("table", table),))
    made = word_bytes(Manuscript("Title", "", (Part("Results", (section,)),), "2026-01-05T10:00:00"), {})
    document = docx.Document(io.BytesIO(made))
    below = [text for text in texts(document) if text.startswith(("Note.", "a "))]
    assert below == ["Note. Method, unless another is named: by t. All clients.", "a by score."]
    assert [row.cells[0].text for row in document.tables[0].rows] == ["What", "First", "Seconda"]
    assert document.tables[0].rows[2].cells[0].paragraphs[0].runs[-1].font.superscript
    assert [row.cells[1].text for row in document.tables[0].rows] == ["p", ".236", "<.001"]
    (laid,) = laid_out(Manuscript("", "", (Part("", (section,)),), ""))[0][1][0].exhibits
    assert isinstance(laid.content, Table)
    assert to_csv(laid.content) == to_csv(table) == "what,p\nfirst,0.2361\nsecond,1e-05\n"


@pytest.mark.parametrize(
    ("value", "shown"),
    # Publication Manual, 7th edition, 6.36 and table 6.5: two or three decimals, no leading zero, p < .001.
    [
        (0.02349, "p = .023"),
        (0.2361, "p = .236"),
        (0.00049, "p < .001"),
        (0.9997, "p > .999"),
        (0.05, "p = .050"),
    ],
)
def test_exact_p(value: float, shown: str) -> None:
    assert p_exact(value) == shown


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("clients before allocation, by arm", "Clients Before Allocation, by Arm"),
        ("who was measured: strength", "Who Was Measured: Strength"),
        ("the 10-repetition load at week_12 with SD", "The 10-repetition Load at Week_12 With SD"),
    ],
)
def test_titles(text: str, shown: str) -> None:
    assert title_case(text).replace("week_12", "Week_12") == shown


def test_a_caption_gives_title_and_note() -> None:
    assert split_title("Kept, by arm; bands are pointwise. More.") == (
        "Kept, by arm", "Bands are pointwise. More.",
    )  # fmt: skip
    assert split_title("Flow of clients.") == ("Flow of clients", "")
    assert (
        styled("95\u00a0% intervals, 3.4\u00a0% and [1,\u00a02]\u00a0%") == "95% CIs, 3.4% and [1,\u00a02]%"
    )


def test_references_are_those_that_are_cited(document: Any) -> None:
    words = texts(document)
    start = words.index("References") + 1
    listed = [text for text in words[start:] if re.search(r"\(\d{4}\)\. ", text)]
    cited = next(text for text in words if text.startswith("Sources: "))
    assert len(listed) >= 5
    assert listed == sorted(listed)
    for reference in shipped_references():
        assert (reference.cited() in cited) == any(
            text.replace("*", "").startswith(reference.listed()[:25]) and reference.field("title") in text
            for text in listed
        )
    assert not [item.key for item in sources_of(("a text on nothing",))]
    assert [item.key for item in sources_of(("by Holm's procedure",))] == ["holm1979"]


@pytest.mark.parametrize("reference", shipped_references(), ids=lambda item: item.key)
def test_every_reference_is_whole(reference: Any) -> None:
    for name in ("author", "year", "title", "journal", "volume", "pages", "for", "keywords"):
        assert reference.field(name), name
    assert "{" not in reference.listed() + reference.cited()
    assert len(reference.authors) <= 21
    assert ("others" in reference.authors) == (len(reference.authors) == 21)


def test_checklists_name_every_item_and_what_is_open(document: Any) -> None:
    found = {}
    for table in document.tables:
        if table.rows[0].cells[0].text == "Item":
            title = table._tbl.tblPr.find(f"{W}tblDescription").get(f"{W}val")
            found[title] = [row.cells[0].text for row in table.rows[1:]]
            assert all(cell.text.strip() for row in table.rows[1:] for cell in row.cells[1:])
    cert = next(items for title, items in found.items() if "CERT" in title)
    tidier = next(items for title, items in found.items() if "TIDieR" in title)
    consort = next(items for title, items in found.items() if "CONSORT 2025" in title)
    # Slade et al. 2016: 16 items in 19 parts; Hoffmann et al. 2014: 12; Hopewell et al. 2025: 42 lines.
    assert cert == (
        [
            "1",
            "2",
            "3",
            "4",
            "5",
            "6",
            "7a",
            "7b",
            "8",
            "9",
            "10",
            "11",
            "12",
            "13",
            "14a",
            "14b",
            "15",
            "16a",
            "16b",
        ]
    )
    assert tidier == [str(number) for number in range(1, 13)]
    assert len(consort) == 42
    still = [text for text in texts(document) if text.startswith("CERT, item ")]
    assert (
        "CERT, item 3 (alone or in a group): say whether each trainer trained one client at a time." in still
    )


@pytest.mark.parametrize(
    ("design", "words", "items"),
    [
        ("trainers", "cluster trials", 18), ("crossover", "crossover trials", 13),
        ("limbs", "within-person trials", 15), ("stepped", "stepped-wedge trials", 17),
    ],
)  # fmt: skip
def test_the_extension_is_that_of_the_design(design: str, words: str, items: int) -> None:
    from studykit.report.extension_items import checklists
    from studykit.report.report_context import Reading
    from tests.pipeline.simulated_study import ready_protocol

    captions = {
        table.caption: len(table.rows)
        for table in checklists(Reading(make_results(), ready_protocol(design).protocol))
    }
    assert captions[f"The items of the CONSORT extension to {words}"] == items
    assert len(captions) == 4


def test_without_a_protocol_it_still_tells_the_results(
    tmp_path: Path, written: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    picture = next((written.parent / "figures").iterdir()).read_bytes()  # drawing takes most of the time
    monkeypatch.setattr("studykit.writeup.write_up.png_bytes", lambda _: picture)
    document = docx.Document(str(write_up(make_results(), tmp_path)))
    assert "Method" not in texts(document)
    assert "Results" in texts(document)


def test_what_is_no_result_is_refused_and_nothing_is_written(tmp_path: Path) -> None:
    with pytest.raises(ArgumentError, match="thing 1: expected results of a study"):
        sk.write_up({"p": 0.03}, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_what_nobody_sees_does_not_break_the_document() -> None:
    section = Section("s", "Sets\x0b", (Block("paragraph", "a * b \x1b[2J"), Block("list", ("one\u202e",))))
    manuscript = Manuscript("<b>\x0b * \ud800", "", (Part("Results", (section,)),), "2026-01-05T10:00:00")
    document = docx.Document(io.BytesIO(word_bytes(manuscript, {})))
    assert texts(document) == [
        r"<b>\u000b * \ud800", "Results", r"Sets\u000b", r"a * b \u001b[2J", r"one\u202e",
    ]  # fmt: skip
