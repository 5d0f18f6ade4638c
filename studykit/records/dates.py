"""What a text can mean as a day of the calendar, in the forms in which programs write dates.

Reading a study's own tables accepts one form only; exports of other programs come in any of them. Both
ask here, so that no two readers differ on what "03/04/2025" can mean.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass

_TIME = re.compile(
    r"(?<=[0-9A-Za-z.])(T|,?\s+)[0-9]{1,2}([:.][0-9]{2}){1,2}([.,][0-9]+)?"
    r"\s*([AaPp]\.?[Mm]\.?)?\s*(Z|UTC|[+\-][0-9]{2}:?[0-9]{2})?$"
)
_WEEKDAY = re.compile(r"^(mon|tue|wed|thu|fri|sat|sun)[a-z]*[.,]*\s+", re.IGNORECASE)
_YEAR_FIRST = re.compile(r"([0-9]{4})([./\-])([0-9]{1,2})\2([0-9]{1,2})")
_COMPACT = re.compile(r"((?:19|20)[0-9]{2})([0-9]{2})([0-9]{2})")
_YEAR_LAST = re.compile(r"([0-9]{1,2})[./\- ]+([0-9]{1,2})[./\- ]+([0-9]{4}|[0-9]{2})")
_DAY_NAMED = re.compile(r"([0-9]{1,2})(?:st|nd|rd|th)?[ .\-/]+([a-z]{3,9})\.?[ ,\-/]+([0-9]{4}|[0-9]{2})")
_MONTH_NAMED = re.compile(r"([a-z]{3,9})\.?[ \-/]+([0-9]{1,2})(?:st|nd|rd|th)?[ ,\-/]+([0-9]{4}|[0-9]{2})")
_SERIAL = re.compile(r"[0-9]{5}")
_MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
    "november", "december",
)  # fmt: skip
SPREADSHEET_DAY_ZERO = dt.date(1899, 12, 30)


@dataclass(frozen=True, slots=True)
class DateReadings:
    """The days that one text can mean.

    Parameters
    ----------
    day_first, month_first : date or None
        Under either order of day and month; the same where the order does not matter, ``None`` where the
        text is no day of the calendar under it.
    ordered : bool
        Whether the form itself settles the order.
    """

    day_first: dt.date | None
    month_first: dt.date | None
    ordered: bool

    @property
    def ambiguous(self) -> bool:
        """Whether two different days are possible."""
        return (
            self.day_first is not None
            and self.month_first is not None
            and (self.day_first != self.month_first)
        )


NO_DATE = DateReadings(None, None, ordered=True)


def date_readings(text: str) -> DateReadings:
    """The days that a text can mean; a time of day behind the date is passed over.

    Parameters
    ----------
    text : str
        Without blanks around it.

    Examples
    --------
    >>> date_readings("03/04/2025").day_first, date_readings("03/04/2025").month_first
    (datetime.date(2025, 4, 3), datetime.date(2025, 3, 4))
    >>> date_readings("Mon 9 Mar 2026, 18:30").day_first, date_readings("20260309").ordered
    (datetime.date(2026, 3, 9), True)
    >>> date_readings("31/02/2025")
    DateReadings(day_first=None, month_first=None, ordered=False)
    """
    bare = _WEEKDAY.sub("", _TIME.sub("", text))
    if match := _YEAR_FIRST.fullmatch(bare):
        return _one(calendar_day(int(match[1]), int(match[3]), int(match[4])))
    if match := _COMPACT.fullmatch(bare):
        return _one(calendar_day(*map(int, match.groups())))
    if match := _YEAR_LAST.fullmatch(bare):
        first, second, year = int(match[1]), int(match[2]), whole_year(match[3])
        return DateReadings(
            calendar_day(year, second, first), calendar_day(year, first, second), ordered=False
        )
    if match := _DAY_NAMED.fullmatch(bare.lower()):
        return _one(calendar_day(whole_year(match[3]), _month(match[2]), int(match[1])))
    if match := _MONTH_NAMED.fullmatch(bare.lower()):
        return _one(calendar_day(whole_year(match[3]), _month(match[1]), int(match[2])))
    if _SERIAL.fullmatch(bare):
        return _one(SPREADSHEET_DAY_ZERO + dt.timedelta(days=int(bare)))
    return NO_DATE


def is_day_count(text: str) -> bool:
    """Whether a text is a spreadsheet's count of days, not a date that a person wrote."""
    return bool(_SERIAL.fullmatch(text))


def whole_year(text: str) -> int:
    """A year of two digits belongs to this century."""
    return int(text) + (2000 if len(text) == 2 else 0)


def calendar_day(year: int, month: int, day: int) -> dt.date | None:
    """The day, ``None`` where the calendar has none."""
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None


def _one(day: dt.date | None) -> DateReadings:
    return DateReadings(day, day, ordered=True)


def _month(name: str) -> int:
    """Number of a month by its English name or the beginning of it, 0 where it is none."""
    found = [place for place, month in enumerate(_MONTHS, start=1) if month.startswith(name)]
    return found[0] if len(found) == 1 else {"sept": 9}.get(name, 0)
