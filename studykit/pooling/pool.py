"""Pooling the files of a joining list: who is in, who is missing, and what these studios say together."""

from __future__ import annotations

import datetime as dt
import hashlib
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from studykit.errors import ArgumentError, DesignError, FolderError
from studykit.pooling.joining_list import FEW, JoiningList, Member
from studykit.pooling.judging import notes_on, why_refused
from studykit.pooling.statistics import one_further_studio, studios_like_these, these_studios
from studykit.pooling.studio_file import StudioFile, read_studio_file
from studykit.protocol.local_time import studio_day
from studykit.results import Estimate, Interval, Result
from studykit.retention.risk_difference import RiskDifference, risk_difference
from studykit.retention.stratified_counts import StratifiedCounts

ENOUGH_FOR_ONE_MORE = 10
ROUGH_BELOW = 20
_MOST_BYTES = 200_000
Presentation = Literal["ratio", "difference"]


@dataclass(frozen=True, slots=True)
class PooledAnswer(Result):
    """One answer; ``name`` says of whom: a studio, these studios, studios like these, one further studio."""

    name: str
    estimate: Estimate

    @property
    def value(self) -> float:
        """On the scale of the analysis."""
        return self.estimate.value

    @property
    def p_value(self) -> float:
        """Two-sided, of no difference."""
        return self.estimate.p_value

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """On the scale of the analysis."""
        return self.estimate.confidence_interval(confidence_level)


@dataclass(frozen=True, slots=True)
class PooledStudio(PooledAnswer):
    """One studio that is in the pooling; counts are (reference arm, compared arm)."""

    promised: int
    allocated: int
    tested: tuple[int, int]
    known: tuple[int, int]
    retained: tuple[int, int]
    hurt: tuple[int, int]
    serious: tuple[int, int]
    attended: tuple[int, int]
    booked: tuple[int, int]
    with_partner_reps: int
    log_rank: tuple[float, float]
    notes: tuple[str, ...]
    code: str


@dataclass(frozen=True, slots=True)
class LeftOut(Result):
    """A file that is not in the pooling, and why."""

    file: str
    studio: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Pooled(Result):
    """What the studios of a list say together; `studykit.to_frame` takes ``studios`` and ``answers``.

    Parameters
    ----------
    listed : JoiningList
    studios : tuple of PooledStudio
        By code.
    missing : tuple of Member
        Studios of the list without a file in the pooling.
    left_out : tuple of LeftOut
    answers : tuple of PooledAnswer
        On strength: these studios; from five on studios like these; from ten on one further studio.
    spread : float or None
        Standard deviation between studios; None with fewer than five.
    retention : RiskDifference or None
        Of these studios, within studios; exact from counts.
    log_rank : (float, float) or None
        Chi-squared on one degree of freedom, and its p-value.
    without : tuple of PooledAnswer
        These studios without each one of them.
    missing_would_need : float or None
        What missing studios would have to show on average to bring these studios to no difference.
    code : str
        Of the pooled set; the order of files is without effect.
    drawn : tuple of str
        Studios that are to show their folder: one in ten, by that code.
    is_early : bool
        Whether files were opened before the day on which they are due.
    """

    listed: JoiningList
    studios: tuple[PooledStudio, ...]
    missing: tuple[Member, ...]
    left_out: tuple[LeftOut, ...]
    answers: tuple[PooledAnswer, ...]
    spread: float | None
    retention: RiskDifference | None
    log_rank: tuple[float, float] | None
    without: tuple[PooledAnswer, ...]
    missing_would_need: float | None
    code: str
    drawn: tuple[str, ...]
    is_early: bool

    def __getitem__(self, name: str) -> PooledAnswer:
        """The answer of this name.

        Raises
        ------
        DesignError
            If so few studios do not give it.
        """
        for answer in self.answers:
            if answer.name == name:
                return answer
        known = ", ".join(answer.name for answer in self.answers)
        raise DesignError(where=f"pooled[{name!r}]", expected=f"one of {known}", got=name)

    @property
    def presentation(self) -> Presentation:
        """How a value is told: exponentiated, or as it is."""
        return "ratio" if self.listed.head["scale"] == "log" else "difference"


