"""The demo study as committed: it can be read, it agrees with itself, and with the truth behind it."""

import importlib.util
import json
import sys
from collections import Counter

import numpy as np
import pytest

from studykit.allocation.ledger import Ledger
from studykit.outcomes.harms import pause_rule
from studykit.outcomes.session_plan import session_plans
from studykit.protocol.protocol_file import read_protocol
from studykit.protocol.rules import lock_findings
from studykit.records.consistency import check_consistency
from studykit.records.derive import derive_rows
from studykit.records.reading import read_records
from studykit.records.record_tables import Allocated
from studykit.report.session_sheet import render_session_sheet
from studykit.retention.clock import active_status
from studykit.shipped import shipped
from studykit.trial.truth import true_retention, true_strength
from tests.support.primary import primary_continuous, primary_retention

FOLDER = shipped("synthetic_data") / "demo_study"


@pytest.fixture(scope="module")
def maker():
    """The script that makes the demo study."""
    spec = importlib.util.spec_from_file_location("make_demo", FOLDER.parent / "make_demo.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_demo"] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules["make_demo"]


@pytest.fixture(scope="module")
def read():
    return read_protocol(FOLDER / "protocol.toml")


@pytest.fixture(scope="module")
def truth():
    return json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def ledger(tmp_path_factory):
    """A copy, so that nothing touches the committed file."""
    path = tmp_path_factory.mktemp("demo") / "ledger.db"
    path.write_bytes((FOLDER / "ledger.db").read_bytes())
    return Ledger.open(path)


@pytest.fixture(scope="module")
def allocated(ledger):
    return tuple(
        Allocated(
            entry.client,
            entry.arm,
            np.datetime64(entry.entry_time[:10]).astype(object),
            entry.stratum["trainer"],
            dict(entry.stratum),
        )
        for entry in ledger.allocations()
    )


@pytest.fixture(scope="module")
def records(read):
    return read_records(FOLDER / "records", protocol=read.protocol)


@pytest.fixture(scope="module")
def rows(records, read, allocated):
    found, findings = derive_rows(records, read.protocol, allocated)
    assert not [finding for finding in findings if finding.severity == "stop"]
    return found


def test_protocol_could_be_locked(read):
    findings = lock_findings(read.protocol, where=read.where, text=read.text)
    assert [str(finding) for finding in findings if finding.severity == "stop"] == []


def test_ledger_holds_the_protocol_and_says_that_its_draws_are_simulated(ledger, read):
    locked = ledger.locked()
    assert locked.current_protocol == read.whole
    assert locked.current_hash == read.digest
    sources = {entry.body["entropy_source"] for entry in ledger.entries() if entry.kind == "allocation"}
    assert sources == {"simulated"}


def test_records_are_read_without_anything_that_stops(records, read, allocated):
    findings = (*records.findings, *check_consistency(records, read.protocol, allocated))
    assert [str(finding) for finding in findings if finding.severity == "stop"] == []


def test_every_allocated_client_has_records_and_no_other(records, allocated):
    known = {client.client for client in allocated}
    assert len(known) == 72
    assert set(records["clients"].columns["client"].tolist()) == known
    for name in ("strength", "sessions", "pauses", "departures"):
        assert set(records[name].columns["client"].tolist()) <= known
    assert set(records["strength"].columns["client"].tolist()) == known


def test_demo_shows_what_a_study_meets(records, rows):
    """Pauses, closures, departures, missed tests, contamination, incomplete delivery, harms."""
    for name in ("pauses", "closures", "departures", "harms", "screening"):
        assert records[name].number > 0, name
    sessions = rows.sessions
    reference = rows.clients.arm[sessions.client] == 0
    assert np.nansum(sessions.partner_reps[reference]) > 0
    assert np.nansum(sessions.partner_sets[~reference]) > np.nansum(
        sessions.partner_sets_as_planned[~reference]
    )
    assert set(records["sessions"].columns["status"].tolist()) == {"attended", "cancelled", "no show"}
    strength = rows.outcomes["strength"]
    tested = [np.unique(strength.client[strength.visit == visit]).size for visit in range(3)]
    assert tested[0] == 72 > tested[1] > tested[2] > 36
    severities = {harm.severity for harm in rows.harms}
    assert severities >= {"mild", "moderate"}
    assert any(harm.expected for harm in rows.harms)


