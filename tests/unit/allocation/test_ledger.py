"""The ledger: what goes in, in which order, and what is refused."""

import datetime as dt
import multiprocessing
from dataclasses import replace

import pytest

from studykit.allocation.bits import fresh_entropy
from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.entries import utc_moment
from studykit.allocation.ledger import Ledger
from studykit.allocation.refusals import REQUIRED_FACTS
from studykit.allocation.surroundings import Surroundings
from studykit.errors import AllocationRefused, ArgumentError, LedgerError

FACTS = dict.fromkeys(REQUIRED_FACTS, True)


def test_an_entry_says_who_what_and_when(ledger):
    """E11, E13: the time of writing stands apart from the time of the event."""
    entry = ledger.append("look", {"why": "asked by the reviewer"}, by="AN", event_time="2026-03-07")
    assert (entry.position, entry.kind, entry.by) == (3, "look", "AN")
    assert (entry.entry_time, entry.event_time) == ("2026-03-09T08:00:03.000Z", "2026-03-07")
    assert entry.body == {"why": "asked by the reviewer"}
    assert [known.kind for known in ledger.entries()] == ["opening", "lock", "look"]


def test_an_allocation_records_all_it_followed_from(ledger, enrol, method):
    receipt = enrol(ledger, "C001")
    (allocation,) = ledger.allocations()
    assert (allocation.client, allocation.arm, allocation.position) == ("C001", receipt.arm, 3)
    assert allocation.stratum == {"trainer": "T1"}
    assert set(allocation.facts) == set(REQUIRED_FACTS)
    assert allocation.probabilities == {"conventional": "1/2", "partner_reps": "1/2"}
    assert allocation.method == method.describe()
    assert len(allocation.entropy) == 64
    assert allocation.entropy_source == "simulated"
    assert allocation.machine == "0123456789ab"


def test_real_entropy_is_named_as_such(tmp_path, method):
    ledger = Ledger.create(tmp_path / "ledger.db", by="OW")
    ledger.lock(protocol="p", protocol_hash="h", versions={}, by="OW", method=method)
    before = dt.datetime.now(dt.UTC) - dt.timedelta(milliseconds=1)  # entries are cut to the millisecond
    ledger.allocate("C001", stratum={"trainer": "T1"}, facts=FACTS, method=method, by="OW")
    assert ledger.allocations()[0].entropy_source == "operating system"
    assert before <= utc_moment(ledger.entries()[-1].entry_time) <= dt.datetime.now(dt.UTC)


def test_the_ledger_holds_no_future(ledger, enrol):
    """E03: nothing in the file tells of a client who has not come (the file is searched as text)."""
    enrol(ledger, "C001")
    bodies = [entry.text for entry in ledger.entries()]
    assert sum("arm" in text and "client" in text for text in bodies) == 1
    assert sum(text.count('"arm":') for text in bodies) == 1


def test_nobody_is_drawn_twice(ledger, enrol):
    """E03: no undo, no redraw; the letter case of a code makes no other client."""
    enrol(ledger, "C001")
    for code in ("C001", "c001"):
        with pytest.raises(
            AllocationRefused, match=r"expected a client without an arm; found one allocated on .*entry 3"
        ):
            enrol(ledger, code)
    assert len(ledger.allocations()) == 1


def test_not_before_the_lock(tmp_path, method, surroundings):
    ledger = Ledger.create(tmp_path / "ledger.db", by="OW", surroundings=surroundings)
    assert ledger.locked() is None
    with pytest.raises(AllocationRefused, match="expected a locked protocol; found none"):
        ledger.allocate("C001", stratum={"trainer": "T1"}, facts=FACTS, method=method, by="OW")
    with pytest.raises(LedgerError, match="expected a locked protocol; found none"):
        ledger.amend(protocol="p", protocol_hash="h", reason="r", changed=[], by="OW")


@pytest.mark.parametrize("fact", REQUIRED_FACTS)
@pytest.mark.parametrize("value", [False, "", None])
def test_not_before_every_fact_is_recorded(ledger, enrol, fact, value):
    with pytest.raises(
        AllocationRefused, match=f"client C001: expected all of these.*found nothing for {fact}"
    ):
        enrol(ledger, "C001", **{fact: value})
    assert len(ledger.entries()) == 2


