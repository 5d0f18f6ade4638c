"""What the records say of one client up to today: sessions, partner reps, harms, clearance, trainer."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.outcomes.health_words import (
    is_cleared_after_pregnancy,
    is_over,
    is_red_flag,
    names_pregnancy,
    says_without_touch,
)
from studykit.outcomes.ramp_in import LAY_OFF_DAYS, SignOff, sign_off
from studykit.records.record_tables import Allocated, Records, RecordTable
from studykit.records.schema import PREGNANCY, TABLES
from studykit.records.withdrawal import out_of_study_on


@dataclass(frozen=True, slots=True)
class OpenHarm:
    """A harm of the client that is not said to be over: moderate or worse, or a red flag of any grade."""

    day: dt.date
    kind: str
    severity: str
    serious: bool
    outcome: str

    @property
    def grave(self) -> bool:
        """Whether it keeps the client from training: severe, serious, or a red flag by its kind."""
        return self.serious or self.severity == "severe" or is_red_flag(self.kind)

    @property
    def words(self) -> str:
        """Grade, kind and day."""
        return f"{'serious' if self.serious else self.severity} harm ({self.kind}) of {self.day}"


@dataclass(frozen=True, slots=True)
class PregnancyNote:
    """A row of the client that speaks of a pregnancy."""

    where: str
    text: str
    cleared: bool  # the row says that the client was cleared


@dataclass(frozen=True, slots=True)
class HealthNews:
    """What a client told after the screening, not settled up to the day; pregnancies apart."""

    where: str
    day: dt.date
    kind: str


@dataclass(frozen=True, slots=True)
class LastSet:
    """A conventional set as recorded; ``nan`` where a number is not."""

    day: dt.date
    load: float
    repetitions: float


@dataclass(frozen=True, slots=True)
class ClientDay:
    """One client on one day.

    Parameters
    ----------
    today : date
    sessions : int
        Attended since allocation, before today.
    attended_days : tuple of date
        Attended sessions, whatever was done, up to today.
    novice : bool
        Not recorded as experienced with strength training.
    last_sets : mapping of str to LastSet
        By code of the exercise, the last set of the last session before today in which it was done.
    partner_days : tuple of date
        Attended sessions with partner reps, up to today.
    uncounted : tuple of date
        Attended sessions, up to today, without a number of partner reps.
    later_session : date or None
        An attended session after today: one of the two dates is wrong.
    trainer : str
    sign_off : SignOff
        Of that trainer.
    departed_on : date or None
        A registered departure after which the client did not come.
    departed_for : str
        Its reason.
    paused_until : date or None
        End of a registered pause that includes today.
    paused_for : str
        Its reason.
    clearance : str
        As recorded; empty where it is not.
    eligible, consented, touch : bool or None
        Meets the criteria, consented in writing up to today, accepts hands-on resistance; None where it is
        not recorded.
    without_touch : bool
        The row of records/screening says that the client trains without touch.
    open_harms : tuple of OpenHarm
        Those with a later date too: one of the two dates is wrong.
    unread_row : str
        What is wrong with a row on health that might be the client's; empty where nothing is.
    pregnancies : tuple of PregnancyNote
    news : tuple of HealthNews
        Illness, a new medicine or condition, and the like, of any date.
    withdrawn_on : date or None
        Consent, or data, were taken back on that day, up to today.
    """

    today: dt.date
    sessions: int
    attended_days: tuple[dt.date, ...]
    novice: bool
    last_sets: Mapping[str, LastSet]
    partner_days: tuple[dt.date, ...]
    uncounted: tuple[dt.date, ...]
    later_session: dt.date | None
    trainer: str
    sign_off: SignOff
    departed_on: dt.date | None
    departed_for: str
    paused_until: dt.date | None
    paused_for: str
    clearance: str
    eligible: bool | None
    consented: bool | None
    touch: bool | None
    without_touch: bool
    open_harms: tuple[OpenHarm, ...]
    unread_row: str
    pregnancies: tuple[PregnancyNote, ...]
    news: tuple[HealthNews, ...]
    withdrawn_on: dt.date | None = None

    @property
    def last_partner_reps(self) -> dt.date | None:
        """Day of the last partner reps."""
        return self.partner_days[-1] if self.partner_days else None

    @property
    def run_began_on(self) -> dt.date | None:
        """First day with partner reps since the last lay-off."""
        began = None
        for place, day in enumerate(self.partner_days):
            if place == 0 or (day - self.partner_days[place - 1]).days > LAY_OFF_DAYS:
                began = day
        return began


def same_code(one: str, other: str) -> bool:
    """Whether two texts are one code; capitals are passed over.

    Examples
    --------
    >>> same_code("c014 ", "C014")
    True
    """
    return one.strip().casefold() == other.strip().casefold()


def client_day(
    records: Records,
    allocated: Allocated,
    *,
    trainer: str,
    today: dt.date,
    sign_off_days: int,
    unread_row: str = "",
) -> ClientDay:
    """What the records say of one client up to today.

    Parameters
    ----------
    records : Records
    allocated : Allocated
    trainer : str
        Who trains the client today.
    today : date
        Later sessions are not looked at, save for `ClientDay.later_session`; later harms and notes of a
        pregnancy are.
    sign_off_days : int
        Days without practice after which a sign-off lapses.
    unread_row : str
        What is wrong with a row on health that might be the client's.
    """
    sessions = records["sessions"].columns
    attended = sessions["status"] == "attended"
    came = attended & (sessions["date"] <= np.datetime64(today))
    mine = _is(sessions["client"], allocated.client)
    own = came & mine
    later = _days(sessions["date"], attended & mine & (sessions["date"] > np.datetime64(today)))
    given = sessions["partner_reps"] > 0.0
    start = np.datetime64(allocated.allocated_on or "NaT", "D")
    since = own & (sessions["date"] < np.datetime64(today)) & ~(sessions["date"] < start)
    screening = _row(records["screening"], "client", allocated.client)
    news = tuple(_health(records, allocated.client, today))
    departed_on, departed_for = _departure(records, allocated.client, _days(sessions["date"], own), today)
    paused_until, paused_for = _pause(records, allocated.client, today)
    out = out_of_study_on(allocated.withdrawn)
    touched_until = allocated.withdrawn.get("touch", dt.date.max)
    return ClientDay(
        today=today,
        sessions=int(since.sum()),
        attended_days=_days(sessions["date"], own),
        novice=str(_row(records["clients"], "client", allocated.client).get("training_age", "")) != "trained",
        last_sets=_last_sets(records, allocated.client, today),
        partner_days=_days(sessions["date"], own & given),
        uncounted=_days(sessions["date"], own & np.isnan(sessions["partner_reps"])),
        later_session=later[-1] if later else None,
        trainer=trainer,
        sign_off=sign_off_of(records, trainer, today=today, days=sign_off_days),
        departed_on=departed_on,
        departed_for=departed_for,
        paused_until=paused_until,
        paused_for=paused_for,
        clearance=str(screening.get("cleared", "")),
        eligible=_answer(screening, "eligible"),
        consented=None if _is_later(screening, "consent_date", today) else _answer(screening, "consented"),
        touch=_answer(screening, "touch_consented") if touched_until > today else False,
        withdrawn_on=out if out is not None and out <= today else None,
        without_touch=says_without_touch(str(screening.get("note", ""))),
        open_harms=tuple(_open_harms(records, allocated.client)),
        unread_row=unread_row,
        pregnancies=(
            *_pregnancies(records, allocated.client),
            *(PregnancyNote(one.where, one.kind, cleared) for one, cleared in news if one.kind == PREGNANCY),
        ),
        news=tuple(one for one, settled in news if not settled and one.kind != PREGNANCY),
    )


def sign_off_of(records: Records, trainer: str, *, today: dt.date, days: int) -> SignOff:
    """Whether a trainer's sign-off holds today, by records/trainers and the sessions with partner reps.

    Parameters
    ----------
    records : Records
    trainer : str
    today : date
    days : int
        Days without practice after which a sign-off lapses.
    """
    sessions = records["sessions"].columns
    gave = (sessions["status"] == "attended") & (sessions["partner_reps"] > 0.0)
    practice = _days(sessions["date"], gave & _is(sessions["trainer"], trainer))
    checked = _day(_row(records["trainers"], "trainer", trainer).get("signed_off_on"))
    return sign_off(checked, practice, today=today, days=days)


def _is(column: NDArray[Any], code: str) -> NDArray[np.bool_]:
    """Rows of one code; none where the code is empty."""
    return np.array([bool(code) and same_code(str(text), code) for text in column], dtype=bool)


def _days(dates: NDArray[np.datetime64], rows: NDArray[np.bool_]) -> tuple[dt.date, ...]:
    return tuple(np.unique(dates[rows]).astype(object).tolist())


def _day(value: Any) -> dt.date | None:
    if value is None or np.isnat(value):
        return None
    day: dt.date = value.astype("datetime64[D]").item()
    return day


def _row(table: RecordTable, key: str, code: str) -> Mapping[str, Any]:
    """The last row of one code; empty where there is none."""
    rows = np.flatnonzero(_is(table.columns[key], code))
    return {name: column[rows[-1]] for name, column in table.columns.items()} if rows.size else {}


def _answer(row: Mapping[str, Any], name: str) -> bool | None:
    """Yes, no, or nothing recorded."""
    value = row.get(name, np.nan)
    return None if np.isnan(value) else bool(value)


def _is_later(row: Mapping[str, Any], name: str, today: dt.date) -> bool:
    day = _day(row.get(name))
    return day is not None and day > today


def _departure(
    records: Records, client: str, attended: tuple[dt.date, ...], today: dt.date
) -> tuple[dt.date | None, str]:
    """Day and reason of a departure up to today, unless the client came back after it."""
    columns = records["departures"].columns
    rows = _is(columns["client"], client) & (columns["date"] <= np.datetime64(today))
    found, why = _latest(columns, rows, "date")
    return (None, "") if found is None or (attended and attended[-1] > found) else (found, why)


def _pause(records: Records, client: str, today: dt.date) -> tuple[dt.date | None, str]:
    """Last day and reason of a registered pause that includes today."""
    columns, now = records["pauses"].columns, np.datetime64(today)
    inside = (columns["first_day"] <= now) & (now <= columns["last_day"])
    return _latest(columns, _is(columns["client"], client) & inside, "last_day")


def _latest(
    columns: Mapping[str, NDArray[Any]], rows: NDArray[np.bool_], day: str
) -> tuple[dt.date | None, str]:
    """The latest day among rows, and the reasons of those rows that have it."""
    found = _days(columns[day], rows)
    if not found:
        return None, ""
    same = rows & (columns[day] == np.datetime64(found[-1]))
    return found[-1], "; ".join(str(text) for text in columns["reason"][same] if text)


def _last_sets(records: Records, client: str, today: dt.date) -> Mapping[str, LastSet]:
    columns = records["sets"].columns
    rows = np.flatnonzero(_is(columns["client"], client) & (columns["date"] < np.datetime64(today)))
    order = rows[np.lexsort((columns["set"][rows], columns["date"][rows]))]
    return {
        str(columns["exercise"][row]): LastSet(
            columns["date"][row].item(), float(columns["load"][row]), float(columns["repetitions"][row])
        )
        for row in order.tolist()
    }


def _open_harms(records: Records, client: str) -> Iterator[OpenHarm]:
    columns = records["harms"].columns
    for row in np.flatnonzero(_is(columns["client"], client)).tolist():
        harm = OpenHarm(
            day=columns["date"][row].item(),
            kind=str(columns["kind"][row]),
            severity=str(columns["severity"][row]),
            serious=bool(columns["serious"][row] == 1.0),
            outcome=str(columns["outcome"][row]).strip(),
        )
        if not is_over(harm.outcome) and (harm.grave or harm.severity == "moderate"):
            yield harm


def _pregnancies(records: Records, client: str) -> Iterator[PregnancyNote]:
    """Every row of the client whose own words or reason speak of a pregnancy; records/health apart."""
    for entry in TABLES:
        if entry.name == "health":
            continue
        table = records[entry.name]
        words = [column.name for column in entry.columns if column.kind == "text" or column.name == "reason"]
        if not words or "client" not in table.columns:
            continue
        for row in np.flatnonzero(_is(table.columns["client"], client)).tolist():
            text = "; ".join(filter(None, (str(table.columns[name][row]).strip() for name in words)))
            if names_pregnancy(text):
                where = f"{table.where}, row {table.row_numbers[row]}"
                yield PregnancyNote(where, text, is_cleared_after_pregnancy(text))


def _health(records: Records, client: str, today: dt.date) -> Iterator[tuple[HealthNews, bool]]:
    """Every row of the client on health, and whether it is settled: on a day from its own up to today."""
    table = records["health"]
    for row in np.flatnonzero(_is(table.columns["client"], client)).tolist():
        told, settled = (_day(table.columns[name][row]) for name in ("date", "settled_on"))
        if told is not None:
            where = f"{table.where}, row {table.row_numbers[row]}"
            done = settled is not None and told <= settled <= today
            yield HealthNews(where, told, str(table.columns["kind"][row])), done
