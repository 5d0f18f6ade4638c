"""Trainers allocated together through the ledger."""

import numpy as np
import pytest

from studykit.allocation.audit import audit
from studykit.allocation.entries import Entry
from studykit.allocation.ledger import Ledger
from studykit.allocation.methods import method_from
from studykit.allocation.refusals import REQUIRED_FACTS
from studykit.allocation.replay import replay
from studykit.allocation.splits import SplitPlan
from studykit.allocation.together import allocate_trainers, check_splits, replay_trainers
from studykit.allocation.with_trainer import WithTrainer
from studykit.errors import AllocationRefused, ArgumentError, DesignError, LedgerError
from studykit.randomness import stream

PLAN = SplitPlan(("conventional", "partner_reps"), covariates=("years",))
TRAINERS = {
    f"T{place}": {"years": float(years), "age": 30.0} for place, years in enumerate((1, 2, 9, 8, 4, 6, 3, 7))
}
FACTS = dict.fromkeys(REQUIRED_FACTS, True)


@pytest.fixture
def study(tmp_path, surroundings):
    ledger = Ledger.create(tmp_path / "trainers.db", by="OW", surroundings=surroundings)
    ledger.lock(protocol="p", protocol_hash="h", versions={}, by="OW", method=PLAN)
    return ledger


def enrol(ledger, split, number=16):
    method = WithTrainer(PLAN.arms, dict(split.arm_of))
    return [
        ledger.allocate(
            f"C{client:02d}", stratum={"trainer": f"T{client % 8}"}, facts=FACTS, method=method, by="OW"
        )
        for client in range(number)
    ]


def test_one_recorded_act_with_all_it_followed_from(study):
    """E08: the measure, the size of the kept set and the chosen index are stored (and E10)."""
    split = allocate_trainers(study, TRAINERS, plan=PLAN, by="OW", clients_listed=True)
    body = study.entries()[-1].body
    assert study.entries()[-1].kind == "split"
    assert (body["index"], body["kept"], body["possible"]) == (split.index, split.kept, 35)
    assert body["arm_of"] == dict(split.arm_of)
    assert set(body["units"]["T0"]) == {"years"}, "only what the plan balances is stored"


def test_clients_get_the_arm_of_their_trainer_and_a_receipt(study):
    split = allocate_trainers(study, TRAINERS, plan=PLAN, by="OW", clients_listed=True)
    receipts = enrol(study, split)
    assert [receipt.arm for receipt in receipts] == [split.arm_of[f"T{client % 8}"] for client in range(16)]
    result = audit(*study.unverified(), receipts=receipts)
    assert result.passed
    assert (result.replayed, result.predictability.certain) == (16, 16)


def test_nobody_before_the_trainers_and_no_second_draw(study):
    method = WithTrainer(PLAN.arms, dict.fromkeys(TRAINERS, "conventional"))
    with pytest.raises(AllocationRefused, match="the method of allocation that the locked protocol names"):
        study.allocate("C01", stratum={"trainer": "T1"}, facts=FACTS, method=method, by="OW")
    allocate_trainers(study, TRAINERS, plan=PLAN, by="OW", clients_listed=True)
    with pytest.raises(AllocationRefused, match=r"trainers who have been allocated\. It is one act"):
        allocate_trainers(study, TRAINERS, plan=PLAN, by="OW", clients_listed=True)
    with pytest.raises(AllocationRefused, match="found another method"):
        study.allocate("C01", stratum={"trainer": "T1"}, facts=FACTS, method=method, by="OW")


def test_refusals(study, elsewhere, ledger):
    other = SplitPlan(PLAN.arms, covariates=("age",))
    with pytest.raises(AllocationRefused, match="the plan that the locked protocol names; found another one"):
        allocate_trainers(study, TRAINERS, plan=other, by="OW", clients_listed=True)
    with pytest.raises(AllocationRefused, match="the plan that the locked protocol names; found another one"):
        allocate_trainers(ledger, TRAINERS, plan=PLAN, by="OW", clients_listed=True)
    copy = Ledger.open(study.path, surroundings=elsewhere)
    with pytest.raises(AllocationRefused, match="the study's home machine"):
        allocate_trainers(copy, TRAINERS, plan=PLAN, by="OW", clients_listed=True)
    with pytest.raises(DesignError, match="at least two in each of the 2 arms"):
        allocate_trainers(study, {"T1": {"years": 1.0}}, plan=PLAN, by="OW", clients_listed=True)
    assert len(study.entries()) == 2, "a refusal leaves no trace"


