"""Which designs are refused for what, and what must not be called random."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Literal

from studykit.allocation.splits import number_of_partitions
from studykit.errors import Finding

Design = Literal["parallel", "trainers", "crossover", "limbs", "stepped"]
OutcomeKind = Literal["retention", "training gain", "returns between periods"]

_NOT_RANDOM = re.compile(
    r"\b(alternat\w*|every (second|other)|birth\w*|dates? of|days? of|weekdays?|first come|"
    r"choice|chosen by|chooses|convenien\w*|in turn|rota)\b",
    re.IGNORECASE,
)
_FEW_TRAINERS = 3


def design_findings(
    design: Design,
    *,
    outcomes: Sequence[OutcomeKind],
    trainers: int | None = None,
    arms: int = 2,
    steps: int | None = None,
) -> tuple[Finding, ...]:
    """What stands against a design: stops are refused, warnings are printed.

    Parameters
    ----------
    design : {"parallel", "trainers", "crossover", "limbs", "stepped"}
    outcomes : sequence of {"retention", "training gain", "returns between periods"}
        ``"returns between periods"`` is a state that goes back after a washout.
    trainers : int, optional
        Needed for ``"trainers"`` and ``"stepped"``.
    arms, steps : int

    Examples
    --------
    >>> for finding in design_findings("crossover", outcomes=["retention"]):
    ...     print(finding.severity, "-", finding.got, "-", finding.todo)
    stop - retention - A client leaves once: use the parallel design.
    """
    found = []
    if design in ("crossover", "limbs") and "retention" in outcomes:
        what = "in both periods" if design == "crossover" else "for one side of the body"
        todo = "A client leaves once: use the parallel design."
        found.append(_finding("stop", design, f"an outcome that a client can have {what}", "retention", todo))
    if design == "crossover" and "training gain" in outcomes:
        todo = "Gains of the first period last into the second; prefer the parallel design."
        expected = "an outcome that goes back between periods"
        found.append(_finding("warn", design, expected, "a training gain", todo))
    if design == "limbs" and "training gain" in outcomes:
        todo = "Part of the gain passes to the other side; the difference shown is smaller than the effect."
        expected = "an outcome of one side that the other does not share"
        found.append(_finding("warn", design, expected, "a training gain", todo))
    if design in ("trainers", "stepped"):
        found += _trainer_findings(design, trainers, arms if design == "trainers" else steps or 0)
    return tuple(found)


def method_name_findings(description: str) -> tuple[Finding, ...]:
    """Refuse to call random what is not: alternation, dates, days of the week, anyone's choice.

    Parameters
    ----------
    description : str
        How a trial that was allocated elsewhere says it was allocated.

    Examples
    --------
    >>> [finding.got for finding in method_name_findings("alternating by day of enrolment")]
    ['words of another one (alternating, day of)']
    >>> method_name_findings("computer-generated permuted blocks of 4")
    ()
    """
    words = sorted({match.group(0).lower() for match in _NOT_RANDOM.finditer(description)})
    if not words:
        return ()
    return (
        Finding(
            "stop",
            "method of allocation",
            "a chance procedure that nobody can foresee",
            f"words of another one ({', '.join(words)})",
            "Describe the chance procedure without them, or do not call the study randomised.",
        ),
    )


def _trainer_findings(design: Design, trainers: int | None, arms: int) -> list[Finding]:
    if trainers is None or arms < 2:
        return [
            _finding("stop", design, "the number of trainers, and at least two arms or steps", "neither", "")
        ]
    each = trainers // arms
    if design == "stepped":
        if each < 1:
            todo = "Use fewer steps."
            return [_finding("stop", design, "at least one trainer per step", f"{trainers} for {arms}", todo)]
        return []
    if each < 2:
        todo = "The arm's effect cannot be told from the trainer's; let every trainer deliver both arms."
        return [
            _finding("stop", design, "at least two trainers in each arm", f"{trainers} for {arms} arms", todo)
        ]
    if each <= _FEW_TRAINERS:
        smallest = 1 / number_of_partitions(trainers, arms)
        todo = "Treat the study as a pilot, or let every trainer deliver both arms."
        got = f"{each}: no result can give a p-value below {smallest:.3f}"
        return [_finding("warn", design, "four or more trainers in each arm", got, todo)]
    return []


def _finding(
    severity: Literal["warn", "stop"], design: Design, expected: str, got: str, todo: str
) -> Finding:
    return Finding(severity, f"{design} design", expected, got, todo)
