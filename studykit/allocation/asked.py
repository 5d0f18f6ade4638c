"""The method of allocation that a protocol asks for, and what speaks against its design."""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction
from typing import Any, Literal

from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.coins import BiasedCoin, Simple
from studykit.allocation.method import AllocationMethod
from studykit.allocation.minimisation import Minimisation
from studykit.allocation.splits import SplitPlan, number_of_partitions
from studykit.errors import Finding
from studykit.protocol import types as asked
from studykit.protocol.designs import Design
from studykit.protocol.types import Protocol

_NOT_RANDOM = re.compile(
    r"\b(alternat\w*|every (second|other)|birth\w*|dates? of|days? of|weekdays?|first come|"
    r"choice|chosen by|chooses|convenien\w*|in turn|rota)\b",
    re.IGNORECASE,
)
_FEW_TRAINERS = 3
_WORDS = {1: "one trainer", 2: "two trainers"}


def method_for(protocol: Protocol) -> AllocationMethod[Any] | None:
    """The method of allocation that a protocol asks for.

    Parameters
    ----------
    protocol : Protocol
        Without findings that stop its use.

    Returns
    -------
    AllocationMethod or None
        ``None`` for a trial that was allocated elsewhere, and where trainers are drawn, not clients.

    Raises
    ------
    StudykitError
        If arms and method do not fit each other; `check_protocol` says so before.

    Examples
    --------
    >>> from studykit.protocol.protocol_file import read_protocol
    >>> from studykit.shipped import shipped
    >>> method_for(read_protocol(shipped("protocols") / "parallel.toml").protocol).describe()["method"]
    'permuted blocks'
    """
    plan, arms = protocol.allocation, protocol.allocated_codes
    ratio = (1,) * len(arms) if protocol.plan.within else tuple(protocol.arm(code).ratio for code in arms)
    if isinstance(plan, asked.PermutedBlocks):
        return PermutedBlocks(arms, ratio=ratio, block_sizes=plan.block_sizes, factors=plan.strata)
    if isinstance(plan, asked.Minimisation):
        return Minimisation(
            arms,
            factors=plan.strata,
            weights=plan.weights,
            overall=plan.overall,
            distance=plan.distance,
            preferred_probability=_as_written(plan.chance),
            ratio=ratio,
        )
    if isinstance(plan, asked.BiasedCoin):
        return BiasedCoin(arms, factors=plan.strata, behind_probability=_as_written(plan.chance))
    if isinstance(plan, asked.Simple):
        return Simple(arms, ratio=ratio, factors=plan.strata)
    return None


def split_plan_for(protocol: Protocol) -> SplitPlan | None:
    """How the protocol's trainers are drawn together; ``None`` where clients are drawn."""
    plan = protocol.allocation
    if not isinstance(plan, asked.TrainersTogether):
        return None
    return SplitPlan(
        protocol.allocated_codes,
        covariates=plan.covariates,
        weights=plan.weights,
        kept_share=_as_written(plan.kept_share),
        kept_at_least=plan.kept_at_least,
        least_per_arm=protocol.plan.fewest_per_code,
    )


def findings_on_design(protocol: Protocol) -> tuple[Finding, ...]:
    """Warnings about what the design cannot give, and about a procedure that was no chance.

    Parameters
    ----------
    protocol : Protocol
        Without findings that stop its use.

    Returns
    -------
    tuple of Finding
        Nothing for clients who are drawn one by one.
    """
    design = protocol.plan.as_delivered(protocol.trainers.deliver)
    codes = design.codes(protocol.arm_codes, len(protocol.periods))
    found = _gain_findings(design) if any(outcome.judged_at for outcome in protocol.outcomes) else ()
    if design.unit == "trainer":
        found += _trainer_findings(design, protocol.planning.trainers, len(codes))
    if not protocol.is_external:
        return found
    told = getattr(protocol.allocation, "description", "")
    # What was done elsewhere is done: it is said, and stops nobody from reporting it.
    return tuple(replace(finding, severity="warn") for finding in (*found, *method_name_findings(told)))


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


def _gain_findings(design: Design) -> tuple[Finding, ...]:
    """What speaks against a training gain as the outcome of a design within clients."""
    better, todo = design.words.gain
    return (_finding("warn", design, better, "a training gain", todo),) if better else ()


def _trainer_findings(design: Design, trainers: int, codes: int) -> tuple[Finding, ...]:
    """Too few trainers for what is drawn for them."""
    each, fewest, code = trainers // max(codes, 1), design.fewest_per_code, design.words.code
    got = f"{trainers} for {codes}" + ("" if design.within else f" {code}s")
    if each < fewest:
        expected = f"at least {_WORDS[fewest]} {f'per {code}' if design.within else f'in each {code}'}"
        todo = (
            f"Use fewer {code}s."
            if design.within
            else "The arm's effect cannot be told from the trainer's; let every trainer deliver both arms."
        )
        return (_finding("stop", design, expected, got, todo),)
    if fewest > 1 and each <= _FEW_TRAINERS:
        smallest = 1 / number_of_partitions(trainers, codes)
        todo = "Treat the study as a pilot, or let every trainer deliver both arms."
        got = f"{each}: no result can give a p-value below {smallest:.3f}"
        return (_finding("warn", design, f"four or more trainers in each {code}", got, todo),)
    return ()


def _finding(
    severity: Literal["warn", "stop"], design: Design, expected: str, got: str, todo: str
) -> Finding:
    return Finding(severity, f"{design.word} design", expected, got, todo)


def _as_written(chance: float) -> Fraction:
    """The fraction that the digits in the protocol mean: 0.8 is four fifths."""
    return Fraction(repr(chance))
