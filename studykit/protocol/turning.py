"""Rules for designs in which one client gets both arms: periods, sides, steps."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from studykit.errors import Finding
from studykit.protocol.lines import Path
from studykit.protocol.places import Places
from studykit.protocol.turns import TURNING
from studykit.protocol.types import ContinuousOutcome, Protocol, RetentionOutcome, TrainersTogether

_DOMINANT = "dominant"
_TESTED_WITHIN = 14  # days after the end of a period: judgement, no source


def turning_findings(protocol: Protocol, at: Places) -> Iterator[Finding]:
    """What does not fit together where a client gets both arms."""
    if protocol.design not in TURNING:
        if protocol.periods:
            yield at.finding(
                "stop", ("periods",), expected="no periods, since each client stays in one arm",
                got=f"{len(protocol.periods)} of them", todo='Delete them, or write design = "crossover".',
            )  # fmt: skip
        return
    yield from _two_equal_arms(protocol, at)
    yield from _no_retention(protocol, at)
    if protocol.design == "limbs":
        yield from _sides(protocol, at)
    else:
        yield from _periods(protocol, at)
    if protocol.design == "stepped":
        yield from _steps(protocol, at)


def turning_completion(protocol: Protocol, at: Places) -> Iterator[Finding]:
    """What must be said before the lock (A13, A14 of the standards, our reading)."""
    if protocol.design in ("crossover", "limbs") and len(protocol.study.carry_over.strip()) < 20:
        what = "into the second period" if protocol.design == "crossover" else "to the other side"
        yield at.finding(
            "stop", ("study", "carry_over"), got=f'"{protocol.study.carry_over}"',
            expected=f"why what the first arm did does not pass {what}, or how it is judged",
            todo="Gains of training last and pass over; say what is known of these clients and exercises.",
        )  # fmt: skip


def _two_equal_arms(protocol: Protocol, at: Places) -> Iterator[Finding]:
    if len(protocol.arms) != 2:
        yield at.finding("stop", ("arms",), expected="two arms in this design", got=str(len(protocol.arms)))
    for number, arm in enumerate(protocol.arms):
        if arm.ratio != 1:
            yield at.finding(
                "stop", ("arms", number, "ratio"), expected="1, since every client gets both arms",
                got=str(arm.ratio),
            )  # fmt: skip
        if "_then_" in arm.code:
            yield at.finding("stop", ("arms", number, "code"), expected="a code without _then_", got=arm.code)


def _no_retention(protocol: Protocol, at: Places) -> Iterator[Finding]:
    for number, outcome in enumerate(protocol.outcomes):
        if isinstance(outcome, RetentionOutcome):
            yield at.finding(
                "stop", ("outcomes", number), expected="no retention outcome in this design", got="one",
                todo="A client gets both arms here, so staying cannot be put down to either. "
                "Use the parallel design.",
            )  # fmt: skip


def _periods(protocol: Protocol, at: Places) -> Iterator[Finding]:
    periods, crossed = protocol.periods, protocol.design == "crossover"
    if len(periods) < 2 + (not crossed) or (crossed and len(periods) > 2):
        expected = "two tables [[periods]]" if crossed else "three or more tables [[periods]]"
        yield at.finding("stop", ("periods",), expected=expected, got=str(len(periods)))
        return
    end = -1
    for number, period in enumerate(periods):
        if period.first_day <= end or period.last_day < period.first_day:
            yield at.finding(
                "stop", ("periods", number), expected=f"days that follow each other, from day {end + 1}",
                got=f"{period.first_day} to {period.last_day}",
            )  # fmt: skip
        end = period.last_day
    yield from _tests_of_periods(protocol, at)
    if crossed and periods[1].first_day == periods[0].last_day + 1:
        yield at.finding(
            "warn", ("periods", 1, "first_day"), expected="a wash-out between the periods", got="none",
            todo="What the first arm did is then still there when the second begins.",
        )  # fmt: skip


def _tests_of_periods(protocol: Protocol, at: Places) -> Iterator[Finding]:
    days = {visit.code: visit.day for visit in protocol.follow_up_visits}
    for number, period in enumerate(protocol.periods):
        here: Path = ("periods", number, "visit")
        day = days.get(period.visit)
        if day is None:
            known = ", ".join(days) or "none yet"
            yield at.finding("stop", here, expected=f"a visit after allocation: {known}", got=period.visit)
        elif not period.first_day < day <= period.last_day + _TESTED_WITHIN:
            yield at.finding(
                "stop", here, expected="a test at the end of its period", got=f"one on day {day}"
            )
    last = protocol.periods[-1].visit
    for number, outcome in enumerate(protocol.outcomes):
        if isinstance(outcome, ContinuousOutcome) and outcome.primary_visit != last:
            yield at.finding(
                "stop", ("outcomes", number, "primary_visit"), got=outcome.primary_visit,
                expected=f"{last}, the test of the last period: all periods are analysed together",
            )  # fmt: skip


def _steps(protocol: Protocol, at: Places) -> Iterator[Finding]:
    if not isinstance(protocol.allocation, TrainersTogether):
        yield at.finding(
            "stop", ("allocation", "method"), got=f'"{protocol.allocation.method}"',
            expected='"trainers together": the steps are drawn for trainers',
        )  # fmt: skip
    steps = len(protocol.periods) - 1
    if protocol.planning.trainers < steps:
        yield at.finding(
            "stop", ("planning", "trainers"), expected=f"at least {steps}, one for each step",
            got=str(protocol.planning.trainers), todo="Use fewer periods.",
        )  # fmt: skip


def _sides(protocol: Protocol, at: Places) -> Iterator[Finding]:
    """Every tested exercise has a side, and every pair has both."""
    pairs: dict[str, Counter[str]] = {}
    for number, exercise in enumerate(protocol.exercises):
        if not exercise.side or not exercise.pair:
            yield at.finding(
                "stop", ("exercises", number), got=f"{exercise.code} without",
                expected='side = "left" or "right", and pair = a name that both sides share',
                todo="Each side of the body is an exercise of its own here.",
            )  # fmt: skip
        else:
            pairs.setdefault(exercise.pair, Counter())[exercise.side] += 1
    for name, sides in pairs.items():
        if sides != Counter({"left": 1, "right": 1}):
            got = ", ".join(f"{count} {side}" for side, count in sorted(sides.items()))
            yield at.finding(
                "stop",
                ("exercises",),
                expected=f"one left and one right exercise of the pair {name}",
                got=got,
            )
    levels = {stratum.code: set(stratum.levels) for stratum in protocol.strata}
    if levels.get(_DOMINANT) != {"left", "right"}:
        yield at.finding(
            "stop", ("strata",), got="none",
            expected='a stratum with code = "dominant" and levels = ["left", "right"]',
            todo="The arm of the dominant side is what is drawn, so it must be known beforehand.",
        )  # fmt: skip
    if protocol.periods:
        yield at.finding("stop", ("periods",), expected="no periods: both sides are trained at once",
                         got=str(len(protocol.periods)))  # fmt: skip
