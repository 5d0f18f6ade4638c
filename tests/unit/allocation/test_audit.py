"""The audit: everything right is quiet, everything wrong is named."""

import sqlite3
from contextlib import closing

import pytest

from studykit.allocation.acts import handovers_from
from studykit.allocation.audit import audit
from studykit.allocation.audit_result import Anchor
from studykit.allocation.entries import Entry, check_chain, facts_hash, next_entry
from studykit.allocation.ledger import Ledger
from studykit.allocation.refusals import REQUIRED_FACTS


@pytest.fixture
def study(ledger, enrol):
    receipts = [enrol(ledger, f"C{number:03d}", f"T{number % 2}") for number in range(12)]
    return ledger, receipts


def rewritten(ledger, change):
    """Write the whole ledger anew with other content and a chain that fits: the best forgery there is."""
    entries, last = [], None
    for entry in ledger.entries():
        body = change(entry.position, dict(entry.body))
        if body is None:
            continue
        last = next_entry(
            last,
            kind=entry.kind,
            by=entry.by,
            entry_time=entry.entry_time,
            event_time=entry.event_time,
            body=body,
        )
        entries.append(last)
    assert check_chain(entries) == ()
    replace_entries(ledger, entries)


def replace_entries(ledger, entries: list[Entry]):
    """All entries anew, and the triggers put back as they were."""
    with closing(sqlite3.connect(ledger.path)) as connection:
        triggers = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute("DELETE FROM entry")
        seen = set()
        for entry in entries:
            client = entry.body["client"] if entry.kind == "allocation" else None
            # A client who is forged in twice cannot stand in the unique column a second time.
            connection.execute(
                "INSERT INTO entry VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    entry.position, entry.kind, entry.by, entry.entry_time, entry.event_time, entry.text,
                    entry.previous, entry.code, None if client in seen else client,
                ),
            )  # fmt: skip
            seen.add(client)
        for _, sql in triggers:
            connection.execute(sql)
        connection.commit()


def stops(result):
    return [str(finding) for finding in result.findings if finding.severity == "stop"]


def test_a_good_ledger_passes(study):
    ledger, receipts = study
    result = audit(*ledger.unverified(), receipts=receipts, anchors=[Anchor(2, "")][:0])
    assert result.passed
    assert (result.entries, result.replayed, result.receipts_checked) == (14, 12, 12)
    assert [finding.severity for finding in result.findings] == ["note", "warn"], "no zone, simulated draws"
    assert "expected a time zone with every allocation; found 12 without, first at entry 3" in str(
        result.findings[0]
    )
    assert "as they were written (UTC)." in str(result.findings[0])
    assert result.kinds == {"opening": 1, "lock": 1, "allocation": 12}


def test_balance_is_counted(study):
    ledger, _ = study
    rows = {(row.factor, row.level): row.counts for row in audit(*ledger.unverified()).balance}
    arms = [(allocation.arm, allocation.stratum["trainer"]) for allocation in ledger.allocations()]
    assert rows["all", "all"] == tuple(
        sum(arm == code for arm, _ in arms) for code in ("conventional", "partner_reps")
    )
    assert rows["trainer", "T0"] == tuple(
        arms.count((code, "T0")) for code in ("conventional", "partner_reps")
    )
    assert sum(rows["trainer", "T0"]) == 6


def test_the_summary_can_be_read_by_an_owner(study):
    ledger, receipts = study
    ledger.append("look", {"why": "curious"}, by="OW")
    result = audit(*ledger.unverified(), receipts=receipts)
    text = result.summary()
    assert text.startswith("Nothing is wrong with the ledger.")
    assert "15 entries read; 12 draws repeated; 12 receipts compared." in text
    assert "Protocol locked on 2026-03-09 by OW; 0 amendments; 1 look(s) at results by arm." in text
    assert "trainer: T1" in text
    assert f"Code to keep outside this folder (paper, another person): {result.anchor.text()}" in text
    assert "certain of" in text


def test_an_empty_study_can_be_audited(tmp_path, surroundings):
    result = audit(Ledger.create(tmp_path / "ledger.db", by="OW", surroundings=surroundings).entries())
    assert result.passed
    assert "No protocol is locked yet." in result.summary()
    assert "No client has an arm yet." in result.summary()


def test_a_forged_arm_is_found_by_replay_even_with_a_fitting_chain(study):
    ledger, _ = study
    arm = {"conventional": "partner_reps", "partner_reps": "conventional"}

    def change(position, body):
        return {**body, "arm": arm[body["arm"]]} if position == 14 else body

    rewritten(ledger, change)
    result = audit(*Ledger.open(ledger.path).unverified())
    assert not result.passed
    assert any("entry 14: expected arm" in text and "which the draw gives" in text for text in stops(result))
    assert "WRONG" in result.summary()


