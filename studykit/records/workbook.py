"""One workbook with a sheet for each table; values only, and never a formula's guess."""

from __future__ import annotations

import datetime as dt
import html
import io
import re
import warnings
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from studykit.errors import Finding
from studykit.records.cells import Trouble
from studykit.records.nearest import nearest_known
from studykit.records.raw_table import RawTable, raw_column
from studykit.records.schema import TABLES
from studykit.results import frozen_array

OTHER_WORKBOOKS = (".xls", ".ods", ".xlsm", ".xlsb", ".numbers")
OLDER_OR_LOCKED = b"\xd0\xcf\x11\xe0"  # how the older .xls begins, and any workbook with a password
_NO_VALUE = Trouble(
    "a value", "a formula that no spreadsheet program has worked out", "Open the workbook and save it once."
)
_MOST_BYTES = 1_000_000_000  # unpacked: many times what a million sessions take
_MOST_ROWS = 1_048_576  # of a sheet (common practice, no source)
_MOST_COLUMNS = 4_000  # ten years of days, side by side
_FORMULA = re.compile(rb"<(?:\w+:)?f[\s>/]")
_SHEET = re.compile(rb"<(?:\w+:)?sheet\s")
_ELEMENT = re.compile(rb"<(?:\w+:)?Relationship\s[^>]*>")


@dataclass(frozen=True, slots=True)
class Sheet:
    """A sheet as it stands.

    Parameters
    ----------
    title : str
    rows : tuple of tuple
        From the first on, blank ones too, each up to its last filled cell.
    merged : tuple of (int, int, int, int)
        First and last row and column, from 1, of cells that were made one.
    coloured : int
        Cells with a colour of their own behind them.
    """

    title: str
    rows: tuple[tuple[str | Trouble, ...], ...]
    merged: tuple[tuple[int, int, int, int], ...] = ()
    coloured: int = 0

    @property
    def filled(self) -> int:
        """Rows in which something stands."""
        return sum(map(bool, self.rows))


def read_workbook(data: bytes, where: str) -> tuple[Mapping[str, RawTable], tuple[Finding, ...]]:
    """Cells of every sheet that has the name of a table.

    Parameters
    ----------
    data : bytes
        The workbook as it is.
    where : str
        The place to name in findings.

    Returns
    -------
    (mapping of str to RawTable, tuple of Finding)
        Sheets of other names are reported.
    """
    sheets, trouble = open_sheets(data, where)
    if trouble is not None:
        return {}, (trouble,)
    found: dict[str, RawTable] = {}
    findings: list[Finding] = []
    for sheet in sheets:
        name = sheet.title.strip().casefold()
        place = f"{where}, sheet {sheet.title}"
        if name not in {table.name for table in TABLES}:
            findings.append(_unknown_sheet(name, place))
        elif name in found:
            findings.append(Finding("stop", place, "one sheet for each table", "a second one", "Remove one."))
        else:
            raw, more = sheet_table(name, place, sheet)
            findings.extend(more)
            if raw is not None:
                found[name] = raw
    return found, tuple(findings)


def open_sheets(data: bytes, where: str) -> tuple[tuple[Sheet, ...], Finding | None]:
    """Every sheet of a workbook, or why it cannot be read; all that is done with its bytes happens here."""
    what = "a file of another kind, or a damaged one"
    try:
        with warnings.catch_warnings():  # of styles and pictures that nothing is taken from
            warnings.simplefilter("ignore")
            return tuple(_sheets(data)), None
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException:  # noqa: BLE001 — damaged bytes end in any error, a panic of the fast reader too
        if data.startswith(OLDER_OR_LOCKED):
            what = "a workbook with a password, or in the older .xls format"
    return (), Finding(
        "stop", where, "a workbook in the .xlsx format", what,
        "Open it in a spreadsheet program and save it again as .xlsx without a password, or as CSV.",
    )  # fmt: skip


