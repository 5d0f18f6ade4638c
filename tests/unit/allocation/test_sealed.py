"""A list made by an outsider, opened slip by slip."""

from dataclasses import replace

import numpy as np
import pytest

from studykit.allocation import (
    REQUIRED_FACTS,
    Ledger,
    PermutedBlocks,
    SealedList,
    audit,
    make_list,
    open_slip,
    publish_list,
    replay,
)
from studykit.allocation.sealed import check_slips
from studykit.errors import AllocationRefused, ArgumentError
from studykit.randomness import stream

RULE = PermutedBlocks(("conventional", "partner_reps"), factors=("trainer",), block_sizes=(2, 4))
LENGTHS = [({"trainer": "T1"}, 6), ({"trainer": "T2"}, 4)]
FACTS = dict.fromkeys(REQUIRED_FACTS, True)
PUBLISHED, SLIPS = make_list(RULE, LENGTHS, entropy="07" * 32)


@pytest.fixture
def study(tmp_path, surroundings):
    ledger = Ledger.create(tmp_path / "ledger.db", by="OW", surroundings=surroundings)
    ledger.lock(protocol="p", protocol_hash="h", versions={}, by="OW", method=PUBLISHED)
    publish_list(ledger, PUBLISHED, by="OW")
    return ledger


def opened(ledger, client, slip):
    return open_slip(ledger, client, slip=slip, facts=FACTS, by="OW")


def test_the_list_can_be_made_again():
    """E01: rule, lengths and entropy give the same list; other entropy another one."""
    assert make_list(RULE, LENGTHS, entropy="07" * 32) == (PUBLISHED, SLIPS)
    other, _ = make_list(RULE, LENGTHS, entropy="08" * 32)
    assert other.commitment != PUBLISHED.commitment
    with pytest.raises(ArgumentError, match="at least one slip"):
        make_list(RULE, [], entropy="07" * 32)


def test_what_is_published_tells_no_arm(study):
    """E02, E05: the seals are there before the first slip, the arms and secrets are not."""
    text = study.entries()[-1].text
    assert all(slip.seal() in text and slip.secret not in text for slip in SLIPS)
    assert 'arm":' not in text
    assert len({slip.seal() for slip in SLIPS}) == len(SLIPS), "equal arms have different seals"
    assert SLIPS[0].text().startswith("Slip 1 (trainer T1)\n  arm:    ")


def test_slips_are_opened_in_order_and_can_be_checked(study):
    receipts = [opened(study, f"C{slip.number:02d}", slip) for slip in (SLIPS[0], SLIPS[6], SLIPS[1])]
    assert [receipt.arm for receipt in receipts] == [SLIPS[0].arm, SLIPS[6].arm, SLIPS[1].arm]
    result = audit(study, receipts=receipts)
    assert result.passed
    assert result.findings == (), "a list drawn elsewhere is not called simulated"
    assert "3 receipts compared" in result.summary()
    assert sum(result.balance[0].counts) == 3


def test_a_slip_passed_over_exchanged_or_used_up_is_refused(study):
    with pytest.raises(AllocationRefused, match="expected slip 1, the next of its stratum; found slip 2"):
        opened(study, "C01", SLIPS[1])
    other_arm = next(arm for arm in RULE.arms if arm != SLIPS[0].arm)
    with pytest.raises(AllocationRefused, match="a slip that fits its published seal; found another one"):
        opened(study, "C01", replace(SLIPS[0], arm=other_arm))
    for slip in SLIPS[6:]:
        opened(study, f"C{slip.number:02d}", slip)
    with pytest.raises(AllocationRefused, match="an unopened slip of this stratum; found none left"):
        opened(study, "C99", SLIPS[9])
    assert len(study.allocations()) == 4


def test_the_rules_of_enrolment_hold_for_slips_too(study):
    with pytest.raises(AllocationRefused, match="found nothing for consented"):
        open_slip(study, "C01", slip=SLIPS[0], facts={**FACTS, "consented": False}, by="OW")
    opened(study, "C01", SLIPS[0])
    with pytest.raises(AllocationRefused, match="a client without an arm"):
        opened(study, "C01", SLIPS[1])


def test_publishing(study, tmp_path, surroundings):
    with pytest.raises(AllocationRefused, match="no list yet; found one that is published"):
        publish_list(study, PUBLISHED, by="OW")
    other = SealedList(PUBLISHED.drawn_by, PUBLISHED.slips[:4])
    with pytest.raises(AllocationRefused, match="the list that the locked protocol names; found another one"):
        publish_list(study, other, by="OW")
    unpublished = Ledger.create(tmp_path / "other.db", by="OW", surroundings=surroundings)
    unpublished.lock(protocol="p", protocol_hash="h", versions={}, by="OW", method=PUBLISHED)
    with pytest.raises(AllocationRefused, match="expected a published list; found none"):
        opened(unpublished, "C01", SLIPS[0])


def test_the_audit_finds_a_slip_that_is_not_of_the_list(study):
    opened(study, "C01", SLIPS[0])
    entries = study.entries()
    assert check_slips(entries) == ()
    forged = replace(entries[-1], text=entries[-1].text.replace(SLIPS[0].secret, "0" * 32))
    assert "a slip that fits its published seal" in str(check_slips([*entries[:-1], forged])[0])
    without_list = [entry for entry in entries if entry.kind != "sealed list"]
    assert "a slip of the published list; found none such" in str(check_slips(without_list)[0])


def test_a_replay_uses_the_rule_that_made_the_list(study):
    for slip in SLIPS[:6]:
        opened(study, f"C{slip.number:02d}", slip)
    replayed = replay(study.allocations(), replicates=200, rng=stream(1, "slips"))
    assert [replayed.arms[arm] for arm in replayed.observed] == [slip.arm for slip in SLIPS[:6]]
    assert np.abs(replayed.drawn.sum(axis=1) - 3).max() <= 1
