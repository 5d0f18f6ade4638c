"""What further tables say of clients: joining dates, facts at entry, pauses, departures; and closures."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from studykit.errors import Finding
from studykit.lookback.export_tables import ExportTable
from studykit.lookback.log import UNKNOWN, UNKNOWN_DAY, Bools, ClientFact, Integers, Spans, day_of, no_spans
from studykit.lookback.parsing import Codes, RowFilter, in_rows
from studykit.lookback.wanted_columns import plain_name
from studykit.records.cells import date_readings, decimal_mark, read_number
from studykit.records.raw_table import RawColumn
from studykit.records.schema import Column
from studykit.results import frozen_array

MOST_LEVELS = 8
_AGE_BANDS = (0, 30, 45, 60)
_NOT_FACTS = {"trainer", "note", "notes", "remarks", "comment", "comments"}


def joining_days(row_filter: RowFilter, client: Integers, days: Integers, number: int) -> Integers:
    """Joining day of every client; a second row of a client is left out."""
    known = np.flatnonzero(row_filter.kept)
    repeated = np.zeros(row_filter.table.rows, dtype=bool)
    _, first = np.unique(client[known], return_index=True)
    again = np.setdiff1d(np.arange(len(known)), first)
    repeated[known[again]] = True
    row_filter.leave_out(
        repeated, "a client who stands there twice", "client",
        expected="one row for each client", todo="Keep the right one; the first was used.",
    )  # fmt: skip
    joined = np.full(number, UNKNOWN_DAY, dtype=np.int64)
    joined[client[row_filter.kept]] = days[row_filter.kept]
    return joined


def joined_in_rows(row_filter: RowFilter, client: Integers, days: Integers, number: int) -> Integers:
    """Joining day of every client from rows that repeat it; the earliest where they differ, which is said."""
    known = row_filter.kept & (client != UNKNOWN) & (days != UNKNOWN_DAY)
    latest = np.full(number, UNKNOWN_DAY, dtype=np.int64)
    earliest = np.full(number, -UNKNOWN_DAY, dtype=np.int64)
    np.maximum.at(latest, client[known], days[known])
    np.minimum.at(earliest, client[known], days[known])
    differ = np.zeros(row_filter.table.rows, dtype=bool)
    differ[known] = days[known] != earliest[client[known]]
    if "joined_on" in row_filter:
        row_filter.notice(
            differ, "another joining date than in other rows of the client", "joined_on",
            expected="one joining date for each client", todo="Correct it; the earliest was used.",
        )  # fmt: skip
    return np.where(latest == UNKNOWN_DAY, UNKNOWN_DAY, earliest)


# --- facts at entry ------------------------------------------------------------------------------


def client_facts(
    row_filter: RowFilter, client: Integers, number: int, wanted: Sequence[str] | None
) -> tuple[ClientFact, ...]:
    """Every further column of the clients' table that can be a fact known at joining.

    Parameters
    ----------
    wanted : sequence of str, optional
        Names of the columns; by default all that have few values or are numbers.
    """
    table, facts, findings = row_filter.table, [], row_filter.findings
    chosen = None if wanted is None else {plain_name(name) for name in wanted}
    used: list[str] = []
    for index, header in enumerate(table.header):
        name = plain_name(header)
        if index in row_filter.places.values() or not header or (chosen is None and name in _NOT_FACTS):
            continue
        if chosen is not None and name not in chosen:
            continue
        column = table.columns[index]
        levels, by_text, why = _levels(column, name)
        if why:
            findings.append(
                Finding("warn" if chosen else "note", f"{table.where}, column {header}",
                        f"at most {MOST_LEVELS} different values, or numbers", why, "It is not used.")
            )  # fmt: skip
            continue
        level = np.full(number, UNKNOWN, dtype=np.int64)
        rows = in_rows(column, by_text)
        level[client[row_filter.kept]] = rows[row_filter.kept]
        facts.append(ClientFact(header, levels, frozen_array(level, np.int64)))
        used.append(header)
    findings += _unknown_facts(table, chosen, used)
    if used:
        findings.append(
            Finding("note", table.where, "facts as they were when each client joined", ", ".join(used),
                    "They are taken into account. Name with --fact those that were written down then.")
        )  # fmt: skip
    return tuple(facts)


def _unknown_facts(table: ExportTable, chosen: set[str] | None, used: Sequence[str]) -> list[Finding]:
    there = {plain_name(header) for header in table.header} | {plain_name(name) for name in used}
    return [
        Finding("stop", table.where, f"a column {name}", "none of that name", "Check the spelling.")
        for name in sorted((chosen or set()) - there)
    ]


def _levels(column: RawColumn, name: str) -> tuple[tuple[str, ...], Integers, str]:
    """Levels, the most frequent first, and the level of every text; or why the column is no fact."""
    filled = [text for text in column.texts if text]
    if not filled:
        return (), np.empty(0, dtype=np.int64), "only empty cells"
    if all(date_readings(text).day_first is not None and not text.isdigit() for text in filled[:50]):
        return (), np.empty(0, dtype=np.int64), "dates"
    numbers = _numbers(filled)
    if numbers is not None and (len(filled) > MOST_LEVELS or name == "age"):
        labels = _banded(filled, numbers, name)
    elif len(filled) <= MOST_LEVELS:
        labels = dict(zip(filled, filled, strict=True))
    else:
        return (), np.empty(0, dtype=np.int64), f"{len(filled)} different values"
    rows = np.bincount(column.place, minlength=len(column.texts))
    often: dict[str, int] = {}
    for text, count in zip(column.texts, rows, strict=True):
        if text:
            often[labels[text]] = often.get(labels[text], 0) + int(count)
    levels = tuple(sorted(often, key=lambda label: (-often[label], label)))
    by_text = [levels.index(labels[text]) if text else UNKNOWN for text in column.texts]
    return levels, np.array(by_text, dtype=np.int64), ""


def _numbers(texts: Sequence[str]) -> list[float] | None:
    mark, doubt = decimal_mark(texts)
    kind = Column("", "number", "")
    read = [read_number(text, kind, mark=mark) for text in texts]
    numbers = [value for value in read if isinstance(value, float)]
    return numbers if not doubt and len(numbers) == len(texts) else None


def _banded(texts: Sequence[str], numbers: Sequence[float], name: str) -> dict[str, str]:
    """Ages in bands of fifteen years, other numbers in thirds of their different values."""
    if name == "age":
        cuts = [float(cut) for cut in _AGE_BANDS[1:]]
    else:
        cuts = sorted({float(cut) for cut in np.quantile(numbers, [1 / 3, 2 / 3])})
    between = (f"{low:g} to below {high:g}" for low, high in pairwise(cuts))
    names = [f"below {cuts[0]:g}", *between, f"from {cuts[-1]:g}"]
    bands = np.searchsorted(cuts, numbers, side="right")
    return {text: names[int(band)] for text, band in zip(texts, bands, strict=True)}


# --- pauses, departures, closures ----------------------------------------------------------------


def parse_pauses(row_filter: RowFilter, codes: Codes) -> Spans:
    """Registered pauses; those that end before they begin are left out."""
    client = row_filter.codes("client", codes)
    first, last = (row_filter.days(name, needed=True) for name in ("first_day", "last_day"))
    recorded = row_filter.days("recorded_on", needed=False)
    _leave_out_backwards(row_filter, first, last)
    columns = (client, first, last, recorded)
    return Spans(*(frozen_array(values[row_filter.kept], np.int64) for values in columns))


def parse_closures(row_filter: RowFilter) -> tuple[tuple[int, int], ...]:
    """First and last days on which the studio was closed."""
    first, last = (row_filter.days(name, needed=True) for name in ("first_day", "last_day"))
    _leave_out_backwards(row_filter, first, last)
    kept = row_filter.kept
    return tuple(sorted(set(zip(first[kept].tolist(), last[kept].tolist(), strict=True))))


def _leave_out_backwards(row_filter: RowFilter, first: Integers, last: Integers) -> None:
    row_filter.leave_out(
        last < first, "it ends before it begins", "last_day", expected="a day from the first day",
        todo="Correct one of them.",
    )  # fmt: skip


def parse_departures(row_filter: RowFilter, codes: Codes) -> Integers:
    """Day of the notice of every client, the last one where there are several."""
    client = row_filter.codes("client", codes)
    day = row_filter.days("date", needed=True)
    notice = np.full(len(codes.codes), UNKNOWN_DAY, dtype=np.int64)
    np.maximum.at(notice, client[row_filter.kept], day[row_filter.kept])
    return notice


def inside_pauses(
    row_filter: RowFilter, *, client: Integers, day: Integers, rows: Integers, pauses: Spans
) -> Spans:
    """End every pause the day before its first attended session, and point at those sessions.

    Parameters
    ----------
    client, day, rows : ndarray of int, shape (s,)
        Attended sessions sorted by client and day, with their rows in the table.
    """
    if not len(pauses.client):
        return pauses
    key = client * 10_000_000 + day
    begin = np.searchsorted(key, pauses.client * 10_000_000 + pauses.first, side="left")
    end = np.searchsorted(key, pauses.client * 10_000_000 + pauses.last, side="right")
    inside = np.zeros(row_filter.table.rows, dtype=bool)
    last = np.array(pauses.last, copy=True)
    for place in np.flatnonzero(end > begin):
        inside[rows[begin[place] : end[place]]] = True
        last[place] = day[begin[place]] - 1
    row_filter.notice(
        inside, "in a registered pause", "date", expected="no attendance in a registered pause",
        todo="Correct the session or the pause; the pause was taken to end the day before.",
    )  # fmt: skip
    left = last >= pauses.first
    if not left.any():
        return no_spans()
    columns = (pauses.client, pauses.first, last, pauses.recorded)
    return Spans(*(frozen_array(values[left], np.int64) for values in columns))


def after_departure(
    row_filter: RowFilter, *, client: Integers, day: Integers, rows: Integers, notice: Integers
) -> Integers:
    """Point at sessions after a client's departure; the departures of clients who came back are not used."""
    late = (notice[client] != UNKNOWN_DAY) & (day > notice[client])
    flags: Bools = np.zeros(row_filter.table.rows, dtype=bool)
    flags[rows[late]] = True
    if late.any():
        first = int(np.flatnonzero(late)[0])
        row_filter.notice(
            flags, "after the client's departure", "date", expected="no session after the departure, "
            f"{day_of(notice[client[first]])} for the first of them",
            todo="Correct one of the dates; the sessions count, the departures of these clients do not.",
        )  # fmt: skip
    believed = np.array(notice, copy=True)
    believed[np.unique(client[late])] = UNKNOWN_DAY
    return believed
