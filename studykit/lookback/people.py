"""What further tables say of clients: joining dates, facts at entry, pauses, departures; and closures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np

from studykit.errors import Finding
from studykit.lookback.export_columns import plain_name
from studykit.lookback.log import UNKNOWN, UNKNOWN_DAY, ClientFact, Integers, Spans, no_spans
from studykit.lookback.parsing import Codes, DateOrder, Flags, RowFilter, day_of, in_rows, parse_dates
from studykit.records.cells import date_readings, decimal_mark, read_number
from studykit.records.raw_table import RawColumn
from studykit.records.schema import Column
from studykit.results import frozen_array

MOST_LEVELS = 8
_AGE_BANDS = (0, 30, 45, 60)
_NOT_FACTS = {"trainer", "note", "notes", "remarks", "comment", "comments"}


def days_in(
    row_filter: RowFilter, places: Mapping[str, int], name: str, order: DateOrder | None, *, needed: bool
) -> tuple[Integers, tuple[Finding, ...]]:
    """Days of one column by row; rows without one are left out where it is needed."""
    if name not in places:
        return np.full(row_filter.table.rows, UNKNOWN_DAY, dtype=np.int64), ()
    index = places[name]
    dates = parse_dates(row_filter.column(index), row_filter.where(index), order)
    days = in_rows(row_filter.column(index), dates.days)
    filled = row_filter.column(index).filled
    unread = filled & (days == UNKNOWN_DAY)
    said = {"index": index, "expected": "one day of the calendar", "todo": "Correct it, as YYYY-MM-DD."}
    if needed:
        row_filter.leave_out(~filled, f"no {spoken(name)}", index=index, expected="a date",
                             got="an empty cell", todo="Fill it in.")  # fmt: skip
        row_filter.leave_out(unread, f"a {spoken(name)} that cannot be read", **said)  # type: ignore[arg-type]
    else:
        row_filter.notice(unread, f"a {spoken(name)} that cannot be read", severity="stop", **said)  # type: ignore[arg-type]
    return days, dates.findings


def spoken(name: str) -> str:
    """A column name with blanks."""
    return name.replace("_", " ")


def clients_in(row_filter: RowFilter, places: Mapping[str, int], codes: Codes) -> Integers:
    """Index of the client by row; rows without a code are left out."""
    index = places["client"]
    client = in_rows(row_filter.column(index), codes.place)
    row_filter.leave_out(client == UNKNOWN, "no client code", index=index, expected="a client code",
                         got="an empty cell", todo="Fill it in.")  # fmt: skip
    return client


def joining_days(
    row_filter: RowFilter, places: Mapping[str, int], client: Integers, days: Integers, number: int
) -> Integers:
    """Joining day of every client; a second row of a client is left out."""
    known = np.flatnonzero(row_filter.kept)
    repeated = np.zeros(row_filter.table.rows, dtype=bool)
    _, first = np.unique(client[known], return_index=True)
    again = np.setdiff1d(np.arange(len(known)), first)
    repeated[known[again]] = True
    row_filter.leave_out(
        repeated, "a client who stands there twice", index=places["client"],
        expected="one row for each client", todo="Keep the right one; the first was used.",
    )  # fmt: skip
    joined = np.full(number, UNKNOWN_DAY, dtype=np.int64)
    joined[client[row_filter.kept]] = days[row_filter.kept]
    return joined


def joined_in_rows(
    row_filter: RowFilter, places: Mapping[str, int], client: Integers, days: Integers, number: int
) -> Integers:
    """Joining day of every client from rows that repeat it; the earliest where they differ, which is said."""
    known = row_filter.kept & (client != UNKNOWN) & (days != UNKNOWN_DAY)
    latest = np.full(number, UNKNOWN_DAY, dtype=np.int64)
    earliest = np.full(number, -UNKNOWN_DAY, dtype=np.int64)
    np.maximum.at(latest, client[known], days[known])
    np.minimum.at(earliest, client[known], days[known])
    differ = np.zeros(row_filter.table.rows, dtype=bool)
    differ[known] = days[known] != earliest[client[known]]
    if "joined_on" in places:
        row_filter.notice(
            differ, "another joining date than in other rows of the client", index=places["joined_on"],
            expected="one joining date for each client", todo="Correct it; the earliest was used.",
        )  # fmt: skip
    return np.where(latest == UNKNOWN_DAY, UNKNOWN_DAY, earliest)


# --- facts at entry ------------------------------------------------------------------------------


def client_facts(
    row_filter: RowFilter,
    places: Mapping[str, int],
    client: Integers,
    number: int,
    wanted: Sequence[str] | None,
) -> tuple[tuple[ClientFact, ...], tuple[Finding, ...]]:
    """Every further column of the clients' table that can be a fact known at joining.

    Parameters
    ----------
    wanted : sequence of str, optional
        Names of the columns; by default all that have few values or are numbers.
    """
    table, facts = row_filter.table, []
    findings: list[Finding] = []
    chosen = None if wanted is None else {plain_name(name) for name in wanted}
    used: list[str] = []
    for index, header in enumerate(table.header):
        name = plain_name(header)
        if index in places.values() or not header or (chosen is None and name in _NOT_FACTS):
            continue
        if chosen is not None and name not in chosen:
            continue
        levels, by_text, why = _levels(row_filter.column(index), name)
        if why:
            findings.append(
                Finding("warn" if chosen else "note", f"{table.where}, column {header}",
                        f"at most {MOST_LEVELS} different values, or numbers", why, "It is not used.")
            )  # fmt: skip
            continue
        level = np.full(number, UNKNOWN, dtype=np.int64)
        rows = in_rows(row_filter.column(index), by_text)
        level[client[row_filter.kept]] = rows[row_filter.kept]
        facts.append(ClientFact(header, levels, frozen_array(level, np.int64)))
        used.append(header)
    findings += _unknown_facts(row_filter, chosen, used)
    if used:
        findings.append(
            Finding("note", table.where, "facts as they were when each client joined", ", ".join(used),
                    "They are taken into account. Name with --fact those that were written down then.")
        )  # fmt: skip
    return tuple(facts), tuple(findings)


def _unknown_facts(row_filter: RowFilter, chosen: set[str] | None, used: Sequence[str]) -> list[Finding]:
    there = {plain_name(header) for header in row_filter.table.header} | {plain_name(name) for name in used}
    return [
        Finding(
            "stop", row_filter.table.where, f"a column {name}", "none of that name", "Check the spelling."
        )
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


def parse_pauses(
    row_filter: RowFilter, places: Mapping[str, int], codes: Codes, order: DateOrder | None
) -> tuple[Spans, tuple[Finding, ...]]:
    """Registered pauses; those that end before they begin are left out."""
    client = clients_in(row_filter, places, codes)
    first, said = days_in(row_filter, places, "first_day", order, needed=True)
    last, more = days_in(row_filter, places, "last_day", order, needed=True)
    recorded, rest = days_in(row_filter, places, "recorded_on", order, needed=False)
    _backwards(row_filter, places, first, last)
    kept = row_filter.kept
    spans = Spans(*(frozen_array(values[kept], np.int64) for values in (client, first, last, recorded)))
    return spans, (*said, *more, *rest)


def _backwards(row_filter: RowFilter, places: Mapping[str, int], first: Integers, last: Integers) -> None:
    row_filter.leave_out(
        last < first, "it ends before it begins", index=places["last_day"],
        expected="a day from the first day", todo="Correct one of them.",
    )  # fmt: skip


def parse_closures(
    row_filter: RowFilter, places: Mapping[str, int], order: DateOrder | None
) -> tuple[tuple[tuple[int, int], ...], tuple[Finding, ...]]:
    """First and last days on which the studio was closed."""
    first, said = days_in(row_filter, places, "first_day", order, needed=True)
    last, more = days_in(row_filter, places, "last_day", order, needed=True)
    _backwards(row_filter, places, first, last)
    pairs = zip(first[row_filter.kept].tolist(), last[row_filter.kept].tolist(), strict=True)
    return tuple(sorted(set(pairs))), (*said, *more)


def parse_departures(
    row_filter: RowFilter, places: Mapping[str, int], codes: Codes, order: DateOrder | None
) -> tuple[Integers, tuple[Finding, ...]]:
    """Day of the notice of every client, the last one where there are several."""
    client = clients_in(row_filter, places, codes)
    day, said = days_in(row_filter, places, "date", order, needed=True)
    notice = np.full(len(codes.codes), UNKNOWN_DAY, dtype=np.int64)
    np.maximum.at(notice, client[row_filter.kept], day[row_filter.kept])
    return notice, said


def inside_pauses(
    row_filter: RowFilter, date_at: int, *, client: Integers, day: Integers, rows: Integers, pauses: Spans
) -> Spans:
    """End every pause the day before its first attended session, and point at those sessions.

    Parameters
    ----------
    client, day, rows : ndarray of int, shape (s,)
        Attended sessions sorted by client and day, with their rows in the row_filter's table.
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
        inside, "in a registered pause", index=date_at, expected="no attendance in a registered pause",
        todo="Correct the session or the pause; the pause was taken to end the day before.",
    )  # fmt: skip
    left = last >= pauses.first
    if not left.any():
        return no_spans()
    columns = (pauses.client, pauses.first, last, pauses.recorded)
    return Spans(*(frozen_array(values[left], np.int64) for values in columns))


def after_departure(
    row_filter: RowFilter, date_at: int, *, client: Integers, day: Integers, rows: Integers, notice: Integers
) -> Integers:
    """Point at sessions after a client's departure; the departures of clients who came back are not used."""
    late = (notice[client] != UNKNOWN_DAY) & (day > notice[client])
    flags: Flags = np.zeros(row_filter.table.rows, dtype=bool)
    flags[rows[late]] = True
    if late.any():
        first = int(np.flatnonzero(late)[0])
        row_filter.notice(
            flags, "after the client's departure", index=date_at, expected="no session after the departure, "
            f"{day_of(notice[client[first]])} for the first of them",
            todo="Correct one of the dates; the sessions count, the departures of these clients do not.",
        )  # fmt: skip
    believed = np.array(notice, copy=True)
    believed[np.unique(client[late])] = UNKNOWN_DAY
    return believed
