"""From the columns of a data frame to the columns of a model: checks, levels, coding that can be replayed.

A `Design` is learnt once from the rows used (levels of texts, means of numbers) and then codes any other
rows in the same way: those of a prediction, of a grid of means, or of everybody in one arm.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.errors import ArgumentError
from studykit.results import RowCount

Term = str | tuple[str, ...]
Columns = Sequence[str] | Sequence[Sequence[str]]
Coding = Literal["reference", "sum"]
Floats = NDArray[np.float64]
SHOWN = 5  # row labels in a message


def as_tuple(term: Term) -> tuple[str, ...]:
    """The columns of a term."""
    return (term,) if isinstance(term, str) else tuple(term)


def blocks_of(columns: Columns) -> list[tuple[str, ...]]:
    """Blocks of columns that vary together; a plain list is one block.

    Examples
    --------
    >>> blocks_of(["intercept", "week"]), blocks_of([["intercept"], ["week"]])
    ([('intercept', 'week')], [('intercept',), ('week',)])
    """
    listed: list[Any] = list(columns)
    if all(isinstance(column, str) for column in listed):
        return [tuple(listed)]
    return [as_tuple(block) if isinstance(block, str) else tuple(block) for block in listed]


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """How the fixed effects of a model are made from columns.

    Parameters
    ----------
    terms : tuple of tuple of str
        Columns of every term, without the intercept, which is always there.
    levels : tuple of (str, tuple of str)
        Of every column of texts or truths, its levels, the reference level first.
    means : tuple of (str, float)
        Of every column of numbers, its mean over the rows used.
    """

    terms: tuple[tuple[str, ...], ...]
    levels: tuple[tuple[str, tuple[str, ...]], ...]
    means: tuple[tuple[str, float], ...]

    @property
    def columns(self) -> tuple[str, ...]:
        """Every column, once, in the order of the terms."""
        return tuple(dict.fromkeys(column for term in self.terms for column in term))

    def levels_of(self, column: str) -> tuple[str, ...]:
        """Levels of a column of texts; empty for numbers."""
        return dict(self.levels).get(column, ())

    def matrix(
        self, frame: pd.DataFrame, *, coding: Coding = "reference"
    ) -> tuple[Floats, list[str], NDArray[np.intp]]:
        """The matrix for the rows of a frame, the names of its columns, and the term of each (-1 intercept).

        Raises
        ------
        ArgumentError
            If a column is missing, or holds a level or value that the model does not know.
        """
        missing = [column for column in self.columns if column not in frame.columns]
        if missing:
            raise ArgumentError(
                where="rows for the model",
                expected=f"the columns {', '.join(self.columns)}",
                got=f"no column {', '.join(missing)}",
            )
        rows = len(frame)
        matrices, names, owners = [np.ones((rows, 1))], ["intercept"], [-1]
        for place, term in enumerate(self.terms):
            matrix, labels = np.ones((rows, 1)), [""]
            for column in term:
                own, own_names = self._coded(frame, column, coding)
                matrix = (matrix[:, :, None] * own[:, None, :]).reshape(rows, -1)
                labels = [f"{label}:{name}" if label else name for label in labels for name in own_names]
            matrices.append(matrix)
            names += labels
            owners += [place] * len(labels)
        return np.column_stack(matrices), names, np.array(owners)

    def _coded(self, frame: pd.DataFrame, column: str, coding: Coding) -> tuple[Floats, list[str]]:
        """A column of numbers as it is; one of texts as one column per level but the reference."""
        levels = self.levels_of(column)
        if not levels:
            return numbers(frame, column)[:, None], [column]
        values = texts(frame[column])
        strange = ~np.isin(values, levels)
        if strange.any():
            raise ArgumentError(
                where=f"column {column}",
                expected=f"levels that the model knows ({', '.join(levels)})",
                got=cited(frame, column, strange),
            )
        matrix = np.column_stack([(values == level).astype(np.float64) for level in levels[1:]])
        if coding == "sum":
            matrix -= (values == levels[0]).astype(np.float64)[:, None]
        return matrix, [f"{column}[{level}]" for level in levels[1:]]


def learn(frame: pd.DataFrame, terms: Sequence[Term], reference: Mapping[str, Any], rows: RowCount) -> Design:
    """The design of the terms, with the levels and means of these rows."""
    strange = [column for column in reference if column not in frame.columns]
    if strange:
        raise ArgumentError(where="reference", expected="columns that the model uses", got=", ".join(strange))
    parts = tuple(as_tuple(term) for term in terms)
    columns = list(dict.fromkeys(column for part in parts for column in part))
    coded = [column for column in columns if not _is_numbers(frame[column])]
    return Design(
        parts,
        tuple((column, _levels(frame, column, reference, rows)) for column in coded),
        tuple((column, float(numbers(frame, column).mean())) for column in columns if column not in coded),
    )


def _is_numbers(series: pd.Series) -> bool:
    return pd.api.types.is_numeric_dtype(series) and not pd.api.types.is_bool_dtype(series)


def texts(series: pd.Series) -> NDArray[Any]:
    """Labels of a column, as texts."""
    return np.array([str(value) for value in series], dtype=object)


def _levels(
    frame: pd.DataFrame, column: str, reference: Mapping[str, Any], rows: RowCount
) -> tuple[str, ...]:
    """The levels that occur, the reference first; false and the first of an ordered column need no name."""
    series = frame[column]
    found = sorted(set(texts(series).tolist()))
    first = reference.get(column)
    if isinstance(series.dtype, pd.CategoricalDtype):
        found = [str(level) for level in series.dtype.categories if str(level) in found]
    told = (
        series.dtype.ordered
        if isinstance(series.dtype, pd.CategoricalDtype)
        else set(found) <= {"False", "True"}
    )
    if first is None and told:
        first = found[0]
    if str(first) not in found or len(found) < 2:
        gone = f"; {rows}" if rows.used < rows.supplied else ""
        raise ArgumentError(
            where=f"column {column}",
            expected="two or more levels, and one of them named as the reference",
            got=f"levels {', '.join(found)}; reference {first!r}{gone}",
            todo=f'Give reference={{"{column}": "{found[0]}"}} or another of its levels.'
            if len(found) > 1
            else "Leave the column out of the model, or mend the rows that were left out.",
        )
    return (str(first), *(level for level in found if level != str(first)))


def numbers(frame: pd.DataFrame, column: str) -> Floats:
    """A column as finite numbers; truths count as 0 and 1."""
    series = frame[column]
    if pd.api.types.is_numeric_dtype(series):
        wrong = ~np.isfinite(np.array(series, dtype=np.float64))
    else:
        wrong = np.array(
            [not isinstance(value, int | float) or abs(value) == np.inf for value in series], bool
        )
    if wrong.any():
        raise ArgumentError(
            where=f"column {column}", expected="finite numbers", got=cited(frame, column, wrong)
        )
    return np.array(series, dtype=np.float64)


def cited(frame: pd.DataFrame, column: str, rows: NDArray[np.bool_]) -> str:
    """Values as they stand, each with its row's own label: the first few and how many more."""
    chosen = frame.loc[rows, column]
    shown = [
        f"{value!r} in the row labelled {label}"
        for label, value in zip(chosen.index[:SHOWN], chosen, strict=False)
    ]
    more = f" and {len(chosen) - SHOWN} more" if len(chosen) > SHOWN else ""
    return f"{', '.join(shown)}{more}"


