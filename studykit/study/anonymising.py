"""An anonymised copy of a study: codes drawn anew without a key, one shift for all dates, no free text.

The copy is a study whose clients were allocated elsewhere: its arms stand in ``records/allocation.csv``, and
it is analysed in the ordinary way. Nothing here makes a person impossible to recognise: who knows a client
may know the scores too. How many rare combinations there are is told before anything is written.
"""

from __future__ import annotations

import datetime as dt
import random
import secrets
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from studykit.errors import DesignError, StudykitError
from studykit.records.raw_table import csv_text, guarded
from studykit.records.schema import TABLES, Column, Table
from studykit.records.withdrawal import in_study
from studykit.records.writing import number_text
from studykit.results import Result
from studykit.study.rights import require_right

if TYPE_CHECKING:
    from studykit.records.record_tables import Allocated, RecordTable
    from studykit.study.snapshot import Snapshot

FEW = 5  # cells of fewer clients are told (common practice in official statistics, from memory)
OTHER = "other, told by fewer than five"
_WEEKS = (53, 520)  # whole weeks by which all days move back: a day of the week stays what it is
_KEPT_OF_STUDY = ("version", "question", "population")
_LEFT_OUT = ("roles", "ethics")
_OF_THE_PLACE = ("emergency_number", "first_aider", "defibrillator", "reviewer")
_TITLE = "An anonymised copy of a study"


@dataclass(frozen=True, slots=True)
class AnonymousCopy(Result):
    """A copy that can be written, and what is told before it is.

    Parameters
    ----------
    files : mapping of str to str
        By path inside the new folder.
    clients : int
        Allocated clients in it.
    withdrawn : int
        Clients who took back consent or data, who are not in it: it would be handed on.
    dropped : mapping of str to int
        Filled cells that are not in the copy, by table and column.
    few : tuple of str
        What fewer than five clients share, a sentence each; nothing of it is taken out.
    """

    files: Mapping[str, str]
    clients: int
    withdrawn: int
    dropped: Mapping[str, int]
    few: tuple[str, ...]

    def text(self) -> str:
        """What is told before it is asked."""
        lines = [
            "Codes are drawn anew, and no key is kept. All days move back by one secret number of weeks.",
            *self._not_in_it(),
            f"Texts left out: {sum(self.dropped.values())} cells.",
            *(f"  {where}: {number}" for where, number in self.dropped.items()),
            f"Shared by fewer than {FEW} clients, and so easier to recognise: {len(self.few) or 'nothing'}.",
            *(f"  {line}" for line in self.few),
            "Who knows a client may still recognise the client. Local law on such data comes first.",
        ]
        return "\n".join(lines)

    def __str__(self) -> str:
        return self.text()

    def write(self, folder: str | Path) -> str:
        """Write it into a new folder; ``""``, or why it cannot be analysed; see `write_copy`."""
        return write_copy(self, Path(folder))

    def _not_in_it(self) -> list[str]:
        if not self.withdrawn:
            return []
        gone = f"Not in it, since they took back consent or data: {self.withdrawn} clients."
        return [f"{gone} So results can differ."]


class _Codes:
    """New codes in random order; one person keeps one code through all tables, and nobody keeps the list."""

    def __init__(self, old: Sequence[str], prefix: str, chance: random.Random) -> None:
        codes = sorted({text.strip() for text in old} - {""})
        chance.shuffle(codes)
        width = max(3, len(str(len(codes))))
        self._new = {code: f"{prefix}{place:0{width}}" for place, code in enumerate(codes, start=1)}

    def __call__(self, code: str) -> str:
        return self._new.get(code.strip(), "")


def anonymous_copy(now: Snapshot, *, by: str, chance: random.Random | None = None) -> AnonymousCopy:
    """The anonymised copy of a study that is through; nothing is written.

    Parameters
    ----------
    now : Snapshot
    by : str
        Who asks: the copy tells every arm.
    chance : Random, optional
        By default the operating system's; give one in tests only.

    Raises
    ------
    ArgumentError
        If this code may not see the arms.
    DesignError
        Before the end of follow-up: the copy would be a look at the arms that the ledger does not hold.
    DataError
        If the records cannot be analysed as they stand.
    """
    require_right("see arms", by, now.protocol)
    if not now.is_complete:
        raise DesignError(
            where=str(now.folder), expected="a study that is through", got="clients still in follow-up",
            todo="The copy would show all arms. Wait for the end; nothing was written.",
        )  # fmt: skip
    chance = chance or secrets.SystemRandom()
    copier = _Copier(now, chance)
    tables = {
        f"records/{table.name}.csv": copier.table(table)
        for table in TABLES
        if table.name != "allocation" and now.records[table.name].number
    }
    tables["records/allocation.csv"] = copier.allocation()
    files = {"protocol.toml": copier.protocol(), **tables}
    here = in_study(now.allocated, now.today)
    few, out = tuple(_few(now, here)), len(now.allocated) - len(here)
    return AnonymousCopy(files, len(here), out, dict(sorted(copier.dropped.items())), few)


