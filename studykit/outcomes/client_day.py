"""What the records say of one client up to today: sessions, partner reps, harms, clearance, trainer."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.outcomes.ramp_in import LAY_OFF_DAYS, SignOff, sign_off
from studykit.records.tables import Allocated, Records, RecordTable


@dataclass(frozen=True, slots=True)
class OpenHarm:
    """A harm of the client without a recorded end, moderate or worse."""

    day: dt.date
    words: str
    grave: bool  # severe or serious


@dataclass(frozen=True, slots=True)
class ClientDay:
    """One client on one day.

    Parameters
    ----------
    today : date
    sessions : int
        Attended since allocation, before today.
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
    paused_until : date or None
        End of a registered pause that includes today.
    clearance : str
    touch : bool or None
        Whether the client accepts hands-on resistance; None where it is not recorded.
    open_harms : tuple of OpenHarm
    """

    today: dt.date
    sessions: int
    partner_days: tuple[dt.date, ...]
    uncounted: tuple[dt.date, ...]
    later_session: dt.date | None
    trainer: str
    sign_off: SignOff
    departed_on: dt.date | None
    paused_until: dt.date | None
    clearance: str
    touch: bool | None
    open_harms: tuple[OpenHarm, ...]

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
    records: Records, allocated: Allocated, *, trainer: str, today: dt.date, sign_off_days: int
) -> ClientDay:
    """What the records say of one client up to today.

    Parameters
    ----------
    records : Records
    allocated : Allocated
    trainer : str
        Who trains the client today.
    today : date
        Later rows are not looked at, save for `ClientDay.later_session`.
    sign_off_days : int
        Days without practice after which a sign-off lapses.
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
    practice = _days(sessions["date"], came & given & _is(sessions["trainer"], trainer))
    checked = _day(_row(records["trainers"], "trainer", trainer).get("signed_off_on"))
    screening = _row(records["screening"], "client", allocated.client)
    touch = screening.get("touch_consented", np.nan)
    return ClientDay(
        today=today,
        sessions=int(since.sum()),
        partner_days=_days(sessions["date"], own & given),
        uncounted=_days(sessions["date"], own & np.isnan(sessions["partner_reps"])),
        later_session=later[-1] if later else None,
        trainer=trainer,
        sign_off=sign_off(checked, practice, today=today, days=sign_off_days),
        departed_on=_departed_on(records, allocated.client, _days(sessions["date"], own), today),
        paused_until=_paused_until(records, allocated.client, today),
        clearance=str(screening.get("cleared", "")),
        touch=None if np.isnan(touch) else bool(touch),
        open_harms=_open_harms(records, allocated.client, today),
    )


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


def _departed_on(
    records: Records, client: str, attended: tuple[dt.date, ...], today: dt.date
) -> dt.date | None:
    """A departure up to today, unless the client came back after it."""
    columns = records["departures"].columns
    found = _days(columns["date"], _is(columns["client"], client) & (columns["date"] <= np.datetime64(today)))
    if not found or (attended and attended[-1] > found[-1]):
        return None
    return found[-1]


def _paused_until(records: Records, client: str, today: dt.date) -> dt.date | None:
    columns, now = records["pauses"].columns, np.datetime64(today)
    inside = (columns["first_day"] <= now) & (now <= columns["last_day"])
    found = _days(columns["last_day"], _is(columns["client"], client) & inside)
    return found[-1] if found else None


def _open_harms(records: Records, client: str, today: dt.date) -> tuple[OpenHarm, ...]:
    columns = records["harms"].columns
    rows = _is(columns["client"], client) & (columns["date"] <= np.datetime64(today))
    found = []
    for row in np.flatnonzero(rows).tolist():
        severity, serious = str(columns["severity"][row]), bool(columns["serious"][row] == 1.0)
        if str(columns["outcome"][row]).strip() or not (serious or severity in ("moderate", "severe")):
            continue
        day = _day(columns["date"][row])
        if day is not None:
            words = f"{'serious' if serious else severity} harm ({columns['kind'][row]})"
            found.append(OpenHarm(day, words, serious or severity == "severe"))
    return tuple(found)