def pool(
    joining_list: str | Path,
    files: Iterable[str | Path],
    *,
    reason: str = "",
    today: dt.date | None = None,
) -> Pooled:
    """Pool the files of studios by their joining list; nothing is written.

    Parameters
    ----------
    joining_list : path
    files : iterable of path
        In any order.
    reason : str
        Why files are opened before the day on which they are due, or again with other files.
    today : date, optional

    Raises
    ------
    ArgumentError
        If the list is none, or fewer than two files can be pooled; the reasons are told.
    DesignError
        If the list is not closed, or an early or second pooling has no reason.
    FolderError
        If a file cannot be read.
    """
    where = str(joining_list)
    listed = JoiningList.read(content_of(Path(joining_list)).decode("utf-8", "replace"), where=where)
    day = today or studio_day()
    if day <= listed.closes:
        raise DesignError(
            where=where, expected=f"a list that is closed, after {listed.closes}", got=f"{day}",
            todo="Wait until nobody can join any more; who saw results could still choose to.",
        )  # fmt: skip
    found = pooled(listed, ((Path(path).name, content_of(Path(path))) for path in files), day=day)
    again = any(opening.code != found.code for opening in listed.openings)
    if (found.is_early or again) and not reason.strip():
        raise DesignError(
            where=where,
            expected=f"one pooling, on {listed.due} or later" if found.is_early else "one pooling of one set",
            got=f"{day}" if found.is_early else "another set of files than was opened before",
            todo="Wait, or say why: --reason TEXT. It is then written into the list and printed as a look.",
        )  # fmt: skip
    return found


