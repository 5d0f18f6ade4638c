"""Rules for the way of allocating: what each method can do, and what is unwise."""

from __future__ import annotations

from collections.abc import Iterator

from studykit.errors import Finding
from studykit.protocol.designs import DESIGNS
from studykit.protocol.lines import Path
from studykit.protocol.places import Places
from studykit.protocol.types import (
    BiasedCoin,
    ExternalAllocation,
    Minimisation,
    PermutedBlocks,
    Protocol,
    Simple,
    TrainersTogether,
)

_HIGH_CHANCE = 0.95  # above it the next arm is nearly known: judgement, no source
_ENOUGH_FOR_SIMPLE = 200  # clients from which simple draws come out even enough: common practice, no source


def allocation_findings(protocol: Protocol, at: Places) -> Iterator[Finding]:
    """What the method cannot do with these arms and strata, and what makes it a poor choice."""
    allocation = protocol.allocation
    for number, code in enumerate(allocation.strata):
        if code in allocation.strata[:number]:
            yield at.finding("stop", ("allocation", "strata", number), expected="each stratum once", got=code)
    if isinstance(allocation, PermutedBlocks):
        yield from _blocks(protocol, allocation, at)
        yield from _cells(protocol, at, least=min(allocation.block_sizes, default=0))
    elif isinstance(allocation, Minimisation):
        yield from _equal_arms(protocol, at)
        yield from _weights(allocation, at)
        yield from _chance(allocation.chance, at)
        yield from _no_list(allocation, at)
    elif isinstance(allocation, BiasedCoin):
        yield from _two_arms(protocol, at)
        yield from _equal_arms(protocol, at)
        yield from _chance(allocation.chance, at)
        yield from _cells(protocol, at, least=2)
    elif isinstance(allocation, TrainersTogether):
        yield from _equal_arms(protocol, at)
        yield from _trainers_together(protocol, allocation, at)
    elif isinstance(allocation, Simple) and protocol.planning.clients < _ENOUGH_FOR_SIMPLE:
        yield at.finding(
            "warn", ("allocation", "method"),
            expected=f"simple draws from about {_ENOUGH_FOR_SIMPLE} clients on",
            got=f"{protocol.planning.clients} clients",
            todo="The arms can come out uneven; permuted blocks or minimisation keep them even.",
        )  # fmt: skip


def waits_for_trainers(protocol: Protocol, at: Places) -> Iterator[Finding]:
    """Before the lock: clients cannot be drawn one by one where a trainer delivers one arm only."""
    if isinstance(protocol.allocation, ExternalAllocation | TrainersTogether):
        return
    if protocol.trainers.deliver == "both arms" and protocol.plan.deliver != "one arm":
        return
    yield at.finding(
        "stop", ("trainers", "deliver"), expected='"both arms", since clients are drawn one by one',
        got='"one arm"' if protocol.trainers.deliver == "one arm" else f'design = "{protocol.design}"',
        todo="A client could be drawn to an arm that the own trainer does not deliver. To allocate trainers "
        'instead of clients, write design = "trainers" and method = "trainers together".',
    )  # fmt: skip


def _trainers_together(protocol: Protocol, allocation: TrainersTogether, at: Places) -> Iterator[Finding]:
    """What must hold where trainers, and not clients, are drawn."""
    path: Path = ("allocation", "method")
    deliver = protocol.plan.deliver
    why = "one after the other" if protocol.plan.within else "since the trainers are drawn"
    if protocol.plan.unit == "client":
        known = " or ".join(f'"{word}"' for word, plan in DESIGNS.items() if plan.unit == "trainer")
        yield at.finding(
            "stop", ("design",), expected=f"{known}, since the trainers are drawn together",
            got=f'"{protocol.design}"', todo="Change the design, or the method under [allocation].",
        )  # fmt: skip
    elif protocol.trainers.deliver != deliver:
        yield at.finding(
            "stop", ("trainers", "deliver"), expected=f'"{deliver}", {why}',
            got=f'"{protocol.trainers.deliver}"',
        )  # fmt: skip
    if "trainer" not in [stratum.code for stratum in protocol.strata]:
        yield at.finding(
            "stop", path, expected='a table [[strata]] with code = "trainer"', got="none",
            todo="The trainer of every client must be known beforehand.",
        )  # fmt: skip
    for number, code in enumerate(allocation.covariates):
        if code in allocation.covariates[:number]:
            yield at.finding("stop", ("allocation", "covariates", number), expected="each once", got=code)
    if allocation.weights and len(allocation.weights) != len(allocation.covariates):
        yield at.finding(
            "stop", ("allocation", "weights"), got=str(len(allocation.weights)),
            expected=f"{len(allocation.covariates)} weights, one for each of covariates, or none at all",
        )  # fmt: skip
    for number, weight in enumerate(allocation.weights):
        if weight < 1:
            yield at.finding("stop", ("allocation", "weights", number), expected="a whole number from 1",
                             got=str(weight))  # fmt: skip
    if not allocation.clients_listed:
        yield at.finding(
            "warn", ("allocation", "clients_listed"), expected="true: clients listed before the draw",
            got="false", todo="Whoever recruits must then not know the arms of the trainers; say how.",
        )  # fmt: skip


