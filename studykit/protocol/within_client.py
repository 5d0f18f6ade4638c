"""Designs in which one client gets both arms: which arm is given when and where, and the rules on them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from studykit.errors import ArgumentError, Finding
from studykit.protocol.lines import Path
from studykit.protocol.places import Places
from studykit.protocol.types import Protocol, TrainersTogether

_DOMINANT = "dominant"
_TESTED_WITHIN = 14  # days after the end of a period: judgement, no source
_NUMBERS = {1: "one", 2: "two", 3: "three"}


def arm_given(protocol: Protocol, code: str, *, period: int = 1, dominant: bool = True) -> str:
    """The arm that an allocated code means in a period, counted from 1, and on a side of the client.

    Raises
    ------
    ArgumentError
        If the code is none of the protocol's, or there is no such period.

    Examples
    --------
    >>> from studykit.protocol.protocol_file import read_protocol
    >>> from studykit.shipped import shipped
    >>> crossover = read_protocol(shipped("protocols") / "crossover.toml").protocol
    >>> arm_given(crossover, "conventional_then_partner_reps", period=2)
    'partner_reps'
    """
    codes, most = protocol.allocated_codes, max(len(protocol.periods), 1)
    if code not in codes or not 1 <= period <= most:
        raise ArgumentError(
            where="arm given", expected=f"one of {', '.join(codes)}, in a period from 1 to {most}",
            got=f"{code!r}, {period}",
        )  # fmt: skip
    return protocol.arm_codes[protocol.plan.arm(codes.index(code), period - 1, 0 if dominant else 1)]


def allocated_name(protocol: Protocol, code: str) -> str:
    """What was allocated, in words."""
    place = protocol.allocated_codes.index(code)
    cells = protocol.plan.schedule(place + 1, len(protocol.periods))[place].ravel()
    names = [protocol.arm(protocol.arm_codes[arm]).name for arm in cells]
    return protocol.plan.words.given.format(*names, place=place + 1)


def period_on_day(protocol: Protocol, day: int) -> int:
    """The period of a day since allocation: the last that has begun; 1 before the first begins."""
    return max(
        (number for number, period in enumerate(protocol.periods, 1) if period.first_day <= day), default=1
    )


def is_between_periods(protocol: Protocol, day: int) -> bool:
    """Whether a day lies in no period: before the first, in a wash-out, or after the last."""
    return not any(period.first_day <= day <= period.last_day for period in protocol.periods)


def within_client_findings(protocol: Protocol, at: Places) -> Iterator[Finding]:
    """What does not fit together where a client gets both arms."""
    plan = protocol.plan
    if not plan.within:
        if protocol.periods:
            yield at.finding(
                "stop", ("periods",), expected="no periods, since each client stays in one arm",
                got=f"{len(protocol.periods)} of them", todo='Delete them, or write design = "crossover".',
            )  # fmt: skip
        return
    yield from _two_equal_arms(protocol, at)
    yield from _unanswerable(protocol, at)
    if plan.within == "sides":
        yield from _sides(protocol, at)
    else:
        yield from _periods(protocol, at)
        if plan.unit == "trainer":
            yield from _trainers(protocol, at)


def carry_over_findings(protocol: Protocol, at: Places) -> Iterator[Finding]:
    """What must be said before the lock (A13, A14 of the standards, our reading)."""
    where = protocol.plan.carry_over
    if where and len(protocol.study.carry_over.strip()) < 20:
        yield at.finding(
            "stop", ("study", "carry_over"), got=f'"{protocol.study.carry_over}"',
            expected=f"why what the first arm did does not pass {where}, or how it is judged",
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


def _unanswerable(protocol: Protocol, at: Places) -> Iterator[Finding]:
    for number, outcome in enumerate(protocol.outcomes):
        if outcome.kind not in protocol.plan.kinds:
            yield at.finding(
                "stop", ("outcomes", number), expected=f"no {outcome.kind} outcome in this design", got="one",
                todo="A client gets both arms here, so staying cannot be put down to either. "
                "Use the parallel design.",
            )  # fmt: skip


def _periods(protocol: Protocol, at: Places) -> Iterator[Finding]:
    periods, (fewest, most) = protocol.periods, protocol.plan.periods
    if not fewest <= len(periods) <= (most or len(periods)):
        expected = f"{_NUMBERS[fewest]}{'' if most else ' or more'} tables [[periods]]"
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
    if protocol.plan.carry_over and periods[1].first_day == periods[0].last_day + 1:
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


def _trainers(protocol: Protocol, at: Places) -> Iterator[Finding]:
    """Where trainers change arms on the way: drawn together, and enough of them."""
    plan, code = protocol.plan, protocol.plan.words.code
    if not isinstance(protocol.allocation, TrainersTogether):
        yield at.finding(
            "stop", ("allocation", "method"), got=f'"{protocol.allocation.method}"',
            expected=f'"trainers together": the {code}s are drawn for trainers',
        )  # fmt: skip
    codes = plan.codes(("first", "second"), len(protocol.periods))  # whatever the arms are called
    needed = plan.fewest_per_code * len(codes)
    if protocol.planning.trainers < needed:
        yield at.finding(
            "stop", ("planning", "trainers"), got=str(protocol.planning.trainers),
            expected=f"at least {needed}, {_NUMBERS[plan.fewest_per_code]} for each {code}",
            todo="Use fewer periods." if plan.periods[1] is None else "Find more trainers, or draw clients.",
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