# --- what is asked -----------------------------------------------------------------------------------


def columns_used(outcome: str, fixed: Sequence[Term], random: Mapping[Term, Columns]) -> list[str]:
    """Every column, once, in the order in which it is named."""
    if isinstance(fixed, str):
        raise ArgumentError(where="fixed", expected='a list of columns, such as ["days"]', got=repr(fixed))
    if not isinstance(random, Mapping):
        raise ArgumentError(
            where="random", expected='a mapping, such as {"client": ["intercept"]}', got=repr(random)
        )
    named: list[str] = []
    for term in fixed:
        named += as_tuple(term)
    for group, columns in random.items():
        if isinstance(columns, str):
            raise ArgumentError(where="random", expected='a list, such as ["intercept"]', got=repr(columns))
        inner = [column for block in blocks_of(columns) for column in block]
        named += [*as_tuple(group), *(column for column in inner if column != "intercept")]
    if outcome in named:
        raise ArgumentError(
            where="outcome", expected="a column that explains nothing in the same model", got=repr(outcome)
        )
    return list(dict.fromkeys([outcome, *named]))


def check_columns(frame: pd.DataFrame, used: Sequence[str], where: str) -> None:
    """Refuse columns that the frame does not have, or has twice."""
    unknown = [column for column in used if column not in frame.columns]
    if unknown:
        raise ArgumentError(
            where=where,
            expected=f"columns among {', '.join(map(str, frame.columns))}",
            got=", ".join(map(str, unknown)),
            todo=_written(unknown[0], frame),
        )
    doubled = [column for column in used if not isinstance(frame[column], pd.Series)]
    if doubled:
        raise ArgumentError(where=where, expected="column names that occur once", got=", ".join(doubled))


def _written(name: Any, frame: pd.DataFrame) -> str:
    """How several columns in one text are written here."""
    text = str(name)
    parts = [part.strip() for part in text.replace("*", "|").replace(":", "|").replace("+", "|").split("|")]
    if len(parts) < 2 or not set(parts) <= {str(column) for column in frame.columns}:
        return ""
    listed = ", ".join(f'"{part}"' for part in parts)
    if "*" in text:
        return f"Write the columns, and their product as a tuple: [{listed}, ({listed})]."
    if ":" in text:
        return f"Write the product as a tuple: ({listed})."
    return f"Write the columns one by one: [{listed}]."


def complete_rows(frame: pd.DataFrame, used: Sequence[str], where: str) -> tuple[pd.DataFrame, RowCount]:
    """Rows without an empty cell, and the first empty column of every other row."""
    empty = frame[list(used)].isna().to_numpy()
    first = np.where(empty.any(axis=1), empty.argmax(axis=1), -1)
    left_out = tuple(
        (f"no value in {column}", int((first == index).sum()))
        for index, column in enumerate(used)
        if (first == index).any()
    )
    rows = RowCount(len(frame), int((first < 0).sum()), left_out)
    if rows.used == 0:
        raise ArgumentError(where=where, expected="rows without empty cells", got=str(rows))
    return frame.loc[first < 0, list(used)], rows


def notes_on_rows(frame: pd.DataFrame) -> tuple[str, ...]:
    """What a reader must know of the rows: copies of other rows, labels that occur twice."""
    notes = []
    copies = frame.duplicated(keep="first").to_numpy()
    if copies.any():
        labels = ", ".join(repr(label) for label in frame.index[copies][:SHOWN])
        notes.append(
            f"{int(copies.sum())} of {len(frame)} rows repeat an earlier row in every column of the frame "
            f"(first: {labels}). If they are one measurement typed twice, drop them: "
            "copies make the answer look surer than it is."
        )
    if not frame.index.is_unique:
        twice = frame.index[frame.index.duplicated()]
        notes.append(
            f"Row labels occur more than once (first: {twice[0]!r}): what is said of single rows cannot tell "
            "them apart. Number them anew with frame.reset_index()."
        )
    return tuple(notes)
