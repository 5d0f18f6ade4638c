"""From the journal into the record tables: whole files by rename, row by row, nothing lost and nothing twice.

A table may be open in a spreadsheet program, or saved there from an older state. What was entered at the desk
and vanished in this way is put back; what was changed by hand stays changed, and is told. Where a row cannot
be carried it waits, and the reason is said.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from studykit.errors import Finding, FolderError
from studykit.protocol.types import Protocol
from studykit.records.raw_table import csv_text, guarded, read_delimited, unguarded
from studykit.records.reading import WORKBOOK, wanted_by
from studykit.records.record_columns import draft_table
from studykit.records.schema import Table, table
from studykit.records.typed_row import cell_text
from studykit.records.writing import header_of, write_whole
from studykit.study.journal import JOURNAL, Entry, Journal, Row, is_journal
from studykit.study.snapshot import RECORDS

Place = tuple[int, int]  # position of the entry, and which of its rows
Mark = frozenset[tuple[str, str]]
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")


@dataclass(slots=True)
class _File:
    """A table as it stands in its file: cells as they are, and what each row says."""

    header: list[str]
    grid: list[list[str]]
    marks: list[Mark]
    changed: bool = False

    def append(self, row: Row) -> None:
        for name in row.cells:
            if name not in self.header:
                self.header.append(name)
                for cells in self.grid:
                    cells.append("")
        self.grid.append([guarded(row.cells.get(name, "")) for name in self.header])
        self.marks.append(row.mark)
        self.changed = True

    def replace(self, old: Mark, new: Row | None) -> bool:
        """Put a row in the place of another, or take it out; whether the other was there."""
        if old not in self.marks:
            return False
        place = self.marks.index(old)
        if new is None:
            del self.grid[place], self.marks[place]
        else:
            self.append(new)
            self.grid[place], self.marks[place] = self.grid.pop(), self.marks.pop()
        self.changed = True
        return True


@dataclass(slots=True)
class Carrier:
    """Carries what waits; one for a study's folder, used by one thread at a time.

    Parameters
    ----------
    folder : Path
    journal : Journal
    """

    folder: Path
    journal: Journal
    known: dict[str, tuple[str, _File]] = field(default_factory=dict)

    def carry(self, protocol: Protocol) -> Mapping[Place, str]:
        """Carry what can be carried; gives what waits, and for what."""
        waits: dict[Place, str] = {}
        entries = self.journal.entries()
        names = dict.fromkeys(row.table for entry in entries for row in entry.changed)
        for name in names:
            waits |= self._carry_table(table(name), entries, protocol)
        return waits

    def _carry_table(
        self, schema: Table, entries: Sequence[Entry], protocol: Protocol
    ) -> Mapping[Place, str]:
        """The same for one table."""
        done = self.journal.carried()
        mine = [
            ((entry.position, place), entry, row)
            for entry in entries
            for place, row in enumerate(entry.changed)
            if row.table == schema.name
        ]
        open_ones = [place for place, _, _ in mine if place not in done]
        path = self.folder / RECORDS / f"{schema.name}.csv"
        try:
            before = path.read_bytes() if path.exists() else b""
            now = hashlib.sha256(before).hexdigest()
            last = self.journal.written(schema.name)
            if last is not None and last[1] == now:
                self.journal.has_carried([place for place in last[2] if place not in done])
                done |= set(last[2])
                open_ones = [place for place in open_ones if place not in done]
                if not open_ones:
                    return {}
            why = _in_the_way(path) or ("" if not before else self._read(schema, before, now, protocol))
        except OSError as error:
            why = f"{schema.name}.csv cannot be opened ({error.strerror or 'no reason given'})"
        if why:
            return dict.fromkeys(open_ones, why)
        file = self._file(schema, bool(before), protocol)
        if last is not None and last[1] != now:
            _put_back(file, schema, [(entry, row) for place, entry, row in mine if place in done])
            if last[0] != now:  # cut off between writing and noting, and changed since
                self._settle(file, mine, last[2], done)
        return self._write(file, schema, mine, now)

    def _settle(self, file: _File, mine: Sequence[tuple[Place, Entry, Row]],
                places: Sequence[Place], done: frozenset[Place]) -> None:  # fmt: skip
        """Note what a cut-off writing did carry, by what stands in the file."""
        there = [
            place for place, entry, row in mine
            if place in places and place not in done
            and (row.mark in file.marks) == (entry.kind != "removal")
        ]  # fmt: skip
        self.journal.has_carried(there)

    def _write(
        self, file: _File, schema: Table, mine: Sequence[tuple[Place, Entry, Row]], now: str
    ) -> Mapping[Place, str]:
        """Append, correct and remove; then the file in one rename."""
        done = self.journal.carried()
        waits: dict[Place, str] = {}
        carried: list[Place] = []
        keys = {_key(schema, mark) for mark in file.marks} if schema.key else set()
        for place, entry, row in mine:
            if place in done:
                continue
            if entry.kind == "row":
                key = _key(schema, row.mark)
                if schema.key and key in keys:
                    named = ", ".join(f"{name} {row.cells.get(name, '')}" for name in schema.key)
                    waits[place] = f"{schema.name} has a row for {named} already: correct that one, or this"
                    continue
                keys.add(key)
                file.append(row)
            elif not file.replace(entry.old.mark if entry.old else row.mark, row if entry.rows else None):
                waits[place] = f"the row of {schema.name} is no longer as it was: correct it anew"
                continue
            carried.append(place)
        if not file.changed:
            return waits
        text = csv_text([file.header, *file.grid])
        after = hashlib.sha256(text.encode()).hexdigest()
        self.journal.will_write(schema.name, now, after, carried)
        try:
            write_whole(self.folder / RECORDS, {f"{schema.name}.csv": text}, overwrite=True)
        except FolderError as error:
            self.known.pop(schema.name, None)
            return waits | dict.fromkeys(carried, f"{schema.name}.csv cannot be written ({error.got})")
        self.journal.has_carried(carried)
        file.changed = False
        self.known[schema.name] = (after, file)
        return waits

    def _read(self, schema: Table, data: bytes, now: str, protocol: Protocol) -> str:
        """Read the file anew where it is not as last seen; why it cannot be added to."""
        if self.known.get(schema.name, ("",))[0] == now:
            return ""
        read = read_file(schema, data, protocol)
        if isinstance(read, Finding):
            return f"{read.where} has to be put right first: expected {read.expected}; found {read.got}"
        self.known[schema.name] = (now, read)
        return ""

    def _file(self, schema: Table, exists: bool, protocol: Protocol) -> _File:
        return self.known[schema.name][1] if exists else _File(header_of(schema, protocol), [], [])


def _in_the_way(path: Path) -> str:
    """Why a table cannot be written now."""
    if (path.parent / WORKBOOK).exists():
        return f"the records are one workbook, {WORKBOOK}; save its sheets as CSV tables to enter at the desk"
    if any((path.parent / name).exists() for name in (f"~${path.name}", f".~lock.{path.name}#")):
        return f"{path.name} is open elsewhere: save and close it"
    return ""


def read_file(schema: Table, data: bytes, protocol: Protocol) -> _File | Finding:
    """Cells and marks of every row, or what keeps the file from being read whole."""
    raw, found = read_delimited(data, schema, f"{RECORDS}/{schema.name}.csv")
    stops = [finding for finding in found if finding.severity == "stop"]
    if raw is None or stops:
        return stops[0]
    kinds = {column.name: column.kind for column in schema.columns}
    header = list(raw.header)
    columns = [column.cells() for column in raw.columns]
    for place, name in enumerate(header):
        if kinds.get(name.strip()) in ("number", "whole"):  # in the writing that commas between columns allow
            columns[place] = [text.replace(",", ".") if _DECIMAL_COMMA.fullmatch(text.strip()) else text
                              for text in columns[place]]  # fmt: skip
    grid = [list(cells) for cells in zip(*columns, strict=True)] if raw.rows else []
    draft = draft_table(raw, schema, wanted_by(protocol))
    typed = {number: row for row, number in enumerate(draft.raw.row_numbers.tolist())}
    names = {position: name for name, position in draft.positions.items()}
    for position, name in names.items():
        header[position] = name
    marks = []
    for place, number in enumerate(raw.row_numbers.tolist()):
        row = typed.get(number)
        if row is None or row in draft.left_out:
            marks.append(frozenset((header[at], unguarded(text.strip()))
                                   for at, text in enumerate(grid[place]) if text.strip()))  # fmt: skip
        else:
            told = ((name, cell_text(values[row])) for name, values in draft.values.items())
            marks.append(frozenset((name, text) for name, text in told if text))
    return _File(header, grid, marks)


def _key(schema: Table, mark: Mark) -> tuple[str, ...]:
    cells = dict(mark)
    return tuple(cells.get(name, "").casefold() for name in schema.key)


def _about(schema: Table, mark: Mark) -> tuple[str, ...]:
    """Whom and which day a row is about: where this stays, a row was changed and not lost."""
    cells = dict(mark)
    return _key(schema, mark) if schema.key else tuple(
        cells.get(name, "") for name in ("client", "trainer", "date", "visit", "exercise")
    )  # fmt: skip


def _live(carried: Sequence[tuple[Entry, Row]]) -> tuple[list[Row], dict[Mark, Row | None]]:
    """What the desk's entries come to, and which rows they replaced or removed."""
    live: list[Row] = []
    gone: dict[Mark, Row | None] = {}
    for entry, row in carried:
        if entry.old is not None:
            gone[entry.old.mark] = row if entry.rows else None
            old = next((one for one in live if one.mark == entry.old.mark), None)
            if old is not None:
                live.remove(old)
        if entry.rows:
            gone.pop(row.mark, None)
            live.append(row)
    return live, gone