def content_of(path: Path) -> bytes:
    """What a file holds, or one sentence on why it cannot be read."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise FolderError(
            where=str(path), expected="a file that can be read", got=error.strerror or "none",
            todo="Check the name.",
        ) from None  # fmt: skip


def pooled(
    listed: JoiningList, contents: Iterable[tuple[str, bytes]], *, day: dt.date | None = None
) -> Pooled:
    """As `pool`, from names and contents; each content is let go once it is read."""
    used: dict[str, PooledStudio] = {}
    left: list[LeftOut] = []
    for name, content in contents:
        found = _judged(name, content, listed)
        if isinstance(found, LeftOut):
            left.append(found)
        elif found.name in used:
            same = "the same file" if used[found.name].code == found.code else "another file"
            left.append(LeftOut(name, found.name, (f"a second file of this studio, {same}",)))
        else:
            used[found.name] = found
    studios = tuple(used[name] for name in sorted(used))
    if len(studios) < 2:
        reasons = "; ".join(f"{item.file}: {', '.join(item.reasons)}" for item in left) or "no file left out"
        raise ArgumentError(
            where="pooling", expected="files of two studios or more that can be pooled",
            got=f"{len(studios)} ({reasons})", todo="Ask for the files that are missing.",
        )  # fmt: skip
    return _answered(listed, studios, tuple(left), early=day is not None and day < listed.due)


def _judged(name: str, content: bytes, listed: JoiningList) -> PooledStudio | LeftOut:
    if len(content) > _MOST_BYTES:
        return LeftOut(name, "", ("far too long for a studio's file",))
    try:
        file = read_studio_file(content, where=name)
    except ArgumentError as error:
        return LeftOut(name, "", (error.got,))
    if reasons := why_refused(file, listed):
        return LeftOut(name, file.studio, reasons)
    return _studio(file, listed.members[file.studio])


def _studio(file: StudioFile, member: Member) -> PooledStudio:
    first, second = file.pair
    strength = file.strength
    return PooledStudio(
        name=file.studio,
        estimate=Estimate(strength.estimate, strength.error, strength.freedom, "as handed in"),
        promised=member.clients,
        allocated=file.allocated,
        tested=(first.tested, second.tested),
        known=(first.known, second.known),
        retained=(first.retained, second.retained),
        hurt=(first.hurt, second.hurt),
        serious=(first.serious, second.serious),
        attended=(first.attended, second.attended),
        booked=(first.booked, second.booked),
        with_partner_reps=second.with_partner_reps,
        log_rank=file.retention.log_rank if file.retention else (0.0, 0.0),
        notes=notes_on(file, member),
        code=file.code,
    )


def _answered(
    listed: JoiningList, studios: tuple[PooledStudio, ...], left: tuple[LeftOut, ...], *, early: bool
) -> Pooled:
    names = {studio.name for studio in studios}
    missing = tuple(member for name, member in listed.members.items() if name not in names)
    code = hashlib.sha256("".join(sorted(studio.code for studio in studios)).encode()).hexdigest()
    answers, spread = _strength(studios)
    return Pooled(
        listed=listed,
        studios=studios,
        missing=missing,
        left_out=left,
        answers=answers,
        spread=spread,
        retention=_retention(studios) if int(listed.head["horizon"]) else None,
        log_rank=_log_rank(studios),
        without=tuple(_without(studios)),
        missing_would_need=_would_need(studios, missing, answers[0].value),
        code=code,
        drawn=drawn_studios(code, sorted(names)),
        is_early=early,
    )


def _arrays(studios: tuple[PooledStudio, ...]) -> tuple[np.ndarray, ...]:
    rows = [
        (one.estimate.value, one.estimate.standard_error, one.estimate.degrees_of_freedom, sum(one.tested))
        for one in studios
    ]
    return tuple(np.array(rows, dtype=float).T)


def _strength(studios: tuple[PooledStudio, ...]) -> tuple[tuple[PooledAnswer, ...], float | None]:
    values, errors, freedoms, tested = _arrays(studios)
    answers = [PooledAnswer("these studios", these_studios(values, errors, freedoms, tested))]
    if len(studios) < FEW:
        return tuple(answers), None
    like, spread = studios_like_these(values, errors)
    answers.append(PooledAnswer("studios like these", like))
    if len(studios) >= ENOUGH_FOR_ONE_MORE:
        answers.append(PooledAnswer("one further studio", one_further_studio(like, spread)))
    return tuple(answers), spread


def _without(studios: tuple[PooledStudio, ...]) -> Iterator[PooledAnswer]:
    """These studios without each: the sums of all, less one."""
    if len(studios) < 3:
        return
    values, errors, freedoms, tested = _arrays(studios)
    sums = [
        (part.sum() - part)
        for part in (tested * values, (tested * errors) ** 2, (tested * errors) ** 4 / freedoms)
    ]
    rest = tested.sum() - tested
    for place, studio in enumerate(studios):
        value, variance, fourth = (float(part[place]) for part in sums)
        error = math.sqrt(variance) / float(rest[place])
        estimate = Estimate(value / float(rest[place]), error, variance**2 / fourth, "without one studio")
        yield PooledAnswer(f"without {studio.name}", estimate)


def _retention(studios: tuple[PooledStudio, ...]) -> RiskDifference | None:
    counts = StratifiedCounts(
        [one.retained for one in studios],
        [one.known for one in studios],
        strata=tuple(one.name for one in studios),
    )
    return risk_difference(counts) if counts.informative.any() else None


def _log_rank(studios: tuple[PooledStudio, ...]) -> tuple[float, float] | None:
    from scipy.special import chdtrc

    distance, variance = (math.fsum(one.log_rank[part] for one in studios) for part in (0, 1))
    if variance <= 0.0:
        return None
    return distance**2 / variance, float(chdtrc(1, distance**2 / variance))


def _would_need(studios: tuple[PooledStudio, ...], missing: tuple[Member, ...], value: float) -> float | None:
    """By promised clients, of whom as many are taken to be tested as in these studios."""
    if not missing:
        return None
    tested, allocated = sum(sum(one.tested) for one in studios), sum(one.allocated for one in studios)
    absent = sum(member.clients for member in missing) * tested / allocated
    return -value * tested / absent if absent else None


def drawn_studios(code: str, names: Iterable[str]) -> tuple[str, ...]:
    """One studio in ten, at least one, by the code of the pooled set: nobody chooses.

    Examples
    --------
    >>> drawn_studios("0" * 64, ["S01", "S02", "S03"])
    ('S03',)
    """
    order = sorted(names, key=lambda name: hashlib.sha256(f"{code} {name}".encode()).hexdigest())
    return tuple(sorted(order[: math.ceil(len(order) / 10)]))
