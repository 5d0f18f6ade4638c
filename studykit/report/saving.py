"""Writing a report's files: made in a folder of another name, then put in place, never half.

Every file is written beside its place under a temporary name and renamed when it is whole. A crash
leaves the files of the last report, or whole files of the new one, and perhaps a temporary file that
the next run removes. The manifest comes last: where its hashes fit the files, the report is complete.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from studykit.errors import FolderError
from studykit.lookback.log import NoticedRows
from studykit.lookback.results import NextStudy
from studykit.outcomes.results import StudyResults
from studykit.planning.plan import Plan
from studykit.protocol.types import Protocol
from studykit.records.raw_table import guarded
from studykit.report.document import Document, render_document
from studykit.report.gallery import Picture
from studykit.report.lookback_page import PLANNING, LookBackReading, look_back_document
from studykit.report.page import report_document
from studykit.report.plan_page import plan_document
from studykit.report.reading import AmendmentRecord, LookRecord, Reading
from studykit.report.style import png_bytes, svg_of_finished
from studykit.report.tables import Table, to_csv, to_latex, to_markdown
from studykit.results import to_plain

_TEMPORARY = ".studykit-part"
FORMAT = 1


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
    document = plan_document(plan, protocol)
    files = {
        "plan.html": render_document(document).encode("utf-8"),
        "plan.json": _json_bytes(to_plain(plan)),
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
    document = look_back_document(reading)
    files = {
        LOOK_BACK_PAGE: render_document(document).encode("utf-8"),
        "lookback.json": _json_bytes(to_plain(reading.look)),
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
    return _json_bytes(to_plain(results, confidence_level=results.confidence_level))


def _json_bytes(plain: Mapping[str, Any]) -> bytes:
    """A file for programs: the format's number first, full precision, nothing that JSON cannot hold."""
    text = json.dumps({"format": FORMAT, **plain}, indent=1, ensure_ascii=False, allow_nan=False)
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
    return _json_bytes({"provenance": provenance, "files": digests})


def write_whole(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files under temporary names, then rename all of them.

    Raises
    ------
    FolderError
        If a folder cannot be made or a file cannot be written; files of before stay as they were.
    """
    parts: list[tuple[Path, Path]] = []
    try:
        for name, content in files.items():
            place = folder / name
            _make_folder(place.parent)
            part = place.with_name(f"{place.name}{_TEMPORARY}")
            parts.append((part, place))
            with part.open("wb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
        for part, place in parts:
            part.replace(place)
    except OSError as error:
        for part, _ in parts:
            part.unlink(missing_ok=True)
        raise FolderError(
            where=str(error.filename or folder),
            expected="a folder that can be written to, with no file open in another program",
            got=error.strerror or type(error).__name__,
            todo="Close the file or free some space, then run it again; the earlier report still stands.",
        ) from error


def _make_folder(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        raise FolderError(where=str(folder), expected="a folder", got="a file", todo="Move the file away.")
    folder.mkdir(parents=True, exist_ok=True)
