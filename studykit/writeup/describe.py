"""Table 1 of a frame of one's own: counts, means with standard deviations, and what is missing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from studykit.errors import ArgumentError
from studykit.report.numbers import GAP, decimals_of_step
from studykit.report.tables import (
    NOTHING,
    Cell,
    Count,
    MeanSpread,
    Share,
    Table,
    cells,
    column,
    to_html,
    to_markdown,
    words_column,
)
from studykit.results import Result

_MOST_LEVELS = 20
ALL = "all"


@dataclass(frozen=True, slots=True)
class Described(Result):
    """One column, or one level of it, in one group.

    Parameters
    ----------
    name, level : str
        The column; its level, or nothing where it holds numbers.
    group : str
        ``"all"`` for the whole frame.
    rows, missing : int
        Rows of the group, and those of them where the column is empty.
    count : int
        Rows with this level, or with a number.
    mean, standard_deviation, median, least, most : float
        Of the numbers, in their unit, standard deviation with divisor n - 1; not numbers for a level.
    """

    name: str
    level: str
    group: str
    rows: int
    missing: int
    count: int
    mean: float = math.nan
    standard_deviation: float = math.nan
    median: float = math.nan
    least: float = math.nan
    most: float = math.nan


@dataclass(frozen=True, slots=True)
class Description(Result):
    """A frame described; `studykit.to_frame` gives its ``cells`` at full precision.

    Parameters
    ----------
    cells : tuple of Described
        By column, level and group.
    groups : tuple of (str, int)
        Groups and their rows; the last is all of them.
    table : Table
        The same, as it is written.
    """

    cells: tuple[Described, ...]
    groups: tuple[tuple[str, int], ...]
    table: Table

    def __str__(self) -> str:
        return to_markdown(self.table).replace("\u00a0", " ").rstrip()

    def _repr_html_(self) -> str:
        return str(to_html(self.table))


def describe(
    frame: pd.DataFrame, columns: Sequence[str] | None = None, *, by: str | None = None
) -> Description:
    """Describe the columns of a data frame, in all its rows and by group; nothing is tested.

    Parameters
    ----------
    frame : DataFrame
        One row per person for a table of persons; it is not changed.
    columns : sequence of str, optional
        By default all columns but ``by``. Numbers give mean and standard deviation; texts, truth values and
        categories give counts.
    by : str, optional
        Column of groups; rows without a group are counted and belong to ``all`` only.

    Returns
    -------
    Description

    Raises
    ------
    ArgumentError
        If a column is unknown, holds something else, or has more than 20 levels.

    Examples
    --------
    >>> frame = pd.DataFrame({"arm": ["a", "a", "b", "b"], "age": [30.0, 34.0, 41.0, None],
    ...                       "sex": ["f", "m", "f", "f"]})
    >>> print(describe(frame, by="arm"))
    **Description of 4 rows, by arm**
    <BLANKLINE>
    | what | a (n = 2) | b (n = 2) | all (n = 4) | not recorded |
    | :-- | --: | --: | --: | --: |
    | age | 32.0 (2.8) | 41.0 (not estimated) | 35.0 (5.6) | 1 |
    | sex: f | 1 of 2 (50 %) | 2 of 2 (100 %) | 3 of 4 (75 %) | 0 |
    | sex: m | 1 of 2 (50 %) | 0 of 2 (0 %) | 1 of 4 (25 %) | 0 |
    <BLANKLINE>
    Mean (standard deviation), or number of rows with per cent of those recorded.
    """
    names = _checked(frame, columns, by)
    parts = _groups(frame, by)
    found = tuple(
        _described(frame.loc[rows, name], name, level, group)
        for name in names
        for level in _levels(frame[name], name)
        for group, rows in parts
    )
    groups = tuple((group, int(rows.sum())) for group, rows in parts)
    return Description(found, groups, _table(found, groups, frame, by))


def _checked(frame: pd.DataFrame, columns: Sequence[str] | None, by: str | None) -> tuple[str, ...]:
    if not isinstance(frame, pd.DataFrame):
        raise ArgumentError(where="describe", expected="a data frame", got=type(frame).__name__)
    if isinstance(columns, str):
        raise ArgumentError(
            where="describe, columns",
            expected="a list of names",
            got=repr(columns),
            todo=f"Write [{columns!r}].",
        )
    if not frame.columns.is_unique:
        raise ArgumentError(where="describe", expected="columns of different names", got="a name twice")
    known = [str(name) for name in frame.columns]
    wanted = [name for name in known if name != by] if columns is None else list(columns)
    for name in (*wanted, *((by,) if by is not None else ())):
        if name not in frame.columns:
            raise ArgumentError(
                where="describe", expected=f"one of the columns {', '.join(known)}", got=repr(name)
            )
    if frame.empty or not wanted:
        raise ArgumentError(
            where="describe", expected="rows and columns to describe",
            got=f"{len(frame)} rows and {len(wanted)} columns",
        )  # fmt: skip
    return tuple(wanted)


def _groups(frame: pd.DataFrame, by: str | None) -> list[tuple[str, Any]]:
    """Groups with their rows, in the order of a category or as they come; last all rows."""
    everything = (ALL, np.ones(len(frame), dtype=bool))
    if by is None:
        return [everything]
    values = frame[by]
    levels = _levels(values, by, numbers=True)
    return [
        *((str(level), (values == level).to_numpy(dtype=bool, na_value=False)) for level in levels),
        everything,
    ]


def _is_number(values: pd.Series) -> bool:
    return pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)


def _levels(values: pd.Series, name: str, *, numbers: bool = False) -> list[Any]:
    """The levels of a column; one without name for numbers."""
    if _is_number(values) and not numbers:
        return [None]
    if isinstance(values.dtype, pd.CategoricalDtype):
        levels = [level for level in values.cat.categories if (values == level).any()]
    else:
        levels = list(pd.unique(values.dropna()))
        levels = (
            sorted(levels)
            if all(isinstance(level, str | bool | int | float) for level in levels)
            and (len({type(level) for level in levels}) == 1)
            else levels
        )
    if len(levels) > _MOST_LEVELS:
        raise ArgumentError(
            where=f"describe, column {name}", expected=f"at most {_MOST_LEVELS} different values",
            got=f"{len(levels)}", todo="Leave it out of columns, or make groups of it.",
        )  # fmt: skip
    return levels


def _described(values: pd.Series, name: str, level: Any, group: str) -> Described:
    missing = int(values.isna().sum())
    if level is not None:
        count = int((values == level).sum())
        return Described(name, str(level), group, len(values), missing, count)
    numbers = values.dropna().to_numpy(dtype=float)
    if not np.isfinite(numbers).all():
        raise ArgumentError(
            where=f"describe, column {name}", expected="finite numbers, or nothing where one is missing",
            got="infinity",
        )  # fmt: skip
    if not numbers.size:
        return Described(name, "", group, len(values), missing, 0)
    return Described(
        name, "", group, len(values), missing, numbers.size, float(numbers.mean()),
        float(numbers.std(ddof=1)) if numbers.size > 1 else math.nan, float(np.median(numbers)),
        float(numbers.min()), float(numbers.max()),
    )  # fmt: skip


def _table(
    found: tuple[Described, ...], groups: tuple[tuple[str, int], ...], frame: pd.DataFrame, by: str | None
) -> Table:
    wide = len(groups)
    rows = []
    for place in range(0, len(found), wide):
        row = found[place : place + wide]
        first = row[0]
        decimals = 0 if first.level else _decimals(frame[first.name])
        label = f"{first.name}: {first.level}" if first.level else first.name
        rows.append(cells(label, *(_cell(item, decimals) for item in row), Count(row[-1].missing)))
    heads = [
        column(f"{name} (n{GAP}={GAP}{count})", f"{name}: mean or count", f"{name}: sd or of")
        for name, count in groups
    ]
    columns = (words_column("what"), *heads, column("not recorded"))
    notes = ["Mean (standard deviation), or number of rows with per cent of those recorded."]
    without = len(frame) - sum(count for _, count in groups[:-1]) if by is not None else 0
    if without:
        notes.append(f"Rows without {by}, in the last group only: {without}.")
    caption = f"Description of {len(frame)} rows{f', by {by}' if by is not None else ''}"
    return Table("description", caption, columns, tuple(rows), tuple(notes))


def _cell(item: Described, decimals: int) -> Cell:
    if item.level:
        return Share(item.count, item.rows - item.missing)
    return MeanSpread(item.mean, item.standard_deviation, decimals) if item.count else NOTHING


def _decimals(values: pd.Series) -> int:
    """One more than the numbers themselves have, at most two (APA 6.36)."""
    numbers = values.dropna().to_numpy(dtype=float)
    most = max((decimals_of_step(float(number)) for number in numbers[:1000] if number), default=0)
    return min(2, most + 1)
