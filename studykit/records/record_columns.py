"""From the header and cells of one table to typed columns, with a finding for all that cannot be used."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from studykit.errors import Finding
from studykit.records.cells import (
    DateOrder,
    Respelt,
    Trouble,
    cell_reader,
    decimal_mark,
    read_choice,
    read_number,
)
from studykit.records.nearest import listed, nearest_known
from studykit.records.raw_table import RawTable, repeated_names, unguarded
from studykit.records.record_tables import RecordTable, record_table
from studykit.records.schema import EXAMPLE_CODE, PEOPLE_COLUMNS, Column, Table

_NEAR = 0.75


@dataclass(frozen=True, slots=True)
class Matched:
    """Where the columns of a table stand in a file.

    Parameters
    ----------
    positions : mapping of str to int
        Column of the schema, or further column that is kept, to its index in the file.
    usable : bool
        False where a column that every row needs is missing, or stands there twice.
    findings : tuple of Finding
    """

    positions: Mapping[str, int]
    usable: bool
    findings: tuple[Finding, ...]


def match_header(
    raw: RawTable, table: Table, *, further: tuple[str, ...] = (), keep_all: bool = False
) -> Matched:
    """Find every column of the schema in the header of a file.

    Parameters
    ----------
    raw : RawTable
    table : Table
    further : tuple of str
        Columns that the protocol adds to this table: strata and covariates.
    keep_all : bool
        Keep unknown columns of a table that may have them (where no protocol says which are wanted).
    """
    known = [column.name for column in table.columns] + [
        name for name in further if name not in {column.name for column in table.columns}
    ]
    findings: list[Finding] = []
    positions: dict[str, int] = {}
    unknown: dict[str, int] = {}
    folded = {name.casefold(): name for name in known}
    for index, written in enumerate(raw.header):
        name = folded.get(written.strip().casefold())
        if name is None:
            unknown[written.strip()] = index
        elif name not in positions:
            positions[name] = index
            if written != name:
                findings.append(
                    Finding("note", raw.heading(index, name), f"the column name {name}", repr(written))
                )
    repeated = repeated_names(raw.header, raw.where, lambda name: name.strip().casefold())
    findings += repeated
    misspelt = _report_unknown(raw, table, known, positions, unknown, findings)
    missing = [
        column.name
        for column in table.columns
        if column.required and column.name not in positions and column.name not in misspelt
    ]
    missing += [name for name in further if name not in positions and name not in misspelt]
    findings += [
        Finding(
            "stop",
            f"{raw.where}, row 1",
            f"a column {name}",
            "none",
            "Add the column; its header goes in row 1.",
        )
        for name in missing
    ]
    if keep_all and table.extra_columns:
        positions |= {name: index for name, index in unknown.items() if name}
    needed = {column.name for column in table.columns if column.required} | set(further)
    usable = not repeated and not missing and not misspelt & needed
    return Matched(positions, usable, tuple(findings))


def _report_unknown(
    raw: RawTable,
    table: Table,
    known: list[str],
    positions: Mapping[str, int],
    unknown: Mapping[str, int],
    findings: list[Finding],
) -> set[str]:
    """Report columns that are not known; return the known names that they were most likely meant for."""
    misspelt: set[str] = set()
    absent = [name for name in known if name not in positions]
    for written, index in unknown.items():
        near = nearest_known(written, absent, cutoff=_NEAR) if written else ""
        if near:
            misspelt.add(near)
            findings.append(
                Finding("stop", raw.heading(index, written), f"the column name {near}", written,
                        f"Rename it {near}, or give it a name that is not so near.")
            )  # fmt: skip
        elif written:
            findings.append(
                Finding("note", raw.heading(index, written), f"a column of the table {table.name}",
                        "one that is not known", "It is not used.")
            )  # fmt: skip
        elif raw.columns[index].filled.any():
            findings.append(
                Finding("warn", f"{raw.where}, row 1, cell {index + 1}", "a column name",
                        "none above cells that are filled", "Name the column; it is not used.")
            )  # fmt: skip
    return misspelt


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the protocol adds to the schema.

    Parameters
    ----------
    codes : mapping of str to tuple of str
        Known codes of the columns ``visit``, ``exercise``, ``outcome`` and ``arm``; a column that is
        not named is not checked.
    levels : mapping of str to tuple of str
        Strata among the columns of the clients' table, with their values (empty: any value).
    covariates : tuple of str
        Further named client facts.
    of_trainers : tuple of str
        Numbers known of every trainer, columns of the trainers' table.
    by_protocol : bool
        False where no protocol was given: columns that the schema does not know are then kept.
    date_order : {"day", "month", ""}
        Which comes first in dates such as 03/04/2026, where the study has said so.
    """

    codes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    levels: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    covariates: tuple[str, ...] = ()
    of_trainers: tuple[str, ...] = ()
    by_protocol: bool = False
    date_order: DateOrder = ""


