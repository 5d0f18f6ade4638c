"""A manuscript as a Word document (DOCX): the same bytes from the same manuscript.

The library that writes the format stamps the hour into the archive; it is packed again with fixed times.
"""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
from collections.abc import Mapping
from typing import Any

from studykit.report.document import Block, Picture
from studykit.report.tables import Table
from studykit.unseen import visible
from studykit.writeup.manuscript import ITALIC, Exhibit, LaidOut, Manuscript, laid_out, styled

_ROOM = 6.27  # inches between the margins of A4
_HIGH = 7.6  # inches that a figure may take, so that its number and title stay on its page
_FIXED = (1980, 1, 1, 0, 0, 0)  # the earliest time an archive can hold
_FONT = "Times New Roman"
_RULE = {"val": "single", "sz": "6", "space": "0", "color": "000000"}
# Symbols of statistics stand in italics (APA 6.44): before a relation, degrees of freedom, or alone.
_SYMBOL = re.compile(r"(?<![\w.])(p|t|z|F|M|SD|SE|df|n|N|d)(?=\s?[=<>]|\(\d|\(df\)|$)")


def word_bytes(manuscript: Manuscript, pictures: Mapping[str, bytes]) -> bytes:
    """The document.

    Parameters
    ----------
    manuscript : Manuscript
    pictures : mapping of str to bytes
        The PNG of each figure by its code.
    """
    from docx import Document

    document = Document()
    _set_up(document, manuscript)
    document.add_paragraph(visible(manuscript.title), style="Title")
    if manuscript.subtitle:
        _centred(document, styled(manuscript.subtitle))
    for part, sections in laid_out(manuscript):
        heading = document.add_heading(part.title, level=1)
        heading.paragraph_format.page_break_before = bool(part.letter)
        for section in sections:
            _section(document, section, pictures)
    stream = io.BytesIO()
    document.save(stream)
    return packed_again(stream.getvalue())


def packed_again(archive: bytes) -> bytes:
    """The same archive with its members in order and one fixed time, so that it is the same bytes again."""
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(archive)) as old, zipfile.ZipFile(stream, "w") as new:
        names = sorted(old.namelist(), key=lambda name: (name != "[Content_Types].xml", name))
        for name in names:
            member = zipfile.ZipInfo(name, _FIXED)
            member.compress_type, member.external_attr, member.create_system = zipfile.ZIP_DEFLATED, 0, 0
            new.writestr(member, old.read(name))
    return stream.getvalue()


# --- the page ------------------------------------------------------------------------------------


def _set_up(document: Any, manuscript: Manuscript) -> None:
    """A4, margins of an inch, double spacing, page numbers; properties that do not tell the hour."""
    from docx.shared import Inches

    section = document.sections[0]
    section.page_width, section.page_height = Inches(8.27), Inches(11.69)
    section.left_margin = section.right_margin = section.top_margin = section.bottom_margin = Inches(1)
    _styles(document)
    header = section.header.paragraphs[0]
    header.alignment = 2
    _page_number(header.add_run())
    facts, made = document.core_properties, dt.datetime.fromisoformat(manuscript.made_at[:19])
    facts.title, facts.author, facts.comments = visible(manuscript.title)[:255], "", ""
    facts.language = "en-GB"
    facts.created = facts.modified = facts.last_printed = made
    facts.last_modified_by, facts.revision = "", 1


def _styles(document: Any) -> None:
    from docx.enum.text import WD_ALIGN_PARAGRAPH
    from docx.shared import Inches, Pt, RGBColor

    normal = document.styles["Normal"]
    for name, size in (
        ("Normal", 12),
        ("Title", 12),
        ("List Bullet", 12),
        *((f"Heading {depth}", 12) for depth in (1, 2, 3)),
    ):
        style = document.styles[name]
        style.font.name, style.font.size, style.font.color.rgb = _FONT, Pt(size), RGBColor(0, 0, 0)
        fonts = style.element.get_or_add_rPr().get_or_add_rFonts()
        for key in list(fonts.attrib):
            del fonts.attrib[key]
        for key in ("ascii", "hAnsi", "cs", "eastAsia"):
            fonts.set(_named(f"w:{key}"), _FONT)
        style.font.bold = name not in {"Normal", "List Bullet"}
        style.paragraph_format.space_before = style.paragraph_format.space_after = Pt(0)
        style.paragraph_format.line_spacing = 2.0
    document.styles["Heading 3"].font.italic = True
    for name in ("Title", "Heading 1"):
        document.styles[name].paragraph_format.alignment = WD_ALIGN_PARAGRAPH.CENTER
    border = document.styles["Title"].element.pPr.find(_named("w:pBdr"))
    if border is not None:
        border.getparent().remove(border)
    normal.paragraph_format.first_line_indent = Inches(0)