def write_copy(copy: AnonymousCopy, folder: Path) -> str:
    """Write the copy into a new folder; ``""``, or why it cannot be analysed in the ordinary way.

    Raises
    ------
    FolderError
        If something is in the way; nothing is then written.
    """
    from studykit.study.folder import made_whole, need_free
    from studykit.study.snapshot import read_study

    need_free(folder)
    with made_whole(folder) as made:
        for name, text in copy.files.items():
            path = made / name
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8", newline="\n")
    try:
        return "" if read_study(folder)[0].rows.clients.number == copy.clients else "clients are missing"
    except StudykitError as error:
        return str(error)


class _Copier:
    """Everything that is drawn once for one copy: codes and shift; and what it leaves out."""

    def __init__(self, now: Snapshot, chance: random.Random) -> None:
        self._now = now
        self._allocated = in_study(now.allocated, now.today)
        self._gone = {one.client for one in now.allocated} - {one.client for one in self._allocated}
        self._shift = 7 * chance.randint(*_WEEKS)
        clients, people = list[str](), list[str]()
        for table in TABLES:
            for column in table.columns:
                if column.kind == "code" and not column.in_words_of_protocol:
                    cells = map(str, self.typed(table.name).columns[column.name])
                    (clients if column.name == "client" else people).extend(cells)
        people += [client.trainer for client in now.allocated]
        self._client = _Codes([*clients, *(one.client for one in now.allocated)], "N", chance)
        self._person = _Codes(people, "P", chance)
        self.dropped: Counter[str] = Counter()

    def typed(self, name: str) -> RecordTable:
        """A table without the rows of clients who took back consent or data."""
        table = self._now.records[name]
        clients = table.columns.get("client", ())
        if not self._gone.intersection(clients):
            return table
        kept = np.array([client not in self._gone for client in clients], dtype=bool)
        columns = {column: values[kept] for column, values in table.columns.items()}
        return replace(table, columns=columns, row_numbers=table.row_numbers[kept])

    def table(self, table: Table) -> str:
        """One table as CSV, its rows in the order of the new codes."""
        typed = self.typed(table.name)
        columns = list(table.columns)
        if table.name in ("clients", "trainers"):
            known = {column.name for column in columns}
            extra = [name for name in typed.columns if name not in known]
            wanted = self._facts() if table.name == "clients" else set(self._now.protocol.trainer_facts)
            columns += [Column(name, "text", "") for name in extra if name in wanted]
            for name in extra:
                if name not in wanted:
                    self._drop(table.name, name, sum(map(_filled, typed.columns[name])))
        cells = [self._cells(table, column, typed) for column in columns]
        rows = sorted(zip(*cells, strict=True))
        return csv_text([[column.name for column in columns], *rows])

    def allocation(self) -> str:
        """Arms and days of allocation, in the order of the new codes."""
        rows = sorted(
            (
                self._client(one.client),
                one.arm,
                "" if one.allocated_on is None else self._day(one.allocated_on),
            )
            for one in self._allocated
        )
        return csv_text([["client", "arm", "date"], *rows])

    def protocol(self) -> str:
        """The protocol without people and place, its clients allocated elsewhere."""
        import tomlkit

        content = {name: value for name, value in self._now.read.content.items() if name not in _LEFT_OUT}
        study = content["study"]
        content["study"] = {
            "title": _TITLE,
            "code": "anonymised",
            **{name: study[name] for name in _KEPT_OF_STUDY if name in study},
        }
        if isinstance(study.get("date"), dt.date):
            content["study"]["date"] = study["date"] - dt.timedelta(days=self._shift)
        content["harms"] = {
            name: value for name, value in content.get("harms", {}).items() if name not in _OF_THE_PLACE
        }
        drawn = "drawn by chance in the study that this copy was made from; its ledger is kept there"
        external = self._now.protocol.is_external
        content["allocation"] = (
            content["allocation"] if external else {"method": "external", "description": drawn}
        )
        return (
            f"# {_TITLE}: codes are new, and all days moved by one number of weeks.\n{tomlkit.dumps(content)}"
        )

    def _facts(self) -> set[str]:
        """Columns of ``clients`` that an analysis uses."""
        protocol = self._now.protocol
        return {*(stratum.code for stratum in protocol.strata), *protocol.analysis.adjust_for}

    def _cells(self, table: Table, column: Column, typed: RecordTable) -> list[str]:
        values = typed.columns[column.name]
        if column.kind == "code" and not column.in_words_of_protocol:
            renamed = self._client if column.name == "client" else self._person
            codes = [str(value) for value in values]
            if table.name == "clients" and column.name == "trainer":
                drawn = {one.client: one.trainer for one in self._allocated}
                codes = _as_drawn(drawn, codes, typed)
            return [renamed(code) for code in codes]
        if column.kind == "date":
            return ["" if np.isnat(value) else self._day(value.item()) for value in values]
        if column.kind == "yes_no":
            return ["" if np.isnan(value) else "yes" if value else "no" for value in values]
        if values.dtype.kind == "f":
            return ["" if np.isnan(value) else number_text(float(value)) for value in values]
        texts = [str(value) for value in values]
        if table.name == "clients" and column.name in self._facts():
            drawn = {one.client: one.factors.get(column.name, "") for one in self._allocated}
            texts = _as_drawn(drawn, texts, typed)
        elif column.kind == "text":
            texts = self._text(table, column, texts)
        return [guarded(text) for text in texts]

    def _text(self, table: Table, column: Column, texts: list[str]) -> list[str]:
        """A free text: only words that the protocol has, or that many rows share where a cell is needed."""
        if column.required:
            often = Counter(texts)
            kept = [text if often[text] >= FEW else OTHER for text in texts]
        else:
            words = (
                {"none", "unsure", *self._now.protocol.arm_codes}
                if column.name in ("preference", "arm_guess")
                else set()
            )
            words |= {"female", "male"} if column.name == "sex" else set()
            kept = [text if text in words else "" for text in texts]
        self._drop(table.name, column.name, sum(old != new for old, new in zip(texts, kept, strict=True)))
        return kept

    def _day(self, day: dt.date) -> str:
        return str(day - dt.timedelta(days=self._shift))

    def _drop(self, table: str, column: str, number: int) -> None:
        if number:
            self.dropped[f"{table}, {column}"] += number