def test_forged_entropy_is_found_by_receipts(study):
    """Whoever draws until the arm pleases and writes the chain anew contradicts the receipts."""
    ledger, receipts = study
    rewritten(ledger, lambda position, body: {**body, "note": "x"} if position == 5 else body)
    assert audit(*Ledger.open(ledger.path).unverified()).passed, "chain and replay cannot see it"
    result = audit(*Ledger.open(ledger.path).unverified(), receipts=receipts)
    assert len(stops(result)) == 10, "the receipts of entry 5 and of all later ones disagree"
    assert "as on the receipt; found entry" in stops(result)[0]


def test_a_cut_tail_is_found_by_receipt_and_by_anchor(study):
    ledger, receipts = study
    anchor = audit(*ledger.unverified()).anchor
    replace_entries(ledger, list(ledger.entries()[:10]))
    shorter = Ledger.open(ledger.path)
    assert audit(*shorter.unverified()).passed, "the chain alone cannot see a missing end"
    left = stops(audit(*shorter.unverified(), receipts=receipts))
    assert sum("no such client" in text for text in left) == 4
    (text,) = stops(audit(*shorter.unverified(), anchors=[anchor]))
    assert "the end of the ledger is missing" in text
    assert Anchor.read(anchor.text()) == anchor


def test_a_broken_chain_is_a_finding_not_a_crash(study):
    ledger, _ = study
    with closing(sqlite3.connect(ledger.path)) as connection:
        connection.execute("DROP TRIGGER never_changed")
        connection.execute("UPDATE entry SET body = '{not json' WHERE position = 6")
        connection.execute("UPDATE entry SET body = '{}' WHERE position = 7")
        connection.execute("UPDATE entry SET entry_time = 'noon' WHERE position = 8")
        connection.commit()
    result = audit(*Ledger(ledger.path).unverified())
    found = stops(result)
    for position in (6, 7, 8):
        assert any(f"entry {position}: expected an entry that fits its code" in text for text in found)
        assert any(f"entry {position}: expected an entry that can be read" in text for text in found)


_TOLD = {
    " REMOVED": ": expected as a new ledger has it; found removed",
    " CHANGED": ": expected as a new ledger has it; found changed",
    " ADDED": ": expected nothing of that name; found added",
}
_FREE = ("DROP TRIGGER never_changed", "DROP TRIGGER never_removed", "DROP TRIGGER only_at_the_end")


@pytest.mark.parametrize(
    ("statements", "told"),
    [
        (["DROP TRIGGER never_changed"], "trigger never_changed REMOVED"),
        (["DROP TRIGGER never_removed"], "trigger never_removed REMOVED"),
        (["DROP TRIGGER only_at_the_end"], "trigger only_at_the_end REMOVED"),
        (
            ["DROP TRIGGER never_removed",
             "CREATE TRIGGER never_removed BEFORE DELETE ON entry BEGIN SELECT 1; END"],
            "trigger never_removed CHANGED",
        ),
        (["DROP INDEX one_arm_per_client"], "index one_arm_per_client REMOVED"),
        (["CREATE TABLE arms (client, arm)"], "table arms ADDED"),
        (["CREATE VIEW arms AS SELECT * FROM entry"], "view arms ADDED"),
        (["ALTER TABLE entry ADD COLUMN arm TEXT"], "table entry CHANGED"),
        (
            [*_FREE, "UPDATE entry SET client = 'C999' WHERE position = 5"],
            "entry 5, column client: expected 'C002'; found 'C999'",
        ),
        (
            [*_FREE, "UPDATE entry SET client = NULL WHERE position = 14"],
            "entry 14, column client: expected 'C011'; found None",
        ),
        (
            [*_FREE, "UPDATE entry SET client = 'C998' WHERE position = 2"],
            "entry 2, column client: expected None; found 'C998'",
        ),
        (
            [*_FREE, "UPDATE entry SET body = CAST(body AS BLOB) WHERE position = 6"],
            "entry 6: expected an entry that fits its code; found changed content",
        ),
    ],
)  # fmt: skip
def test_what_stands_beside_the_chain_is_compared_with_it(study, statements, told):
    """Chain, draws and receipts all hold: only the file itself tells."""
    ledger, receipts = study
    for word, words in _TOLD.items():
        told = told.replace(word, words)
    with closing(sqlite3.connect(ledger.path)) as connection:
        for statement in statements:
            connection.execute(statement)
        connection.commit()
    result = audit(*Ledger(ledger.path).unverified(), receipts=receipts)
    assert not result.passed
    assert any(text.startswith(f"ledger, {told}") for text in stops(result)), stops(result)


def test_only_the_first_entries_are_audited_where_that_is_asked(study):
    ledger, receipts = study
    result = audit(ledger.entries()[:5], receipts=receipts[:3])
    assert (result.entries, result.replayed, result.passed) == (5, 3, True)


