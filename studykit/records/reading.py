"""Reading the record tables of a study folder: every cell understood, or a finding that names it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from studykit.errors import Finding, FolderError
from studykit.protocol.types import Protocol
from studykit.records.cells import DateOrder, Trouble
from studykit.records.nearest import nearest_known
from studykit.records.raw_table import RawTable, read_delimited
from studykit.records.record_columns import Draft, Wanted, draft_table
from studykit.records.record_tables import Records, records_of
from studykit.records.schema import TABLES, table
from studykit.records.workbook import OTHER_WORKBOOKS, read_workbook

_ONE_KIND = "CSV files or one workbook, never both"
WORKBOOK, DATES = "records.xlsx", "dates.txt"
_ORDERS: tuple[DateOrder, ...] = ("day", "month")


def read_records(folder: Path, *, protocol: Protocol | None = None) -> Records:
    """Read every record table of a study.

    Parameters
    ----------
    folder : Path
        The folder ``records`` of a study: one CSV file for each table, or one workbook ``records.xlsx``
        with a sheet for each table.
    protocol : Protocol, optional
        With it, codes of visits, exercises, outcomes and arms are checked, and the columns of strata
        and covariates are wanted in ``clients``; without it, further columns of ``clients`` are kept.

    Returns
    -------
    Records
        Rows with a ``stop`` finding are not in the tables.

    Raises
    ------
    FolderError
        If ``folder`` is no folder, or cannot be listed.
    """
    folder = Path(folder)
    try:
        inside = sorted(folder.iterdir())
    except OSError as error:
        raise FolderError(
            where=str(folder),
            expected="a folder with the record tables",
            got=error.strerror or type(error).__name__,
            todo="Give the study's folder, the one that holds records.",
        ) from None
    files = [path for path in inside if path.is_file()]
    findings = [*_folders(inside, folder.name), *_neighbours(files, folder.name)]
    raws, hashes, more = _read_files(_wanted_files(files), folder.name)
    findings += more
    order, doubts = _said_order(files, folder.name)
    findings += doubts
    if order:
        hashes.append((f"{folder.name}/{DATES}", hashlib.sha256(order.encode()).hexdigest()))
    wanted = replace(wanted_by(protocol), date_order=order)
    drafts = [draft_table(raws[entry.name], entry, wanted) for entry in TABLES if entry.name in raws]
    settle_spelling(drafts)
    for draft in drafts:
        repeated_rows(draft)
    findings += [finding for draft in drafts for finding in _in_order(draft)]
    books = any(path.suffix.casefold() == ".xlsx" for path in _wanted_files(files))
    unread = books and not raws and any(finding.severity == "stop" for finding in more)
    if not raws and not unread:
        findings.append(
            Finding(
                "warn", f"{folder.name}/", "record tables", "none", "Put clients.csv and the others there."
            )
        )
    return records_of(
        [draft.finished() for draft in drafts],
        findings=findings,
        hashes=hashes,
        unread_clients=_unread_clients(drafts),
        unread=unread,
        there={draft.table.name: (draft.raw.rows, tuple(draft.positions)) for draft in drafts},
    )


def say_date_order(folder: Path, order: DateOrder) -> None:
    """Keep which comes first in dates such as 03/04/2026, once for all tables of a study."""
    (folder / DATES).write_text(f"{order} first\n", encoding="utf-8")


def _said_order(files: Sequence[Path], folder: str) -> tuple[DateOrder, list[Finding]]:
    """Which comes first in dates, as kept by `say_date_order`."""
    path = next((path for path in files if path.name.casefold() == DATES), None)
    if path is None:
        return "", []
    words = path.read_bytes()[:100].decode("utf-8-sig", errors="replace").split()
    for order in _ORDERS:
        if words == [order, "first"]:
            return order, []
    got = "something else" if words else "nothing"
    todo = "Delete it, and say it again: studykit check STUDY --date-order day."
    return "", [Finding("stop", f"{folder}/{path.name}", "day first, or month first", got, todo)]


def _unread_clients(drafts: Sequence[Draft]) -> set[str]:
    """Clients who are introduced by a row that had to be left out."""
    found: set[str] = set()
    for draft in drafts:
        if draft.table.name in ("clients", "screening"):
            codes = draft.values.get("client", [])
            found |= {codes[row] for row in draft.left_out if row < len(codes) and codes[row]}
    return found


def wanted_by(protocol: Protocol | None) -> Wanted:
    """What a protocol adds to the schema of the tables."""
    if protocol is None:
        return Wanted()
    codes = {
        "visit": tuple(visit.code for visit in protocol.visits),
        "exercise": tuple(exercise.code for exercise in protocol.exercises),
        "outcome": tuple(outcome.code for outcome in protocol.outcomes),
        "arm": protocol.allocated_codes,
    }
    levels = {stratum.code: stratum.levels for stratum in protocol.strata if stratum.levels}
    covariates = tuple(code for code in protocol.analysis.adjust_for if code != "trainer")
    return Wanted(
        {name: known for name, known in codes.items() if known},
        levels,
        covariates,
        of_trainers=protocol.trainer_facts,
        by_protocol=True,
    )


def _in_order(draft: Draft) -> list[Finding]:
    """A table's findings in the order of its rows."""
    rows = {f"{draft.raw.where}, row {number}": place for place, number in enumerate(draft.raw.row_numbers)}

    def position(finding: Finding) -> int:
        return rows.get(finding.where.rsplit(", column", 1)[0], -1)

    return sorted(draft.findings, key=position)


