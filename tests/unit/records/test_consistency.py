"""Checks across tables: ten kinds of contradiction, each found once and at its place."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import pytest

from studykit.errors import Finding
from studykit.protocol.types import Protocol
from studykit.records.consistency import check_consistency
from studykit.records.reading import read_records
from studykit.records.record_tables import Allocated

from .conftest import WHOLE, protocol_of

TODAY = dt.date(2026, 4, 25)
Write = Callable[..., Path]


def findings_of(
    folder: Path, protocol: Protocol, allocated: tuple[Allocated, ...], today: dt.date | None = TODAY
) -> list[Finding]:
    records = read_records(folder, protocol=protocol)
    assert not [finding for finding in records.findings if finding.severity == "stop"]
    found = check_consistency(records, protocol, allocated, today=today)
    return [finding for finding in found if "as prescribed" not in finding.expected]


def test_a_study_without_contradictions(
    write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    """Only the eleven repetitions of one test are noted: the load counts, and no more than that."""
    records = read_records(write(), protocol=protocol)
    (note,) = check_consistency(records, protocol, allocated, today=TODAY)
    assert note.severity == "note"
    assert note.where == "records/strength.csv, row 14, column repetitions"


# table, old, new, severity, place, words
MUTANTS = [
    ("strength", "C04,week_6", "C14,week_6", "stop", "strength.csv, row 14, column client", "Is C04 meant?"),
    ("sessions", "C03,2026-03-05", "C33,2026-03-05", "stop", "sessions.csv, row 7, column client", "C33"),
    ("harms", "C02,,2026-03-06", "C20,,2026-03-06", "stop", "harms.csv, row 2, column client", "clients.csv"),
    ("harms", ",T2,2026-03-09", ",,2026-03-09", "stop", "harms.csv, row 3, column client", "neither"),
    ("strength", "C02,week_6,2026-04-14", "C02,week_6,2026-04-22", "warn", "strength.csv, row 9, column date",
     "day 51 of C02"),
    ("strength", "C03,baseline,2026-02-28,leg_press", "C03,baseline,2026-03-04,leg_press", "warn",
     "strength.csv, row 10, column date", "a baseline before allocation"),
    ("screening", "yes,yes,2026-02-18", "yes,yes,2026-02-28", "warn", "strength.csv, row 6, column date",
     "a day from consent, 2026-02-28; found 2026-02-27 (and 2 more rows like it)"),
    ("screening", "yes,yes,2026-02-18", "yes,yes,2026-03-18", "warn",
     "screening.csv, row 3, column consent_date",
     "up to allocation"),
    ("screening", "C02,2026-02-16,yes,yes,yes", "C02,2026-02-16,no,yes,yes", "warn",
     "screening.csv, row 3, column eligible", "C02 is allocated"),
    ("sessions", "C02,2026-03-04", "C02,2026-02-20", "warn", "sessions.csv, row 5, column date",
     "from allocation of C02"),
    ("sessions", "C01,2026-03-03,T1", "C01,2026-03-20,T1", "warn", "sessions.csv, row 2, column date",
     "no attendance of C01 in the pause of row 2"),
    ("sessions", "C01,2026-04-20,T1", "C01,2026-04-05,T1", "warn", "sessions.csv, row 4, column date",
     "closed"),
    ("sessions", "C04,2026-03-09,T2", "C04,2026-03-27,T2", "warn", "sessions.csv, row 8, column date",
     "after the departure of 2026-03-20"),
    ("sessions", "2026-04-14,T1,attended", "2026-04-14,T9,attended", "warn",
     "sessions.csv, row 6, column trainer",
     "T9"),
    ("sessions", "8,6,2,1", "8,6,2,3", "warn", "sessions.csv, row 6, column partner_sets_as_planned", "3"),
    ("sessions", "8,6,2,1", "8,18,2,1", "warn", "sessions.csv, row 6, column partner_reps", "9 in a set"),
    ("sessions", "8,6,2,1", "8,12,2,1", "warn", "sessions.csv, row 6, column partner_reps",
     "up to 5 in a set"),
    ("sessions", "2,2,2026-03-05", "2,2,2026-03-25", "warn", "sessions.csv, row 5, column entered_on",
     "21 days"),
    ("sessions", "2,2,2026-03-05", "2,2,2026-03-01", "warn", "sessions.csv, row 5, column entered_on",
     "2026-03-01"),
    ("sessions", "C03,2026-03-05,T1,cancelled,,", "C03,2026-03-05,T1,cancelled,6,", "warn",
     "sessions.csv, row 7, column status", "6 sets"),
    ("pauses", "2026-03-16,2026-03-29", "2026-03-16,2026-03-09", "stop", "pauses.csv, row 2, column last_day",
     "from the first day"),
    ("pauses", "2026-03-12", "2026-03-20", "note", "pauses.csv, row 2, column recorded_on", "does not undo"),
    ("closures", "2026-04-06", "2026-04-01", "stop", "closures.csv, row 2, column last_day", "2026-04-03"),
    ("departures", "C04,2026-03-20", "C04,2026-02-20", "warn", "departures.csv, row 2, column date",
     "allocation"),
    ("strength", "week_6,2026-04-14,leg_press,135,kg", "week_6,2026-04-14,leg_press,297,lb", "warn",
     "strength.csv, row 9, column unit", "kg, the unit of leg_press"),
    ("strength", "week_6,2026-04-14,leg_press,135", "week_6,2026-04-14,leg_press,270", "warn",
     "strength.csv, row 9, column load", "2.25 times the baseline of C02"),
    ("strength", "week_6,2026-04-13,chest_press,33", "week_6,2026-04-13,chest_press,13.6", "warn",
     "strength.csv, row 5, column load", "pound and kilogram not mixed up"),
    ("strength", "week_6,2026-04-14,leg_press,135", "week_6,2026-04-14,leg_press,13.5", "stop",
     "strength.csv, row 9, column load", "0.3 to 4 times"),
    ("strength", "week_6,2026-04-14,leg_press,135", "week_6,2026-04-14,leg_press,202.5", "warn",
     "strength.csv, row 9, column load", "0.8 to 1.6 times"),
    ("strength", "leg_press,135,kg,10,yes,AS", "leg_press,135,kg,10,yes,T2", "warn",
     "strength.csv, row 9, column assessor", "does not train the client"),
    ("strength", "leg_press,135,kg,10", "leg_press,135,kg,40", "warn",
     "strength.csv, row 9, column repetitions",
     "at most 30"),
    ("harms", "mild,no,yes,probable", "mild,yes,no,probable", "warn", "harms.csv, row 2, column severity",
     "serious"),
    ("harms", "mild,no,yes,probable", "severe,no,yes,probable", "warn", "harms.csv, row 2, column expected",
     "ordinary soreness"),
    ("harms", "C02,,2026-03-06", "C02,,2026-02-26", "note", "harms.csv, row 2, column date", "2026-03-02"),
    ("sessions", "C01,2026-04-20,T1,attended,8,0,0,0,2026-04-20",
     "C01,2026-04-26,T1,attended,8,0,0,0,", "stop",
     "sessions.csv, row 4, column date",
     "up to today"),
]  # fmt: skip


@pytest.mark.parametrize("mutant", MUTANTS, ids=[f"{m[0]}: {m[2][:36]}" for m in MUTANTS])
def test_each_contradiction_is_found_at_its_place(
    mutant: tuple[str, str, str, str, str, str],
    write: Write,
    protocol: Protocol,
    allocated: tuple[Allocated, ...],
) -> None:
    name, old, new, severity, where, words = mutant
    assert old in WHOLE[name]
    found = findings_of(write(**{name: WHOLE[name].replace(old, new, 1)}), protocol, allocated)
    here = [finding for finding in found if finding.where == f"records/{where}"]
    assert [finding.severity for finding in here] == [severity], [str(finding) for finding in found]
    assert words in str(here[0])


@pytest.mark.parametrize("lost", ["client,date,status\n", None], ids=["header only", "no file"])
def test_lost_sessions_stop_instead_of_making_everybody_depart(
    lost: str | None, write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    folder = write(sessions=lost or "")
    if lost is None:
        (folder / "sessions.csv").unlink()
    for today in (TODAY, None):  # without today's date the tests of week 6 tell that time has passed
        (stop,) = findings_of(folder, protocol, allocated, today)
        assert (stop.severity, stop.where) == ("stop", "records/sessions.csv")
        assert "2026-03-02" in stop.expected
    early = write(sessions="client,date,status\n", strength=WHOLE["strength"].split("C01,week_6")[0])
    assert not [one for one in findings_of(early, protocol, allocated, dt.date(2026, 3, 20))
                if one.where == "records/sessions.csv"]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "column", "words"),
    [
        ("C02,T2,51,male", "C02,T2,51,female", "sex", "male, as C02 was allocated; found female"),
        ("C02,T2,51,male", "C02,T1,51,male", "trainer", "T2, as C02 was allocated; found T1"),
    ],
)
def test_a_fact_that_was_changed_after_the_draw_is_found(
    old: str, new: str, column: str, words: str, write: Write, protocol: Protocol,
    allocated: tuple[Allocated, ...],
) -> None:  # fmt: skip
    found = findings_of(write(clients=WHOLE["clients"].replace(old, new)), protocol, allocated)
    here = [one for one in found if one.where == f"records/clients.csv, row 3, column {column}"]
    assert [one.severity for one in here] == ["warn"]
    assert words in str(here[0])


def test_a_lost_table_of_clients_is_one_finding(
    write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    folder = write()
    (folder / "clients.csv").unlink()
    stops = [one for one in findings_of(folder, protocol, allocated) if one.severity == "stop"]
    assert [one.where for one in stops] == ["records/clients.csv"]
    assert "none, nor for 3 more: C02, C03, C04" in str(stops[0])


@pytest.mark.parametrize("name", ["screening", "trainers"])
def test_a_lost_table_of_people_is_a_warning(
    name: str, write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    folder = write()
    (folder / f"{name}.csv").unlink()
    here = [one for one in findings_of(folder, protocol, allocated) if one.where == f"records/{name}.csv"]
    assert [one.severity for one in here] == ["warn"]
    external = protocol_of(allocation="external")
    assert external.is_external
    assert not [one for one in findings_of(folder, external, allocated) if one.where == f"records/{name}.csv"]


def test_an_entry_from_tomorrow_is_only_known_with_todays_date(
    write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    folder = write(
        sessions=WHOLE["sessions"].replace(
            "04-20,T1,attended,8,0,0,0,2026-04-20", "04-26,T1,attended,8,0,0,0,"
        )
    )
    assert not findings_of(folder, protocol, allocated, today=None)


def test_short_attempts_marked_as_successful(
    write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    text = WHOLE["strength"].replace("135,kg,10,yes", "135,kg,9,yes")
    records = read_records(write(strength=text), protocol=protocol)
    found = check_consistency(records, protocol, allocated)
    assert "records/strength.csv, row 9, column success" in {finding.where for finding in found}


def test_partner_reps_in_the_reference_arm_are_a_record_and_no_finding(
    write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    """C04 is in the reference arm and had partner reps: contamination is reported, never corrected away."""
    assert "C04,2026-03-09,T2,attended,8,3,1,1" in WHOLE["sessions"]
    assert not findings_of(write(), protocol, allocated)


def test_no_finding_depends_on_the_arms(
    write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    """Swapping the arms changes nothing, so no finding can give an arm away; none names one either."""
    text = WHOLE["sessions"].replace("8,6,2,1", "8,18,2,3").replace("C01,2026-04-20", "C01,2026-03-20")
    folder = write(sessions=text, strength=WHOLE["strength"].replace("leg_press,135", "leg_press,300"))
    other = {"conventional": "partner_reps", "partner_reps": "conventional"}
    swapped = tuple(
        Allocated(one.client, other[one.arm], one.allocated_on, one.trainer, one.factors) for one in allocated
    )
    found = findings_of(folder, protocol, allocated)
    assert found == findings_of(folder, protocol, swapped)
    assert len(found) > 3
    assert not [one for one in found if "conventional" in str(one).replace("conventional_sets", "")]


def test_clients_who_wait_are_noted(
    write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    records = read_records(write(), protocol=protocol)
    found = check_consistency(records, protocol, allocated[:3])
    note = next(finding for finding in found if "without an arm" in finding.got)
    assert note.where == "records/clients.csv, row 5, column client"
    assert "C04" in note.got
    assert not [one for one in check_consistency(records, protocol) if "without an arm" in one.got]


def test_allocated_clients_without_rows(
    write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    clients = WHOLE["clients"].replace("C03,T1,38,female\n", "")
    screening = WHOLE["screening"].replace("C03,2026-02-17,yes,not needed,yes,yes,2026-02-19,\n", "")
    strength = "\n".join(line for line in WHOLE["strength"].split("\n") if not line.startswith("C03"))
    found = findings_of(write(clients=clients, screening=screening, strength=strength), protocol, allocated)
    assert [(one.severity, one.where) for one in found] == [
        ("stop", "records/clients.csv"),
        ("warn", "records/screening.csv"),
        ("warn", "records/strength.csv"),
    ]
    assert "C03" in str(found[2])


def test_overlapping_pauses(write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]) -> None:
    text = WHOLE["pauses"] + "C01,2026-03-25,2026-04-01,2026-03-20,\n"
    (finding,) = findings_of(write(pauses=text), protocol, allocated)
    assert finding.where == "records/pauses.csv, row 3, column first_day"


def test_a_client_whose_own_row_cannot_be_read_is_not_reported_as_unknown(
    write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    """One mistyped age would else give a finding for every session of the client."""
    records = read_records(
        write(clients=WHOLE["clients"].replace("C02,T2,51", "C02,T2,old")), protocol=protocol
    )
    found = check_consistency(records, protocol, allocated, today=TODAY)
    assert not [finding for finding in found if "C02" in str(finding)]


def test_an_external_trial_without_any_dates(write: Write, allocated: tuple[Allocated, ...]) -> None:
    protocol = protocol_of(allocation="external")
    undated = tuple(Allocated(one.client, one.arm, None, "", {}) for one in allocated)
    found = findings_of(write(), protocol, undated)
    assert not [finding for finding in found if finding.severity != "note"]
