"""Stretches in which nobody trained at all, and where records end: an absence of the records is no departure.

A client counts as having left after so many days without a session. If the whole studio has no session for
as long (closed, not exported, a slip in a date), everybody would count as having left.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from studykit.errors import DesignError
from studykit.lookback.log import AttendanceLog, Integers, day_of
from studykit.retention.countable import countable_days_of

Closures = Sequence[tuple[int, int]]

USUAL_DAYS = 7  # without a session: a week off needs no word
_THIN = 0.25  # of the usual number of sessions
_LEAST_USUAL = 20  # sessions in such a window, below which chance alone may thin it out
_SHOWN = 3


@dataclass(frozen=True, slots=True, eq=False)
class Gaps:
    """From each day with a session to the next one, and from the last one to the end of the records.

    Parameters
    ----------
    before, after : ndarray of int, shape (k,)
        The days around; the last ``after`` is the end of the records.
    days : ndarray of int, shape (k,)
        Days from one to the other on which the studio was open: as they count towards a departure.
    """

    before: Integers
    after: Integers
    days: Integers


def gaps(days: Integers, closures: Closures, last_day: int) -> Gaps:
    """Every stretch without a session.

    Parameters
    ----------
    days : ndarray of int
        Days of attended sessions, in any order, at least one.
    closures : sequence of (int, int)
    last_day : int
        End of the records, not before the last session.

    Examples
    --------
    >>> gaps(np.array([1, 4, 20]), [(5, 14)], 25).days.tolist()
    [3, 6, 5]
    """
    seen = np.unique(days)
    ends = np.append(seen[1:], last_day)
    opened = countable_days_of(int(seen[0]), last_day, closures=closures).open_days
    return Gaps(seen, ends, opened[ends - seen[0]] - opened[seen - seen[0]])


def end_of_records(days: Integers, closures: Closures, said: int, absence_days: int) -> int:
    """The day said, or the last session where it follows by more than the studio was ever without one.

    A silence that is long for this studio says that sessions of these days are missing. One that would make
    departures is not mended here but refused, see `refuse_silence`.
    """
    found = gaps(days, closures, said)
    usual = max(int(found.days[:-1].max(initial=0)), USUAL_DAYS)
    return int(found.before[-1]) if usual < found.days[-1] < absence_days else said


@dataclass(frozen=True, slots=True)
class SilenceDoubt:
    """A stretch in which nobody trained, or hardly anybody: a person has to say why.

    Parameters
    ----------
    spans : tuple of (int, int)
        First and last days; for sessions that thin out, the days after the last usual one.
    thin : bool
        Sessions thin out; else there is none at all.
    refusal : DesignError
        What to say where nobody can be asked.
    """

    spans: tuple[tuple[int, int], ...]
    thin: bool
    refusal: DesignError


WHYS = ("closed", "missing", "empty")  # the studio was; sessions are; really nobody came
SAY_WHY = "--gap {}..{}=closed, =missing (not exported) or =empty (open, and nobody came)"


def refuse_silence(log: AttendanceLog, absence_days: int) -> None:
    """Refuse records in which a silence of the whole studio would make departures.

    Parameters
    ----------
    log : AttendanceLog
    absence_days : int
        Days without attendance that make a departure; a silence of as many is refused.

    Raises
    ------
    DesignError
        If there is such a silence, or sessions thin out before the records end.
    """
    doubt = silence_doubt(log, absence_days)
    if doubt is not None:
        raise doubt.refusal


def silence_doubt(log: AttendanceLog, absence_days: int) -> SilenceDoubt | None:
    """What `refuse_silence` refuses, for whoever can ask; nothing where all is well."""
    if not log.session_day.size:
        return None
    found = gaps(log.session_day, log.closures, max(log.last_day, int(log.session_day.max())))
    said = np.array([any(a <= day + 1 <= b for a, b in log.empty) for day in found.before.tolist()])
    long = np.flatnonzero((found.days >= absence_days) & ~said)
    if not long.size:
        return None if said[-1] else _thin_end(log, absence_days)
    if long[-1] == len(found.days) - 1:
        begin, end = int(found.before[-1]) + 1, int(found.after[-1])
        last = day_of(found.before[-1])
        return SilenceDoubt(((begin, end),), False, DesignError(
            where="look back, end of the records",
            expected=f"a session in the last {absence_days} days",
            got=f"the last one on {last}, records to {day_of(end)}",
            todo="Else everybody counts as having left. Say when they were exported: "
            f"--exported-on {last}. If the studio was closed, give the "
            "days: --closures FILE, with columns first_day and last_day. Or say why: "
            f"{SAY_WHY.format(day_of(begin), day_of(end))}.",
        ))  # fmt: skip
    spans = tuple((int(found.before[k]) + 1, int(found.after[k]) - 1) for k in long)
    shown = [f"{day_of(begin)} to {day_of(end)}" for begin, end in spans[:_SHOWN]]
    more = f" and {long.size - _SHOWN} more" if long.size > _SHOWN else ""
    return SilenceDoubt(spans, False, DesignError(
        where="look back",
        expected=f"a session within every {absence_days} days, else everybody counts as having left",
        got=f"none from {', '.join(shown)}{more}",
        todo="If the studio was closed, give the days: --closures FILE, with columns first_day and "
        "last_day. If sessions are missing or dates wrong, export them again or correct them. Or say why: "
        f"{SAY_WHY.format(*map(day_of, spans[0]))}.",
    ))  # fmt: skip


def how_it_ends(log: AttendanceLog, absence_days: int) -> tuple[int, float]:
    """Sessions in the last so many open days of the records, and the median of as many before, or nan."""
    counts, _, _ = _by_stretch(log, absence_days)
    return int(counts[0]) if len(counts) else 0, float(np.median(counts[1:])) if len(
        counts
    ) > _SHOWN else np.nan


def _by_stretch(log: AttendanceLog, width: int) -> tuple[Integers, Integers, Integers]:
    """Sessions in stretches of so many open days, the last first; sorted open days of sessions, and days."""
    calendar = countable_days_of(log.first_day, log.last_day, closures=log.closures)
    inside = log.session_day[(log.session_day >= log.first_day) & (log.session_day <= log.last_day)]
    day = calendar.open_days[inside - log.first_day]
    ends = np.arange(int(calendar.open_days[-1]), width - 1, -width)
    return _sessions_up_to(np.sort(day), ends, width), day, inside


def _sessions_up_to(held: Integers, ends: Integers, width: int) -> Integers:
    begin, stop = (np.searchsorted(held, ends - back, side="right") for back in (width, 0))
    return np.asarray(stop - begin, dtype=np.int64)


def _thin_end(log: AttendanceLog, absence_days: int) -> SilenceDoubt | None:
    """A few late sessions must not carry the end of the records beyond the others."""
    counts, day, inside = _by_stretch(log, absence_days)
    held = np.sort(day)
    usual = float(np.median(counts[1:])) if len(counts) > _SHOWN else 0.0
    if usual < _LEAST_USUAL or counts[0] >= _THIN * usual:
        return None
    dense = held[2 * _sessions_up_to(held, held, USUAL_DAYS) >= usual * USUAL_DAYS / absence_days]
    ends = int(inside[day == dense[-1]].max())
    return SilenceDoubt(((ends + 1, log.last_day),), True, DesignError(
        where="look back, end of the records",
        expected=f"about {usual:g} sessions in the last {absence_days} days, as in others before",
        got=f"{counts[0]}, up to {day_of(log.last_day)}",
        todo=f"Correct late dates that are slips; if sessions after {day_of(ends)} are missing, say where "
        f"the records end: --exported-on {day_of(ends)}.",
    ))  # fmt: skip
