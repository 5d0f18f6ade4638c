"""Writing record tables: whole files or none, and nothing that a spreadsheet program would run."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from studykit.errors import FolderError
from studykit.protocol.types import Protocol
from studykit.records.kind_rows import rows_of
from studykit.records.raw_table import csv_text, guarded
from studykit.records.schema import TABLES, Table


def write_empty_tables(folder: Path, protocol: Protocol, *, overwrite: bool = False) -> tuple[Path, ...]:
    """Every table that the protocol uses, with its header and one example row.

    Parameters
    ----------
    folder : Path
        Made where it is missing.
    protocol : Protocol
        Adds columns of strata and covariates to ``clients``; its codes appear in the example rows.
    overwrite : bool
        Replace files that are there.

    Returns
    -------
    tuple of Path

    Raises
    ------
    FolderError
        If a file is in the way, or the folder cannot be written; nothing is then written.
    """
    texts = {}
    for table in TABLES:
        if is_used(table, protocol):
            header = header_of(table, protocol)
            texts[f"{table.name}.csv"] = csv_text([header, _example_row(table, header, protocol)])
    return write_whole(Path(folder), texts, overwrite=overwrite)


def write_whole(folder: Path, texts: Mapping[str, str], *, overwrite: bool) -> tuple[Path, ...]:
    """Write all of these files or none: under temporary names first, then all of them are renamed.

    Raises
    ------
    FolderError
        If a file is in the way, or the folder cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        there = [name for name in texts if (folder / name).exists()]
        if there and not overwrite:
            raise FolderError(
                where=str(folder),
                expected="none of these files",
                got=", ".join(there),
                todo="Nothing was written. Move them away, or say that they may be overwritten.",
            )
        waiting: list[tuple[Path, Path]] = []
        try:
            for name, text in texts.items():
                waiting.append((_temporary(folder, name, text), folder / name))
            for temporary, final in waiting:
                temporary.replace(final)
        finally:
            for temporary, _ in waiting:
                temporary.unlink(missing_ok=True)
    except OSError as error:
        raise FolderError(
            where=str(error.filename or folder),
            expected="a folder that can be written",
            got=error.strerror or type(error).__name__,
            todo="Close the files in other programs, and check the rights and the space left.",
        ) from None
    return tuple(final for _, final in waiting)


def _temporary(folder: Path, name: str, text: str) -> Path:
    handle, path = tempfile.mkstemp(dir=folder, prefix=f".{name}.", suffix=".part")
    temporary = Path(path)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        temporary.chmod(0o644)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    return temporary


def number_text(value: float) -> str:
    """The shortest text that gives the number back.

    Examples
    --------
    >>> number_text(80.0), number_text(37.5)
    ('80', '37.5')
    """
    return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)


def is_used(table: Table, protocol: Protocol) -> bool:
    """Whether a study by this protocol has such a table."""
    if table.name in {"strength", "measurements"}:
        return any(table.name in rows_of(outcome).tables(outcome) for outcome in protocol.outcomes)
    return table.name != "allocation" or protocol.is_external


def header_of(table: Table, protocol: Protocol) -> list[str]:
    """The columns of a new table, those included that the protocol adds."""
    names = [column.name for column in table.columns]
    if table.name == "clients":
        added = [stratum.code for stratum in protocol.strata] + list(protocol.analysis.adjust_for)
        names += [name for name in dict.fromkeys(added) if name not in names]
    if table.name == "trainers":
        names += [name for name in protocol.trainer_facts if name not in names]
    return names


def _example_row(table: Table, header: Sequence[str], protocol: Protocol) -> list[str]:
    """The schema's example, in the words of the protocol."""
    worded = _protocol_examples(protocol)
    row = dict.fromkeys(header, "") | {
        column.name: worded.get(column.name, column.example)
        if column.in_words_of_protocol
        else column.example
        for column in table.columns
    }
    if table.name == "clients":
        row |= {stratum.code: stratum.levels[0] for stratum in protocol.strata if stratum.levels}
    return [guarded(row[name]) for name in header]


def _protocol_examples(protocol: Protocol) -> dict[str, str]:
    """Codes of the protocol for the columns that hold them."""
    found = {"arm": protocol.allocated_codes[0]}
    visits = protocol.baseline_visits or protocol.visits
    if visits:
        found["visit"] = visits[0].code
    if protocol.exercises:
        found |= {"exercise": protocol.exercises[0].code, "unit": protocol.exercises[0].unit}
    recorded = [item for item in protocol.outcomes if "measurements" in rows_of(item).tables(item)]
    if recorded:
        found["outcome"] = recorded[0].code
    return found
