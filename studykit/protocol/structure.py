"""Rules that tie the tables of a protocol together: codes, visits, outcomes, strata."""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any

from studykit.errors import Finding, Severity
from studykit.protocol.allocating import allocation_findings
from studykit.protocol.lines import Path
from studykit.protocol.local_time import is_known, nearest_zone
from studykit.protocol.outcome import rules_of
from studykit.protocol.places import Places, known_codes
from studykit.protocol.types import Protocol
from studykit.protocol.within_client import within_client_findings


def structure_findings(protocol: Protocol, at: Places) -> Iterator[Finding]:
    """Everything that does not fit together."""
    yield from _time_zone(protocol.study.time_zone, at)
    yield from _codes(protocol, at)
    yield from _arms(protocol, at)
    yield from _visits(protocol, at)
    yield from _outcomes(protocol, at)
    yield from _strata(protocol, at)
    yield from allocation_findings(protocol, at)
    yield from within_client_findings(protocol, at)


def _time_zone(named: str, at: Places) -> Iterator[Finding]:
    if named and not is_known(named):
        near = nearest_zone(named)
        yield at.finding(
            "stop", ("study", "time_zone"), got=f'"{named}"',
            expected='continent and city of a time zone, such as "Europe/Vienna"',
            todo=f'Did you mean "{near}"?' if near else "Or leave it out: the computer's clock is taken.",
        )  # fmt: skip


def _codes(protocol: Protocol, at: Places) -> Iterator[Finding]:
    for table in ("arms", "exercises", "visits", "strata", "outcomes"):
        items: Sequence[Any] = getattr(protocol, table)
        seen = Counter(item.code for item in items)
        for number, item in enumerate(items):
            first = next(index for index, other in enumerate(items) if other.code == item.code)
            if seen[item.code] > 1 and first != number:
                yield at.finding(
                    "stop", (table, number, "code"), expected="a code that occurs once",
                    got=item.code, todo="Give one of the two another code.",
                )  # fmt: skip


def _arms(protocol: Protocol, at: Places) -> Iterator[Finding]:
    marked = [number for number, arm in enumerate(protocol.arms) if arm.reference]
    for number in marked[1:]:
        yield at.finding(
            "stop", ("arms", number, "reference"), expected="one reference arm", got="a second one",
            todo="Mark only the arm that the others are compared with.",
        )  # fmt: skip
    if not marked:
        yield at.finding(
            "note", ("arms",), expected="one arm with reference = true", got="none",
            todo=f"The first, {protocol.arms[0].code}, is taken as the reference.",
        )  # fmt: skip
    others = [code for code in protocol.arm_codes if code != protocol.reference_arm.code]
    named = protocol.analysis.comparison
    if named is None and len(protocol.arms) > 2:
        yield at.finding(
            "stop", ("analysis", "comparison"),
            expected="the arm of the primary comparison, " + known_codes(others),
            got="nothing", todo=f'Add comparison = "{others[0]}" under [analysis].',
        )  # fmt: skip
    elif named is not None and named not in others:
        near = difflib.get_close_matches(named, others, n=1)
        yield at.finding(
            "stop", ("analysis", "comparison"), got=named,
            expected=f"the code of an arm other than the reference: {', '.join(others)}",
            todo=f"Did you mean {near[0]}?" if near else "",
        )  # fmt: skip