def _sheets(data: bytes) -> Iterator[Sheet]:
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        if sum(part.file_size for part in parts.infolist()) > _MOST_BYTES:
            raise ValueError("more than a workbook of records can hold")
        sheets = {name: parts.read(name) for name in parts.namelist() if name.startswith("xl/worksheets/")}
        worked_out = any(_FORMULA.search(sheet) or b't="e"' in sheet for sheet in sheets.values())
        announced = len(_SHEET.findall(parts.read("xl/workbook.xml")))
        looks = _looks(parts, sheets)
    found = list(_with_formulas(data) if worked_out else _values_only(data))
    if not found or found[0][1] != announced:
        raise ValueError("no sheet, or one that is named and not there")
    for title, _, rows in found:
        yield Sheet(title, tuple(rows), *looks.get(title, ((), 0)))


Rows = Iterator[tuple[str | Trouble, ...]]


def _with_formulas(data: bytes) -> Iterator[tuple[str, int, Rows]]:
    """Title, number of all sheets, and rows, cell by cell: what is written is seen beside its value."""
    from openpyxl import load_workbook

    values, formulas = (
        load_workbook(io.BytesIO(data), data_only=only, read_only=True) for only in (True, False)
    )
    for shown, written in zip(values.worksheets, formulas.worksheets, strict=True):
        yield shown.title, len(values.sheetnames), _rows(shown, written)


def _values_only(data: bytes) -> Iterator[tuple[str, int, Rows]]:
    """The same where no cell holds a formula or an error: twenty times as fast."""
    from python_calamine import CalamineWorkbook, SheetTypeEnum

    book = CalamineWorkbook.from_filelike(io.BytesIO(data))
    for sheet in book.sheets_metadata:
        if sheet.typ == SheetTypeEnum.WorkSheet:
            rows = book.get_sheet_by_name(sheet.name).to_python(skip_empty_area=False)
            yield sheet.name, len(book.sheet_names), map(_whole_row, rows)


def _looks(
    parts: zipfile.ZipFile, sheets: Mapping[str, bytes]
) -> dict[str, tuple[tuple[tuple[int, int, int, int], ...], int]]:
    """Merged cells, and how many cells have a colour of their own, by title of the sheet."""
    from openpyxl.utils import range_boundaries

    links = map(_attributes("Id", "Target"), _ELEMENT.findall(parts.read("xl/_rels/workbook.xml.rels")))
    targets = {link[0]: link[1] for link in links}
    styles = parts.read("xl/styles.xml") if "xl/styles.xml" in parts.namelist() else b""
    formats = re.search(rb"<(?:\w+:)?cellXfs\b.*?</(?:\w+:)?cellXfs>", styles, re.DOTALL)
    fills = [
        int(fill)
        for fill in re.findall(rb'<(?:\w+:)?xf\b[^>]*?fillId="(\d+)"', formats[0] if formats else b"")
    ]
    own = {str(place).encode() for place, fill in enumerate(fills) if fill > 1}  # 0 and 1 are no colours
    found = {}
    for element in re.findall(rb"<(?:\w+:)?sheet\s[^>]*>", parts.read("xl/workbook.xml")):
        title, key = _attributes("name", "r:id")(element)
        sheet = sheets.get(f"xl/{targets.get(key, '').removeprefix('/xl/')}", b"")
        merged = tuple(
            (top, bottom, left, right)
            for left, top, right, bottom in (
                range_boundaries(area.decode())
                for area in re.findall(rb'<(?:\w+:)?mergeCell ref="([^"]+)"', sheet)
            )
        )
        coloured = (
            sum(style in own for style in re.findall(rb'<(?:\w+:)?c\b[^>]*?\ss="(\d+)"', sheet)) if own else 0
        )
        found[title] = (merged, coloured)
    return found