def test_the_audit_repeats_the_split_and_names_what_was_not_ideal(study):
    few = {unit: TRAINERS[unit] for unit in ("T0", "T1", "T2", "T3")}
    allocate_trainers(study, few, plan=PLAN, by="OW", clients_listed=False)
    found = [str(finding) for finding in audit(*study.unverified()).findings]
    assert any(
        "clients listed before the trainers were allocated; found clients recruited afterwards" in text
        for text in found
    )
    assert any(
        "2 in an arm: no result, however large, can give a p-value below 0.333" in text for text in found
    )


@pytest.mark.parametrize(
    "change", [("arm_of", {"T0": "conventional"}), ("index", "entropy"), ("unit_order", ["T9"])]
)
def test_a_changed_split_is_found(study, change):
    import json

    allocate_trainers(study, TRAINERS, plan=PLAN, by="OW", clients_listed=True)
    entry = study.entries()[-1]
    name, value = change
    body = {**entry.body, "entropy": "f" * 64} if value == "entropy" else {**entry.body, name: value}
    changed = Entry(
        **{**{field: getattr(entry, field) for field in entry.__slots__}, "text": json.dumps(body)}
    )
    assert check_splits([entry]) == ()
    assert [finding.severity for finding in check_splits([changed])] == ["stop"]
    assert any(
        "one split of the trainers; found another" in str(finding) for finding in check_splits([entry, entry])
    )


def test_replay_of_the_trainers_is_exact(study):
    """The reference set is the kept splits, each as likely; what happened is among them."""
    split = allocate_trainers(study, TRAINERS, plan=PLAN, by="OW", clients_listed=True)
    enrol(study, split)
    entry = next(entry for entry in study.entries() if entry.kind == "split")
    replayed = replay_trainers(entry, study.allocations())
    assert replayed.is_exact
    assert replayed.drawn.shape == (split.kept, 16)
    assert replayed.probability.sum() == pytest.approx(1.0)
    assert np.array_equal(replayed.drawn[split.index], replayed.observed)
    assert np.array_equal(replayed.drawn[:, :8], replayed.drawn[:, 8:]), "clients of one trainer go together"
    with pytest.raises(DesignError, match=r"clients who got the arm of their trainer\. Replay the split"):
        replay(study.allocations(), replicates=5, rng=stream(1, "x"))
    with pytest.raises(ArgumentError, match="the split of the trainers; found opening"):
        replay_trainers(study.entries()[0], study.allocations())


def test_a_trainer_without_an_arm(study):
    split = allocate_trainers(study, TRAINERS, plan=PLAN, by="OW", clients_listed=True)
    method = WithTrainer(PLAN.arms, dict(split.arm_of))
    with pytest.raises(ArgumentError, match=r"trainer: expected one of T0, .*; found T99"):
        study.allocate("C01", stratum={"trainer": "T99"}, facts=FACTS, method=method, by="OW")
    assert method_from(method.describe()) == method
    assert method.simulate(np.arange(8).reshape(1, 8, 1), stream(1, "x")).tolist() == [
        [PLAN.arms.index(split.arm_of[f"T{place}"]) for place in range(8)]
    ]


def test_steps_of_a_roll_out_are_a_split_too(tmp_path, surroundings):
    """Eight trainers over four steps, two at each; the whole order in one act."""
    plan = SplitPlan(("step 1", "step 2", "step 3", "step 4"), covariates=("years",))
    ledger = Ledger.create(tmp_path / "steps.db", by="OW", surroundings=surroundings)
    ledger.lock(protocol="p", protocol_hash="h", versions={}, by="OW", method=plan)
    split = allocate_trainers(ledger, TRAINERS, plan=plan, by="OW", clients_listed=True)
    assert sorted(split.arm_of.values()) == sorted(plan.arms * 2)
    assert audit(*ledger.unverified()).passed
    with pytest.raises(LedgerError, match="one act"):
        allocate_trainers(ledger, TRAINERS, plan=plan, by="OW", clients_listed=True)