def _visits(protocol: Protocol, at: Places) -> Iterator[Finding]:
    for number, visit in enumerate(protocol.visits):
        path: Path = ("visits", number)
        early, late = visit.window
        if early > late:
            yield at.finding(
                "stop", (*path, "window"), expected="the early end first, such as [-7, 7]",
                got=f"[{early}, {late}]",
            )  # fmt: skip
        elif early > 0 or late < 0:
            yield at.finding(
                "stop", (*path, "window"), expected="a window that holds the planned day, such as [-7, 7]",
                got=f"[{early}, {late}]",
            )  # fmt: skip
        if visit.baseline and visit.day > 0:
            yield at.finding("stop", (*path, "day"), expected="day 0 or before for a baseline visit",
                             got=str(visit.day))  # fmt: skip
        elif visit.baseline and visit.day + late > 0 and not protocol.is_external:
            yield at.finding(
                "warn", (*path, "window"), expected="a baseline window that ends before allocation, on day 0",
                got=f"it ends on day {visit.day + late}",
                todo="Clients are allocated only after the baseline test; write a late end of 0.",
            )  # fmt: skip
        if not visit.baseline and visit.day <= 0:
            yield at.finding(
                "stop", (*path, "day"), expected="a day after allocation", got=str(visit.day),
                todo="Mark it with baseline = true if it comes before allocation.",
            )  # fmt: skip
    yield from _overlaps(protocol, at)


def _overlaps(protocol: Protocol, at: Places) -> Iterator[Finding]:
    in_order = sorted(enumerate(protocol.visits), key=lambda item: item[1].day)
    for (_, earlier), (number, later) in pairwise(in_order):
        if earlier.baseline == later.baseline and (
            earlier.day == later.day or earlier.day + earlier.window[1] >= later.day + later.window[0]
        ):
            severity: Severity = "stop" if earlier.day == later.day else "warn"
            yield at.finding(
                severity, ("visits", number), expected=f"a window apart from that of {earlier.code}",
                got="windows that overlap", todo="A test on a shared day counts for the nearer visit.",
            )  # fmt: skip


def _outcomes(protocol: Protocol, at: Places) -> Iterator[Finding]:
    for number, outcome in enumerate(protocol.outcomes):
        yield from rules_of(outcome).findings(protocol, outcome, ("outcomes", number), at)
    yield from _primaries(protocol, at)


def _primaries(protocol: Protocol, at: Places) -> Iterator[Finding]:
    primary = [outcome.code for outcome in protocol.outcomes if outcome.role == "primary"]
    if len(primary) > 1 and protocol.analysis.multiplicity != "holm":
        yield at.finding(
            "stop", ("analysis", "multiplicity"),
            expected=f'"holm" where there are {len(primary)} primary outcomes ({", ".join(primary)})',
            got=f'"{protocol.analysis.multiplicity}"', todo="Or mark all but one as secondary.",
        )  # fmt: skip
    if not primary:
        yield at.finding(
            "warn", ("outcomes",), expected='one outcome with role = "primary"', got="none",
            todo="Mark the one that the study is about; the protocol cannot be locked before.",
        )  # fmt: skip


def _strata(protocol: Protocol, at: Places) -> Iterator[Finding]:
    declared = [stratum.code for stratum in protocol.strata]
    for number, stratum in enumerate(protocol.strata):
        if stratum.code != "trainer" and len(set(stratum.levels)) < 2:
            yield at.finding(
                "stop", ("strata", number, "levels"), expected="at least two different values",
                got=", ".join(stratum.levels) or "nothing", todo='Write them like ["female", "male"].',
            )  # fmt: skip
        elif len(set(stratum.levels)) < len(stratum.levels):
            yield at.finding("stop", ("strata", number, "levels"), expected="each value once",
                             got=", ".join(stratum.levels))  # fmt: skip
        if not protocol.is_external and stratum.code not in protocol.allocation.strata:
            yield at.finding(
                "note", ("strata", number), expected="a stratum that allocation uses", got="one it does not",
                todo="Add its code to strata under [allocation], or name it in adjust_for under [analysis].",
            )  # fmt: skip
    for number, code in enumerate(protocol.allocation.strata):
        if code not in declared:
            yield at.finding(
                "stop", ("allocation", "strata", number), expected=known_codes(declared), got=code
            )
    for number, code in enumerate(protocol.analysis.adjust_for):
        if code in declared:
            yield at.finding(
                "note", ("analysis", "adjust_for", number), expected="a client fact that is no stratum",
                got=code, todo="Strata are in the model already; delete it here.",
            )  # fmt: skip
