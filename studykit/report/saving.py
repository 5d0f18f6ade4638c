"""Writing the files of a report, of a plan and of a look back.

The manifest comes last: where its hashes fit the files, the report is complete.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studykit.records.raw_table import guarded
from studykit.report.document import Document, Picture, render_document
from studykit.report.rendering import write_whole
from studykit.report.style import png_bytes, svg_of_finished
from studykit.report.tables import Table, to_csv, to_latex, to_markdown
from studykit.results import to_plain

if TYPE_CHECKING:
    from studykit.lookback.log import NoticedRows
    from studykit.lookback.look_back_results import NextStudy
    from studykit.outcomes.results import StudyResults
    from studykit.planning.plan import Plan
    from studykit.protocol.types import Protocol
    from studykit.report.lookback_page import LookBackReading
    from studykit.report.report_context import AmendmentRecord, LookRecord

FORMAT = 1
RESULTS_FORMAT = 2  # 1 had one list of continuous outcomes and one entry for retention


def save_report(
    results: StudyResults,
    protocol: Protocol,
    folder: Path,
    *,
    amendments: Sequence[AmendmentRecord] = (),
    looks: Sequence[LookRecord] = (),
    earlier_records: Sequence[str] = (),
) -> Path:
    """Write report.html, results.json, tables, figures and manifest.json.

    Parameters
    ----------
    results : StudyResults
    protocol : Protocol
    folder : Path
        Usually ``my_study/results``; made where it does not exist. Files of an earlier report are replaced.
    amendments, looks : sequence
        From the ledger.
    earlier_records : sequence of str
        Attendance records that were looked at before the study, as the ledger tells.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    FolderError
        If a file stands where a folder is needed, or nothing can be written.
    ArgumentError
        If the flow of clients does not add up; nothing is written then.
    """
    from studykit.report.page import report_document
    from studykit.report.report_context import Reading

    document = report_document(
        Reading(results, protocol, tuple(amendments), tuple(looks), tuple(earlier_records))
    )
    files = {"report.html": render_document(document).encode("utf-8"), "results.json": results_json(results)}
    files |= dict(document_files(document))
    write_whole(folder, files)
    write_whole(folder, {"manifest.json": _manifest(to_plain(results.provenance), files)})
    return folder / "report.html"


def save_plan(plan: Plan, protocol: Protocol, folder: Path) -> Path:
    """Write plan.html and plan.json, with the plan's tables and figures as files.

    Parameters
    ----------
    plan : Plan
    protocol : Protocol
    folder : Path
        Usually ``my_study/results``; made where it does not exist.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    FolderError
        If a file stands where a folder is needed, or nothing can be written.
    """
    from studykit.report.plan_page import plan_document

    document = plan_document(plan, protocol)
    files = {
        "plan.html": render_document(document).encode("utf-8"),
        "plan.json": json_bytes(to_plain(plan)),
    }
    write_whole(folder, files | dict(document_files(document)))
    return folder / "plan.html"


def save_look_back(reading: LookBackReading, folder: Path) -> Path:
    """Write lookback.html, lookback.json, planning.toml, tables, figures and manifest.json.

    Parameters
    ----------
    reading : LookBackReading
    folder : Path
        Made where it does not exist. Files of an earlier look back are replaced.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    FolderError
        If a file stands where a folder is needed, or nothing can be written.
    """
    from studykit.report.lookback_page import PLANNING, look_back_document

    document = look_back_document(reading)
    files = {
        LOOK_BACK_PAGE: render_document(document).encode("utf-8"),
        "lookback.json": json_bytes(to_plain(reading.look)),
        **dict(document_files(document)),
        "tables/noticed_rows.csv": noticed_rows(reading.log.noticed),
    }
    if reading.look.next_study is not None and reading.look.next_study.assumptions:
        files[PLANNING] = planning_text(reading.look.next_study)
    provenance = {
        "made_on": reading.made_on, "versions": dict(reading.versions), "said": dict(reading.said),
        "source": dict(reading.log.hashes),
    }  # fmt: skip
    earlier = _files_of(folder)
    write_whole(folder, files)
    write_whole(folder, {"manifest.json": _manifest(provenance, files)})
    for name in earlier - set(files):
        (folder / name).unlink(missing_ok=True)
    return folder / LOOK_BACK_PAGE


LOOK_BACK_PAGE = "lookback.html"


def planning_text(numbers: NextStudy) -> bytes:
    """The numbers for planning as tables that a protocol takes."""
    head = "# From attendance records; replace the tables of the same names in protocol.toml.\n\n"
    return (head + "\n\n".join(numbers.assumptions) + "\n").encode("utf-8")


def _files_of(folder: Path) -> set[str]:
    """Tables, figures and planning numbers of an earlier saving, as its manifest lists them."""
    try:
        named = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))["files"]
    except (OSError, ValueError, KeyError, TypeError):
        return set()
    return {name for name in named if re.fullmatch(r"(tables|figures)/\w+\.\w+|planning\.toml", name)}


def noticed_rows(noticed: Sequence[NoticedRows]) -> bytes:
    """Every single row that was left out or pointed at, with the reason."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["row", "where", "what", "in the analysis"])
    for item in noticed:
        told = (item.where, item.reason, "counted" if item.used else "left out")
        writer.writerows((row, *map(guarded, told)) for row in item.rows.tolist())
    return stream.getvalue().encode("utf-8-sig")


def results_json(results: StudyResults) -> bytes:
    """All results in full precision, with intervals at the protocol's level."""
    plain = to_plain(results, confidence_level=results.confidence_level)
    return json_bytes(plain, version=RESULTS_FORMAT)


def json_bytes(plain: Mapping[str, Any], *, version: int = FORMAT) -> bytes:
    """A file for programs: the format's number first, full precision, nothing that JSON cannot hold."""
    text = json.dumps({"format": version, **plain}, indent=1, ensure_ascii=False, allow_nan=False)
    return f"{text}\n".encode()


def document_files(document: Document) -> Iterator[tuple[str, bytes]]:
    """Tables and figures of a page as files, by path inside the folder."""
    for section in document.sections:
        for block in section.blocks:
            if isinstance(block.content, Table):
                table = block.content
                # The mark at the start lets spreadsheet programs see that the text is UTF-8.
                yield f"tables/{table.code}.csv", to_csv(table).encode("utf-8-sig")
                yield f"tables/{table.code}.md", to_markdown(table).encode("utf-8")
                yield f"tables/{table.code}.tex", to_latex(table).encode("utf-8")
            elif isinstance(block.content, Picture):
                yield from _picture_files(block.content)


def _picture_files(picture: Picture) -> Iterator[tuple[str, bytes]]:
    if picture.figure is None:
        yield f"figures/{picture.code}.svg", f"{picture.svg}\n".encode()
        return
    yield f"figures/{picture.code}.svg", svg_of_finished(picture.figure)
    yield f"figures/{picture.code}.png", png_bytes(picture.figure)


def _manifest(provenance: Any, files: Mapping[str, bytes]) -> bytes:
    digests = {name: hashlib.sha256(content).hexdigest() for name, content in sorted(files.items())}
    return json_bytes({"provenance": provenance, "files": digests})
