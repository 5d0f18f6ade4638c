"""Blank is not no where nobody could have ticked: trainers, months and times without a single mark."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from studykit.lookback.log import UNKNOWN, Integers
from studykit.lookback.sieve import Flags, Sieve

_BY_LUCK = 0.001  # a month without a tick that is as unlikely as this was not recorded
_SHOWN = 6
_LEFT_OUT = "They are not taken as no: these sessions count for attendance, not for the comparison. "


def doubt_blanks(
    sieve: Sieve, index: int, *, ticked: Flags, blank: Flags, trainer: Integers, day: Integers,
    codes: Sequence[str],
) -> Flags:  # fmt: skip
    """Blank cells of a column of ticks that cannot be taken as no; each kind is pointed at.

    Parameters
    ----------
    sieve : Sieve
        Of the attendance table; findings are added.
    index : int
        Column of partner reps.
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
    sieve.notice(
        never, "no mark, and the trainer never ticked any", index=index, expected="ticks of every trainer",
        got=_listed([f"{names[k]} ({_sessions(n)})" for k, n in _counts(one[never])]),
        todo=f"{_LEFT_OUT}If a trainer did none, say so: --adopted TRAINER=never.",
    )  # fmt: skip
    sieve.notice(
        before, "no mark, before the first tick of all", index=index, expected="ticks from the beginning on",
        got=f"the first on {first.astype('datetime64[D]')}, {_sessions(int(before.sum()))} before",
        todo=f"{_LEFT_OUT}If partner reps began later than the records, say when: --adopted TRAINER=DATE.",
    )  # fmt: skip
    pairs = _counts(one[quiet] * 100_000 + months[quiet])
    sieve.notice(
        quiet, "no mark, in a month in which the trainer ticked none", index=index,
        expected="ticks in every month, as in this trainer's others",
        got=_listed([
            f"{names[k // 100_000]} in {np.datetime64(k % 100_000, 'M')} ({_sessions(n)})" for k, n in pairs
        ]),
        todo=f"{_LEFT_OUT}If the trainer began after these months, say when: --adopted TRAINER=DATE.",
    )  # fmt: skip
    return np.asarray(never | before | quiet, dtype=bool)


def said_to_be_no(trainer: Integers, day: Integers, since: Integers) -> Flags:
    """Sessions before their trainer worked with partner reps, as somebody stated.

    Parameters
    ----------
    trainer, day : ndarray of int, shape (rows,)
    since : ndarray of int, shape (trainers,)
        Stated day of each, far in the past where nothing is known.
    """
    known = np.append(since, np.iinfo(np.int64).min)  # the last stands for an unknown trainer
    return np.asarray(day < known[trainer], dtype=bool)


def _has(rows: Flags, group: Integers) -> Flags:
    """Whether the group of each row has any of these rows."""
    return np.asarray(np.bincount(group[rows], minlength=int(group.max()) + 1)[group] > 0, dtype=bool)


def _quiet(ticked: Flags, blank: Flags, trainer: Integers, month: Integers) -> Flags:
    """Rows of a trainer's month without a tick that luck does not explain."""
    _, cell = np.unique(np.stack([trainer, month]), axis=1, return_inverse=True)
    counted = ticked | blank
    ticks, sessions = (np.bincount(cell[rows], minlength=int(cell.max()) + 1) for rows in (ticked, counted))
    loud = counted & (ticks[cell] > 0)
    size = int(trainer.max()) + 1
    share = np.bincount(trainer[ticked], minlength=size) / np.maximum(
        np.bincount(trainer[loud], minlength=size), 1
    )
    luck: NDArray[np.float64] = (1.0 - share[trainer]) ** sessions[cell]
    return np.asarray((ticks[cell] == 0) & (luck < _BY_LUCK), dtype=bool)


def _counts(values: Integers) -> list[tuple[int, int]]:
    found, number = np.unique(values, return_counts=True)
    return list(zip(found.tolist(), number.tolist(), strict=True))


def _sessions(number: int) -> str:
    return f"{number} session{'' if number == 1 else 's'}"


def _listed(parts: Sequence[str]) -> str:
    more = f" and {len(parts) - _SHOWN} more" if len(parts) > _SHOWN else ""
    return ", ".join(parts[:_SHOWN]) + more