def _blocks(protocol: Protocol, allocation: PermutedBlocks, at: Places) -> Iterator[Finding]:
    path: Path = ("allocation", "block_sizes")
    total = sum(arm.ratio for arm in protocol.arms)
    for number, size in enumerate(allocation.block_sizes):
        if size < total or size % total:
            yield at.finding(
                "stop", (*path, number), expected=f"a multiple of {total}, the sum of the arms' ratios",
                got=str(size), todo=f"Such as [{total}, {2 * total}].",
            )  # fmt: skip
    if not allocation.block_sizes:
        yield at.finding("stop", path, expected=f"sizes such as [{total}, {2 * total}]", got="nothing")
    elif len(set(allocation.block_sizes)) == 1:
        yield at.finding(
            "warn", path, expected="two or more sizes", got=f"one size, {allocation.block_sizes[0]}",
            todo="With one size the last arm of each block can be guessed.",
        )  # fmt: skip


def _equal_arms(protocol: Protocol, at: Places) -> Iterator[Finding]:
    ratio = [protocol.arm(code).ratio for code in protocol.arm_codes]
    if len(set(ratio)) > 1:
        yield at.finding(
            "stop", ("allocation", "method"), expected="equal ratios of the arms for this method",
            got=":".join(map(str, ratio)),
            todo="With unequal arms the chance of each arm would change from client to client, and the "
            'test that draws the allocation again would not hold. Use method = "permuted blocks".',
        )  # fmt: skip


def _two_arms(protocol: Protocol, at: Places) -> Iterator[Finding]:
    if len(protocol.arms) != 2:
        yield at.finding(
            "stop", ("allocation", "method"), expected="two arms for a biased coin",
            got=str(len(protocol.arms)), todo='Use method = "minimisation" or "permuted blocks".',
        )  # fmt: skip


def _weights(allocation: Minimisation, at: Places) -> Iterator[Finding]:
    strata, weights = allocation.strata, allocation.weights
    path: Path = ("allocation", "weights")
    if not strata and not allocation.overall:
        yield at.finding(
            "stop", ("allocation", "strata"), expected="at least one stratum to keep the arms alike in",
            got="nothing", todo='Name some under strata, or write overall = 1.',
        )  # fmt: skip
    if weights and len(weights) != len(strata):
        yield at.finding(
            "stop", path, expected=f"{len(strata)} weights, one for each of strata, or none at all",
            got=str(len(weights)), todo="They stand in the order of strata.",
        )  # fmt: skip
    for number, weight in enumerate(weights):
        if weight < 1:
            yield at.finding(
                "stop", (*path, number), expected="a whole number from 1", got=str(weight),
                todo="To leave a stratum out, take it off both lists.",
            )  # fmt: skip


def _no_list(allocation: Minimisation, at: Places) -> Iterator[Finding]:
    if allocation.sealed_list:
        yield at.finding(
            "stop", ("allocation", "sealed_list"), expected="no list with minimisation", got="one",
            todo="Each arm depends on the clients before, so nothing can be drawn beforehand. Delete it, or "
            'use method = "permuted blocks".',
        )  # fmt: skip


def _chance(chance: float, at: Places) -> Iterator[Finding]:
    if chance > _HIGH_CHANCE:
        yield at.finding(
            "warn", ("allocation", "chance"), expected=f"at most {_HIGH_CHANCE:g}", got=f"{chance:g}",
            todo="Whoever knows the clients so far could nearly always name the next arm.",
        )  # fmt: skip


def _cells(protocol: Protocol, at: Places, *, least: int) -> Iterator[Finding]:
    """Many combinations of strata and few clients: balance within each says little of the whole."""
    allocation, cells = protocol.allocation, 1
    for stratum in protocol.strata:
        if stratum.code in allocation.strata:
            cells *= protocol.planning.trainers if stratum.code == "trainer" else max(len(stratum.levels), 1)
    if least and protocol.planning.clients < cells * least:
        yield at.finding(
            "warn", ("allocation", "strata"),
            expected=f"about {least} or more clients in each combination of the strata",
            got=f"{protocol.planning.clients} clients in {cells} combinations",
            todo="Use fewer strata, or minimisation; with few clients in each, balance comes undone.",
        )  # fmt: skip
