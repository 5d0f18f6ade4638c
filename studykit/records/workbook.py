"""One workbook with a sheet for each table; values only, and never a formula's guess."""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from openpyxl import load_workbook
from openpyxl.utils.exceptions import InvalidFileException

from studykit.errors import Finding
from studykit.records.cells import Trouble
from studykit.records.nearest import nearest_known
from studykit.records.raw import RawTable
from studykit.records.schema import TABLES

_NO_VALUE = Trouble(
    "a value", "a formula that no spreadsheet program has worked out", "Open the workbook and save it once."
)


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
    for title, values, formulas in sheets:
        name = title.strip().casefold()
        place = f"{where}, sheet {title}"
        if name not in {table.name for table in TABLES}:
            findings.append(_unknown_sheet(name, place))
        elif name in found:
            findings.append(Finding("stop", place, "one sheet for each table", "a second one", "Remove one."))
        else:
            raw, more = sheet_table(name, place, values, formulas)
            findings.extend(more)
            if raw is not None:
                found[name] = raw
    return found, tuple(findings)


def open_sheets(data: bytes, where: str) -> tuple[tuple[tuple[str, Any, Any], ...], Finding | None]:
    """Every sheet of a workbook: its title, its values and its formulas; or why it cannot be opened."""
    try:
        plain = not _holds_formulas(data)
        values = load_workbook(io.BytesIO(data), data_only=True, read_only=plain)
        formulas = values if plain else load_workbook(io.BytesIO(data), data_only=False)
    except (
        zipfile.BadZipFile,
        InvalidFileException,
        KeyError,
        ValueError,
        OSError,
        EOFError,
        SyntaxError,
    ) as error:
        return (), Finding(
            "stop",
            where,
            "a workbook in the .xlsx format",
            f"a file that cannot be opened as one ({type(error).__name__})",
            "Save it again as .xlsx, without a password.",
        )
    return tuple((sheet.title, sheet, formulas[sheet.title]) for sheet in values.worksheets), None


def _holds_formulas(data: bytes) -> bool:
    """Whether any cell is worked out; without any, rows can be streamed, and need be read only once."""
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        sheets = [name for name in parts.namelist() if name.startswith("xl/worksheets/")]
        return any(b"<f>" in content or b"<f " in content for content in map(parts.read, sheets))


def _unknown_sheet(name: str, place: str) -> Finding:
    near = nearest_known(name, [table.name for table in TABLES], cutoff=0.8)
    if near:
        return Finding("stop", place, f"a sheet named {near}", name, "Rename the sheet.")
    return Finding("note", place, "a sheet named as a table", name, "The sheet is not used.")


def sheet_table(
    name: str, place: str, values: Any, formulas: Any
) -> tuple[RawTable | None, tuple[Finding, ...]]:
    """One sheet as texts; the header is its first row."""
    header: tuple[str, ...] | None = None
    rows: list[tuple[str, ...]] = []
    numbers: list[int] = []
    troubles: dict[tuple[int, int], Trouble] = {}
    for number, (shown, written) in enumerate(_row_pairs(values, formulas), start=1):
        answers = [_cell(*pair) for pair in zip(shown, written, strict=True)]
        cells = tuple("" if isinstance(answer, Trouble) else answer for answer in answers)
        if all(isinstance(answer, str) and not answer.strip() for answer in answers):
            continue
        if header is None:
            if number > 1:
                return None, (Finding("stop", f"{place}, row 1", "the header in row 1", "a blank row",
                                      "Remove the blank rows above the header."),)  # fmt: skip
            header = cells
            continue
        troubles.update(
            ((len(rows), index), answer)
            for index, answer in enumerate(answers)
            if isinstance(answer, Trouble)
        )
        rows.append(cells)
        numbers.append(number)
    if header is None:
        return None, (Finding("stop", place, "a header row", "an empty sheet", "Fill or remove the sheet."),)
    width = max((index + 1 for index, cell in enumerate(header) if cell.strip()), default=0)
    width = max(width, *(_last_filled(row) for row in rows), 0) if rows else width
    return (
        RawTable(
            name,
            place,
            _as_long(header, width),
            tuple(_as_long(row, width) for row in rows),
            tuple(numbers),
            True,
            troubles,
        ),
        (),
    )


def _row_pairs(values: Any, formulas: Any) -> Iterator[tuple[Any, Any]]:
    """Rows as shown and as written; the same ones where nothing is worked out."""
    if values is not formulas:
        yield from zip(values.iter_rows(), formulas.iter_rows(), strict=True)
        return
    if hasattr(values, "reset_dimensions"):
        values.reset_dimensions()  # some programs write a wrong size of the sheet
    for row in values.iter_rows():
        yield row, row


def _as_long(row: tuple[str, ...], width: int) -> tuple[str, ...]:
    """A row of exactly so many cells."""
    return (*row, *[""] * (width - len(row)))[:width]


def _last_filled(row: Iterable[str]) -> int:
    return max((index + 1 for index, cell in enumerate(row) if cell.strip()), default=0)


def _cell(shown: Any, written: Any) -> str | Trouble:
    """A cell as text: real dates as YYYY-MM-DD, whole numbers without a point, truth as yes and no."""
    value = shown.value
    if written.data_type == "f" and value is None:
        return _NO_VALUE
    if shown.data_type == "e":
        return Trouble("a value", f"the error {value}", "Mend the formula, or write the value.")
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