def _is_lock(path: Path) -> bool:
    """The small files that spreadsheet programs put beside one that is open."""
    return path.name.startswith(("~$", ".~lock."))


def _neighbours(files: Sequence[Path], folder: str) -> list[Finding]:
    """Files that say something although they hold no table: locks, other formats, misspelt names."""
    findings: list[Finding] = []
    names = [entry.name for entry in TABLES]
    for path in files:
        where = f"{folder}/{path.name}"
        stem, ending = path.stem.casefold(), path.suffix.casefold()
        if _is_lock(path):
            opened = path.name.removeprefix("~$").removeprefix(".~lock.").removesuffix("#")
            findings.append(
                Finding("warn", f"{folder}/{opened}", "a closed file",
                        "one that is open in a spreadsheet program",
                        "Save and close it: what is not saved is not seen here.")
            )  # fmt: skip
        elif ending == ".csv" and stem not in names:
            near = nearest_known(stem, names, cutoff=0.8)
            findings.append(
                Finding("stop", where, f"the file name {near}.csv", path.name, "Rename the file.")
                if near
                else Finding("note", where, "a file named as a table", path.name, "It is not used.")
            )
        elif ending in OTHER_WORKBOOKS or (ending == ".xlsx" and path.name.casefold() != WORKBOOK):
            findings.append(
                Finding("stop", where, f"CSV files, or one workbook named {WORKBOOK}", path.name,
                        f"Save it as {WORKBOOK}, or move it out of this folder.")
            )  # fmt: skip
    return findings


def _folders(inside: Sequence[Path], folder: str) -> list[Finding]:
    """Folders that stand where a table should."""
    names = {f"{entry.name}.csv" for entry in TABLES} | {WORKBOOK}
    return [
        Finding("stop", f"{folder}/{path.name}", "a file", "a folder of that name",
                "Move it away, and put the table itself there.")
        for path in inside
        if path.is_dir() and path.name.casefold() in names
    ]  # fmt: skip


def _wanted_files(files: Sequence[Path]) -> list[Path]:
    names = {f"{entry.name}.csv" for entry in TABLES} | {WORKBOOK}
    return [path for path in files if path.name.casefold() in names and not _is_lock(path)]


