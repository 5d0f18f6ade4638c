"""The method of allocation that a protocol asks for, and what speaks against its design."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.coins import BiasedCoin, Simple
from studykit.allocation.designs import Design, OutcomeKind, design_findings, method_name_findings
from studykit.allocation.method import AllocationMethod
from studykit.allocation.minimisation import Minimisation
from studykit.allocation.splits import SplitPlan
from studykit.errors import Finding
from studykit.protocol import types as asked
from studykit.protocol.types import Protocol


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
    >>> from studykit.protocol.reading import read_protocol
    >>> from studykit.shipped import shipped
    >>> method_for(read_protocol(shipped("protocols") / "parallel.toml").protocol).describe()["method"]
    'permuted blocks'
    """
    plan, arms = protocol.allocation, protocol.allocated_codes
    ratio = (1,) * len(arms) if protocol.turns else tuple(protocol.arm(code).ratio for code in arms)
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
        least_per_arm=1 if protocol.design == "stepped" else 2,
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
    kinds: list[OutcomeKind] = ["training gain"] if protocol.continuous_outcomes else []
    if protocol.retention_outcome is not None:
        kinds.append("retention")
    by_trainer = protocol.design == "parallel" and protocol.trainers.deliver == "one arm"
    design: Design = "trainers" if by_trainer else protocol.design
    found = design_findings(
        design,
        outcomes=kinds,
        trainers=protocol.planning.trainers,
        arms=len(protocol.arms),
        steps=max(len(protocol.periods) - 1, 2),
    )
    if not protocol.is_external:
        return found
    told = getattr(protocol.allocation, "description", "")
    # What was done elsewhere is done: it is said, and stops nobody from reporting it.
    return tuple(replace(finding, severity="warn") for finding in (*found, *method_name_findings(told)))


def _as_written(chance: float) -> Fraction:
    """The fraction that the digits in the protocol mean: 0.8 is four fifths."""
    return Fraction(repr(chance))
