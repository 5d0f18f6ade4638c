"""Sessions beside allocation, pauses, closures and departures."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from studykit.errors import Finding
from studykit.records.check_context import Scene, first_of, place, rows_by_value
from studykit.records.record_tables import RecordTable

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]
USUAL_PARTNER_REPS, MOST_PARTNER_REPS = 5, 8  # in one set; bounds of the project's judgement


def attendance_findings(scene: Scene) -> Iterator[Finding]:
    """Everything noticed about attendance."""
    yield from _before_allocation(scene)
    yield from _intervals(scene)
    yield from _inside_pauses(scene)
    yield from _inside_closures(scene)
    yield from _after_departure(scene)
    yield from _departures(scene)
    yield from _contradictions(scene)
    yield from _late_entries(scene)


def _attended(scene: Scene) -> Flags:
    return np.asarray(scene.records["sessions"].columns["status"] == "attended", dtype=bool)


def _before_allocation(scene: Scene) -> Iterator[Finding]:
    typed = scene.records["sessions"]
    early = np.flatnonzero(scene.since(typed, "date", scene.allocated_on) < 0)
    for client, rows in rows_by_value(typed, "client", early.tolist()).items():
        yield first_of(
            "warn", typed, rows, column="date",
            expected=f"a day from allocation of {client}, {scene.allocated_on[client]}",
            got=str(typed.columns["date"][rows[0]]),
            todo="Correct the date; sessions before allocation are not counted.",
        )  # fmt: skip


def _intervals(scene: Scene) -> Iterator[Finding]:
    """Pauses and closures that end before they begin, or overlap."""
    for name in ("pauses", "closures"):
        typed = scene.records[name]
        first, last = typed.columns["first_day"], typed.columns["last_day"]
        for row in np.flatnonzero(last < first).tolist():
            yield Finding(
                "stop", place(typed, row, "last_day"), f"a day from the first day, {first[row]}",
                str(last[row]), "Correct one of them.",
            )  # fmt: skip
    typed = scene.records["pauses"]
    first, last = typed.columns["first_day"], typed.columns["last_day"]
    for client, rows in rows_by_value(typed, "client", range(typed.number)).items():
        ordered = sorted(rows, key=lambda row: first[row])
        for earlier, later in pairwise(ordered):
            if first[later] <= last[earlier]:
                yield Finding(
                    "warn", place(typed, later, "first_day"), "pauses of one client that do not overlap",
                    f"{client} again, as in row {typed.row_numbers[earlier]}", "Make one pause of them.",
                )  # fmt: skip
    yield from _longer_than_counts(scene, typed)
    late = np.flatnonzero(typed.columns["recorded_on"] > first)
    if late.size:
        yield first_of(
            "note", typed, late.tolist(), column="recorded_on", expected=f"a day up to {first[late[0]]}",
            got=str(typed.columns["recorded_on"][late[0]]),
            todo="A pause entered after the absence was judged does not undo the departure.",
        )  # fmt: skip


def _longer_than_counts(scene: Scene, typed: RecordTable) -> Iterator[Finding]:
    """Pauses of which only a part stops the retention clock."""
    rule = scene.protocol.absence_rule
    if rule is None:
        return
    first, last = typed.columns["first_day"], typed.columns["last_day"]
    for row in np.flatnonzero((last - first).astype(int) + 1 > rule.pause_cap_days).tolist():
        until = first[row] + np.timedelta64(rule.pause_cap_days - 1, "D")
        yield Finding(
            "warn", place(typed, row, "last_day"), f"a pause of at most {rule.pause_cap_days} days",
            f"{(last[row] - first[row]).astype(int) + 1} days of {typed.columns['client'][row]}",
            f"Only {rule.pause_cap_days} stop the clock, until {until}; absence counts from then.",
        )  # fmt: skip


def _inside_pauses(scene: Scene) -> Iterator[Finding]:
    sessions, pauses = scene.records["sessions"], scene.records["pauses"]
    attended = _attended(scene)
    rows_of = rows_by_value(sessions, "client", np.flatnonzero(attended).tolist())
    for row in range(pauses.number):
        client = str(pauses.columns["client"][row])
        first, last = pauses.columns["first_day"][row], pauses.columns["last_day"][row]
        dates = sessions.columns["date"]
        inside = [session for session in rows_of.get(client, []) if first <= dates[session] <= last]
        if inside:
            yield first_of(
                "warn", sessions, inside, column="date",
                expected=f"no attendance of {client} in the pause of row {pauses.row_numbers[row]} of "
                f"{pauses.where}, {first} to {last}",
                got=str(dates[inside[0]]), todo="Correct the session, or shorten the pause.",
            )  # fmt: skip


def _inside_closures(scene: Scene) -> Iterator[Finding]:
    sessions, closures = scene.records["sessions"], scene.records["closures"]
    dates, attended = sessions.columns["date"], _attended(scene)
    for row in range(closures.number):
        first, last = closures.columns["first_day"][row], closures.columns["last_day"][row]
        inside = np.flatnonzero(attended & (dates >= first) & (dates <= last))
        if inside.size:
            yield first_of(
                "warn", sessions, inside.tolist(), column="date",
                expected=f"no attendance while the studio is closed, {first} to {last}",
                got=str(dates[inside[0]]), todo="Correct the session or the closure.",
            )  # fmt: skip


def _after_departure(scene: Scene) -> Iterator[Finding]:
    sessions, departures = scene.records["sessions"], scene.records["departures"]
    left = dict(zip(departures.columns["client"], departures.columns["date"], strict=True))
    late = np.flatnonzero(_attended(scene) & (scene.since(sessions, "date", left) > 0))
    for client, rows in rows_by_value(sessions, "client", late.tolist()).items():
        yield first_of(
            "warn", sessions, rows, column="date",
            expected=f"no session of {client} after the departure of {left[client]}",
            got=str(sessions.columns["date"][rows[0]]),
            todo="Correct it; if the client came back, leave both: a return counts as one.",
        )  # fmt: skip


def _departures(scene: Scene) -> Iterator[Finding]:
    typed = scene.records["departures"]
    early = np.flatnonzero(scene.since(typed, "date", scene.allocated_on) < 0)
    for row in early.tolist():
        client = typed.columns["client"][row]
        yield Finding(
            "warn", place(typed, row, "date"), f"a day from allocation, {scene.allocated_on[client]}",
            str(typed.columns["date"][row]), "Correct the date.",
        )  # fmt: skip


def _contradictions(scene: Scene) -> Iterator[Finding]:
    """Counts of a session that cannot all be right."""
    typed = scene.records["sessions"]
    columns = typed.columns
    reps, sets = columns["partner_reps"], columns["partner_sets"]
    planned = columns["partner_sets_as_planned"]
    with np.errstate(divide="ignore", invalid="ignore"):
        in_a_set = reps / sets
    yield from _each(
        typed,
        "partner_sets_as_planned",
        planned > sets,
        "no more sets as planned than sets",
        "{0:g}",
        planned,
    )
    yield from _each(
        typed,
        "partner_sets",
        (reps > 0) & (sets == 0),
        "at least one set, since there are reps",
        "{0:g}",
        sets,
    )
    yield from _each(
        typed, "partner_reps", (sets > 0) & (reps == 0), "reps, since there are sets", "{0:g}", reps
    )
    yield from _each(
        typed, "partner_reps", np.isfinite(in_a_set) & (in_a_set > MOST_PARTNER_REPS),
        f"at most {MOST_PARTNER_REPS} in a set", "{0:.3g} in a set", in_a_set,
    )  # fmt: skip
    yield from _each(
        typed, "partner_reps", (in_a_set > USUAL_PARTNER_REPS) & (in_a_set <= MOST_PARTNER_REPS),
        f"up to {USUAL_PARTNER_REPS} in a set", "{0:.3g} in a set", in_a_set,
    )  # fmt: skip
    done = np.nan_to_num(columns["conventional_sets"]) + np.nan_to_num(sets)
    yield from _each(
        typed, "status", ~_attended(scene) & (done > 0), "attended, since sets were done", "{0:g} sets", done
    )


def _each(
    typed: RecordTable, column: str, wrong: Flags, expected: str, got: str, values: Floats
) -> Iterator[Finding]:
    rows = np.flatnonzero(wrong).tolist()
    if rows:
        yield first_of(
            "warn", typed, rows, column=column, expected=expected, got=got.format(values[rows[0]]),
            todo="Correct the row.",
        )  # fmt: skip


def _late_entries(scene: Scene) -> Iterator[Finding]:
    """Rows written later than the protocol allows, or before the day they tell of."""
    allowed = scene.protocol.oversight.entry_delay_days
    for name, column in (("sessions", "entered_on"), ("departures", "recorded_on")):
        typed = scene.records[name]
        gap = typed.columns[column] - typed.columns["date"]
        delay = np.where(np.isnat(gap), np.nan, gap.astype(float))
        late, early = np.flatnonzero(delay > allowed), np.flatnonzero(delay < 0)
        if late.size:
            yield first_of(
                "warn", typed, late.tolist(), column=column, expected=f"an entry within {allowed} days",
                got=f"one after {delay[late[0]]:.0f} days", todo="Write rows on the day.",
            )  # fmt: skip
        if early.size:
            yield first_of(
                "warn", typed, early.tolist(), column=column,
                expected=f"a day from {typed.columns['date'][early[0]]}",
                got=str(typed.columns[column][early[0]]), todo="Correct one of the dates.",
            )  # fmt: skip