@dataclass(slots=True)
class Draft:
    """A table on its way: values by column, and which rows have to be left out."""

    raw: RawTable
    table: Table
    values: dict[str, list[Any]]
    positions: dict[str, int]
    left_out: set[int] = field(default_factory=set)
    findings: list[Finding] = field(default_factory=list)
    units: dict[int, str] = field(default_factory=dict)  # that stood behind the load, by row

    def place(self, row: int, column: str) -> str:
        """The place of one cell."""
        return self.raw.place(row, self.positions[column], column)

    def stop(self, row: int, column: str, trouble: Trouble) -> None:
        """Leave a row out, and say why."""
        self.left_out.add(row)
        self.findings.append(
            Finding("stop", self.place(row, column), trouble.expected, trouble.got, trouble.todo)
        )

    def note(self, rows: Sequence[int], column: str, *, expected: str, got: str) -> None:
        """One note for all cells of a column that were understood although written another way."""
        more = f", and {len(rows) - 1} more of this column" if len(rows) > 1 else ""
        self.findings.append(
            Finding("note", self.place(rows[0], column), expected, got + more, "It was understood.")
        )

    def finished(self) -> RecordTable:
        """The typed table of the rows that can be used."""
        kept = [row for row in range(self.raw.rows) if row not in self.left_out]
        columns = {name: [values[row] for row in kept] for name, values in self.values.items()}
        numbers = self.raw.row_numbers[kept].tolist()
        return record_table(self.table.name, columns, where=self.raw.where, row_numbers=numbers)


def draft_table(raw: RawTable, table: Table, wanted: Wanted) -> Draft:
    """Read every cell of a table by its schema."""
    added = {"clients": (*wanted.levels, *wanted.covariates), "trainers": wanted.of_trainers}
    further = tuple(dict.fromkeys(added.get(table.name, ())))
    matched = match_header(raw, table, further=further, keep_all=not wanted.by_protocol)
    raw, examples = _without_examples(raw, _example_cells(table, matched.positions, wanted))
    draft = Draft(raw, table, {}, dict(matched.positions), findings=list(matched.findings))
    draft.findings += [
        Finding("note", f"{raw.where}, row {number}", "rows of the study", "the example row of a new table",
                "It is not used.")
        for number in examples
    ]  # fmt: skip
    if not matched.usable:
        draft.left_out.update(range(raw.rows))
        return draft
    for name, position in matched.positions.items():
        _read_column(draft, column_of(table, name, wanted), position, wanted)
    for row, unit in draft.units.items():
        beside = draft.values.get("unit", [None] * raw.rows)[row]
        if beside is not None and beside != unit:
            trouble = Trouble(
                f"a load in {beside}, as the column unit says", f"one in {unit}", "Correct one."
            )
            draft.stop(row, "load", trouble)
    return draft


def _example_cells(table: Table, positions: Mapping[str, int], wanted: Wanted) -> dict[int, str]:
    """What the example row says in each column, those apart that say it in the words of the protocol.

    The protocol may have been edited since the table was made, so its codes, units and levels are not
    compared: the code of the example, its dates and its numbers have to stand as they were shipped.
    """
    return {
        positions[column.name]: column.example
        for column in table.columns
        if column.name in positions and not column.in_words_of_protocol and column.name not in wanted.levels
    }


def _without_examples(raw: RawTable, example: Mapping[int, str]) -> tuple[RawTable, list[int]]:
    """Without the rows that a new study starts with, cell by cell; and the numbers of those rows."""
    if EXAMPLE_CODE not in example.values():
        return raw, []
    shipped = np.ones(raw.rows, dtype=bool)
    for position, wanted in example.items():
        column = raw.columns[position]
        shipped &= column.of_rows([unguarded(text.strip()) == wanted for text in column.texts])
    return raw.select(~shipped), raw.row_numbers[shipped].tolist()