def test_not_on_another_machine(ledger, enrol, elsewhere):
    """A copy on another machine would give a second history."""
    copy = Ledger.open(ledger.path, surroundings=elsewhere)
    with pytest.raises(
        AllocationRefused, match="home machine, code 0123456789ab; found another one, code ba9876543210"
    ):
        enrol(copy, "C001")
    copy.move_home(reason="the old computer broke", by="OW")
    assert enrol(copy, "C001").position == 4
    with pytest.raises(AllocationRefused, match="home machine, code ba9876543210"):
        enrol(ledger, "C002")


def test_not_by_another_method(ledger, enrol):
    other = PermutedBlocks(("conventional", "partner_reps"), block_sizes=(8,), factors=("trainer",))
    with pytest.raises(
        AllocationRefused, match="the method of allocation that the locked protocol names; found another"
    ):
        ledger.allocate("C001", stratum={"trainer": "T1"}, facts=FACTS, method=other, by="OW")
    ledger.amend(
        protocol="new", protocol_hash="b" * 64, reason="r", changed=["allocation"], by="OW", method=other
    )
    ledger.allocate("C001", stratum={"trainer": "T1"}, facts=FACTS, method=other, by="OW")
    with pytest.raises(AllocationRefused, match="found another method"):
        enrol(ledger, "C002")


def test_an_amendment_without_a_method_keeps_the_one_in_force(ledger, enrol):
    ledger.amend(protocol="new", protocol_hash="b" * 64, reason="r", changed=["title"], by="OW")
    assert enrol(ledger, "C001").position == 4
    assert ledger.entries()[2].body["clients_allocated"] == 0


def test_a_data_lock_closes_and_a_reopening_opens(ledger, enrol):
    """E15."""
    ledger.append("data lock", {}, by="OW")
    with pytest.raises(AllocationRefused, match="expected open records; found a data lock at entry 3"):
        enrol(ledger, "C001")
    with pytest.raises(LedgerError, match="reason: expected a few words; found nothing"):
        ledger.append("reopening", {}, by="OW")
    ledger.append("reopening", {"reason": "locked by mistake"}, by="OW")
    assert enrol(ledger, "C001").position == 5


def test_locked_once(ledger):
    with pytest.raises(LedgerError, match=r"found a lock at entry 2\. Amend it instead"):
        ledger.lock(protocol="p", protocol_hash="h", versions={}, by="OW")
    with pytest.raises(
        LedgerError, match="a protocol that differs from the one in force; found the same text"
    ):
        ledger.amend(protocol="format = 1", protocol_hash="a" * 64, reason="r", changed=[], by="OW")


def test_the_clock_must_not_run_backwards(ledger, clock, enrol):
    clock.now -= dt.timedelta(minutes=1)
    enrol(ledger, "C001")
    clock.now -= dt.timedelta(hours=3)
    with pytest.raises(
        LedgerError, match=r"after the last entry, 2026-03-09T07:59:0\d.*; found 2026-03-09T04:59:0"
    ):
        enrol(ledger, "C002")
    ledger.accept_clock(reason="the clock had been three hours fast", by="OW")
    assert enrol(ledger, "C002").position == 5


@pytest.mark.parametrize("kind", ["allocation", "lock", "opening", "home", "clock", "split", "gossip"])
def test_kinds_with_their_own_method_cannot_be_forged(ledger, kind):
    with pytest.raises(
        ArgumentError,
        match=r"kind: expected one of look, unblinding, .*Other kinds have functions of their own",
    ):
        ledger.append(kind, {}, by="OW")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"what": "arm"}, r"found the arm\. An allocation is never changed or drawn again"),
        ({"reason": " "}, "reason: expected a few words"),
        ({"source": ""}, "source: expected a few words"),
        ({"client": "C009"}, "client C009: expected an allocated client"),
    ],
)
def test_corrections_need_a_reason_a_source_and_a_client(ledger, enrol, change, message):
    enrol(ledger, "C001")
    correction = {
        "client": "C001",
        "what": "trainer",
        "old": "T1",
        "new": "T2",
        "reason": "r",
        "source": "s",
        "by": "OW",
    }
    with pytest.raises(LedgerError, match=message):
        ledger.correct(**{**correction, **change})
    assert len(ledger.entries()) == 3


