"""From results to files: one Word document and, from the same values, tables as CSV, HTML and TeX."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studykit.outcomes.results import StudyResults
from studykit.report.document import Block, Picture, Section, paragraphs
from studykit.report.rendering import write_whole
from studykit.report.report_context import Reading
from studykit.report.style import png_bytes
from studykit.report.tables import Table, html_text, to_csv, to_html, to_latex
from studykit.writeup.manuscript import Manuscript, Part, laid_out
from studykit.writeup.own_text import own_sections
from studykit.writeup.references import citing_sentence, sources_of
from studykit.writeup.study_text import study_parts, words_of
from studykit.writeup.word_file import word_bytes

if TYPE_CHECKING:
    from studykit.protocol.types import Protocol
    from studykit.report.report_context import AmendmentRecord, LookRecord

DOCUMENT = "write_up.docx"


def write_up(
    results: Any,
    folder: str | Path,
    *,
    title: str = "",
    protocol: Protocol | None = None,
    amendments: Sequence[AmendmentRecord] = (),
    looks: Sequence[LookRecord] = (),
    earlier_records: Sequence[str] = (),
) -> Path:
    """Write one Word document in the style of a thesis, and its tables and figures as files.

    Parameters
    ----------
    results : StudyResults, or one thing or a sequence of things of your own
        Of a study: `Study.write_up` knows the rest; without the protocol visits go by their codes, and there
        are no methods and no checklists. Of your own: a fit of `fit_frame`, what `describe` gave, estimates
        by name (``{"slope": fit.contrast({"day": 1})}``), a text, or a figure with its caption, in order.
    folder : str or Path
        Made where it does not exist; files of an earlier write-up are replaced.
    title : str
        Of a document of your own.
    protocol : Protocol, optional
    amendments, looks : sequence
        From the ledger.
    earlier_records : sequence of str
        Attendance records that were looked at before the study.

    Returns
    -------
    Path
        The document; beside it ``tables/`` (CSV, HTML, TeX) and ``figures/`` (PNG). The same results give
        the same bytes.

    Raises
    ------
    ArgumentError
        If it is given something that cannot be written up; the message says which.
    FolderError
        If a file stands where a folder is needed, or nothing can be written.

    Notes
    -----
    Layout after the Publication Manual of the American Psychological Association (7th edition).
    """
    if isinstance(results, StudyResults):
        reading = Reading(results, protocol, tuple(amendments), tuple(looks), tuple(earlier_records))
        head, subtitle, parts = study_parts(reading)
        return write_document(title or head, subtitle, parts, results.provenance.made_at, Path(folder))
    things = results if isinstance(results, list) or _are_things(results) else [results]
    methods, found = own_sections(things)
    sources = sources_of(words_of((*methods, *found)))
    cited = paragraphs(citing_sentence(sources))
    told = (*methods, Section("sources", "", cited)) if cited else methods
    parts = tuple(Part(name, part) for name, part in (("Method", told), ("Results", found)) if part)
    return write_document(title or "Results", "", parts, _NO_TIME, Path(folder))


_NO_TIME = "2000-01-01T00:00:00"  # things of one's own tell no time, and files must not tell the hour


def _are_things(results: Any) -> bool:
    """Whether a tuple is a sequence of things, and not a figure with its caption."""
    return isinstance(results, tuple) and not (len(results) == 2 and hasattr(results[0], "savefig"))


def write_document(
    title: str, subtitle: str, parts: tuple[Part, ...], made_at: str, folder: Path, *, name: str = DOCUMENT
) -> Path:
    """Chapters with their references as one document, and its exhibits as files: all or none.

    Parameters
    ----------
    title, subtitle : str
    parts : tuple of Part
    made_at : str
        ISO 8601; the only time in the files.
    folder : Path
    name : str
        Of the document.
    """
    manuscript = _with_references(title, subtitle, parts, made_at)
    found = [
        item for _, sections in laid_out(manuscript) for section in sections for item in section.exhibits
    ]
    figures = [item.content for item in found if isinstance(item.content, Picture)]
    pictures = {picture.code: png_bytes(picture.figure) for picture in figures if picture.figure is not None}
    files = {name: word_bytes(manuscript, pictures)}
    for item in found:
        path = f"{item.label.lower().replace(' ', '_')}_{item.content.code}"
        if isinstance(item.content, Table):
            files |= _table_files(f"tables/{path}", item.title, item.content)
        else:
            files[f"figures/{path}.png"] = pictures[item.content.code]
    write_whole(folder, files)
    return folder / name


def _with_references(title: str, subtitle: str, parts: tuple[Part, ...], made_at: str) -> Manuscript:
    """The list of references stands between the text and its appendices."""
    sources = sources_of(text for part in parts for text in words_of(part.sections))
    if not sources:
        return Manuscript(title, subtitle, parts, made_at)
    listed = Block("list", tuple(item.listed() for item in sources))
    chapter = Part("References", (Section("references", "", (listed,)),))
    body = tuple(part for part in parts if not part.letter)
    return Manuscript(title, subtitle, (*body, chapter, *parts[len(body) :]), made_at)


def _table_files(path: str, title: str, table: Table) -> dict[str, bytes]:
    page = (
        f'<!doctype html>\n<html lang="en">\n<meta charset="utf-8">\n<title>{html_text(title)}</title>\n'
        f"{to_html(table)}\n</html>\n"
    )
    return {
        f"{path}.csv": to_csv(table).encode("utf-8-sig"),
        f"{path}.tex": to_latex(table).encode("utf-8"),
        f"{path}.html": page.encode("utf-8"),
    }
