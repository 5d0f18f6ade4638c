"""Results with what is needed to write them: names of arms and visits, scales, planned looks."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Protocol

from studykit.outcomes.results import OutcomeEstimate, StudyResults
from studykit.protocol import types as protocol_types
from studykit.report.numbers import Scale, level, p_exact, p_value, points, statistic_text
from studykit.results import Interval


class AmendmentRecord(Protocol):
    """What the report needs to know of an amendment; the ledger's own amendments have it."""

    @property
    def by(self) -> str:
        """Code of who entered it."""

    @property
    def event_time(self) -> str:
        """From when it holds."""

    @property
    def reason(self) -> str:
        """Why."""

    @property
    def changed(self) -> tuple[str, ...]:
        """Keys of the protocol that differ from the text before."""


class LookRecord(Protocol):
    """What the report needs to know of a look; the ledger's entries have it."""

    @property
    def by(self) -> str:
        """Code of who looked."""

    @property
    def event_time(self) -> str:
        """When."""

    @property
    def body(self) -> Mapping[str, Any]:
        """May hold ``reason`` and ``planned``."""


def _put(pattern: str, name: str, text: str) -> str:
    """The text with a name, taken as it is, wherever the pattern stands."""
    return re.sub(pattern, lambda _found: name, text)


def spaced(code: str) -> str:
    """A code as words.

    Examples
    --------
    >>> spaced("partner_reps")
    'partner reps'
    """
    return code.replace("_", " ")


def name_of(code: str, names: Mapping[str, str] | None) -> str:
    """The name of a code, or the code as words.

    Examples
    --------
    >>> name_of("week_12", {"week_12": "week 12 after allocation"}), name_of("week_12", None)
    ('week 12 after allocation', 'week 12')
    """
    return (names or {}).get(code, spaced(code))


def short_label(code: str, name: str) -> str:
    """A name that fits into a sentence and beside a line, or the code as words.

    Examples
    --------
    >>> short_label("partner_reps", "conventional sets, then partner reps")
    'partner reps'
    >>> short_label("conventional", "conventional sets")
    'conventional sets'
    """
    return name if name and len(name) <= 24 and "," not in name else spaced(code)


def capital(text: str) -> str:
    """The text with its first letter large.

    Examples
    --------
    >>> capital("strength in kg")
    'Strength in kg'
    """
    return text[:1].upper() + text[1:]


def whole(text: str) -> str:
    """The text with one full stop at its end."""
    return f"{text.rstrip('. ')}."


