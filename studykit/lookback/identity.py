"""Names where codes are wanted: refused; a copy with codes and a key to keep elsewhere are offered."""

from __future__ import annotations

import os
import secrets
from collections.abc import Mapping
from pathlib import Path

from studykit.errors import DataError, Finding, FolderError
from studykit.lookback.export_columns import Placed
from studykit.lookback.export_tables import ExportTable, Opened
from studykit.lookback.wanted_columns import WANTED
from studykit.protocol.identifiers import code_trouble, personal_mark
from studykit.records.raw_table import RawColumn, csv_text, guarded

PREFIX = {"client": "C", "trainer": "T"}


def named_columns(opened: Opened, placed: Placed) -> tuple[Finding, ...]:
    """Columns of codes that hold what names a person; the names are not repeated."""
    findings = []
    for name, table in opened.tables.items():
        for wanted in WANTED[name]:
            index = placed.places[name].get(wanted.name)
            if wanted.kind != "code" or index is None:
                continue
            marks = [mark for text in table.columns[index].texts if text and (mark := _mark(text))]
            if marks:
                findings.append(
                    Finding("stop", f"{table.where}, column {table.header[index]}",
                            "codes such as C014, which tell nothing about the person",
                            f"what looks like {max(set(marks), key=marks.count)} (not repeated here)",
                            f"It stands in {len(marks)} of {sum(map(bool, table.columns[index].texts))} "
                            "different cells. Let a copy with codes and a separate key be written: add "
                            "--recode.")
                )  # fmt: skip
    return tuple(findings)


def _mark(text: str) -> str:
    return personal_mark(text) or ("more than a code" if code_trouble(text) else "")


def refuse_names(opened: Opened, placed: Placed) -> None:
    """Refuse names in place of codes.

    Raises
    ------
    DataError
        Naming the columns, never the people.
    """
    findings = named_columns(opened, placed)
    if findings:
        raise DataError(findings)


def write_recoded(opened: Opened, placed: Placed, path: Path) -> tuple[dict[str, Path], Path]:
    """Write copies in which codes drawn at random stand for people, and one key.

    Parameters
    ----------
    opened : Opened
    placed : Placed
        Only the columns that a look back uses, and facts of the clients' table, are copied.
    path : Path
        Of the attendance file; copies and key are written beside it.

    Returns
    -------
    (dict of str to Path, Path)
        Copies by table, and the key.

    Raises
    ------
    FolderError
        If a copy or a key of before is in the way, or nothing can be written.
    """
    copies = {name: path.with_name(f"{path.stem}_coded_{name}.csv") for name in opened.tables}
    key = path.with_name(f"{path.stem}_key.csv")
    for place in (*copies.values(), key):
        if place.exists():
            raise FolderError(
                where=str(place), expected="a free name", got="a file of that name",
                todo="Move it away, or use the copy with codes that was written before.",
            )  # fmt: skip
    codes = {kind: _drawn(opened, placed, kind) for kind in PREFIX}
    try:
        for name, place in copies.items():
            _write_private(place, _coded(opened.tables[name], name, placed.places[name], codes))
        rows = [(kind, code, person) for kind, drawn in codes.items() for person, code in drawn.items()]
        _write_private(key, csv_text([("kind", "code", "in the export"), *sorted(rows)]))
    except OSError as error:
        raise FolderError(
            where=str(error.filename or path.parent), expected="a folder that can be written to",
            got=error.strerror or type(error).__name__, todo="Free some space or choose another place.",
        ) from error  # fmt: skip
    return copies, key


def _write_private(place: Path, text: str) -> None:
    """A new file that only its owner may read."""
    handle = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8-sig", newline="") as stream:
        stream.write(text)


def _drawn(opened: Opened, placed: Placed, kind: str) -> dict[str, str]:
    """A code for every person, in an order that tells nothing."""
    people: dict[str, str] = {}
    for name, table in opened.tables.items():
        index = placed.places[name].get(kind)
        if index is not None:
            for text in filter(None, table.columns[index].texts):
                people.setdefault(text.casefold(), text)
    numbers = list(range(1, len(people) + 1))
    secrets.SystemRandom().shuffle(numbers)
    width = max(2, len(str(len(people))))
    return {
        person: f"{PREFIX[kind]}{number:0{width}d}"
        for person, number in zip(people.values(), numbers, strict=True)
    }


def _coded(
    table: ExportTable, name: str, places: Mapping[str, int], codes: Mapping[str, Mapping[str, str]]
) -> str:
    folded = {
        kind: {person.casefold(): code for person, code in drawn.items()} for kind, drawn in codes.items()
    }
    columns: list[tuple[str, list[str]]] = []
    for wanted in WANTED[name]:
        if wanted.name in places:
            column = table.columns[places[wanted.name]]
            columns.append((wanted.name, _cells(column, folded.get(wanted.name))))
    if name == "clients":
        columns += [
            (header, _cells(column, None))
            for index, (header, column) in enumerate(zip(table.header, table.columns, strict=True))
            if index not in places.values() and header and not any(map(personal_mark, column.texts))
        ]
    header = [title for title, _ in columns]
    return csv_text([header, *zip(*(cells for _, cells in columns), strict=True)])


def _cells(column: RawColumn, codes: Mapping[str, str] | None) -> list[str]:
    texts = [codes[text.casefold()] if codes is not None and text else guarded(text) for text in column.texts]
    return [texts[place] for place in column.place.tolist()]