def _read_files(
    files: Sequence[Path], folder: str
) -> tuple[Mapping[str, RawTable], list[tuple[str, str]], list[Finding]]:
    """Bytes, hashes and cells of the tables; both kinds of files together are refused."""
    raws: dict[str, RawTable] = {}
    hashes: list[tuple[str, str]] = []
    findings: list[Finding] = []
    books = [path for path in files if path.suffix.casefold() == ".xlsx"]
    if books and len(books) < len(files):
        others = ", ".join(path.name for path in files if path not in books)
        findings.append(
            Finding("stop", f"{folder}/{books[0].name}", _ONE_KIND,
                    f"the workbook beside {others}",
                    "Keep the one that holds the records, and move the other away.")
        )  # fmt: skip
        files = []
    for path in files:
        where = f"{folder}/{path.name}"
        try:
            data = path.read_bytes()
        except OSError as error:
            findings.append(_unreadable(where, error))
            continue
        hashes.append((where, hashlib.sha256(data).hexdigest()))
        if path.suffix.casefold() == ".xlsx":
            sheets, more = read_workbook(data, where)
            raws.update(sheets)
        else:
            raw, more = read_delimited(data, table(path.stem.casefold()), where)
            findings += _twice(raws, raw)
            if raw is not None:
                raws.setdefault(raw.name, raw)
        findings += more
    return raws, hashes, findings


def _twice(raws: Mapping[str, RawTable], raw: RawTable | None) -> list[Finding]:
    """Two files whose names differ in capitals only."""
    if raw is None or raw.name not in raws:
        return []
    return [
        Finding("stop", raw.where, "one file for each table", f"a second one beside {raws[raw.name].where}",
                "Keep one of them; this one was not read.")
    ]  # fmt: skip


def _unreadable(where: str, error: OSError) -> Finding:
    locked = isinstance(error, PermissionError)
    return Finding(
        "stop",
        where,
        "a file that can be read",
        "one that the system does not hand out" if locked else error.strerror or type(error).__name__,
        "Close it in the spreadsheet program, and check who may read it." if locked else "Check the file.",
    )


_LEADING = {"client": ("clients", "screening", "allocation"), "trainer": ("trainers", "clients")}


def settle_spelling(drafts: Sequence[Draft]) -> None:
    """Give codes that differ in capitals only the spelling of the table that introduces them, with a note."""
    by_name = {draft.table.name: draft for draft in drafts}
    for column, leading in _LEADING.items():
        order = [by_name[name] for name in leading if name in by_name]
        order += [draft for draft in drafts if draft not in order]
        spelling: dict[str, str] = {}
        for draft in order:
            _settle(draft, column, spelling)


def _settle(draft: Draft, column: str, spelling: dict[str, str]) -> None:
    values = draft.values.get(column, [])
    changed: list[int] = []
    for row, value in enumerate(values):
        if value is None:
            continue
        known = spelling.setdefault(value.casefold(), value)
        if known != value:
            changed.append(row)
    if changed:
        first = changed[0]
        draft.note(
            changed,
            column,
            expected=spelling[values[first].casefold()],
            got=f"{values[first]}, another spelling",
        )
        for row in changed:
            values[row] = spelling[values[row].casefold()]


def repeated_rows(draft: Draft) -> None:
    """Leave out a row whose key stands in an earlier row; without a key, warn of rows repeated whole."""
    names = list(draft.values)
    key = draft.table.key
    if not names or any(name not in draft.values for name in key):
        return
    seen: dict[tuple[Any, ...], int] = {}
    for row in range(draft.raw.rows):
        if row in draft.left_out:
            continue
        whole = tuple(draft.values[name][row] for name in names)
        mark = tuple(draft.values[name][row] for name in key) if key else whole
        first = seen.setdefault(mark, row)
        if first == row:
            continue
        earlier = draft.raw.row_numbers[first]
        if key:
            same = whole == tuple(draft.values[name][first] for name in names)
            draft.stop(row, key[-1], _repeated(key, mark, earlier, same=same))
        else:
            where = f"{draft.raw.where}, row {draft.raw.row_numbers[row]}"
            draft.findings.append(
                Finding(
                    "warn",
                    where,
                    "each row once",
                    f"the same as row {earlier}",
                    "Remove it, unless it is meant.",
                )
            )


def _repeated(key: Sequence[str], mark: Sequence[Any], earlier: int, *, same: bool) -> Trouble:
    named = ", ".join(f"{name} {value}" for name, value in zip(key, mark, strict=True))
    return Trouble(
        f"one row for each {' and '.join(key)}",
        f"{named} again, as in row {earlier}",
        "The rows are alike: remove one." if same else "The rows differ: keep the right one.",
    )
