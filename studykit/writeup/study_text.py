"""A study's results as a manuscript: the sections of its report in the order of a thesis.

No sentence and no number is made here: every table, picture and paragraph is one of the report's.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from studykit.report.document import Block, Picture, Section, paragraphs, tables
from studykit.report.extension_items import checklists
from studykit.report.flow_diagram import flow_figure
from studykit.report.page import report_document
from studykit.report.report_context import Reading
from studykit.report.reporting_items import completion
from studykit.report.tables import RowNote, Table
from studykit.writeup.manuscript import Part
from studykit.writeup.references import citing_sentence, sources_of

_RESULTS = ("feasibility", "answers", "baseline", "flow")
_AFTER = ("drawn-again", "delivery", "harms")
_APPENDIX = ("planned", "changes", "provenance")


def study_parts(reading: Reading) -> tuple[str, str, tuple[Part, ...]]:
    """Title, the line below it, and the chapters of a study's manuscript.

    Parameters
    ----------
    reading : Reading
    """
    page = report_document(replace(reading, manuscript=True))
    found = {section.code: section for section in page.sections}
    outcomes = [section for code, section in found.items() if code.startswith("outcome-")]
    fits = [section for code, section in found.items() if code.startswith("fit-")]
    results = _named(found, _RESULTS) + _parted(outcomes) + _named(found, _AFTER)
    results = [_with_flow(section, reading) for section in results]
    if page.first is not None and page.first.notices:
        notices = tuple(Block("notice", text) for text in page.first.notices)
        results = [Section("notices", "", notices), *results]
    parts = (
        Part("Method", tuple(_methods(found, results))),
        Part("Results", tuple(results)),
        Part("Discussion", tuple(_named(found, ("limits", "cautions")))),
        Part("Appendix A: Conduct of the Study", tuple(_named(found, _APPENDIX)), "A"),
        Part("Appendix B: Fit of the Models", tuple(fits), "B"),
        Part("Appendix C: Reporting Checklists", tuple(_items(reading, found)), "C"),
    )
    return page.title, page.subtitle, tuple(part for part in parts if part.sections)


def _named(found: dict[str, Section], codes: Iterable[str]) -> list[Section]:
    return [found[code] for code in codes if code in found]


def _methods(found: dict[str, Section], results: Sequence[Section]) -> Iterator[Section]:
    """The methods, with the sources of what is used."""
    for section in _named(found, ("methods",)):
        texts = (*words_of((section,)), *words_of(results))
        sources = sources_of((*texts, *_CHECKLISTS))
        yield replace(section, title="", blocks=(*section.blocks, *paragraphs(citing_sentence(sources))))


_CHECKLISTS = ("CONSORT 2025", "CERT", "TIDieR", "nonpharmacologic")


def words_of(sections: Iterable[Section]) -> Iterator[str]:
    """Every text of some sections, captions and notes of their tables and pictures too."""
    for section in sections:
        for block in section.blocks:
            if isinstance(block.content, Table):
                yield from (block.content.caption, *block.content.notes)
            elif isinstance(block.content, Picture):
                yield block.content.caption
            else:
                yield from (block.content,) if isinstance(block.content, str) else block.content


def _with_flow(section: Section, reading: Reading) -> Section:
    """The flow diagram as a figure, since the document takes no SVG."""
    blocks = tuple(
        replace(
            block,
            content=replace(block.content, figure=flow_figure(reading.results.flow, names=reading.names())),
        )
        if isinstance(block.content, Picture) and block.content.figure is None
        else block
        for block in section.blocks
    )
    return replace(section, blocks=blocks)


def _items(reading: Reading, found: dict[str, Section]) -> Iterator[Section]:
    """The checklists, and what they leave open, first."""
    yield from _named(found, ("items",))
    lists = checklists(reading)
    if lists:
        yield Section("more-items", "Design, exercise and treatment, item by item", tables(*lists))
    open_items = [item for item in completion(reading) if item.state == "to be supplied"]
    texts = [f"CONSORT 2025, item {item.item} ({item.asks}): {item.where}." for item in open_items]
    for table in lists:
        name = table.code.removeprefix("items_").upper()
        texts += [
            f"{name}, item {row[0].text()} ({row[1].text()}): {row[3].text()}."
            for row in table.rows
            if row[2].text() == "to be supplied"
        ]
    if texts:
        yield Section("open-items", "Still to be supplied", (Block("list", tuple(texts)),))


# --- main and sensitivity ------------------------------------------------------------------------


def _parted(sections: Iterable[Section]) -> list[Section]:
    """Tables of contrasts in two: the results, then the same under other assumptions."""
    return [
        replace(section, blocks=tuple(part for block in section.blocks for part in _parted_block(block)))
        for section in sections
    ]


def _parted_block(block: Block) -> Iterator[Block]:
    table = block.content
    if not isinstance(table, Table) or "role" not in [item.heading for item in table.columns]:
        yield block
        return
    role = [item.heading for item in table.columns].index("role")
    apart = [place for place, row in enumerate(table.rows) if row[role].text() == "sensitivity"]
    main = [place for place in range(len(table.rows)) if place not in apart]
    if not apart or not main:
        yield block
        return
    yield replace(block, content=_rows_of(table, main))
    other = replace(table, code=f"{table.code}_sensitivity", caption=f"{table.caption}: sensitivity analyses")
    yield replace(block, content=_rows_of(other, apart))


def _rows_of(table: Table, places: Sequence[int]) -> Table:
    """Some rows of a table, with the notes that are on them or on all."""
    new = {place: number for number, place in enumerate(places)}
    notes: list[str] = []
    for note in table.notes:
        if not isinstance(note, RowNote):
            notes.append(note)
        elif kept := tuple(new[row] for row in note.rows if row in new):
            names = "; ".join(table.rows[row][0].text() for row in note.rows if row in new)
            notes.append(RowNote(names, note.said, kept))
    return replace(table, rows=tuple(table.rows[place] for place in places), notes=tuple(notes))