def test_an_allocation_under_another_protocol_than_the_one_in_force(study):
    ledger, _ = study
    rewritten(ledger, lambda position, body: {**body, "protocol_hash": "b" * 64} if position == 7 else body)
    (text,) = stops(audit(*Ledger(ledger.path).unverified()))
    assert text.startswith("ledger, entry 7: expected the hash of the protocol in force; found another hash")


def test_rules_of_conduct(study):
    """A ledger written by another program with a fitting chain, against the rules."""
    ledger, _ = study

    def change(position, body):
        if position == 2:
            return {**body, "home": "f" * 12, "method": {**body["method"], "block_sizes": [8]}}
        return {**body, "client": "C000"} if position == 9 else body

    rewritten(ledger, change)
    found = stops(audit(*Ledger(ledger.path).unverified()))
    assert (
        sum("expected home machine ffffffffffff; found machine 0123456789ab" in text for text in found) == 12
    )
    assert (
        sum("expected the method of the locked protocol; found another method" in text for text in found)
        == 12
    )
    assert any(
        "entry 9: expected a client without an arm; found one allocated at entry 3" in text for text in found
    )


def test_late_entries_clocks_and_moves_are_noted(study, clock, elsewhere):
    """E13: entries later than a stated number of days are marked."""
    import datetime as dt

    ledger, _ = study
    ledger.append("note", {"text": "the machine was repaired"}, by="OW", event_time="2026-02-01")
    clock.now -= dt.timedelta(days=1)
    ledger.accept_clock(reason="date was wrong", by="OW")
    Ledger.open(ledger.path, surroundings=elsewhere).move_home(reason="new computer", by="OW")
    notes = [str(finding) for finding in audit(*ledger.unverified()).findings if finding.severity == "note"]
    assert any(
        "entry 15 (note): expected to be entered within 14 days; found 36 days" in text for text in notes
    )
    assert any("kind clock: date was wrong" in text for text in notes)
    assert any("kind home: new computer" in text for text in notes)
    assert audit(*ledger.unverified()).passed


def test_predictability(tmp_path, surroundings, enrol):
    """Blocks of 2 only: every second arm is certain, three of four guesses are right (R03: 1.5 of 2)."""
    from studykit.allocation.blocks import PermutedBlocks
    from studykit.allocation.refusals import REQUIRED_FACTS

    method = PermutedBlocks(("a", "b"), block_sizes=(2,))
    ledger = Ledger.create(tmp_path / "two.db", by="OW", surroundings=surroundings)
    ledger.lock(protocol="p", protocol_hash="h", versions={}, by="OW", method=method)
    for number in range(10):
        facts = dict.fromkeys(REQUIRED_FACTS, True)
        ledger.allocate(f"C{number}", stratum={}, facts=facts, method=method, by="OW")
    guess = audit(*ledger.unverified()).predictability
    assert (guess.draws, guess.certain, guess.expected_correct, guess.by_chance) == (10, 5, 7.5, 5.0)


def test_facts_are_fixed_by_their_hash_in_the_entry_of_the_draw(ledger, method):
    """Other facts in the entry contradict the hash, even where the whole chain was written anew."""
    facts, stratum = dict.fromkeys(REQUIRED_FACTS, True), {"trainer": "T1"}
    fixed = {"facts_hash": facts_hash(stratum, facts), "tables": {}}
    ledger.allocate("C001", stratum=stratum, facts=facts, method=method, by="OW", fixed=fixed)
    assert audit(ledger.entries()).passed
    rewritten(
        ledger, lambda _, body: body | ({"facts": {**facts, "age": 50}} if "facts_hash" in body else {})
    )
    (finding,) = [one for one in audit(Ledger(ledger.path).entries()).findings if one.severity == "stop"]
    assert (finding.where, finding.expected) == (
        "ledger, entry 3",
        "facts that fit the hash fixed at the draw",
    )


def test_every_correction_reaches_the_balance(ledger, enrol):
    enrol(ledger, "C001", "T1")
    ledger.correct(client="C001", what="trainer", old="T1", new="T2", reason="x", source="x", by="OW")
    ledger.correct(client="C001", what="age", old="41", new="44", reason="x", source="x", by="OW")
    (made,) = ledger.allocations()
    assert (made.true_facts["age"], made.true_facts["trainer"]) == ("44", "T2")
    assert [row.level for row in audit(ledger.entries()).balance] == ["all", "T2"]


def test_the_trainer_who_takes_over_is_known_in_order(ledger, enrol):
    enrol(ledger, "C001", "T1")
    for trainer, to, clients, leaves in (
        ("T1", "T2", ["C001"], True),
        ("T2", "T1", [], True),
        ("T1", "T3", ["C001"], False),
    ):
        body = {"trainer": trainer, "to": to, "clients": clients, "leaves": leaves, "reason": "x"}
        ledger.append("handover", body, by="OW")
    found = handovers_from(ledger.entries())
    assert (dict(found.trainer_of), list(found.left)) == ({"C001": "T3"}, ["T2"])
    assert ledger.allocations()[0].true_facts["trainer"] == "T1"
