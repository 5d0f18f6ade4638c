"""Trainers allocated together in one recorded act, and clients who get the arm of their trainer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from studykit.allocation.acts import Allocation
from studykit.allocation.entries import Entry, canonical
from studykit.allocation.ledger import Ledger
from studykit.allocation.memory import Memory
from studykit.allocation.replay import Replayed
from studykit.allocation.splits import Candidates, Split, SplitPlan, draw_split, plan_from
from studykit.allocation.surroundings import Surroundings
from studykit.allocation.with_trainer import WithTrainer
from studykit.errors import AllocationRefused, ArgumentError, Finding, StudykitError
from studykit.results import frozen_array


def allocate_trainers(
    ledger: Ledger,
    trainers: Mapping[str, Mapping[str, float]],
    *,
    plan: SplitPlan,
    by: str,
    clients_listed: bool,
) -> Split:
    """Draw the arms of all trainers at once, and record the draw with all it followed from.

    Parameters
    ----------
    ledger : Ledger
        Locked with ``plan`` as its method.
    trainers : mapping of str to mapping of str to float
        The covariates of every trainer, by code.
    plan : SplitPlan
    by : str
        Code of the person who runs the draw.
    clients_listed : bool
        Whether the clients were listed before this; if not, whoever recruits must not know the arms.

    Raises
    ------
    AllocationRefused
        If the protocol is not locked with this plan, or trainers have been allocated already.
    DesignError
        If there are fewer than two trainers per arm.
    LedgerError
        If the ledger cannot be trusted or written.
    """
    drawn: list[Split] = []

    def body(memory: Memory, surroundings: Surroundings) -> Mapping[str, Any]:
        check_may_split(memory, plan, surroundings)
        entropy = surroundings.entropy()
        split, _ = draw_split(trainers, plan, entropy=entropy)
        drawn.append(split)
        return {
            "plan": plan.describe(),
            "units": {
                unit: {name: facts[name] for name in plan.covariates} for unit, facts in trainers.items()
            },
            "unit_order": list(trainers),
            "arm_of": dict(split.arm_of),
            "index": split.index,
            "kept": split.kept,
            "considered": split.considered,
            "possible": split.possible,
            "imbalance": f"{split.imbalance:.6g}",
            "clients_listed": clients_listed,
            "entropy": entropy,
            "entropy_source": surroundings.entropy_source,
            "machine": surroundings.machine,
            "for_clients": WithTrainer(plan.arms, dict(split.arm_of)).describe(),
        }

    ledger.record("split", body, by=by)
    return drawn[-1]


def replay_trainers(split_entry: Entry, allocations: Sequence[Allocation]) -> Replayed:
    """Every split that was kept, each as likely: the reference set of a re-randomisation test.

    Parameters
    ----------
    split_entry : Entry
        Of the kind ``"split"``.
    allocations : sequence of Allocation
        Clients, each with the trainer recorded at allocation.

    Returns
    -------
    Replayed
        Exact over the kept splits; ``drawn`` has shape (splits, clients).

    Raises
    ------
    ArgumentError
        If the entry is of another kind, or a client's trainer was not in the split.
    """
    if split_entry.kind != "split":
        raise ArgumentError(where="entry", expected="the split of the trainers", got=split_entry.kind)
    _, candidates = _repeated(split_entry)
    places = {unit: place for place, unit in enumerate(candidates.units)}
    unknown = sorted({made.stratum["trainer"] for made in allocations} - set(places))
    if unknown:
        raise ArgumentError(where="trainer", expected="one of the split", got=", ".join(unknown))
    columns = [places[made.stratum["trainer"]] for made in allocations]
    splits = candidates.all_splits()
    return Replayed(
        candidates.arms,
        tuple(made.client for made in allocations),
        frozen_array([candidates.arms.index(made.arm) for made in allocations], np.int8),
        frozen_array(splits[:, columns], np.int8),
        frozen_array(np.full(len(splits), 1.0 / len(splits))),
    )


def check_splits(entries: Sequence[Entry]) -> tuple[Finding, ...]:
    """Repeat every split from its recorded entropy; what does not come out the same is a finding."""
    findings = []
    seen = 0
    for entry in entries:
        if entry.kind != "split":
            continue
        where = f"ledger, entry {entry.position}"
        todo = "Ask whoever keeps copies and receipts before going on."
        seen += 1
        if seen > 1:
            findings.append(Finding("stop", where, "one split of the trainers", "another one", todo))
        try:
            split, candidates = _repeated(entry)
        except (StudykitError, KeyError, TypeError, ValueError) as error:
            findings.append(Finding("stop", where, "a split that can be repeated", str(error), todo))
            continue
        findings += candidates.findings()
        if dict(split.arm_of) != entry.body["arm_of"]:
            findings.append(
                Finding("stop", where, f"the split {split.arm_of}", str(entry.body["arm_of"]), todo)
            )
        if not entry.body["clients_listed"]:
            findings.append(
                Finding(
                    "warn",
                    where,
                    "clients listed before the trainers were allocated",
                    "clients recruited afterwards",
                    "Whoever recruits must not know the arms.",
                )
            )
    return tuple(findings)


def split_of(entry: Entry) -> Split:
    """The split that an entry tells of, drawn again from what it holds."""
    return _repeated(entry)[0]


def _repeated(entry: Entry) -> tuple[Split, Candidates]:
    body = entry.body
    units = {unit: body["units"][unit] for unit in body["unit_order"]}
    return draw_split(units, plan_from(body["plan"]), entropy=body["entropy"])


def check_may_split(memory: Memory, plan: SplitPlan, surroundings: Surroundings) -> None:
    """Every reason to refuse a draw of the trainers."""
    locked = memory.need_lock()
    if locked.split_method is not None:
        raise AllocationRefused(
            where="trainers",
            expected="trainers without arms",
            got="trainers who have been allocated",
            todo="It is one act; nobody is drawn twice.",
        )
    named = locked.current_method
    if named is None or canonical(dict(named)) != canonical(plan.describe()):
        raise AllocationRefused(
            where="trainers",
            expected="the plan that the locked protocol names",
            got="no method" if named is None else "another one",
            todo="Amend the protocol to change it.",
        )
    if locked.home != surroundings.machine:
        raise AllocationRefused(
            where="trainers",
            expected=f"the study's home machine, code {locked.home}",
            got=f"another one, code {surroundings.machine}",
            todo="Draw there.",
        )