def _named(name: str) -> str:
    from docx.oxml.ns import qn

    return str(qn(name))


def _element(name: str, **values: str) -> Any:
    """An element of the format with its attributes."""
    from docx.oxml import OxmlElement

    element = OxmlElement(name)
    for key, value in values.items():
        element.set(_named(f"w:{key}"), value)
    return element


def _page_number(run: Any) -> None:
    for kind in ("begin", "", "end"):
        if kind:
            run._r.append(_element("w:fldChar", fldCharType=kind))  # noqa: SLF001 — the library has no fields
        else:
            text = _element("w:instrText")
            text.text = "PAGE"
            run._r.append(text)  # noqa: SLF001


# --- texts ---------------------------------------------------------------------------------------


def _section(document: Any, section: LaidOut, pictures: Mapping[str, bytes]) -> None:
    if section.title:
        document.add_heading(visible(section.title), level=2)
    for item in section.items:
        if isinstance(item, Exhibit):
            _exhibit(document, item, pictures)
        else:
            _block(document, item, bullets=bool(section.title))


def _block(document: Any, block: Block, *, bullets: bool) -> None:
    """Paragraphs, headings inside a section, lists."""
    from docx.shared import Inches

    if block.kind == "heading":
        document.add_heading(visible(str(block.content)), level=3)
    elif isinstance(block.content, tuple):
        for text in block.content:
            hanging = document.add_paragraph(style="List Bullet" if bullets else None)
            _runs(hanging, styled(text))
            if not bullets:  # a list of references
                hanging.paragraph_format.left_indent = Inches(0.5)
                hanging.paragraph_format.first_line_indent = Inches(-0.5)
    else:
        paragraph = document.add_paragraph()
        _runs(paragraph, styled(str(block.content)), bold=block.kind == "notice")
        paragraph.paragraph_format.first_line_indent = Inches(0.5)


def _centred(document: Any, text: str) -> None:
    paragraph = document.add_paragraph(visible(text))
    paragraph.alignment = 1


def _runs(paragraph: Any, text: str, *, bold: bool = False, italic: bool = False) -> None:
    """A text with its statistics in italics, and what stands between two marks of `ITALIC` too."""
    for place, piece in enumerate(text.split(ITALIC)):
        slanted = place % 2 == 1
        for inner, word in enumerate(_SYMBOL.split(visible(piece))):
            if not word:
                continue
            run = paragraph.add_run(word)
            run.bold = bold or None
            run.italic = (italic or slanted) != (inner % 2 == 1) or None


# --- tables and figures --------------------------------------------------------------------------


def _exhibit(document: Any, exhibit: Exhibit, pictures: Mapping[str, bytes]) -> None:
    """Number in bold, title in italics on the next line, then the thing itself, then its notes."""
    number = document.add_paragraph()
    number.add_run(exhibit.label).bold = True
    number.paragraph_format.keep_with_next = True
    title = document.add_paragraph()
    _runs(title, exhibit.title, italic=True)
    title.paragraph_format.keep_with_next = True
    if isinstance(exhibit.content, Table):
        _table(document, exhibit, exhibit.content)
    else:
        _picture(document, exhibit, exhibit.content, pictures[exhibit.content.code])
    _notes(document, exhibit)


def _notes(document: Any, exhibit: Exhibit) -> None:
    """General notes first, then those on single rows, each kind beginning a line of its own."""
    from docx.shared import Pt

    lines = []
    if exhibit.general:
        lines.append(document.add_paragraph())
        lines[0].add_run("Note. ").italic = True
        _runs(lines[0], " ".join(exhibit.general))
    if exhibit.specific:
        lines.append(document.add_paragraph())
        for place, note in enumerate(exhibit.specific):
            lines[-1].add_run(f"{' ' if place else ''}{_letter(place)}").font.superscript = True
            _runs(lines[-1], f" {note.said}")
    for line in lines:
        line.paragraph_format.line_spacing = 1.15
        for run in line.runs:
            run.font.size = Pt(10)
    if lines:
        lines[-1].paragraph_format.space_after = Pt(12)
    else:
        document.add_paragraph().paragraph_format.line_spacing = 1.0


