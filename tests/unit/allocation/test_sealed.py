"""A list made by an outsider, opened slip by slip."""

from dataclasses import replace

import numpy as np
import pytest

from studykit.allocation.audit import audit
from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.ledger import Ledger
from studykit.allocation.refusals import REQUIRED_FACTS
from studykit.allocation.replay import replay
from studykit.allocation.sealed import SealedList, list_from, make_list
from studykit.allocation.slips import call_slip, check_slips, open_slip, publish_list
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


def called(ledger, client, stratum, **changed):
    return call_slip(ledger, client, stratum=stratum, facts={**FACTS, **changed}, by="OW")


def opened(ledger, client, slip):
    """Called and opened; the next slip of the stratum must be ``slip``."""
    assert called(ledger, client, slip.stratum).number == slip.number
    return open_slip(ledger, client, word=slip.word, by="OW")


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
    sizes = {"block_size", "block sizes drawn", "blocks"}
    assert not sizes & set(study.entries()[-1].body), "the sizes drawn are written nowhere"


def test_slips_are_opened_in_order_and_can_be_checked(study):
    receipts = [opened(study, f"C{slip.number:02d}", slip) for slip in (SLIPS[0], SLIPS[6], SLIPS[1])]
    assert [receipt.arm for receipt in receipts] == [SLIPS[0].arm, SLIPS[6].arm, SLIPS[1].arm]
    result = audit(*study.unverified(), receipts=receipts)
    assert result.passed
    (only,) = result.findings
    assert only.got.startswith("3 without"), "no time zone; a list drawn elsewhere is not called simulated"
    assert "3 receipts compared" in result.summary()
    assert sum(result.balance[0].counts) == 3


def test_an_envelope_is_opened_only_after_it_was_called(study):
    """E03, E04: facts first, then the number, then the arm; no look into an envelope and no second one."""
    with pytest.raises(AllocationRefused, match="a slip that was called for the client; found none"):
        open_slip(study, "C01", word=SLIPS[0].word, by="OW")
    first = called(study, "C01", SLIPS[0].stratum)
    assert "Open envelope 1 now, and no other" in first.text()
    assert "ledger entry 4" in first.text()
    assert called(study, "c01", SLIPS[0].stratum) == first, "the client keeps the slip"
    with pytest.raises(
        AllocationRefused, match="slip 1: expected to be opened and recorded first; found call"
    ):
        called(study, "C02", SLIPS[0].stratum)
    assert called(study, "C03", SLIPS[6].stratum).number == 7, "another stratum goes on"
    warned = [str(finding) for finding in audit(*study.unverified()).findings]
    assert any("slip called for client C01 and not recorded" in text for text in warned)
    assert open_slip(study, "C01", word=SLIPS[0].word.upper(), by="OW").arm == SLIPS[0].arm
    assert called(study, "C02", SLIPS[0].stratum).number == 2


def test_a_slip_exchanged_mistyped_or_used_up_is_refused(study):
    called(study, "C01", SLIPS[0].stratum)
    with pytest.raises(AllocationRefused, match="the word that fits its published seal; found another one"):
        open_slip(study, "C01", word=SLIPS[1].word, by="OW")
    with pytest.raises(ArgumentError, match="8 groups of four, as printed; found 31 characters"):
        open_slip(study, "C01", word=SLIPS[0].word[:-1], by="OW")
    with pytest.raises(ArgumentError, match="found another character"):
        open_slip(study, "C01", word="g" * 32, by="OW")
    for slip in SLIPS[6:]:
        opened(study, f"C{slip.number:02d}", slip)
    with pytest.raises(AllocationRefused, match="an unopened slip of this stratum; found none left"):
        called(study, "C99", SLIPS[9].stratum)
    with pytest.raises(AllocationRefused, match="a stratum that has slips: T1; T2; found T3"):
        called(study, "C99", {"trainer": "T3"})
    assert len(study.allocations()) == 4


def test_the_rules_of_enrolment_hold_for_slips_too(study):
    with pytest.raises(AllocationRefused, match="found nothing for consented"):
        called(study, "C01", SLIPS[0].stratum, consented=False)
    opened(study, "C01", SLIPS[0])
    with pytest.raises(AllocationRefused, match="a client without an arm"):
        open_slip(study, "C01", word=SLIPS[1].word, by="OW")