def _as_drawn(drawn: Mapping[str, str], texts: list[str], typed: RecordTable) -> list[str]:
    """A fact as the ledger has it, corrections included: an allocation elsewhere reads it in ``clients``."""
    return [drawn.get(client) or text for client, text in zip(typed.columns["client"], texts, strict=True)]


def _filled(value: Any) -> bool:
    return bool(value == value and value != "")


def _few(now: Snapshot, allocated: Sequence[Allocated]) -> list[str]:
    """What fewer than five allocated clients share: single facts, and all facts of a client together."""
    facts = _shown(now, allocated)
    found = []
    for name in dict.fromkeys(name for own in facts.values() for name in own):
        counts = Counter(own.get(name, "") for own in facts.values())
        rare = {value: number for value, number in counts.items() if value and number < FEW}
        found += [f"{name} {value}: {number} clients" for value, number in sorted(rare.items())]
    whole = Counter(tuple(sorted(own.items())) for own in facts.values())
    alone = sum(number for number in whole.values() if number < FEW)
    if alone:
        names = ", ".join(dict.fromkeys(name for own in facts.values() for name in own))
        found.append(f"all of {names} together: {alone} of {len(facts)} clients")
    return found


def _shown(now: Snapshot, allocated: Sequence[Allocated]) -> dict[str, dict[str, str]]:
    """By client, what a stranger could know: arm, strata, sex, experience, age by ten years."""
    columns = now.records["clients"].columns
    rows = {str(client): row for row, client in enumerate(columns["client"])}
    names = dict.fromkeys([*(stratum.code for stratum in now.protocol.strata), "sex", "training_age"])
    found = {}
    for one in allocated:
        row = rows.get(one.client)
        own = {"arm": one.arm}
        for name in names:
            value = one.factors.get(name) or (
                str(columns[name][row]) if row is not None and name in columns else ""
            )
            own[name] = value if name != "trainer" else ""  # trainers' codes are drawn anew: counted apart
        if row is not None and not np.isnan(columns["age"][row]):
            ten = int(columns["age"][row]) // 10 * 10
            own["age"] = f"{ten} to {ten + 9}"
        found[one.client] = {name: value for name, value in own.items() if value}
    return found
