"""The files of a study made from somebody else's trial: its protocol and its record tables."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from studykit.errors import ArgumentError
from studykit.frames.design import check_columns, cited, numbers
from studykit.frames.foreign import (
    MOST_LEVELS,
    PLACE,
    Columns,
    People,
    PlannedVisit,
    TakenOver,
    Told,
    arms_of,
    codes_of,
    drawn_codes,
    fact_of,
    label,
    labels,
    planned_visits,
    refused,
    without_empty,
)
from studykit.kinds.continuous.rules import SUMMARIES
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.protocol.local_time import studio_day
from studykit.records.raw_table import csv_text, guarded
from studykit.records.schema import CLIENTS
from studykit.records.writing import number_text
from studykit.results import RowCount

_ANY_WORD = "sex"  # the column of the table of clients that takes any word


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
        kept = without_empty(kept, name, f"no value in {name}", left)
    if not len(kept):
        raise refused(f"rows with {columns.client} and {columns.visit}", f"none of {len(frame)} rows")
    visits = planned_visits(kept, columns.visit, told)
    arms = arms_of(kept[columns.arm], columns.arm, told)
    drawn = drawn_codes(kept, columns, told, arms, visits)
    has_arm = np.isin(labels(kept[columns.client]), list(drawn))
    left |= {f"no value in {columns.arm} for the client": int((~has_arm).sum())}
    kept = without_empty(kept[has_arm], columns.score, f"no value in {columns.score}; the client stays", left)
    if not len(kept):
        raise refused(f"rows with {columns.arm} and {columns.score}", f"none of {len(frame)} rows")
    facts = {name: fact_of(frame, columns.client, name) for name in columns.of_clients}
    for name in columns.strata:
        levels = set(facts[name].values())
        if pd.api.types.is_numeric_dtype(frame[name]) and len(levels) > MOST_LEVELS:
            todo = f'Give adjust_for=["{name}"], or make groups of it.'
            got = f"{len(levels)} different numbers"
            raise refused("a stratum of a few levels", got, todo, f"column {name}")
    trial = _Trial(columns, told, visits, arms, drawn, facts)
    files = {"protocol.toml": trial.protocol(), **dict(trial.tables(kept))}
    counted = tuple((why, number) for why, number in left.items() if number)
    rows = RowCount(len(frame), len(kept), counted)
    return files, TakenOver(rows, len(drawn), trial.clients.renamed, tuple(trial.notes()))


class _Trial:
    """A frame understood: what the files of the study are made of."""

    def __init__(
        self,
        columns: Columns,
        told: Told,
        visits: tuple[PlannedVisit, ...],
        arms: Mapping[str, str],
        drawn: Mapping[str, str],
        facts: Mapping[str, Mapping[str, str]],
    ) -> None:
        self.columns, self.told, self.visits, self.arms, self.drawn = columns, told, visits, arms, drawn
        self.facts = facts
        self.clients = People.of(list(drawn), "C")
        trainer_of = facts.get(columns.trainer, {})
        self.trainers = People.of([trainer_of[client] for client in drawn if client in trainer_of], "T")
        self.codes = codes_of([columns.score, *columns.strata, *columns.adjust_for], "column", "names")
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

    def _primary(self) -> PlannedVisit:
        if self.told.primary_visit is None:
            return self.visits[-1]
        wanted = label(self.told.primary_visit)
        after = [visit for visit in self.visits if visit.day > 0]
        found = next((visit for visit in after if visit.label == wanted), None)
        if found is None:
            names = ", ".join(visit.label for visit in after)
            raise refused(f"a visit after allocation: {names}", wanted, where=f"{PLACE}, primary_visit")
        return found

    def protocol(self) -> str:
        """The protocol as TOML."""
        import tomlkit

        columns, told = self.columns, self.told
        names = list(self.arms)
        primary = self._primary()
        asked = (
            f"By how much does {columns.score} differ between {names[1]} and {names[0]} at {primary.name}?"
        )
        document: dict[str, Any] = {
            "format": 1, "design": told.design,
            "allocation": {"method": "external", "description": told.allocated},
            "study": {
                "title": told.title or f"{columns.score} by {columns.arm}: a trial that was run elsewhere",
                "code": "from_a_frame", "version": "1.0", "date": studio_day(""), "question": asked,
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

    def _outcome(self, primary: PlannedVisit) -> dict[str, Any]:
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
                "summary": SUMMARIES[told.scale],
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
            raise refused("numbers above 0 on the log scale", cited(scored, columns.score, low),
                           'Give scale="as_measured".', f"column {columns.score}")  # fmt: skip
        codes = {visit.label: visit.code for visit in self.visits}
        who, at = labels(scored[columns.client]), labels(scored[columns.visit])
        again = pd.DataFrame({"who": who, "at": at}).duplicated().to_numpy()
        if again.any():
            place = int(np.flatnonzero(again)[0])
            raise refused(
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
