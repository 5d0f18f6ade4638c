"""Somebody else's trial, one row for each score, as the protocol and the record tables of a study."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.errors import ArgumentError
from studykit.frames.design import check_columns, cited, numbers
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.protocol.designs import DESIGNS
from studykit.protocol.first_questions import code_of
from studykit.protocol.identifiers import code_trouble, personal_mark
from studykit.records.raw_table import csv_text, guarded
from studykit.records.schema import CLIENTS
from studykit.records.writing import number_text
from studykit.results import RowCount

PLACE = "study_from_frame"
_SHOWN = 5
_MOST_LEVELS = 10  # of a stratum that is written as numbers
_ANY_WORD = "sex"  # the column of the table of clients that takes any word
_SUMMARY = {"log": "ratio of geometric means", "as_measured": "difference in means"}
Texts = NDArray[np.object_]
Frame = pd.DataFrame  # for a room that hands a frame on


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
class TakenOver:
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


def foreign_trial(frame: pd.DataFrame, columns: Columns, told: Told) -> tuple[dict[str, str], TakenOver]:
    """The files of a study by path, and what became of the rows; nothing is written.

    Raises
    ------
    ArgumentError
        As `studykit.study_from_frame`.
    """
    if not isinstance(frame, pd.DataFrame):
        raise ArgumentError(where=PLACE, expected="a data frame of pandas", got=type(frame).__name__)
    twice = [name for name in columns.all if columns.all.count(name) > 1]
    if twice:
        raise ArgumentError(
            where=PLACE, expected="each column named for one thing", got=f"{twice[0]} for several"
        )
    check_columns(frame, columns.all, PLACE)
    left: dict[str, int] = {}
    kept = frame
    for name in (columns.client, columns.visit):
        kept = _without_empty(kept, name, f"no value in {name}", left)
    if not len(kept):
        raise _refused(f"rows with {columns.client} and {columns.visit}", f"none of {len(frame)} rows")
    visits = _visits(kept, columns.visit, told)
    arms = _arms(kept[columns.arm], columns.arm, told)
    drawn = _drawn(kept, columns, told, arms, visits)
    has_arm = np.isin(labels(kept[columns.client]), list(drawn))
    left |= {f"no value in {columns.arm} for the client": int((~has_arm).sum())}
    kept = _without_empty(kept[has_arm], columns.score, f"no value in {columns.score}; the client stays", left)
    if not len(kept):
        raise _refused(f"rows with {columns.arm} and {columns.score}", f"none of {len(frame)} rows")
    facts = {name: _fact(frame, columns.client, name) for name in columns.of_clients}
    for name in columns.strata:
        levels = set(facts[name].values())
        if pd.api.types.is_numeric_dtype(frame[name]) and len(levels) > _MOST_LEVELS:
            raise _refused("a stratum of a few levels", f"{len(levels)} different numbers",
                           f'Give adjust_for=["{name}"], or make groups of it.', f"column {name}")  # fmt: skip
    trial = _Trial(columns, told, visits, arms, drawn, facts)
    files = {"protocol.toml": trial.protocol(), **dict(trial.tables(kept))}
    counted = tuple((why, number) for why, number in left.items() if number)
    rows = RowCount(len(frame), len(kept), counted)
    return files, TakenOver(rows, len(drawn), trial.clients.renamed, tuple(trial.notes()))


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


def _without_empty(frame: pd.DataFrame, column: str, why: str, left: dict[str, int]) -> pd.DataFrame:
    filled = labels(frame[column]) != ""
    left[why] = int((~filled).sum())
    return frame[filled]


def _refused(expected: str, got: str, todo: str = "", where: str = PLACE) -> ArgumentError:
    return ArgumentError(where=where, expected=expected, got=got, todo=todo)


@dataclass(frozen=True, slots=True)
class _Visit:
    label: str
    code: str
    day: int
    name: str


def _visits(frame: pd.DataFrame, column: str, told: Told) -> tuple[_Visit, ...]:
    """The visits in order of their days, at least one before and one after allocation."""
    found = dict.fromkeys(labels(frame[column]))
    where = f"{PLACE}, days"
    if isinstance(told.days, Mapping):
        days = {label(value): day for value, day in told.days.items()}
        unknown = [value for value in found if value not in days]
        absent = [value for value in days if value not in found]
        if unknown or absent:
            what = f"no day for {', '.join(unknown[:_SHOWN])}" if unknown else f"no row of {', '.join(absent)}"
            raise _refused(f"a day for each value of {column}: {', '.join(found)}", what, where=where)
    else:
        try:
            days = {value: float(value) * told.days for value in found}
        except (TypeError, ValueError):
            asked = ", ".join(f'"{value}": …' for value in found)
            raise _refused(
                "days counted from allocation, by visit", repr(told.days),
                f"Give days={{{asked}}}, the visit before allocation at 0.", where,
            ) from None  # fmt: skip
    codes = _codes(list(days), "visit", column)
    try:
        visits = [_Visit(value, codes[value], round(day), value if code_of(value) else f"{column} {value}") for value, day in days.items()]
    except (TypeError, ValueError, OverflowError):
        raise _refused("days as numbers", repr(told.days), where=where) from None
    visits.sort(key=lambda visit: visit.day)
    same = [one.label for one, other in zip(visits, visits[1:], strict=False) if one.day == other.day]
    if same or (visits[0].day > 0 and told.design == "parallel") or visits[-1].day <= 0:
        raise _refused(
            "different days, a visit before allocation at 0 or earlier, and one after it",
            ", ".join(f"{visit.label}: {visit.day}" for visit in visits),
            "Scores before that stand in a column of their own become rows: frame.melt(…).", where,
        )  # fmt: skip
    return tuple(visits)


def _codes(values: Sequence[str], prefix: str, column: str) -> dict[str, str]:
    """A code of the protocol for each value; two values that come to one code are refused."""
    codes = {value: code_of(value) or code_of(f"{prefix} {value}") for value in values}
    for value, code in codes.items():
        other = next((name for name, own in codes.items() if own == code and name != value), None)
        if other is not None:
            raise _refused("values that differ in letters or digits", f"{value!r} and {other!r}",
                           "Are they one value, written twice? Rename one.", f"column {column}")  # fmt: skip
    return codes


def _arms(series: pd.Series, column: str, told: Told) -> dict[str, str]:
    """Code by label, the reference first, then the arm compared with it."""
    found = sorted(set(labels(series)) - {""})
    chosen = [label(told.reference), *([] if told.comparison is None else [label(told.comparison)])]
    names = ", ".join(found)
    if len(found) < 2:
        raise _refused("two arms or more", names or "none", where=f"column {column}")
    if len(found) > 2 and told.comparison is None:
        others = [name for name in found if name != chosen[0]]
        raise _refused(f"the arm of the primary comparison, one of {', '.join(others)}", "nothing",
                       f'Give comparison="{others[0]}" or another.', f"{PLACE}, comparison")  # fmt: skip
    if len(set(chosen)) < len(chosen) or not set(chosen) <= set(found):
        what = "reference" if chosen[0] not in found else "comparison"
        got = chosen[0] if what == "reference" else chosen[-1]
        raise _refused(f"an arm of the column {column} ({names})", repr(got), where=f"{PLACE}, {what}")
    if told.design == "crossover" and len(found) != 2:
        raise _refused("two arms in a crossover", names, where=f"column {column}")
    return _codes([*chosen, *(name for name in found if name not in chosen)], "arm", column)


def _drawn(
    frame: pd.DataFrame, columns: Columns, told: Told, arms: Mapping[str, str], visits: Sequence[_Visit]
) -> dict[str, str]:
    """What each client was allocated to, in order of first appearance; clients without any arm are missing."""
    clients, given = labels(frame[columns.client]), labels(frame[columns.arm])
    if told.design == "parallel":
        todo = 'Where each client got both arms, give design="crossover".'
        return {client: arms[arm] for client, arm in _fact(frame, columns.client, columns.arm, todo).items()}
    periods = [visit.label for visit in visits if visit.day > 0]
    if len(periods) != 2:
        raise _refused("two visits after allocation in a crossover", ", ".join(periods), where="column visit")
    at, names = labels(frame[columns.visit]), list(arms)
    orders: dict[str, set[str]] = {}
    for client, visit, arm in zip(clients, at, given, strict=True):
        if arm and visit in periods:
            first = arm if visit == periods[0] else names[1 - names.index(arm)]
            second = names[1 - names.index(first)]
            orders.setdefault(client, set()).add(f"{arms[first]}_then_{arms[second]}")
    torn = [client for client, found in orders.items() if len(found) > 1]
    if torn:
        raise _refused("one arm in the first period and the other in the second",
                       f"the same arm twice for {', '.join(torn[:_SHOWN])}",
                       where=f"column {columns.arm}")  # fmt: skip
    return {client: next(iter(found)) for client, found in orders.items()}


def _fact(frame: pd.DataFrame, client: str, column: str, todo: str = "") -> dict[str, str]:
    """One value for each client that has any; two different ones are refused."""
    found: dict[str, str] = {}
    own, values = labels(frame[client]), labels(frame[column])
    for place, (who, value) in enumerate(zip(own, values, strict=True)):
        if who and value and found.setdefault(who, value) != value:
            raise _refused(
                "one value for each client",
                f"{found[who]} and {value} for client {who} (row labelled {frame.index[place]})",
                f"Correct the row. {todo}".rstrip(), f"column {column}",
            )  # fmt: skip
    return found


@dataclass(frozen=True, slots=True)
class _People:
    """Codes of people: their own where all could be codes and none looks like a name, else new ones."""

    codes: Mapping[str, str]
    why: str = ""

    @classmethod
    def of(cls, found: Sequence[str], prefix: str) -> _People:
        own = list(dict.fromkeys(found))
        why = next(
            (f"{text!r} is or has {mark}" for text in own if (mark := code_trouble(text) or personal_mark(text))), ""
        )
        if not why:
            return cls({text: text for text in own})
        width = max(2, len(str(len(own))))
        return cls({text: f"{prefix}{place:0{width}}" for place, text in enumerate(own, 1)}, why)

    @property
    def renamed(self) -> tuple[tuple[str, str], ...]:
        return tuple(self.codes.items()) if self.why else ()


# --- writing the study ---------------------------------------------------------------------------


class _Trial:
    """A frame understood: what the files of the study are made of."""

    def __init__(
        self,
        columns: Columns,
        told: Told,
        visits: tuple[_Visit, ...],
        arms: Mapping[str, str],
        drawn: Mapping[str, str],
        facts: Mapping[str, Mapping[str, str]],
    ) -> None:
        self.columns, self.told, self.visits, self.arms, self.drawn = columns, told, visits, arms, drawn
        self.facts = facts
        self.clients = _People.of(list(drawn), "C")
        trainer_of = facts.get(columns.trainer, {})
        self.trainers = _People.of([trainer_of[client] for client in drawn if client in trainer_of], "T")
        self.codes = _codes([columns.score, *columns.strata, *columns.adjust_for], "column", "names")
        taken = {column.name for column in CLIENTS.columns} - {_ANY_WORD}
        self.codes = {name: f"{code}_given" if code in taken else code for name, code in self.codes.items()}

    @property
    def deliver(self) -> str:
        """Whether trainers have clients of several arms."""
        trainer_of = self.facts.get(self.columns.trainer, {})
        arms: dict[str, set[str]] = {}
        for client, trainer in trainer_of.items():
            if client in self.drawn:
                arms.setdefault(trainer, set()).add(self.drawn[client])
        alone = arms and self.told.design == "parallel" and all(len(found) == 1 for found in arms.values())
        return "one arm" if alone else "both arms"

    def notes(self) -> Iterator[str]:
        """How the frame was understood."""
        order = ", ".join(f"{visit.name} on day {visit.day}" for visit in self.visits)
        yield f"Visits: {order}; primary is {self._primary().name}."
        for what, people in (("clients", self.clients), ("trainers", self.trainers)):
            if people.why:
                yield f"The {what} have new codes, since records hold codes only: {people.why}."
        if self.deliver == "one arm":
            yield "Every trainer has clients of one arm only: trainers count as what was allocated."
        if not self.told.allocated:
            yield 'Nothing says how clients were allocated: give allocated="at random, by …" where you know.'

    def _primary(self) -> _Visit:
        if self.told.primary_visit is None:
            return self.visits[-1]
        wanted = label(self.told.primary_visit)
        after = [visit for visit in self.visits if visit.day > 0]
        found = next((visit for visit in after if visit.label == wanted), None)
        if found is None:
            names = ", ".join(visit.label for visit in after)
            raise _refused(f"a visit after allocation: {names}", wanted, where=f"{PLACE}, primary_visit")
        return found

    def protocol(self) -> str:
        """The protocol as TOML."""
        import datetime as dt

        import tomlkit

        columns, told = self.columns, self.told
        names = list(self.arms)
        primary = self._primary()
        asked = f"By how much does {columns.score} differ between {names[1]} and {names[0]} at {primary.name}?"
        document: dict[str, Any] = {
            "format": 1, "design": told.design,
            "allocation": {"method": "external", "description": told.allocated},
            "study": {
                "title": told.title or f"{columns.score} by {columns.arm}: a trial that was run elsewhere",
                "code": "from_a_frame", "version": "1.0", "date": dt.date.today(), "question": asked,
                "population": "the clients of the data frame",
            },
            "arms": [{"code": code, "name": name} | ({"reference": True} if name == names[0] else {})
                     for name, code in self.arms.items()],
            "trainers": {"deliver": self.deliver},
            "strata": [self._stratum(name) for name in columns.strata],
            "visits": [{"code": visit.code, "name": visit.name, "day": visit.day, "window": [0, 0],
                        "baseline": visit.day <= 0} for visit in self.visits],
            "outcomes": [self._outcome(primary)],
            "analysis": {"comparison": self.arms[names[1]],
                         "adjust_for": [self.codes[name] for name in columns.adjust_for]},
        }  # fmt: skip
        if told.design == "crossover":
            ends = [visit for visit in self.visits if visit.day > 0]
            firsts = (0, ends[0].day)
            document["periods"] = [
                {"first_day": first, "last_day": end.day - 1, "visit": end.code}
                for first, end in zip(firsts, ends, strict=True)
            ]
        return tomlkit.dumps(document)

    def _stratum(self, name: str) -> dict[str, Any]:
        levels = sorted({value for client, value in self.facts[name].items() if client in self.drawn})
        return {"code": self.codes[name], "levels": levels}

    def _outcome(self, primary: _Visit) -> dict[str, Any]:
        columns, told = self.columns, self.told
        names = list(self.arms)
        compared = [f"{name} with {names[0]}" for name in names[1:]]
        return {
            "kind": "continuous", "code": self.codes[columns.score], "name": columns.score.replace("_", " "),
            "unit": told.unit or "units as in the frame", "scale": told.scale, "role": "primary",
            "primary_visit": primary.code, "higher_is_better": told.higher_is_better,
            "score": {"rule": "as recorded"},
            "estimand": {
                "population": "all who were allocated",
                "arms_compared": "; ".join(compared),
                "variable": f"{columns.score} at {primary.name}",
                "summary": _SUMMARY[told.scale],
                "missing_data": "missing at random given the scores seen before, the arm and the strata",
                "strategies": dict(ContinuousOutcome.carried_out),
            },
        }  # fmt: skip

    def tables(self, scored: pd.DataFrame) -> Iterator[tuple[str, str]]:
        """The record tables as CSV."""
        columns = self.columns
        facts = [name for name in columns.of_clients if name != columns.trainer]
        header = ["client", *(["trainer"] if columns.trainer else []), *(self.codes[name] for name in facts)]
        rows = []
        for client, code in self.clients.codes.items():
            trainer = self.facts.get(columns.trainer, {}).get(client, "")
            own = [self.trainers.codes.get(trainer, "")] if columns.trainer else []
            rows.append([code, *own, *(guarded(self.facts[name].get(client, "")) for name in facts)])
        yield "records/clients.csv", csv_text([header, *rows])
        arms = [[self.clients.codes[client], arm] for client, arm in self.drawn.items()]
        yield "records/allocation.csv", csv_text([["client", "arm"], *arms])
        if columns.trainer:
            listed = [[code] for code in self.trainers.codes.values()]
            yield "records/trainers.csv", csv_text([["trainer"], *listed])
        yield "records/measurements.csv", csv_text(self._scores(scored))

    def _scores(self, scored: pd.DataFrame) -> list[list[str]]:
        columns = self.columns
        scores = numbers(scored, columns.score)
        low = scores <= 0.0
        if self.told.scale == "log" and low.any():
            raise _refused("numbers above 0 on the log scale", cited(scored, columns.score, low),
                           'Give scale="as_measured".', f"column {columns.score}")  # fmt: skip
        codes = {visit.label: visit.code for visit in self.visits}
        who, at = labels(scored[columns.client]), labels(scored[columns.visit])
        again = pd.DataFrame({"who": who, "at": at}).duplicated().to_numpy()
        if again.any():
            place = int(np.flatnonzero(again)[0])
            raise _refused(
                "one score for each client and visit",
                f"{int(again.sum())} more, first of {who[place]} at {at[place]} in the row labelled "
                f"{scored.index[place]}",
                "Copies: frame.drop_duplicates(). Several tests of one visit: choose or average them first.",
            )  # fmt: skip
        outcome = self.codes[columns.score]
        rows = [
            [self.clients.codes[client], codes[visit], outcome, number_text(float(score))]
            for client, visit, score in zip(who, at, scores, strict=True)
        ]
        return [["client", "visit", "outcome", "value"], *rows]
