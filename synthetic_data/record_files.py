"""Records written as the files of a study's folder, so that invented ones can be read back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.records.raw_table import csv_text, guarded
from studykit.records.record_tables import Records, RecordTable
from studykit.records.schema import TABLES, Table
from studykit.records.writing import number_text, write_whole


def write_records(folder: Path, records: Records, *, overwrite: bool = False) -> tuple[Path, ...]:
    """All tables that have rows, one CSV file each; reading them back gives the same tables.

    Parameters
    ----------
    folder : Path
        Made where it is missing.
    records : Records
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
        typed = records[table.name]
        if typed.number:
            names = [column.name for column in table.columns]
            names += [name for name in typed.columns if name not in names]
            texts[f"{table.name}.csv"] = csv_text([names, *_rows(typed, table, names)])
    return write_whole(Path(folder), texts, overwrite=overwrite)


def _rows(typed: RecordTable, table: Table, names: Sequence[str]) -> Iterable[tuple[str, ...]]:
    kinds = {column.name: column.kind for column in table.columns}
    columns = [_texts(typed.columns[name], kinds.get(name, "")) for name in names]
    return zip(*columns, strict=True)


def _texts(column: NDArray[Any], kind: str) -> list[str]:
    """Cells of one column; an empty value is an empty cell."""
    if column.dtype.kind == "M":
        return ["" if np.isnat(day) else str(day) for day in column]
    if kind == "yes_no":
        return ["" if np.isnan(value) else ("yes" if value else "no") for value in column]
    if column.dtype.kind == "f":
        return ["" if np.isnan(value) else number_text(float(value)) for value in column]
    return [guarded(str(value)) for value in column]
