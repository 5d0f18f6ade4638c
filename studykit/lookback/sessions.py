"""Sessions of an export: understood, checked against each other, one per client and day.

Blank is not no where nobody could have ticked: trainers, months and times without a single mark.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from studykit.lookback.layout import NOTES
from studykit.lookback.log import UNKNOWN, UNKNOWN_DAY, Bools, Floats, Integers, day_of
from studykit.lookback.parsing import (
    ATTENDED,
    BOOKED,
    MISSED,
    MOST_REPS,
    STATES,
    Codes,
    RowFilter,
    in_rows,
    parse_marks,
    parse_states,
)
from studykit.lookback.silence import gaps
from studykit.lookback.wanted_columns import plain_name
from studykit.records.raw_table import RawColumn

_FAR_SHARE = 0.005  # of the sessions, before or after a silence of the whole studio: slips in their dates
_LEAST_ROWS = 20
TRIAL_DAYS = 28  # sessions so shortly before joining are tryouts; earlier ones contradict the joining date


@dataclass(slots=True)
class SessionRows:
    """One value per row of the file; only rows that the filter kept count.

    Parameters
    ----------
    client, day, trainer, state, mark : ndarray of int, shape (rows,)
    marked : bool
        Whether there is a column on partner reps.
    unexplained, marks : int
        Marks at attended sessions that are words nobody explained, and all marks there.
    """

    client: Integers
    day: Integers
    trainer: Integers
    state: Integers
    mark: Integers
    marked: bool
    unexplained: int = 0
    marks: int = 0


@dataclass(frozen=True, slots=True)
class EndOfRecords:
    """What is known of the end of the records before their rows are read.

    Parameters
    ----------
    last_possible : int
        Later sessions cannot have been attended.
    said : bool
        It is the day of the export as somebody said it, not today.
    closures : sequence of (int, int)
    absence_days : int
        Days without attendance that make a departure.
    """

    last_possible: int
    said: bool
    closures: Sequence[tuple[int, int]]
    absence_days: int


def parse_sessions(
    row_filter: RowFilter,
    *,
    clients: Codes,
    trainers: Codes | None,
    said_states: Mapping[str, str],
    said_marks: Mapping[str, str],
    end: EndOfRecords,
    since: Integers,
) -> SessionRows:
    """Every cell understood, or its row left out with a finding.

    Parameters
    ----------
    row_filter : RowFilter
        Of the attendance table; changed.
    clients, trainers : Codes
        What the columns hold, by text.
    said_states, said_marks : mapping of str to str
    end : EndOfRecords
    since : ndarray of int, shape (trainers,)
        Day from which each trainer worked with partner reps; `NEVER` or `UNKNOWN_DAY` without one.
    """
    todo = "Fill it in; nobody can say whose session it was."
    client = row_filter.codes("client", clients, todo=todo)
    day = row_filter.days("date", needed=True)
    trainer = _trainer(row_filter, trainers)
    state = _state(row_filter, said_states)
    _out_of_time(row_filter, day, state, end)
    codes = () if trainers is None else trainers.codes
    rows = SessionRows(client, day, trainer, state, row_filter.all_rows(UNKNOWN), False)
    if "partner_reps" in row_filter:
        _read_marks(row_filter, rows, said_marks, codes=codes, since=since)
    return rows


def _trainer(row_filter: RowFilter, trainers: Codes | None) -> Integers:
    if trainers is None or "trainer" not in row_filter:
        return row_filter.all_rows(UNKNOWN)
    trainer = in_rows(row_filter.column("trainer"), trainers.place)
    row_filter.notice(trainer == UNKNOWN, "no trainer", "trainer", severity="note", expected="a trainer",
                      got="an empty cell", todo="The session counts; its trainer is not known.")  # fmt: skip
    return trainer


def _state(row_filter: RowFilter, said: Mapping[str, str]) -> Integers:
    """Attended, where the export has no column for it: it then lists attended sessions only."""
    if "status" not in row_filter:
        return row_filter.all_rows(ATTENDED)
    column = row_filter.column("status")
    state = in_rows(column, parse_states(column, said))
    row_filter.leave_out(
        state == 0, "a status that is not known", "status", expected=f"one of {', '.join(STATES)}",
        todo="Say what it means: --status WORD=attended, for example.",
    )  # fmt: skip
    return state


def _out_of_time(row_filter: RowFilter, day: Integers, state: Integers, end: EndOfRecords) -> None:
    last = day_of(end.last_possible)
    row_filter.leave_out(
        (day > end.last_possible) & (state == ATTENDED),
        "after the day of the export" if end.said else "a day in the future",
        "date", expected=f"a day up to {last}",
        todo="Correct the date, or --exported-on." if end.said else "Correct the date.",
    )  # fmt: skip
    row_filter.leave_out(day > end.last_possible, "booked for later", "date", severity="note",
                         expected=f"sessions up to {last}", todo="They are not counted.")  # fmt: skip
    row_filter.leave_out(state == BOOKED, "booked, and nobody recorded whether it was attended", "date",
                         severity="warn", expected="attended, cancelled or no show",
                         got="booked, on a day that is past", todo="Record what became of them.")  # fmt: skip
    for far, side in _far_days(day[row_filter.kept & (state == ATTENDED)], end):
        row_filter.leave_out(
            day >= far if side > 0 else day <= far, "a date far from all others", "date",
            expected="a day near the other sessions of the studio",
            todo="Correct the year or the month; if the studio was closed between, say so: --closures FILE.",
        )  # fmt: skip


def _far_days(days: Integers, end: EndOfRecords) -> Iterator[tuple[int, int]]:
    """Days from which on (1) or up to which (-1) a handful of sessions lie beyond a silence of all."""
    if len(days) < _LEAST_ROWS:
        return
    few = max(1, int(_FAR_SHARE * len(days)))
    found = gaps(days, end.closures, int(days.max()))
    long = np.flatnonzero(found.days >= end.absence_days)
    sessions_before = np.searchsorted(np.sort(days), found.before[long], side="right")
    late = long[len(days) - sessions_before <= few]
    early = long[sessions_before <= few]
    if late.size:
        yield int(found.after[late[0]]), 1
    if early.size:
        yield int(found.before[early[-1]]), -1


def _read_marks(
    row_filter: RowFilter,
    rows: SessionRows,
    said: Mapping[str, str],
    *,
    codes: Sequence[str],
    since: Integers,
) -> None:
    """Fill in what the column on partner reps says."""
    column, state = row_filter.column("partner_reps"), rows.state
    heading = row_filter.table.header[row_filter.places["partner_reps"]]
    marks = parse_marks(column, said, notes=plain_name(heading) in NOTES)
    rows.mark = in_rows(column, marks.value)
    came = row_filter.kept & (state == ATTENDED)
    unexplained = column.of_rows(marks.unexplained.tolist())
    blank = column.of_rows(marks.blank.tolist())
    rows.unexplained, rows.marks = int((came & unexplained).sum()), int((came & ~blank).sum())
    row_filter.notice(
        column.of_rows(marks.trouble.tolist()) & (state == ATTENDED), "partner reps that cannot be right",
        "partner_reps", severity="stop", expected=f"yes, no, or a number from 0 to {MOST_REPS}",
        todo="Correct them; the sessions count as attended, their partner reps as not recorded.",
    )  # fmt: skip
    row_filter.notice(
        unexplained & (state == ATTENDED), "a word on partner reps that nobody explained", "partner_reps",
        severity="stop", expected="yes, no, or a number", got=lambda here: words_with_counts(column, here),
        todo="Say what each means: --mark WORD=yes, no or unknown. Until then they count as not recorded.",
    )  # fmt: skip
    row_filter.notice(
        (rows.mark == 1) & (state == MISSED), "partner reps at a session that was not attended",
        "partner_reps", expected="none, since the session did not take place",
        todo="Correct the status or the partner reps; the session counts as not attended.",
    )  # fmt: skip
    blank &= state == ATTENDED
    if marks.blank_is_no:
        doubtful = doubt_blanks(
            row_filter, ticked=came & (rows.mark == 1),
            blank=came & blank & ~said_to_be_no(rows.trainer, rows.day, since), trainer=rows.trainer,
            day=rows.day, codes=codes,
        )  # fmt: skip
        rows.mark[doubtful] = UNKNOWN
        row_filter.notice(blank & ~doubtful, "no mark where others are ticked", "partner_reps",
                          severity="note", expected="a mark in every row", got="ticks and empty cells only",
                          todo="An empty cell was taken as no partner reps.")  # fmt: skip
    else:
        row_filter.notice(blank, "no mark of partner reps", "partner_reps", expected="yes or no",
                          got="an empty cell",
                          todo="The session counts; its partner reps are not known.")  # fmt: skip
    rows.marked = bool((rows.mark[row_filter.kept & (state == ATTENDED)] != UNKNOWN).any())


def words_with_counts(column: RawColumn, rows: Bools) -> str:
    """Every different text of some rows with its count, the most frequent first."""
    number = np.bincount(column.place[rows], minlength=len(column.texts))
    often = sorted(np.flatnonzero(number).tolist(), key=lambda place: (-number[place], column.texts[place]))
    return _listed([f"{column.texts[place]!r} ({number[place]})" for place in often])


def before_joining(row_filter: RowFilter, rows: SessionRows, joined: Integers) -> Integers:
    """Sessions before the client joined: tryouts are left out; the rest contradict the joining date.

    Parameters
    ----------
    joined : ndarray of int, shape (codes,)

    Returns
    -------
    ndarray of int
        Joining days without those that the sessions contradict.
    """
    known = row_filter.kept & (rows.client != UNKNOWN)
    since = np.zeros(len(rows.day), dtype=np.int64)
    since[known] = rows.day[known] - joined[rows.client[known]]
    with_date = np.zeros(len(rows.day), dtype=bool)
    with_date[known] = joined[rows.client[known]] != UNKNOWN_DAY
    long_before = with_date & (since < -TRIAL_DAYS) & (rows.state == ATTENDED)
    row_filter.notice(
        long_before, "long before the client joined", "date",
        expected="a day from the joining date, or a tryout shortly before it",
        todo="Correct one of the dates; the joining dates of these clients are not used.",
    )  # fmt: skip
    believed = np.array(joined, copy=True)
    believed[np.unique(rows.client[long_before])] = UNKNOWN_DAY
    doubted = np.zeros(len(rows.day), dtype=bool)
    doubted[known] = believed[rows.client[known]] == UNKNOWN_DAY
    row_filter.leave_out(
        with_date & (since < 0) & ~doubted, "before the client joined", "date", severity="warn",
        expected="a day from the joining date",
        todo="Correct it, unless it was a tryout; it is not counted.",
    )  # fmt: skip
    return believed


def one_a_day(row_filter: RowFilter, rows: SessionRows) -> Integers:
    """Leave one row per client and day: the attended one; partner reps count if any of its rows has them.

    Returns
    -------
    ndarray of int
        Row indices, sorted by client and day; ``rows.mark`` is brought together there.
    """
    kept = np.flatnonzero(row_filter.kept)
    client, day = rows.client[kept], rows.day[kept]
    order = np.lexsort((kept, rows.trainer[kept] == UNKNOWN, rows.state[kept] != ATTENDED, day, client))
    kept, client, day = kept[order], client[order], day[order]
    begins = np.ones(len(kept), dtype=bool)
    begins[1:] = (np.diff(client) != 0) | (np.diff(day) != 0)
    starts = np.flatnonzero(begins)
    if len(starts) == len(kept):
        return kept
    group = np.cumsum(begins) - 1
    first = kept[starts]
    leader = first[group]
    _say_repeated(row_filter, rows, kept[~begins], leader[~begins])
    attended = np.where(rows.state[kept] == ATTENDED, rows.mark[kept], UNKNOWN)
    together = np.maximum.reduceat(attended, starts)
    rows.mark[first] = np.where(rows.state[first] == ATTENDED, together, rows.mark[first])
    return first


def _say_repeated(row_filter: RowFilter, rows: SessionRows, again: Integers, leader: Integers) -> None:
    def flags(which: Bools) -> Bools:
        found = np.zeros(row_filter.table.rows, dtype=bool)
        found[again[which]] = True
        return found

    like = dict(zip(again.tolist(), leader.tolist(), strict=True))

    def pair(rows: Bools) -> str:
        first = int(np.flatnonzero(rows)[0])
        return " like ".join(map(row_filter.table.row_name, sorted((first, like[first]), reverse=True)))

    state, mark, trainer = (getattr(rows, name) for name in ("state", "mark", "trainer"))
    same_state = state[again] == state[leader]
    alike = same_state & (mark[again] == mark[leader]) & (trainer[again] == trainer[leader])
    row_filter.leave_out(
        flags(alike), "the same session again", "date", severity="warn",
        expected="each session of a client once", got=pair,
        todo="Remove the repeated rows; each session was counted once.",
    )  # fmt: skip
    row_filter.leave_out(
        flags(~same_state), "cancelled or missed, and attended on the same day", "date",
        severity="note", expected="one row for each client and day", got=pair,
        todo="The attended session was counted.",
    )  # fmt: skip
    differ = same_state & ~alike
    row_filter.leave_out(
        flags(differ), "a second, different row on the same day", "date", severity="warn",
        expected="one row for each client and day", got=pair,
        todo="Keep the right one. They were counted as one session, with partner reps if either has them.",
    )  # fmt: skip


_BY_LUCK = 0.001  # a month without a tick that is as unlikely as this was not recorded
_SHOWN = 6
_LEFT_OUT = "They are not taken as no: these sessions count for attendance, not for the comparison. "


def doubt_blanks(
    row_filter: RowFilter, *, ticked: Bools, blank: Bools, trainer: Integers, day: Integers,
    codes: Sequence[str],
) -> Bools:  # fmt: skip
    """Blank cells of a column of ticks that cannot be taken as no; each kind is pointed at.

    Parameters
    ----------
    row_filter : RowFilter
        Of the attendance table; findings are added.
    ticked : ndarray of bool, shape (rows,)
        Attended sessions with a tick.
    blank : ndarray of bool, shape (rows,)
        Attended sessions without one that nobody has said to be no (`said_to_be_no`).
    trainer, day : ndarray of int, shape (rows,)
    codes : sequence of str
        Of the trainers.

    Returns
    -------
    ndarray of bool, shape (rows,)
    """
    if not ticked.any():
        return blank
    one = np.where(trainer == UNKNOWN, len(codes), trainer)
    names = [*codes, "sessions without a trainer"]
    months = day.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    first = day[ticked].min()
    never = blank & ~_has(ticked, one)
    before = blank & ~never & (day < first)
    quiet = blank & ~never & ~before & _quiet(ticked, blank, one, months)
    row_filter.notice(
        never, "no mark, and the trainer never ticked any", "partner_reps", expected="ticks of every trainer",
        got=_listed([f"{names[k]} ({_sessions(n)})" for k, n in _counts(one[never])]),
        todo=f"{_LEFT_OUT}If a trainer did none, say so: --adopted TRAINER=never.",
    )  # fmt: skip
    row_filter.notice(
        before, "no mark, before the first tick of all", "partner_reps",
        expected="ticks from the beginning on",
        got=f"the first on {first.astype('datetime64[D]')}, {_sessions(int(before.sum()))} before",
        todo=f"{_LEFT_OUT}If partner reps began later than the records, say when: --adopted TRAINER=DATE.",
    )  # fmt: skip
    pairs = _counts(one[quiet] * 100_000 + months[quiet])
    row_filter.notice(
        quiet, "no mark, in a month in which the trainer ticked none", "partner_reps",
        expected="ticks in every month, as in this trainer's others",
        got=_listed([
            f"{names[k // 100_000]} in {np.datetime64(k % 100_000, 'M')} ({_sessions(n)})" for k, n in pairs
        ]),
        todo=f"{_LEFT_OUT}If the trainer began after these months, say when: --adopted TRAINER=DATE.",
    )  # fmt: skip
    return np.asarray(never | before | quiet, dtype=bool)


def said_to_be_no(trainer: Integers, day: Integers, since: Integers) -> Bools:
    """Sessions before their trainer worked with partner reps, as somebody stated.

    Parameters
    ----------
    trainer, day : ndarray of int, shape (rows,)
    since : ndarray of int, shape (trainers,)
        Stated day of each, far in the past where nothing is known.
    """
    known = np.append(since, np.iinfo(np.int64).min)  # the last stands for an unknown trainer
    return np.asarray(day < known[trainer], dtype=bool)


def _has(rows: Bools, group: Integers) -> Bools:
    """Whether the group of each row has any of these rows."""
    return np.asarray(np.bincount(group[rows], minlength=int(group.max()) + 1)[group] > 0, dtype=bool)


def _quiet(ticked: Bools, blank: Bools, trainer: Integers, month: Integers) -> Bools:
    """Rows of a trainer's month without a tick that luck does not explain."""
    _, cell = np.unique(np.stack([trainer, month]), axis=1, return_inverse=True)
    counted = ticked | blank
    ticks, sessions = (np.bincount(cell[rows], minlength=int(cell.max()) + 1) for rows in (ticked, counted))
    loud = counted & (ticks[cell] > 0)
    size = int(trainer.max()) + 1
    share = np.bincount(trainer[ticked], minlength=size) / np.maximum(
        np.bincount(trainer[loud], minlength=size), 1
    )
    luck: Floats = (1.0 - share[trainer]) ** sessions[cell]
    return np.asarray((ticks[cell] == 0) & (luck < _BY_LUCK), dtype=bool)


def _counts(values: Integers) -> list[tuple[int, int]]:
    found, number = np.unique(values, return_counts=True)
    return list(zip(found.tolist(), number.tolist(), strict=True))


def _sessions(number: int) -> str:
    return f"{number} session{'' if number == 1 else 's'}"


def _listed(parts: Sequence[str]) -> str:
    more = f" and {len(parts) - _SHOWN} more" if len(parts) > _SHOWN else ""
    return ", ".join(parts[:_SHOWN]) + more
