"""Somebody else's trial, one row for each score, understood: visits, arms, what was drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Literal, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.errors import ArgumentError
from studykit.protocol.first_questions import code_of
from studykit.protocol.identifiers import code_trouble, personal_mark
from studykit.records.writing import number_text
from studykit.results import Result, RowCount

PLACE = "study_from_frame"
_SHOWN = 5
MOST_LEVELS = 10  # of a stratum that is written as numbers
Texts = NDArray[np.object_]
Frame: TypeAlias = pd.DataFrame  # for a room that hands a frame on


@dataclass(frozen=True, slots=True)
class Columns:
    """The columns of a frame by what they hold.

    Parameters
    ----------
    client, visit, arm, score, trainer : str
        ``trainer`` may be empty.
    strata, adjust_for : tuple of str
        Facts of clients known before allocation: words, and numbers.
    """

    client: str
    visit: str
    arm: str
    score: str
    trainer: str = ""
    strata: tuple[str, ...] = ()
    adjust_for: tuple[str, ...] = ()

    @property
    def of_clients(self) -> tuple[str, ...]:
        """Columns that say one thing of each client."""
        return (*((self.trainer,) if self.trainer else ()), *self.strata, *self.adjust_for)

    @property
    def all(self) -> tuple[str, ...]:
        """Every column."""
        return (self.client, self.visit, self.arm, self.score, *self.of_clients)


@dataclass(frozen=True, slots=True)
class Told:
    """What a frame cannot say, as the caller says it; see `studykit.study_from_frame`."""

    reference: Any
    days: Mapping[Any, float] | float
    comparison: Any = None
    primary_visit: Any = None
    design: Literal["parallel", "crossover"] = "parallel"
    scale: Literal["as_measured", "log"] = "as_measured"
    unit: str = ""
    title: str = ""
    allocated: str = ""
    higher_is_better: bool = True


@dataclass(frozen=True, slots=True)
class TakenOver(Result):
    """What became of a frame's rows.

    Parameters
    ----------
    rows : RowCount
        Rows whose score is used, and why each other is not.
    clients : int
        Clients in the study; those without any score are in it too.
    codes : tuple of (str, str)
        Client in the frame and code in the records, where codes are new; whoever has this list knows who is
        who.
    notes : tuple of str
        How the frame was understood.
    """

    rows: RowCount
    clients: int
    codes: tuple[tuple[str, str], ...] = field(repr=False)
    notes: tuple[str, ...] = ()

    def __str__(self) -> str:
        return "\n".join((f"{self.clients} clients; {self.rows}.", *self.notes))


# --- reading the frame ---------------------------------------------------------------------------


def labels(series: pd.Series) -> Texts:
    """Values as texts, whole numbers without a decimal point, ``""`` where there is none."""
    return np.array([label(value) for value in series], dtype=object)


def label(value: Any) -> str:
    """A value as a text.

    Examples
    --------
    >>> label(4.0), label(True), label(None), label(" a ")
    ('4', 'True', '', 'a')
    """
    if pd.isna(value):
        return ""
    if isinstance(value, float | np.floating) and np.isfinite(value):
        return number_text(float(value))
    return str(value).strip()


def without_empty(frame: pd.DataFrame, column: str, why: str, left: dict[str, int]) -> pd.DataFrame:
    """Rows with something in a column; how many have nothing is written under its reason."""
    filled = labels(frame[column]) != ""
    left[why] = int((~filled).sum())
    return frame[filled]


def refused(expected: str, got: str, todo: str = "", where: str = PLACE) -> ArgumentError:
    """The error of this room."""
    return ArgumentError(where=where, expected=expected, got=got, todo=todo)


@dataclass(frozen=True, slots=True)
class PlannedVisit:
    """A visit: as the frame has it, code and name in the protocol, day from allocation."""

    label: str
    code: str
    day: int
    name: str


def planned_visits(frame: pd.DataFrame, column: str, told: Told) -> tuple[PlannedVisit, ...]:
    """The visits in order of their days, at least one before and one after allocation."""
    found = dict.fromkeys(labels(frame[column]))
    where = f"{PLACE}, days"
    if isinstance(told.days, Mapping):
        days = {label(value): day for value, day in told.days.items()}
        unknown = [value for value in found if value not in days]
        absent = [value for value in days if value not in found]
        if unknown or absent:
            what = (
                f"no day for {', '.join(unknown[:_SHOWN])}" if unknown else f"no row of {', '.join(absent)}"
            )
            raise refused(f"a day for each value of {column}: {', '.join(found)}", what, where=where)
    else:
        try:
            days = {value: float(value) * told.days for value in found}
        except (TypeError, ValueError):
            asked = ", ".join(f'"{value}": …' for value in found)
            raise refused(
                "days counted from allocation, by visit", repr(told.days),
                f"Give days={{{asked}}}, the visit before allocation at 0.", where,
            ) from None  # fmt: skip
    codes = codes_of(list(days), "visit", column)
    try:
        visits = [
            PlannedVisit(value, codes[value], round(day), value if code_of(value) else f"{column} {value}")
            for value, day in days.items()
        ]
    except (TypeError, ValueError, OverflowError):
        raise refused("days as numbers", repr(told.days), where=where) from None
    visits.sort(key=lambda visit: visit.day)
    same = [one.label for one, other in pairwise(visits) if one.day == other.day]
    if same or (visits[0].day > 0 and told.design == "parallel") or visits[-1].day <= 0:
        raise refused(
            "different days, a visit before allocation at 0 or earlier, and one after it",
            ", ".join(f"{visit.label}: {visit.day}" for visit in visits),
            "Scores before that stand in a column of their own become rows: frame.melt(…).", where,
        )  # fmt: skip
    return tuple(visits)


def codes_of(values: Sequence[str], prefix: str, column: str) -> dict[str, str]:
    """A code of the protocol for each value; two values that come to one code are refused."""
    codes = {value: code_of(value) or code_of(f"{prefix} {value}") for value in values}
    for value, code in codes.items():
        other = next((name for name, own in codes.items() if own == code and name != value), None)
        if other is not None:
            raise refused("values that differ in letters or digits", f"{value!r} and {other!r}",
                           "Are they one value, written twice? Rename one.", f"column {column}")  # fmt: skip
    return codes


def arms_of(series: pd.Series, column: str, told: Told) -> dict[str, str]:
    """Code by label, the reference first, then the arm compared with it."""
    found = sorted(set(labels(series)) - {""})
    chosen = [label(told.reference), *([] if told.comparison is None else [label(told.comparison)])]
    names = ", ".join(found)
    if len(found) < 2:
        raise refused("two arms or more", names or "none", where=f"column {column}")
    if len(found) > 2 and told.comparison is None:
        others = [name for name in found if name != chosen[0]]
        raise refused(f"the arm of the primary comparison, one of {', '.join(others)}", "nothing",
                       f'Give comparison="{others[0]}" or another.', f"{PLACE}, comparison")  # fmt: skip
    if len(set(chosen)) < len(chosen) or not set(chosen) <= set(found):
        what = "reference" if chosen[0] not in found else "comparison"
        got = chosen[0] if what == "reference" else chosen[-1]
        raise refused(f"an arm of the column {column} ({names})", repr(got), where=f"{PLACE}, {what}")
    if told.design == "crossover" and len(found) != 2:
        raise refused("two arms in a crossover", names, where=f"column {column}")
    return codes_of([*chosen, *(name for name in found if name not in chosen)], "arm", column)


def drawn_codes(
    frame: pd.DataFrame, columns: Columns, told: Told, arms: Mapping[str, str], visits: Sequence[PlannedVisit]
) -> dict[str, str]:
    """What each client was allocated to, in order of appearance; who has no arm in any row is not there."""
    clients, given = labels(frame[columns.client]), labels(frame[columns.arm])
    if told.design == "parallel":
        todo = 'Where each client got both arms, give design="crossover".'
        own = fact_of(frame, columns.client, columns.arm, todo)
        return {client: arms[arm] for client, arm in own.items()}
    periods = [visit.label for visit in visits if visit.day > 0]
    if len(periods) != 2:
        raise refused(
            "two visits after allocation in a crossover", ", ".join(periods), where=f"column {columns.visit}"
        )
    at, names = labels(frame[columns.visit]), list(arms)
    orders: dict[str, set[str]] = {}
    for client, visit, arm in zip(clients, at, given, strict=True):
        if arm and visit in periods:
            first = arm if visit == periods[0] else names[1 - names.index(arm)]
            second = names[1 - names.index(first)]
            orders.setdefault(client, set()).add(f"{arms[first]}_then_{arms[second]}")
    torn = [client for client, found in orders.items() if len(found) > 1]
    if torn:
        raise refused("one arm in the first period and the other in the second",
                       f"the same arm twice for {', '.join(torn[:_SHOWN])}",
                       where=f"column {columns.arm}")  # fmt: skip
    return {client: next(iter(found)) for client, found in orders.items()}


def fact_of(frame: pd.DataFrame, client: str, column: str, todo: str = "") -> dict[str, str]:
    """One value for each client that has any; two different ones are refused."""
    found: dict[str, str] = {}
    own, values = labels(frame[client]), labels(frame[column])
    for place, (who, value) in enumerate(zip(own, values, strict=True)):
        if who and value and found.setdefault(who, value) != value:
            raise refused(
                "one value for each client",
                f"{found[who]} and {value} for client {who} (row labelled {frame.index[place]})",
                f"Correct the row. {todo}".rstrip(), f"column {column}",
            )  # fmt: skip
    return found


@dataclass(frozen=True, slots=True)
class People:
    """Codes of people: their own where all could be codes and none looks like a name, else new ones."""

    codes: Mapping[str, str]
    why: str = ""

    @classmethod
    def of(cls, found: Sequence[str], prefix: str) -> People:
        """The codes for these people, in order of appearance."""
        own = list(dict.fromkeys(found))
        marks = ((text, code_trouble(text) or personal_mark(text)) for text in own)
        why = next((f"{text!r} is or has {mark}" for text, mark in marks if mark), "")
        if not why:
            return cls({text: text for text in own})
        width = max(2, len(str(len(own))))
        return cls({text: f"{prefix}{place:0{width}}" for place, text in enumerate(own, 1)}, why)

    @property
    def renamed(self) -> tuple[tuple[str, str], ...]:
        """Person and code where codes are new."""
        return tuple(self.codes.items()) if self.why else ()
