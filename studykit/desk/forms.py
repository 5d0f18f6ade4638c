"""Forms made from the schema of the record tables, and what is typed into them read back.

A field is named ``table.line.column``; ``all.column`` holds for every line that has the column. A line counts
where anything was typed into it. Nothing here knows what may stand in a cell: `records.typed_row` does.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from studykit.records.schema import Column, table
from studykit.records.typed_row import columns_of, typed_row
from studykit.study.journal import Row

if TYPE_CHECKING:
    from studykit.protocol.types import Protocol

_NAME = re.compile(r"(planned\.)?([a-z_]{1,20})\.(\d{1,3})\.([A-Za-z0-9_ -]{1,60})")
_GIVEN = frozenset({"exercise", "unit", "set", "visit", "entered_on", "recorded_on"})  # filled by the page
AS_PLANNED = "as planned"  # a status that only the page knows
MOST_AS_BUTTONS = 6
MOST_LINES = 80


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a form.

    Parameters
    ----------
    name : str
    label, meaning : str
    kind : {"buttons", "list", "date", "text"}
    choices : tuple of str
    mode : str
        The keyboard that a phone shows.
    value, trouble : str
    required : bool
    """

    name: str
    label: str
    meaning: str
    kind: str
    choices: tuple[str, ...] = ()
    mode: str = "text"
    value: str = ""
    trouble: str = ""
    required: bool = False

    @property
    def id(self) -> str:
        """For links to the field."""
        return self.name.replace(".", "-").replace(" ", "_")


@dataclass(frozen=True, slots=True)
class Typed:
    """What came from a form: rows, and what is wrong by name of field."""

    rows: tuple[Row, ...]
    troubles: Mapping[str, str]


def field_of(column: Column, name: str, *, value: str = "", trouble: str = "") -> Field:
    """The field of a column."""
    choices = ("yes", "no") if column.kind == "yes_no" else column.choices
    if not choices and column.kind == "whole" and column.lowest == 0 and column.highest == 10:
        choices = tuple(str(number) for number in range(11))
    kind = {"date": "date"}.get(column.kind, "text")
    if choices:
        few = len(choices) <= MOST_AS_BUTTONS or choices[-1] == "10"
        kind = "buttons" if few else "list"
    mode = {"number": "decimal", "whole": "numeric"}.get(column.kind, "text")
    label = column.name.replace("_", " ")
    return Field(
        name,
        label[:1].upper() + label[1:],
        column.meaning,
        kind,
        choices,
        mode,
        value,
        trouble,
        column.required,
    )


def fields_of(
    name: str, protocol: Protocol, *, values: Mapping[str, str], troubles: Mapping[str, str],
    people: Mapping[str, Sequence[str]], without: Iterable[str] = (),
) -> tuple[Field, ...]:  # fmt: skip
    """The fields of one row of a table.

    Parameters
    ----------
    name : str
    protocol : Protocol
    values, troubles : mapping of str to str
        By name of field.
    people : mapping of str to sequence of str
        Codes that are offered, by column.
    without : iterable of str
        Columns that are not asked here.
    """
    left_out = set(without)
    found = []
    for column in columns_of(table(name), protocol):
        if column.name in left_out:
            continue
        place = f"{name}.0.{column.name}"
        field = field_of(column, place, value=values.get(place, ""), trouble=troubles.get(place, ""))
        if field.kind == "text" and people.get(column.name):
            field = Field(place, field.label, field.meaning, "offered", tuple(people[column.name]), "text",
                          field.value, field.trouble, field.required)  # fmt: skip
        found.append(field)
    return tuple(found)


def typed_rows(form: Mapping[str, str], tables: Sequence[str], protocol: Protocol) -> Typed:
    """Rows from what was typed.

    Parameters
    ----------
    form : mapping of str to str
        Fields by name.
    tables : sequence of str
        Tables that this form may write; the first must have a line at least.
    protocol : Protocol
    """
    typed: dict[tuple[str, int], dict[str, str]] = {(tables[0], 0): {}}
    planned: dict[str, str] = {}
    for name, text in form.items():
        parts = _NAME.fullmatch(name)
        if parts is None or parts[2] not in tables:
            continue
        if parts[1]:
            planned[parts[4]] = text
        else:
            typed.setdefault((parts[2], int(parts[3])), {})[parts[4]] = text
    common = {name[4:]: text for name, text in form.items() if name.startswith("all.")}
    first = typed[(tables[0], 0)]
    if (
        first.get("status") == AS_PLANNED
    ):  # what the page offered and the person confirmed; what differs, differs
        more = {name: text for name, text in first.items() if text.strip() and name != "status"}
        typed[(tables[0], 0)] = {**planned, **more}
    rows: list[Row] = []
    troubles: dict[str, str] = {}
    for (name, line), cells in sorted(typed.items())[:MOST_LINES]:
        said = {column for column, text in cells.items() if text.strip()} - _GIVEN
        alone = sum(key[0] == tables[0] for key in typed) == 1  # a form of one row is never empty
        if not said and not (alone and name == tables[0]):
            continue
        known = {column.name for column in columns_of(table(name), protocol)}
        whole = {column: text for column, text in common.items() if column in known} | cells
        row = typed_row(table(name), whole, protocol)
        troubles |= {
            f"all.{column}" if column in common and column not in cells else f"{name}.{line}.{column}": text
            for column, text in row.troubles.items()
        }
        rows.append(Row(name, dict(row.cells)))
    if not rows and not troubles:
        troubles[f"{tables[0]}.0.load"] = "nothing was typed. Fill in one line at least."
    return Typed(tuple(rows), troubles)