def column_of(table: Table, name: str, wanted: Wanted) -> Column:
    """The schema's column, or one that the protocol adds; strata are choices among their levels."""
    schema = next((column for column in table.columns if column.name == name), None)
    levels = wanted.levels.get(name, ()) if table.name == "clients" else ()
    if levels and (schema is None or schema.kind in ("text", "choice")):
        return Column(name, "choice", "a stratum of the protocol", required=False, choices=levels)
    if schema is None and table.name == "trainers":
        return Column(name, "number", "a fact about the trainer, as a number", required=False)
    return schema or Column(name, "text", "a client fact", required=False)


def _read_column(draft: Draft, column: Column, position: int, wanted: Wanted) -> None:
    """Read one column cell by cell; empty cells and cells in trouble are empty in the result."""
    cells = [unguarded(text.strip()) for text in draft.raw.columns[position].cells()]
    _note_blanks(draft, column, position)
    values: list[Any] = [None] * len(cells)
    for (row, where), trouble in draft.raw.troubles.items():
        if where == position:
            draft.stop(row, column.name, trouble)
    kind = column.kind
    if kind == "text" and column.name in wanted.covariates and _all_numbers(cells):
        column = replace(column, kind="number")
    mark, doubt = (
        decimal_mark([cell for cell in cells if cell]) if column.kind in ("number", "whole") else (".", "")
    )
    read = cell_reader(column, mark=mark, mixed=doubt == "mixed", order=wanted.date_order)
    codes = wanted.codes.get(column.name)
    respelt: list[int] = []
    for row, text in enumerate(cells):
        if not text:
            if column.required and (row, position) not in draft.raw.troubles:
                draft.stop(row, column.name, Trouble(column.meaning, "an empty cell", "Fill it in."))
            continue
        meant = _known_code(text, codes) if column.kind == "code" and codes else None
        if isinstance(meant, Trouble):
            meant = None if isinstance(read(text), Trouble) else meant
        answer = _no_person(text, column) or meant or read(text)
        if isinstance(answer, Trouble):
            draft.stop(row, column.name, answer)
        elif isinstance(answer, Respelt):
            respelt.append(row)
            values[row] = answer.value
            if answer.unit:
                draft.units[row] = answer.unit
        else:
            values[row] = answer
    if respelt:
        value = values[respelt[0]]
        told = (
            repr(value) if isinstance(value, str) else f"{value:g}" if column.kind != "date" else str(value)
        )
        draft.note(respelt, column.name, expected=told, got=repr(cells[respelt[0]]))
    draft.values[column.name] = values
    _note_commas(draft, column, mark, doubt, cells)


def _no_person(text: str, column: Column) -> Trouble | None:
    """What stands where the code of a person should: the example's code, or the header once more."""
    if column.name in PEOPLE_COLUMNS and text == EXAMPLE_CODE:
        return Trouble(
            f"the study's own code, {column.meaning}",
            "this row still has the example's code",
            "Write the right code if the row is a record; delete the row if it is not.",
        )
    if column.name in PEOPLE_COLUMNS and column.required and text == column.name:
        return Trouble(column.meaning, "the header once more", "Delete the row.")
    return None


def _note_blanks(draft: Draft, column: Column, position: int) -> None:
    """Blanks around a word would make another word of it; around a remark they mean nothing."""
    written = draft.raw.columns[position].cells()
    padded = [row for row, text in enumerate(written) if text.strip() and text != text.strip()]
    if padded and column.kind != "text":
        draft.note(padded, column.name, expected="no blanks around", got=repr(written[padded[0]]))


def _note_commas(draft: Draft, column: Column, mark: str, doubt: str, cells: Sequence[str]) -> None:
    commas = [row for row, cell in enumerate(cells) if "," in cell and "." not in cell]
    if mark == "," and not doubt and commas and column.kind in ("number", "whole"):
        draft.note(
            commas, column.name, expected="a decimal point", got=f"a decimal comma: {cells[commas[0]]}"
        )


def _all_numbers(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell]
    column = Column("", "number", "")
    mark, doubt = decimal_mark(filled)
    return (
        bool(filled)
        and not doubt
        and all(isinstance(read_number(cell, column, mark=mark), float) for cell in filled)
    )


def _known_code(code: str, known: tuple[str, ...] | None) -> str | Trouble | Respelt:
    """A code of the protocol; capitals are passed over, and reported."""
    if known is None or code in known:
        return code
    answer = read_choice(code, known)
    if isinstance(answer, Trouble):
        near = nearest_known(code, known)
        return Trouble(
            f"a code of the protocol: {listed(known)}",
            repr(code),
            f"Write {near}." if near else "Correct it.",
        )
    return answer if isinstance(answer, Respelt) else code