def _put_back(file: _File, schema: Table, carried: Sequence[tuple[Entry, Row]]) -> None:
    """After somebody else saved the file: what is old is renewed, what vanished is put back."""
    live, gone = _live(carried)
    for old, new in gone.items():
        if new is None or new.mark not in file.marks:
            file.replace(old, new)
    for row in _missing(file.marks, schema, live):
        file.append(row)


def _missing(marks: Sequence[Mark], schema: Table, live: Sequence[Row]) -> Iterator[Row]:
    """Entered rows of which there is nothing in the file: neither as entered nor changed by hand."""
    there, own = Counter(marks), Counter(row.mark for row in live)
    free = Counter(_about(schema, mark) for mark in (there - own).elements())
    for row, lost in _unlike(there, live):
        about = _about(schema, row.mark)
        if lost and free[about]:
            free[about] -= 1
        elif lost:
            yield row


def _unlike(there: Counter[Mark], live: Sequence[Row]) -> Iterator[tuple[Row, bool]]:
    left = Counter(there)
    for row in live:
        left[row.mark] -= 1
        yield row, left[row.mark] < 0


def changed_by_hand(folder: Path, protocol: Protocol) -> Iterator[Finding]:
    """Rows that were entered at the desk and do not stand in the tables as they were entered."""
    if not is_journal(folder / JOURNAL):
        return
    journal = Journal(folder)
    done, entries = journal.carried(), journal.entries()
    for name in dict.fromkeys(row.table for entry in entries for row in entry.changed):
        path = folder / RECORDS / f"{name}.csv"
        read = read_file(table(name), path.read_bytes(), protocol) if path.exists() else None
        marks = [] if read is None or isinstance(read, Finding) else read.marks
        carried = [
            (entry, row) for entry in entries for place, row in enumerate(entry.changed)
            if row.table == name and (entry.position, place) in done
        ]  # fmt: skip
        for row, lost in _unlike(Counter(marks), _live(carried)[0]):
            if lost:
                told = ", ".join(f"{key} {text}" for key, text in row.cells.items())
                yield Finding(
                    "warn", f"{RECORDS}/{name}.csv", f"the row as it was entered at the desk: {told}",
                    "another one, changed by hand", "Change entries at the desk, with a reason.",
                )  # fmt: skip