@dataclass(frozen=True, slots=True)
class Reading:
    """Results beside their protocol, where there is one.

    Parameters
    ----------
    results : StudyResults
    protocol : Protocol or None
        Without it, visits go by their codes and units are shown with one decimal.
    amendments, looks : tuple
        From the ledger.
    earlier_records : tuple of str
        Attendance records that were looked at before the study, as the ledger tells.
    manuscript : bool
        Whether statistics in sentences carry their degrees of freedom, as a manuscript has them.
    """

    results: StudyResults
    protocol: protocol_types.Protocol | None = None
    amendments: tuple[AmendmentRecord, ...] = ()
    looks: tuple[LookRecord, ...] = ()
    earlier_records: tuple[str, ...] = ()
    manuscript: bool = False

    @property
    def arms(self) -> tuple[str, ...]:
        """Arm codes, the reference arm first."""
        return tuple(code for code, _ in self.results.arms)

    def arm(self, code: str) -> str:
        """A short label of an arm: its name where that is short, else its code as words.

        The header of the report sets long names beside their labels, see `arm_key`.
        """
        return short_label(code, dict(self.results.arms).get(code, ""))

    def arm_key(self) -> str:
        """Long names of arms beside their labels, or nothing where every name is its own label."""
        pairs = [(self.arm(code), name) for code, name in self.results.arms]
        return "; ".join(f"{label} = {name}" for label, name in pairs if name not in {label, ""})

    @property
    def compared(self) -> str:
        """Name of the arm that is compared."""
        return self.arm(self.results.comparison[0])

    @property
    def reference(self) -> str:
        """Name of the reference arm."""
        return self.arm(self.results.comparison[1])

    @property
    def number_of_trainers(self) -> int:
        """Trainers over the arms: the most that any arm had (trainers may deliver both)."""
        return max((arm.trainers for arm in self.results.flow.arms), default=0)

    def at(self, visit: str) -> str:
        """The name of a visit after "at": as it is where it is a week or the like, else as a quotation."""
        name = self.visit(visit)
        plain = re.match(r"(baseline|(week|month|day|visit|session)s?\b)", name, re.IGNORECASE)
        return f"at {name}" if plain else f"at the visit \u201c{name}\u201d"

    def when(self, visit: str) -> str:
        """Where a contrast is taken: at a visit, or over periods or sides where clients get both arms."""
        at = self.at(visit)
        return at if self.protocol is None else self.protocol.plan.words.when.format(at=at)

    def visit(self, code: str) -> str:
        """The name of a visit."""
        if self.protocol is not None:
            for visit in self.protocol.visits:
                if visit.code == code:
                    return str(visit.name)
        return spaced(code)

    def exercise(self, code: str) -> str:
        """The name of an exercise."""
        if self.protocol is not None:
            for exercise in self.protocol.exercises:
                if exercise.code == code:
                    return str(exercise.name)
        return spaced(code)

    def named(self, text: str) -> str:
        """A text with the names of visits, arms and exercises in place of their codes.

        The longest code goes first, so that week_12 is not read as week_1 and a 2; codes that are plain
        words are named only where they stand as a visit or an arm does, since they may be words of the text.
        """
        if self.protocol is None:
            return spaced(text)
        text = self._named_in_place(text)
        named = [(item.code, item.name) for item in self.protocol.visits]
        named += [(item.code, self.arm(item.code)) for item in self.protocol.arms]
        named += [(item.code, item.name) for item in self.protocol.exercises]
        for code, name in sorted(named, key=lambda pair: -len(pair[0])):
            if "_" in code:
                text = text.replace(code, name)
        return spaced(text)

    def _named_in_place(self, text: str) -> str:
        """Visits after "at", arms beside "compared with" and after "in", by their names."""
        for visit in self.protocol.visits if self.protocol is not None else ():
            code = re.escape(visit.code)
            text = _put(rf"\bat (?:visit )?{code}(?![\w-])", self.at(visit.code), text)
            text = _put(rf", {code}$", f", {visit.name}", text)
        for arm in self.protocol.arms if self.protocol is not None else ():
            code, name = re.escape(arm.code), self.arm(arm.code)
            text = _put(rf"(?<![\w-]){code}(?= compared with\b)", name, text)
            text = _put(rf"\bcompared with {code}(?![\w-])", f"compared with {name}", text)
            text = _put(rf"\bin {code}(?![\w-])", f"in the arm {name}", text)
        return text

    def share_scale(self) -> Scale:
        """Differences in shares of clients."""
        return points(self.results.flow.allocated)

    def interval(self, estimate: OutcomeEstimate) -> Interval:
        """The interval at the level of the protocol."""
        return estimate.confidence_interval(self.results.confidence_level)

    def told(self, estimate: OutcomeEstimate, scale: Scale) -> str:
        """The interval and p of an estimate, as a part of a sentence; in a manuscript the statistic first.

        There the unit, which stands beside the estimate, is not repeated after the interval.
        """
        interval = self.interval(estimate)
        shown = level(interval.confidence_level)
        if not self.manuscript:
            return f"{shown} interval {scale.interval(interval)}, {p_value(estimate.p_value)}"
        tested = estimate.estimate
        statistic = statistic_text(
            getattr(tested, "statistic", math.nan), getattr(tested, "degrees_of_freedom", math.nan)
        )
        inside = f"{shown} CI {replace(scale, unit='').interval(interval)}"
        return ", ".join(text for text in (statistic, p_exact(estimate.p_value), inside) if text)

    def names(self) -> dict[str, str]:
        """Names of arms, visits and exercises by code, for the drawing functions."""
        names = {code: self.arm(code) for code in self.arms}
        if self.protocol is not None:
            names |= {visit.code: visit.name for visit in self.protocol.visits}
            names |= {exercise.code: exercise.name for exercise in self.protocol.exercises}
        return names

    def planned(self, code: str) -> Any:
        """What the protocol says of an outcome, or None without a protocol."""
        outcomes = self.protocol.outcomes if self.protocol is not None else ()
        return next((outcome for outcome in outcomes if outcome.code == code), None)