def _letter(place: int) -> str:
    """From a to z, then aa, ab and so on."""
    before, last = divmod(place, 26)
    return (_letter(before - 1) if before else "") + chr(ord("a") + last)


def _table(document: Any, exhibit: Exhibit, table: Table) -> None:
    from docx.shared import Inches, Pt

    made = document.add_table(rows=1 + len(table.rows), cols=len(table.columns))
    made.autofit = False
    points = 10 if len(table.columns) <= 5 else 8
    widths, size = _widths(table, points), Pt(points)
    marks: dict[int, list[str]] = {}
    for place, note in enumerate(exhibit.specific):
        for row in note.rows:
            marks.setdefault(row, []).append(_letter(place))
    texts = [[item.heading for item in table.columns], *([cell.text() for cell in row] for row in table.rows)]
    for number, (row, words) in enumerate(zip(made.rows, texts, strict=True)):
        for place, (cell, text) in enumerate(zip(row.cells, words, strict=True)):
            cell.width = Inches(widths[place])
            paragraph = cell.paragraphs[0]
            paragraph.paragraph_format.line_spacing = 1.0
            paragraph.alignment = 1 if place and (number == 0 or table.columns[place].numeric) else 0
            _runs(paragraph, text)
            if number and place == 0 and marks.get(number - 1):
                paragraph.add_run(" ".join(marks[number - 1])).font.superscript = True
            for run in paragraph.runs:
                run.font.size = size
    for place, width in enumerate(widths):
        made.columns[place].width = Inches(width)
    _rules(made, exhibit)


def _rules(made: Any, exhibit: Exhibit) -> None:
    """Lines above, below and under the headings; none between columns. The headings repeat on each page."""
    facts = made._tbl.tblPr  # noqa: SLF001 — the library has no borders
    borders = _element("w:tblBorders")
    for side in ("top", "bottom"):
        borders.append(_element(f"w:{side}", **_RULE))
    facts.find(_named("w:tblLayout")).addprevious(borders)  # the format wants them in this order
    facts.append(_element("w:tblCaption", val=exhibit.label))
    facts.append(_element("w:tblDescription", val=visible(exhibit.title)))
    head = made.rows[0]
    for cell in head.cells:
        under = _element("w:tcBorders")
        under.append(_element("w:bottom", **_RULE))
        cell._tc.get_or_add_tcPr().append(under)  # noqa: SLF001
    for row in made.rows:
        row._tr.get_or_add_trPr().append(_element("w:cantSplit"))  # noqa: SLF001
    head._tr.get_or_add_trPr().append(_element("w:tblHeader"))  # noqa: SLF001


def _widths(table: Table, points: float) -> list[float]:
    """Inches for each column: room for its longest word, and the rest by what stands in it."""
    letter = 0.52 * points / 72.0
    least, wanted = [], []
    for place, item in enumerate(table.columns):
        texts = [item.heading, *(row[place].text() for row in table.rows)]
        least.append(0.17 + letter * max(len(word) for text in texts for word in text.split(" ")))
        wanted.append(0.17 + letter * min(60, max(len(text) for text in texts)))
    spare = _ROOM - sum(least)
    more = [max(0.0, want - need) for want, need in zip(wanted, least, strict=True)]
    if spare <= 0 or not sum(more):
        return [_ROOM * need / sum(least) for need in least]
    share = min(1.0, spare / sum(more))
    return [need + share * extra for need, extra in zip(least, more, strict=True)]


def _picture(document: Any, exhibit: Exhibit, picture: Picture, png: bytes) -> None:
    """The figure with its text for those who cannot see it."""
    from docx.shared import Inches

    figure = picture.figure
    if figure is None:
        raise AssertionError(f"{picture.code} is no figure")
    wide, high = map(float, figure.get_size_inches())
    width = min(_ROOM, 1.25 * wide, _HIGH * wide / high)
    paragraph = document.add_paragraph()
    paragraph.paragraph_format.line_spacing = 1.0
    paragraph.alignment = 1
    shape = paragraph.add_run().add_picture(io.BytesIO(png), width=Inches(width))
    facts = shape._inline.docPr  # noqa: SLF001 — the library has no alternative text
    facts.set("descr", visible(" ".join((f"{exhibit.title}.", *exhibit.general))))
    facts.set("title", exhibit.label)
