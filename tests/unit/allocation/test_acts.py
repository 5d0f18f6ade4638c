"""Receipts, and what is read back from entries."""

import pytest

from studykit.allocation.acts import Receipt
from studykit.errors import ArgumentError, LedgerError

RECEIPT = Receipt("C014", "partner_reps", "2026-03-09T14:03:22.123Z", 17, "4f2a-91c0-77be")


def test_a_receipt_survives_paper():
    lines = (
        "CLIENT: C014",
        "arm : partner_reps",
        "  Time: 2026-03-09T14:03:22.123Z",
        "Entry: 17",
        "code: 4F2A-91C0-77BE",
    )
    typed = "\n".join(lines)
    assert Receipt.read(typed) == RECEIPT


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("client: C014", "found no arm, time, entry, code"),
        (RECEIPT.text().replace("17", "x"), "found entry x"),
    ],
)
def test_an_unreadable_receipt_is_refused(text, message):
    with pytest.raises(ArgumentError, match=message):
        Receipt.read(text)


def test_lock_amendments_and_home_are_read_in_order(ledger):
    before = ledger.locked()
    assert (before.protocol, before.current_hash, before.home) == ("format = 1", "a" * 64, "0123456789ab")
    after = ledger.amend(
        protocol="format = 1 # new",
        protocol_hash="b" * 64,
        reason="a second machine",
        changed=["exercises"],
        by="OW",
    )
    assert (after.protocol, after.current_protocol) == ("format = 1", "format = 1 # new")
    assert (after.current_hash, after.current_method) == ("b" * 64, before.method)
    assert after.amendments[0].changed == ("exercises",)
    assert after.amendments[0].reason == "a second machine"


def test_corrections_leave_the_draw_alone(ledger, enrol):
    """E12 and the house rule: a mistyped fact is corrected by an entry, never by a new draw."""
    receipt = enrol(ledger, "C001", "T1")
    ledger.correct(
        client="C001", what="trainer", old="T1", new="T2", reason="typing", source="diary", by="OW"
    )
    allocation = ledger.allocations()[0]
    assert allocation.stratum == {"trainer": "T1"}
    assert allocation.true_stratum == {"trainer": "T2"}
    assert allocation.receipt() == receipt == ledger.receipt("c001")


def test_no_receipt_for_a_stranger(ledger):
    with pytest.raises(LedgerError, match="client C999: expected an allocated client"):
        ledger.receipt("C999")
