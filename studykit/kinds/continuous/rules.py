"""Rules that tie a continuous outcome to the rest of the protocol."""

from __future__ import annotations

from collections.abc import Iterator

from studykit.errors import Finding
from studykit.kinds.continuous.section import AsRecorded, ContinuousOutcome
from studykit.protocol.lines import Path
from studykit.protocol.places import Places, known_codes, summary_findings
from studykit.protocol.types import Protocol

SUMMARIES = {"log": "ratio of geometric means", "as_measured": "difference in means"}


def findings(protocol: Protocol, outcome: ContinuousOutcome, path: Path, at: Places) -> Iterator[Finding]:
    """Visits, exercises and scale; in designs where clients meet both arms, the test of the last period."""
    follow_up = [visit.code for visit in protocol.follow_up_visits]
    if outcome.primary_visit not in follow_up:
        yield at.finding(
            "stop", (*path, "primary_visit"), expected="a visit after allocation, " + known_codes(follow_up),
            got=outcome.primary_visit,
        )  # fmt: skip
    other_period = protocol.plan.within == "periods" and not protocol.plan.begins_in_reference
    if not protocol.baseline_visits and not (protocol.is_external and other_period):
        yield at.finding(
            "stop", ("visits",), expected="a visit with baseline = true", got="none",
            todo=f"{outcome.code} is compared with itself before allocation; add the visit.",
        )  # fmt: skip
    declared = [exercise.code for exercise in protocol.exercises]
    twice = len(set(declared)) < len(declared)  # then the code that is missing is the one typed twice
    for number, code in enumerate(outcome.exercises):
        if code not in declared and not twice:
            yield at.finding("stop", (*path, "exercises", number), expected=known_codes(declared), got=code)
    if not outcome.exercises and not isinstance(outcome.score, AsRecorded):
        yield at.finding(
            "stop", (*path, "exercises"), expected="the exercises that are tested, " + known_codes(declared),
            got="nothing", todo='Add exercises = ["…"], or a score with rule = "as recorded".',
        )  # fmt: skip
    if len(set(outcome.exercises)) < len(outcome.exercises):
        yield at.finding("stop", (*path, "exercises"), expected="each exercise once", got="one of them twice")
    if outcome.scale == "log" and not outcome.higher_is_better:
        yield at.finding(
            "note", (*path, "higher_is_better"), expected="true for a load", got="false",
            todo="Leave it so only if less is better.",
        )  # fmt: skip
    yield from summary_findings(
        outcome.estimand, SUMMARIES[outcome.scale], f'scale = "{outcome.scale}"', path, at
    )
    if (
        protocol.plan.within == "periods"
        and protocol.periods
        and outcome.primary_visit != (last := protocol.periods[-1].visit)
    ):
        yield at.finding(
            "stop", (*path, "primary_visit"), got=outcome.primary_visit,
            expected=f"{last}, the test of the last period: all periods are analysed together",
        )  # fmt: skip