def test_a_longer_list_comes_by_an_amendment(study):
    """A slip of the old list that was called and never opened is void; a new one is called."""
    opened(study, "C01", SLIPS[0])
    called(study, "C02", SLIPS[1].stratum)
    longer, slips = make_list(RULE, [({"trainer": "T1"}, 4)], entropy="09" * 32)
    amended = {
        "protocol": "p2",
        "protocol_hash": "h2",
        "reason": "more clients came",
        "changed": ["allocation"],
    }
    study.amend(**amended, by="OW", method=longer)
    with pytest.raises(AllocationRefused, match="expected a published list; found none"):
        called(study, "C02", {"trainer": "T1"})
    publish_list(study, longer, by="OW")
    assert called(study, "C02", {"trainer": "T1"}).number == 1
    open_slip(study, "C02", word=slips[0].word, by="OW")
    result = audit(*study.unverified())
    assert result.passed
    assert result.slips == 2


def test_the_list_is_compared_with_the_outsiders_entropy(study):
    """E01, E05: after recruitment the list is made again from what the outsider kept."""
    opened(study, "C01", SLIPS[0])
    assert PUBLISHED.lengths() == LENGTHS
    right = audit(*study.unverified(), list_entropy="07" * 32)
    assert right.passed
    assert "1 opened slips compared with the seals published before. The list was" in right.summary()
    wrong = audit(*study.unverified(), list_entropy="08" * 32)
    assert not wrong.passed
    assert "when it is made again" in wrong.summary()


def test_publishing(study, tmp_path, surroundings):
    with pytest.raises(AllocationRefused, match="no list yet; found one that is published"):
        publish_list(study, PUBLISHED, by="OW")
    other = SealedList(PUBLISHED.drawn_by, PUBLISHED.slips[:4])
    with pytest.raises(AllocationRefused, match="the list that the locked protocol names; found another one"):
        publish_list(study, other, by="OW")
    unpublished = Ledger.create(tmp_path / "other.db", by="OW", surroundings=surroundings)
    unpublished.lock(protocol="p", protocol_hash="h", versions={}, by="OW", method=PUBLISHED)
    with pytest.raises(AllocationRefused, match="expected a published list; found none"):
        called(unpublished, "C01", SLIPS[0].stratum)


def test_the_audit_finds_a_slip_that_is_not_of_the_list(study):
    opened(study, "C01", SLIPS[0])
    entries = study.entries()
    assert check_slips(entries) == ()
    forged = replace(entries[-1], text=entries[-1].text.replace(SLIPS[0].secret, "0" * 32))
    assert "a slip that fits its published seal" in str(check_slips([*entries[:-1], forged])[0])
    without_list = [entry for entry in entries if entry.kind != "sealed list"]
    assert "a slip of the published list; found none such" in str(check_slips(without_list)[0])
    without_call = [entry for entry in entries if entry.kind != "slip"]
    assert "a slip that was called for this client before; found none" in str(check_slips(without_call)[0])
    passed_over = replace(entries[-2], text=entries[-2].text.replace('"number":1', '"number":2'))
    found = str(check_slips([*entries[:-2], passed_over, entries[-1]])[0])
    assert "slip 1, the next of its stratum; found slip 2" in found


def test_only_what_an_outsider_published_is_read():
    assert list_from(PUBLISHED.content()) == PUBLISHED
    with pytest.raises(ArgumentError, match="what the outsider published; found something else"):
        list_from({"slips": [[1, {}, "aa"]]})


def test_a_replay_uses_the_rule_that_made_the_list(study):
    for slip in SLIPS[:6]:
        opened(study, f"C{slip.number:02d}", slip)
    replayed = replay(study.allocations(), replicates=200, rng=stream(1, "slips"))
    assert [replayed.arms[arm] for arm in replayed.observed] == [slip.arm for slip in SLIPS[:6]]
    assert np.abs(replayed.drawn.sum(axis=1) - 3).max() <= 1
