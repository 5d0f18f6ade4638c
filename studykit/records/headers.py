"""From the header of a file to the columns of the schema."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from studykit.errors import Finding
from studykit.records.nearest import nearest_known
from studykit.records.raw_table import RawTable
from studykit.records.schema import Table

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
    usable = not _repeated(raw, findings)
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
    usable = usable and not missing and not misspelt & needed
    return Matched(positions, usable, tuple(findings))


def _repeated(raw: RawTable, findings: list[Finding]) -> bool:
    """Whether a column name stands there twice."""
    counted = Counter(name.strip().casefold() for name in raw.header if name.strip())
    twice = [name for name, number in counted.items() if number > 1]
    findings += [
        Finding("stop", f"{raw.where}, row 1, column {name}", "each column once", f"{counted[name]} of them",
                "Remove or rename all but one.")
        for name in twice
    ]  # fmt: skip
    return bool(twice)


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
