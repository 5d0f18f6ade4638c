"""CSV files as people's programs save them: UTF-8, comma or semicolon, nothing guessed in silence."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import replace

from studykit.errors import Finding
from studykit.records.raw import RawTable
from studykit.records.schema import Table

_SAVE_AS = 'Save it again as "CSV UTF-8".'
_MARKS = (b"\xff\xfe", b"\xfe\xff")


def read_delimited(data: bytes, table: Table, where: str) -> tuple[RawTable | None, tuple[Finding, ...]]:
    """Cells of one CSV file.

    Parameters
    ----------
    data : bytes
        The file as it is.
    table : Table
        Its schema; the delimiter is the one under which the header has most known columns.
    where : str
        The place to name in findings.

    Returns
    -------
    (RawTable or None, tuple of Finding)
        None where nothing could be read.
    """
    text, trouble = decode(data, where)
    if trouble is not None:
        return None, (trouble,)
    if not text.strip():
        return None, (
            Finding("stop", where, "a header row", "an empty file", "Restore the file, or remove it."),
        )
    announced = announced_delimiter(text)
    delimiter = announced or _delimiter(text, table)
    if delimiter == "\t":
        return None, (
            Finding("stop", f"{where}, row 1", "commas or semicolons between columns", "tabs", _SAVE_AS),
        )
    records, broken = split_records(text, delimiter, where)
    if announced:
        records[0] = []
    if not _has_header(records, table):
        return None, (
            Finding(
                "stop",
                f"{where}, row 1",
                f"the names of the columns: {', '.join(column.name for column in table.columns[:3])}, …",
                "none of them",
                "Put the header back as row 1; an empty table with its header is made by: studykit new.",
            ),
        )
    raw, ragged = _rectangle(records, table.name, where, delimiter, announced=bool(announced))
    return raw, (*broken, *ragged)


def decode(data: bytes, where: str, *, foreign: bool = False) -> tuple[str, Finding | None]:
    """The text of a file, and what is wrong with its encoding.

    Parameters
    ----------
    data : bytes
    where : str
    foreign : bool
        For exports of other programs: UTF-16 with its mark and the older Windows encoding are read too,
        the latter with a warning, since nothing in the file names it.
    """
    if data.startswith(_MARKS):
        if foreign:
            return data.decode("utf-16", errors="replace"), None
        return "", Finding("stop", where, "a UTF-8 file", "UTF-16 text", _SAVE_AS)
    if b"\0" in data:
        row = data[: data.index(b"\0")].count(b"\n") + 1
        return "", Finding(
            "stop",
            f"{where}, row {row}",
            "a text file",
            "a NUL byte, as in a damaged file or one of another kind",
            "Restore the file from a copy.",
        )
    try:
        return data.decode("utf-8-sig"), None
    except UnicodeDecodeError as error:
        trouble = _not_utf8(data, error.start, where)
    if foreign:
        return data.decode("cp1252", errors="replace"), replace(
            trouble, severity="warn", todo=f"It was read as Windows-1252. If letters look wrong: {_SAVE_AS}"
        )
    return "", trouble


def _not_utf8(data: bytes, position: int, where: str) -> Finding:
    """Name the row, and the text as an older Windows encoding would show it."""
    row = data[:position].count(b"\n") + 1
    start = data.rfind(b"\n", 0, position) + 1
    end = data.find(b"\n", position)
    line = data[start : len(data) if end < 0 else end].decode("cp1252", errors="replace").strip()
    place = data[start:position].decode("cp1252", errors="replace")
    cell = max(place.count(","), place.count(";")) + 1
    return Finding(
        "stop",
        f"{where}, row {row}, cell {cell}",
        "a UTF-8 file",
        f"another encoding, most likely an older Windows one: {line[:60]!r}",
        _SAVE_AS,
    )


def announced_delimiter(text: str) -> str:
    """The delimiter that some spreadsheet programs name in a line of its own, such as ``sep=;``."""
    first = text.split("\n", 1)[0].strip().casefold()
    return first[-1] if first in ("sep=;", "sep=,", "sep=\t") else ""


def _has_header(records: Iterable[list[str]], table: Table) -> bool:
    """Whether the first row that holds something names any column of the table."""
    known = {column.name for column in table.columns}
    for record in records:
        if any(cell.strip() for cell in record):
            return any(cell.strip().casefold().replace(" ", "_") in known for cell in record)
    return False


def _delimiter(text: str, table: Table) -> str:
    """The delimiter under which most column names are known; a comma where that does not tell."""
    first = text.lstrip("\r\n").splitlines()[0]
    known = {column.name for column in table.columns}

    def worth(delimiter: str) -> tuple[int, int]:
        try:
            cells = next(csv.reader([first], delimiter=delimiter))
        except csv.Error:
            return (0, 0)
        return (sum(cell.strip().casefold() in known for cell in cells), len(cells))

    return max((",", ";", "\t"), key=worth)


def split_records(text: str, delimiter: str, where: str) -> tuple[list[list[str]], tuple[Finding, ...]]:
    """All records of the file; a quotation mark that never closes ends the reading, with a finding."""
    records: list[list[str]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        records.extend(reader)
    except csv.Error as error:
        return records, (
            Finding(
                "stop",
                f"{where}, row {len(records) + 1}",
                "quotation marks in pairs, and ordinary cells",
                f"a row that cannot be taken apart ({error})",
                "Mend that row; it and the rows after it were not read.",
            ),
        )
    return records, ()


def _rectangle(
    records: Iterable[list[str]], name: str, where: str, delimiter: str, *, announced: bool
) -> tuple[RawTable | None, list[Finding]]:
    """Rows as long as the header; others are left out, each with a finding."""
    findings: list[Finding] = []
    header: tuple[str, ...] | None = None
    rows: list[tuple[str, ...]] = []
    numbers: list[int] = []
    for number, record in enumerate(records, start=1):
        cells = tuple(record)
        if not any(cell.strip() for cell in cells):
            continue
        if header is None:
            header = without_tail(cells)
            if number > 1 + announced:
                findings.append(
                    Finding("warn", f"{where}, row 1", "the header in row 1", f"the header in row {number}",
                            "Remove the blank rows above it.")
                )  # fmt: skip
        elif len(without_tail(cells)) > len(header) or len(cells) < len(header):
            findings.append(_ragged(cells, len(header), f"{where}, row {number}", delimiter))
        else:
            rows.append(cells[: len(header)])
            numbers.append(number)
    if header is None:
        return None, findings
    return RawTable(name, where, header, tuple(rows), tuple(numbers)), findings


def without_tail(cells: tuple[str, ...]) -> tuple[str, ...]:
    """Without the empty cells at the end that spreadsheet programs leave behind."""
    last = max((index for index, cell in enumerate(cells) if cell.strip()), default=-1)
    return cells[: last + 1]


def _ragged(cells: tuple[str, ...], wanted: int, where: str, delimiter: str) -> Finding:
    todo = "Compare the row with the header; it was left out."
    if len(cells) > wanted and delimiter == ",":
        todo = (
            "A comma inside a cell (a decimal comma, one in a remark) splits it: put it in quotation marks."
        )
    return Finding("stop", where, f"{wanted} cells, as in the header", f"{len(cells)} cells", todo)