def test_follow_up_is_complete_to_the_horizon_and_four_weeks_more(rows, read):
    horizon = read.protocol.retention_outcome.horizon_day
    followed = np.array([history.data_through for history in rows.retention.histories])
    assert followed.min() >= horizon + 28
    assert not np.isnan(active_status(rows.retention.histories, horizon)).any()


def test_counts_agree_with_the_truth(rows, read, truth):
    outcome = read.protocol.retention_outcome
    status = active_status(rows.retention.histories, outcome.horizon_day, rule=outcome.absence_rule())
    retained = {
        label: int(status[rows.clients.arm == arm].sum()) for arm, label in enumerate(rows.clients.arm_labels)
    }
    assert retained == truth["seen"]["retained"]
    strength = rows.outcomes["strength"]
    primary = strength.visit_labels.index(read.protocol.continuous_outcomes[0].primary_visit)
    tested = np.unique(strength.client[strength.visit == primary]).size
    assert tested == truth["seen"]["tests_at_primary_visit"]


def test_pause_rule_has_not_struck(rows, read):
    assert pause_rule(read.protocol, rows) == ()


def test_analysis_of_the_demo_is_near_the_truth(rows, read, truth):
    """One draw: within two standard errors, which an ordinary draw keeps to 19 times in 20."""
    protocol = read.protocol
    values = {entry["outcome"]: entry["value"] for entry in truth["truth"]}
    strength = primary_continuous(
        protocol, protocol.continuous_outcomes[0], rows.outcomes["strength"]
    ).estimate
    assert abs(strength.value - values["strength"]) < 2.0 * strength.standard_error
    assert primary_retention(protocol, rows.retention).confidence_interval().contains(values["retention"])


def test_truth_is_found_again_by_fewer_trials(maker, read, truth):
    settings = maker.demo_settings(read)
    found = [value(settings, seed=99, trials=300) for value in (true_strength, true_retention)]
    for value, committed in zip(found, truth["truth"], strict=True):
        assert value.outcome == committed["outcome"]
        assert value.value == pytest.approx(committed["value"], abs=4.0 * value.monte_carlo_error)
        assert committed["monte_carlo_error"] < value.monte_carlo_error


def test_two_runs_give_the_same_bytes(maker, tmp_path, read):
    first, second = tmp_path / "first", tmp_path / "second"
    for folder in (first, second):
        maker.make_demo(folder, truth_trials=2)
    names = sorted(path.relative_to(first) for path in first.rglob("*") if path.is_file())
    assert names == sorted(path.relative_to(FOLDER) for path in FOLDER.rglob("*") if path.is_file())
    for name in names:
        assert (first / name).read_bytes() == (second / name).read_bytes(), name
    # The committed protocol is the ready one with the invented owner's answers, as it is now.
    assert (first / "protocol.toml").read_bytes() == (FOLDER / "protocol.toml").read_bytes()
    assert read_protocol(first / "protocol.toml").digest == read.digest


def test_committed_data_are_small():
    size = sum(path.stat().st_size for path in FOLDER.rglob("*") if path.is_file())
    assert size < 2_000_000


def test_last_loads_stand_beside_the_blank(read, allocated, records):
    """The sets of the last sessions of every client, as many as the session log counts; on the sheet too."""
    sets, sessions = records["sets"].columns, records["sessions"].columns
    days = zip(sessions["client"], sessions["date"], strict=True)
    logged = dict(zip(days, sessions["conventional_sets"], strict=True))
    written = Counter(zip(sets["client"], sets["date"], strict=True))
    assert all(1 <= number <= logged[day] for day, number in written.items())
    came = {client for client, status in zip(sessions["client"], sessions["status"], strict=True)
            if status == "attended"}  # fmt: skip
    assert set(sets["client"]) == came
    today = sets["date"].max().astype(object)
    plans = session_plans(read.protocol, records, allocated, of=allocated, today=today)
    plan = next(plan for plan in plans if plan.readiness.ready)
    last = [
        row
        for row in np.flatnonzero(sets["client"] == plan.client)
        if sets["date"][row] < np.datetime64(today)
    ]
    page = render_session_sheet(plan, read.protocol)
    for name, unit, done in plan.last_sets:
        code = next(one.code for one in read.protocol.exercises if one.name == name)
        row = [row for row in last if sets["exercise"][row] == code][-1]
        assert (done.load, done.repetitions) == (sets["load"][row], sets["repetitions"][row])
        assert f"{done.load:g} {unit}" in page