@pytest.mark.parametrize(
    ("client", "event"), [("", None), (" C1", None), ("C" * 41, None), ("C1", "yesterday")]
)
def test_odd_codes_and_times_are_refused(ledger, enrol, client, event):
    with pytest.raises(ArgumentError, match=r"client: expected a code|event_time: expected a date"):
        enrol(ledger, client) if event is None else ledger.append("note", {}, by="OW", event_time=event)


def test_a_failed_entry_leaves_no_trace(ledger, enrol):
    """The body fails after the transaction has begun; the next entry takes the same place."""
    with pytest.raises(ArgumentError, match="plain values"):
        enrol(ledger, "C001", eligible={1, 2})
    assert len(ledger.entries()) == 2
    assert enrol(ledger, "C001").position == 3


def test_two_handles_see_each_other(ledger, enrol, surroundings):
    other = Ledger.open(ledger.path, surroundings=surroundings)
    enrol(ledger, "C001")
    enrol(other, "C002")
    assert enrol(ledger, "C003").position == 5
    assert other.entries() == ledger.entries()


def test_another_copy_put_in_place_is_read_anew(ledger, enrol):
    """A handle that remembers a longer ledger must not go on from its memory."""
    older = ledger.path.read_bytes()
    enrol(ledger, "C001")
    ledger.path.write_bytes(older)
    assert len(ledger.entries()) == 2
    assert enrol(ledger, "C002").position == 3


def test_a_broken_chain_stops_everything(ledger, enrol):
    import sqlite3
    from contextlib import closing

    enrol(ledger, "C001")
    with closing(sqlite3.connect(ledger.path)) as connection:
        connection.execute("DROP TRIGGER never_changed")
        connection.execute("UPDATE entry SET body = replace(body, 'T1', 'T2') WHERE position = 3")
        connection.commit()
    with pytest.raises(
        LedgerError, match=r"entry 3: expected an entry that fits its code; found changed content"
    ):
        Ledger.open(ledger.path)
    fresh = Ledger(ledger.path)
    with pytest.raises(LedgerError, match=r"entry 3: expected an entry that fits its code"):
        enrol(fresh, "C002")
    assert len(fresh.unverified()[0]) == 3


def _enrol_many(path, first, number):
    method = PermutedBlocks(("conventional", "partner_reps"), factors=("trainer",))
    ledger = Ledger.open(path, timeout=60.0)
    for client in range(first, first + number):
        stratum = {"trainer": f"T{client % 3}"}
        ledger.allocate(f"C{client:03d}", stratum=stratum, facts=FACTS, method=method, by="OW")


def test_processes_at_once(tmp_path, method):
    """Four processes, forty clients: none lost, none twice, every stratum in whole blocks."""
    path = tmp_path / "ledger.db"
    ledger = Ledger.create(path, by="OW")
    ledger.lock(protocol="p", protocol_hash="h", versions={}, by="OW", method=method)
    context = multiprocessing.get_context("spawn")
    workers = [context.Process(target=_enrol_many, args=(path, start, 10)) for start in (0, 10, 20, 30)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert [worker.exitcode for worker in workers] == [0, 0, 0, 0]
    allocations = Ledger.open(path).allocations()
    assert sorted(allocation.client for allocation in allocations) == [
        f"C{client:03d}" for client in range(40)
    ]
    for trainer in ("T0", "T1", "T2"):
        arms = [allocation.arm for allocation in allocations if allocation.stratum["trainer"] == trainer]
        assert abs(arms.count("conventional") - arms.count("partner_reps")) <= 2


def test_simulated_studies_repeat(tmp_path, method, surroundings):
    """The same clock and entropy give the same arms (the chain's codes too)."""
    from itertools import count

    made = []
    for name in ("one", "two"):
        numbers = count(1)
        start = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
        simulated = Surroundings(
            clock=lambda start=start: start,
            entropy=lambda numbers=numbers: f"{next(numbers):064x}",
            machine="0" * 12,
            simulated=True,
        )
        ledger = Ledger.create(tmp_path / f"{name}.db", by="OW", surroundings=simulated)
        ledger.lock(protocol="p", protocol_hash="h", versions={}, by="OW", method=method)
        for client in range(12):
            ledger.allocate(f"C{client}", stratum={"trainer": "T1"}, facts=FACTS, method=method, by="OW")
        made.append(ledger.entries())
    assert made[0] == made[1]
    assert replace(surroundings, entropy=fresh_entropy).simulated