def _attributes(*names: str) -> Callable[[bytes], tuple[str, ...]]:
    """Reads attributes of an element by name."""
    patterns = [re.compile(rb"\s" + name.encode() + rb'="([^"]*)"') for name in names]

    def read(element: bytes) -> tuple[str, ...]:
        found = (pattern.search(element) for pattern in patterns)
        return tuple(html.unescape(match[1].decode()) if match else "" for match in found)

    return read


def _rows(values: Any, formulas: Any) -> Iterator[tuple[str | Trouble, ...]]:
    """Rows as texts, from what is shown and what is written."""
    values.reset_dimensions()  # some programs write a wrong size of the sheet
    formulas.reset_dimensions()
    pairs = zip(values.iter_rows(), formulas.iter_rows(), strict=True)
    for number, (shown, written) in enumerate(pairs, start=1):
        if number > _MOST_ROWS:
            raise ValueError("more rows than records have")
        yield _cut(tuple(_cell(*pair) for pair in zip(shown, written, strict=True)))


def _whole_row(values: Sequence[Any]) -> tuple[str | Trouble, ...]:
    return _cut(tuple(map(_text, values)))


def _cut(row: tuple[str | Trouble, ...]) -> tuple[str | Trouble, ...]:
    """A row up to its last filled cell."""
    row = row[: _last_filled(row)]
    if len(row) > _MOST_COLUMNS:
        raise ValueError("more columns than records have")
    return row


def _unknown_sheet(name: str, place: str) -> Finding:
    near = nearest_known(name, [table.name for table in TABLES], cutoff=0.8)
    if near:
        return Finding("stop", place, f"a sheet named {near}", name, "Rename the sheet.")
    return Finding("note", place, "a sheet named as a table", name, "The sheet is not used.")


def sheet_table(
    name: str, place: str, sheet: Sheet, *, foreign: bool = False
) -> tuple[RawTable | None, tuple[Finding, ...]]:
    """One sheet as texts; the header is its first row, below blank ones in exports of other programs."""
    numbered = [(number, row) for number, row in enumerate(sheet.rows, start=1) if row]
    if not numbered:
        return None, (Finding("stop", place, "a header row", "an empty sheet", "Fill or remove the sheet."),)
    if numbered[0][0] > 1 and not foreign:
        return None, (Finding("stop", f"{place}, row 1", "the header in row 1", "a blank row",
                              "Remove the blank rows above the header."),)  # fmt: skip
    width = max(len(row) for _, row in numbered)
    header, *rows = (_texts(row, width) for _, row in numbered)
    columns = tuple(raw_column([row[index] for row in rows]) for index in range(width))
    troubles = {
        (place, index): cell
        for place, (_, row) in enumerate(numbered[1:])
        for index, cell in enumerate(row)
        if isinstance(cell, Trouble)
    }
    numbers = frozen_array([number for number, _ in numbered[1:]], "int64")
    return RawTable(name, place, header, columns, numbers, True, troubles), ()


def _texts(row: tuple[str | Trouble, ...], width: int) -> tuple[str, ...]:
    """A row of exactly so many cells; nothing where a cell has no value."""
    texts = ("" if isinstance(cell, Trouble) else cell for cell in row)
    return (*texts, *[""] * (width - len(row)))


def _last_filled(row: Iterable[str | Trouble]) -> int:
    return max(
        (index for index, cell in enumerate(row, start=1) if isinstance(cell, Trouble) or cell.strip()),
        default=0,
    )


def _cell(shown: Any, written: Any) -> str | Trouble:
    value = shown.value
    if written.data_type == "f" and value is None:
        return _NO_VALUE
    if shown.data_type == "e":
        return Trouble("a value", f"the error {value}", "Mend the formula, or write the value.")
    return _text(value)


def _text(value: Any) -> str:
    """A cell as text: real dates as YYYY-MM-DD, whole numbers without a point, truth as yes and no."""
    if isinstance(value, str):
        return value
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dt.datetime):
        midnight = value.time() == dt.time(0)
        return value.date().isoformat() if midnight else value.isoformat(sep=" ", timespec="minutes")
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value)
