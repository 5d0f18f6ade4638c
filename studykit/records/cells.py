"""One cell of text to one value, or to what is wrong with it; and what a text can mean as a day.

Reading a study's own tables accepts one form of dates only; exports of other programs come in any of them.
Both ask here, so that no two readers differ on what "03/04/2025" can mean.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from studykit.protocol.identifiers import code_trouble, personal_mark
from studykit.records.nearest import listed, nearest_known
from studykit.records.schema import PEOPLE_COLUMNS, YES_NO, Column

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


DecimalMark = Literal[".", ","]
DateOrder = Literal["day", "month", ""]
SAY_ORDER = ", or say once for the study which comes first: studykit check STUDY --date-order day"

_ISO = re.compile(r"([0-9]{4})-([0-9]{2})-([0-9]{2})")
_ISO_WITH_TIME = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2})[T ]\s*[0-9:.]+.*")
_POINT = re.compile(r"[+\-−]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+\-]?[0-9]+)?")
_COMMA = re.compile(r"[+\-−]?[0-9]+,[0-9]+")
_NUMBER_WITH_UNIT = re.compile(
    r"[+\-]?[0-9]+([.,][0-9]+)?\s*(kg|kgs|lb|lbs|n|kgf|x|reps?|%)\.?", re.IGNORECASE
)
FIRST_YEAR, LAST_YEAR = 1950, 2100


@dataclass(frozen=True, slots=True)
class Trouble:
    """What is wrong with one cell: the parts of a finding without its place."""

    expected: str
    got: str
    todo: str = ""


@dataclass(frozen=True, slots=True)
class Respelt:
    """A value that was understood although it was spelt another way.

    ``unit`` is what stood behind a number and has to be that of the row.
    """

    value: CellValue
    got: str
    unit: str = ""


CellValue = str | float | dt.date
Answer = CellValue | Trouble | Respelt


def cell_reader(
    column: Column, *, mark: DecimalMark = ".", mixed: bool = False, order: DateOrder = ""
) -> Callable[[str], Answer]:
    """The function that reads the non-empty, trimmed cells of a column.

    What can only mean one thing is understood, and noted; what can mean two is refused.

    Parameters
    ----------
    column : Column
    mark : {".", ","}
        Decimal mark of the whole column.
    mixed : bool
        Whether both marks occur in the column.
    order : {"day", "month", ""}
        Which comes first in dates such as 03/04/2026; empty where the study has not said.
    """
    if column.kind == "date":
        return lambda text: understood_date(text, order)
    if column.kind in ("number", "whole"):
        return lambda text: understood_number(text, column, mark=mark, mixed=mixed)
    if column.kind == "choice":
        return lambda text: read_choice(text, column.choices)
    if column.kind == "yes_no":
        return lambda text: read_choice(text, YES_NO)
    if column.kind == "code":
        return lambda text: read_code(text, person=column.name in PEOPLE_COLUMNS)
    return lambda text: text


def read_code(text: str, *, person: bool) -> Answer:
    """An identifier; a name, an e-mail address or a telephone number is refused and not repeated."""
    mark = personal_mark(text, person=person)
    if mark:
        return Trouble(
            "a code such as C014, which tells nothing about the person" if person else "a code",
            f"what looks like {mark} (not repeated here)",
            "Use a code, and keep the list of names elsewhere.",
        )
    trouble = code_trouble(text)
    joined = re.sub(r"\s+", "", text)
    if person and joined != text and re.search("[0-9]", joined) and not code_trouble(joined):
        return Respelt(joined, text)  # no code has a blank
    if trouble:
        todo = f"Write {'_'.join(text.split())}." if "blank" in trouble else "Type the code anew, shorter."
        return Trouble("a code of letters, digits, - and _", f"{text!r}, with {trouble}", todo)
    return text


def read_choice(text: str, choices: Sequence[str]) -> Answer:
    """One of the allowed words; capitals are passed over, and reported."""
    if text in choices:
        return text
    same = [choice for choice in choices if _bare(choice) == _bare(text)]
    meant = same[0] if len(same) == 1 else _MEANT.get(_bare(text), "")
    if meant in choices:
        return Respelt(meant, text)
    near = "yes" if tuple(choices) == YES_NO and _bare(text) == "x" else nearest_known(text, choices)
    return Trouble(listed(choices), repr(text), f"Write {near}." if near else "Write one of these words.")


def _bare(text: str) -> str:
    """Without capitals, and without what divides words."""
    return re.sub(r"[\s_\-]+", "", text).casefold()


_MEANT = {
    **dict.fromkeys(("y", "true", "1"), "yes"), **dict.fromkeys(("n", "false", "0"), "no"),
    **dict.fromkeys(("lbs", "pound", "pounds"), "lb"), **dict.fromkeys(("kgs", "kilo", "kilos"), "kg"),
    "newton": "N", "new": "novice", "experienced": "trained", "canceled": "cancelled",
}  # fmt: skip
"""Words that can only mean one of the allowed ones, where that one is allowed."""


def decimal_mark(cells: Sequence[str]) -> tuple[DecimalMark, str]:
    """Decimal mark of a column, and why the other one cannot be accepted in it.

    Parameters
    ----------
    cells : sequence of str
        The non-empty cells of a number column.

    Returns
    -------
    (str, str)
        The mark of most cells that have one, a point where there are none or as many of both. The
        second is ``"mixed"`` where both marks occur, ``"thousands"`` where every comma could as well
        divide thousands, else ``""``.

    Examples
    --------
    >>> decimal_mark(["81,5", "70"]), decimal_mark(["81,5", "70.5"]), decimal_mark(["1,250", "80"])
    ((',', ''), ('.', 'mixed'), ('.', 'thousands'))
    """
    commas = [cell for cell in cells if _COMMA.fullmatch(cell)]
    points = sum("." in cell and _POINT.fullmatch(cell) is not None for cell in cells)
    if not commas:
        return ".", ""
    if points:
        return (",", "mixed") if len(commas) > points else (".", "mixed")
    if all(re.fullmatch(r"[+\-−]?[1-9][0-9]{0,2},[0-9]{3}", cell) for cell in commas):
        return ".", "thousands"
    return ",", ""


def read_number(text: str, column: Column, *, mark: DecimalMark = ".") -> Answer:
    """A number with the column's decimal mark, within the column's bounds."""
    kind = "a whole number" if column.kind == "whole" else "a number"
    pattern, other = (_POINT, _COMMA) if mark == "." else (_COMMA, _POINT)
    if not pattern.fullmatch(text) and not (mark == "," and re.fullmatch(r"[+\-−]?[0-9]+", text)):
        if other.fullmatch(text):
            return _wrong_mark(text, kind, mark)
        todo = "Digits only." if column.kind == "whole" else "Digits and one decimal mark only."
        if _NUMBER_WITH_UNIT.fullmatch(text):
            todo = "Leave the unit out of this cell."
        return Trouble(kind, repr(text), todo)
    value = float(text.replace(",", ".").replace("−", "-"))
    if not math.isfinite(value):
        return Trouble(kind, repr(text), "Check the number.")
    if column.kind == "whole" and value != round(value):
        return Trouble(kind, repr(text), "Write whole numbers only.")
    if not column.lowest <= value <= column.highest:
        return Trouble(f"{kind} {_bounds(column)}", text, "Check the number.")
    return value


_NUMBER_AND_UNIT = re.compile(r"(.*[0-9])\s*(kgs?|lbs?)\.?", re.IGNORECASE)
_BOTH_MARKS = re.compile(r"[1-9][0-9]{0,2}(?:,[0-9]{3})+\.[0-9]+|[1-9][0-9]{0,2}(?:\.[0-9]{3})+,[0-9]+")
_PERHAPS_THOUSANDS = re.compile(r"([+\-−]?[1-9][0-9]{0,2})[.,]([0-9]{3})")
_NO_THOUSANDS = re.compile(r"[+\-−]?(?:0[.,][0-9]+|[0-9]+[.,](?:[0-9]{1,2}|[0-9]{4,}))")


def understood_number(text: str, column: Column, *, mark: DecimalMark = ".", mixed: bool = False) -> Answer:
    """`read_number`, and what can only be one number although the column writes another way.

    Where both marks occur in the column, what could be thousands is refused under either.

    Examples
    --------
    >>> load = Column("load", "number", "a load")
    >>> understood_number("81,5", load), understood_number("1.234,5", load)
    (Respelt(value=81.5, got='81,5', unit=''), Respelt(value=1234.5, got='1.234,5', unit=''))
    >>> understood_number("176 lb", load), understood_number("1,250", load).got
    (Respelt(value=176.0, got='176 lb', unit='lb'), '1,250, which can be read as 1.250 or as 1250')
    """
    if column.name == "load" and (split := _NUMBER_AND_UNIT.fullmatch(text)):
        inside = understood_number(split[1], column, mark=mark, mixed=mixed)
        if isinstance(inside, Trouble):
            return inside
        value = inside.value if isinstance(inside, Respelt) else inside
        return Respelt(value, text, split[2].casefold().removesuffix("s"))
    if mixed and (either := _PERHAPS_THOUSANDS.fullmatch(text)):
        readings = f"{text}, which can be read as {either[1]}.{either[2]} or as {either[1]}{either[2]}"
        return Trouble("one decimal mark in the whole column", readings, "Write the one that is meant.")
    answer = read_number(text, column, mark=mark)
    if isinstance(answer, Trouble):
        if _BOTH_MARKS.fullmatch(text):
            last = max(text.rfind(","), text.rfind("."))
            plain = f"{re.sub('[.,]', '', text[:last])}.{text[last + 1 :]}"
        elif _NO_THOUSANDS.fullmatch(text):
            plain = text.replace(",", ".")
        else:
            return answer
        again = read_number(plain, column)
        return again if isinstance(again, Trouble | Respelt) else Respelt(again, text)
    return answer


def _wrong_mark(text: str, kind: str, mark: DecimalMark) -> Trouble:
    if mark == ",":
        return Trouble(
            f"{kind} with a decimal comma, as in most of the column",
            text,
            f"Write {text.replace('.', ',')}, or use the point in the whole column.",
        )
    whole, part = text.split(",")
    return Trouble(
        f"{kind} with a decimal point, or a decimal comma in every number of the column",
        f"{text}, which can be read as {whole}.{part} or as {whole}{part}" if len(part) == 3 else text,
        "Write it with a decimal point, without a mark for thousands.",
    )


def _bounds(column: Column) -> str:
    if math.isinf(column.highest):
        return f"from {column.lowest:g}"
    if math.isinf(column.lowest):
        return f"up to {column.highest:g}"
    return f"from {column.lowest:g} to {column.highest:g}"


def read_date(text: str) -> Answer:
    """A day as YYYY-MM-DD; other forms are refused with their possible readings.

    Examples
    --------
    >>> read_date("2026-03-09")
    datetime.date(2026, 3, 9)
    >>> read_date("03/04/2025").got
    '03/04/2025, which can be read as 2025-04-03 (day first) or 2025-03-04 (month first)'
    """
    parts = _ISO.fullmatch(text)
    if parts is None:
        return _other_date(text)
    day = calendar_day(*map(int, parts.groups()))
    if day is None:
        return Trouble("a day of the calendar, as YYYY-MM-DD", text, "There is no such day.")
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        return Trouble(f"a year from {FIRST_YEAR} to {LAST_YEAR}", text, "Check the year.")
    return day


def understood_date(text: str, order: DateOrder = "") -> Answer:
    """`read_date`, and what can only be one day: other forms, a count of days, an order said for the study.

    Years of two digits are refused whatever the order: 26-03-09 has three readings.

    Examples
    --------
    >>> understood_date("03/04/2026", "day").value, understood_date("25/03/2026").value
    (datetime.date(2026, 4, 3), datetime.date(2026, 3, 25))
    >>> understood_date("46090.75").value, understood_date("2026-03-09 18:30").value
    (datetime.date(2026, 3, 9), datetime.date(2026, 3, 9))
    >>> understood_date("03/25/2026", "day").todo
    'Day first was said for this study; write 2026-03-25 if that is meant.'
    """
    strict = read_date(text)
    if not isinstance(strict, Trouble) or _ISO.fullmatch(text):
        return strict
    found = date_readings(re.sub(r"^([0-9]{5})[.,][0-9]+$", r"\1", text))
    day = found.day_first if order == "day" else found.month_first
    if not order and not found.ambiguous:
        day = found.day_first or found.month_first
    other = found.month_first if order == "day" else found.day_first
    if order and day is None and other is not None and _has_whole_year(text):
        todo = f"{order.capitalize()} first was said for this study; write {other} if that is meant."
        return Trouble(f"a date with the {order} first", text, todo)
    if day is None or (found.ambiguous and not order) or not _has_whole_year(text):
        return strict
    again = read_date(day.isoformat())
    return again if isinstance(again, Trouble) else Respelt(day, text)


def _has_whole_year(text: str) -> bool:
    return re.search(r"[0-9]{4}", text) is not None


def _other_date(text: str) -> Trouble:
    """Say what a date in another form could mean; never guess."""
    expected = "a date as YYYY-MM-DD"
    timed = _ISO_WITH_TIME.fullmatch(text)
    if timed:
        return Trouble(expected, text, f"Leave out the time of day: {timed[1]}.")
    found = date_readings(text)
    if is_day_count(text):
        return Trouble(
            expected,
            text,
            f"If this is a spreadsheet's count of days, {found.day_first} is meant; "
            "format the column as text.",
        )
    day_first, month_first = found.day_first, found.month_first
    readings = [f"{day_first}{'' if found.ordered else ' (day first)'}"] if day_first else []
    readings += [f"{month_first} (month first)"] if month_first and month_first != day_first else []
    if readings:
        return Trouble(
            expected,
            f"{text}, which can be read as {' or '.join(readings)}",
            f"Write the one that is meant{SAY_ORDER if len(readings) > 1 and _has_whole_year(text) else ''}.",
        )
    return Trouble(expected, repr(text), "Write year, month and day, such as 2026-03-09.")
