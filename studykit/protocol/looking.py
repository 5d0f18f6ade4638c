"""Rules on planned looks at results by arm, and on the progression rules of a pilot study."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from studykit.errors import Finding
from studykit.protocol.conduct import Oversight
from studykit.protocol.places import Places
from studykit.protocol.types import Protocol


def look_fractions(oversight: Oversight) -> tuple[float, ...]:
    """Information at the planned looks and at the end; evenly spaced where the protocol names none.

    Examples
    --------
    >>> look_fractions(Oversight(planned_looks=1))
    (0.5, 1.0)
    """
    looks = oversight.planned_looks
    return (*(oversight.look_fractions or ((place + 1) / (looks + 1) for place in range(looks))), 1.0)


def look_numbers(bodies: Iterable[Mapping[str, Any]], planned: int) -> tuple[int, ...]:
    """Which planned look each reading by arm was, 0 for one that was not planned.

    Parameters
    ----------
    bodies : iterable of mapping
        What the ledger says of each, in order; those that carry no number count in their order.
    planned : int
        Looks that the protocol plans.

    Examples
    --------
    >>> look_numbers([{"planned_look": 0}, {"planned_look": 1}, {}], planned=1)
    (0, 1, 0)
    """
    told = (int(body.get("planned_look", place)) for place, body in enumerate(bodies, start=1))
    return tuple(number if number <= planned else 0 for number in told)


def looking_findings(protocol: Protocol, at: Places) -> Iterator[Finding]:
    """Looks whose times do not fit, and progression rules that contradict themselves."""
    looks, times = protocol.oversight.planned_looks, protocol.oversight.look_fractions
    if times and (len(times) != looks or list(times) != sorted(set(times))):
        yield at.finding(
            "stop", ("oversight", "look_fractions"), expected=f"one share for each of {looks} looks, rising",
            got=", ".join(f"{time:g}" for time in times), todo="Such as [0.5] for one look halfway.",
        )  # fmt: skip
    if looks > 2:
        yield at.finding(
            "warn", ("oversight", "planned_looks"), expected="one or two looks in a study of this size",
            got=str(looks), todo="Each look costs, and early estimates are unsteady.",
        )  # fmt: skip
    yield from _rules_of_a_pilot(protocol, at)


def _rules_of_a_pilot(protocol: Protocol, at: Places) -> Iterator[Finding]:
    seen: set[str] = set()
    for number, rule in enumerate(protocol.pilot.rules):
        path = ("pilot", "rules", number)
        if rule.measure in seen:
            yield at.finding(
                "stop", (*path, "measure"), expected="each measure once", got=f'"{rule.measure}" again'
            )
        seen.add(rule.measure)
        if rule.stop >= rule.go_on:
            yield at.finding(
                "stop", (*path, "stop"), expected=f"less than go_on, {rule.go_on:g}", got=f"{rule.stop:g}"
            )
        if rule.measure != "recruitment" and rule.go_on > 1.0:
            yield at.finding(
                "stop", (*path, "go_on"), expected="a share between 0 and 1", got=f"{rule.go_on:g}",
                todo="Write 75 of 100 as 0.75.",
            )  # fmt: skip


def missing_for_looks(protocol: Protocol, at: Places) -> Iterator[Finding]:
    """What keeps a protocol with planned looks from being locked."""
    oversight = protocol.oversight
    if not oversight.planned_looks:
        return
    if not oversight.look_rule.strip():
        yield at.finding(
            "stop", ("oversight", "look_rule"),
            expected="who looks, who decides, and what is done if a boundary is passed", got="nothing",
            todo='Such as "SR looks; if the boundary is passed, enrolment stops and follow-up goes on".',
        )  # fmt: skip
    primary = sum(outcome.role == "primary" for outcome in protocol.outcomes)
    if primary > 1:
        yield at.finding(
            "stop", ("oversight", "planned_looks"), expected="0 where several primary outcomes share it",
            got=str(oversight.planned_looks), todo="Keep one primary outcome, or look once, at the end.",
        )  # fmt: skip
    if protocol.study.framework == "pilot":
        yield at.finding(
            "stop", ("oversight", "planned_looks"), expected="0 in a pilot study: it decides nothing by arm",
            got=str(oversight.planned_looks),
        )  # fmt: skip
