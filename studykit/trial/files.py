"""Writing simulated records as CSV files, the same bytes for the same records."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path
from typing import Any

import numpy as np

from studykit.records.schema import table
from studykit.records.tables import Records, RecordTable


def write_records(records: Records, folder: Path) -> tuple[Path, ...]:
    """Write every table that has rows.

    Parameters
    ----------
    records : Records
    folder : Path
        Must exist. A file of the same name is replaced.

    Returns
    -------
    tuple of Path
    """
    written = []
    for name, content in records.tables.items():
        if content.number:
            path = folder / f"{name}.csv"
            path.write_bytes(as_csv(content).encode("utf-8"))
            written.append(path)
    return tuple(written)


def as_csv(content: RecordTable) -> str:
    """One table as text: comma, UTF-8, header first, empty columns of the schema left out unless required."""
    schema = table(content.name)
    required = {column.name for column in schema.columns if column.required}
    kinds = {column.name: column.kind for column in schema.columns}
    names = [name for name, values in content.columns.items() if name in required or not _empty(values)]
    cells = [[_cell(value, kinds.get(name, "text")) for value in content.columns[name]] for name in names]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(names)
    writer.writerows(zip(*cells, strict=True))
    return text.getvalue()


def _empty(values: np.ndarray[Any, Any]) -> bool:
    if values.dtype.kind in "fM":
        return bool(np.isnan(values).all() if values.dtype.kind == "f" else np.isnat(values).all())
    return all(value == "" for value in values)


def _cell(value: Any, kind: str) -> str:
    """A cell as a person would have typed it."""
    if isinstance(value, np.datetime64):
        return "" if np.isnat(value) else str(value)
    if isinstance(value, float):
        if math.isnan(value):
            return ""
        if kind == "yes_no":
            return "yes" if value else "no"
        return str(int(value)) if value == int(value) else repr(float(value))
    return str(value)
