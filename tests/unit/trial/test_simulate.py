"""One simulated trial, its records, and the way back."""

from dataclasses import replace

import numpy as np
import pytest

from studykit.records.reading import read_records
from studykit.records.schema import REASONS_FOR_DEPARTURE, TABLES
from studykit.trial.models import AttendanceModel, ClientFactor, HarmModel, Machine, RetentionModel
from studykit.trial.settings import TrialSettings
from synthetic_data.record_files import write_records
from synthetic_data.simulated_trial import enrolments, simulate_trial

SEX = ClientFactor("sex", ("female", "male"), (0.6, 0.4))
SETTINGS = TrialSettings(
    clients=40,
    trainers=4,
    machines=(Machine("leg_press"), Machine("row", stack_step=5.0)),
    factors=(SEX,),
    strata=("trainer", "sex"),
    missed_exercise=0.05,
    attendance=AttendanceModel(pause_share=0.4, closures=((100, 110),)),
    harms=HarmModel(trainer=1.0),
)
TRIAL = simulate_trial(SETTINGS, seed=12)
RECORDS = TRIAL.records()


def test_every_table_keeps_to_the_schema():
    """Kinds, choices, bounds, required cells and keys, for every table and column."""
    assert set(RECORDS.tables) == {schema.name for schema in TABLES}
    for schema in TABLES:
        content = RECORDS[schema.name]
        for column in schema.columns:
            values = content.columns[column.name]
            assert values.shape == (content.number,), (schema.name, column.name)
            if column.kind == "date":
                assert values.dtype == np.dtype("datetime64[D]")
                present = ~np.isnat(values)
            elif column.kind in ("number", "whole", "yes_no"):
                present = ~np.isnan(values)
                known = values[present]
                assert np.all((known >= column.lowest) & (known <= column.highest)), column.name
                if column.kind != "number":
                    assert np.all(known == np.floor(known)), (schema.name, column.name)
                if column.kind == "yes_no":
                    assert set(known.tolist()) <= {0.0, 1.0}
            else:
                present = np.array([value != "" for value in values], dtype=bool)
                if column.choices:
                    assert set(values[present].tolist()) <= set(column.choices), column.name
            if column.required:
                assert present.all(), (schema.name, column.name)
        if schema.key and content.number:
            keys = list(zip(*(content.columns[name].tolist() for name in schema.key), strict=True))
            assert len(set(keys)) == len(keys), schema.name


def test_allocated_clients_are_those_of_the_tables():
    allocated = TRIAL.allocated
    assert [client.client for client in allocated] == RECORDS["clients"].columns["client"].tolist()
    assert [client.trainer for client in allocated] == RECORDS["clients"].columns["trainer"].tolist()
    assert [client.factors["sex"] for client in allocated] == RECORDS["clients"].columns["sex"].tolist()
    arms = [SETTINGS.arms[arm] for arm in TRIAL.seen.arm[0]]
    assert [client.arm for client in allocated] == arms
    days = [client.allocated_on for client in allocated]
    assert days == sorted(days)


def test_enrolments_come_before_the_arms_and_fit_them():
    ready = enrolments(SETTINGS, seed=12)
    for before, after in zip(ready, TRIAL.allocated, strict=True):
        assert (before.client, before.trainer, before.day) == (
            after.client,
            after.trainer,
            after.allocated_on,
        )
        assert before.stratum == after.factors
    arms = tuple(reversed([client.arm for client in TRIAL.allocated]))
    given = simulate_trial(SETTINGS, seed=12, arms=arms)
    assert tuple(client.arm for client in given.allocated) == arms
    assert enrolments(SETTINGS, seed=12) == ready


def test_best_successful_attempt_is_the_score():
    """The heaviest load with all repetitions, per client, visit and exercise, is the score of the rows."""
    columns = RECORDS["strength"].columns
    best = {}
    rows = zip(
        *(columns[n].tolist() for n in ("client", "visit", "exercise", "load", "repetitions", "success")),
        strict=True,
    )
    for client, visit, exercise, load, repetitions, success in rows:
        assert (repetitions >= 10) == (success == 1.0)
        if success == 1.0:
            key = (client, visit, exercise)
            best[key] = max(best.get(key, 0.0), load)
    expected = TRIAL.strength_rows()
    found = {
        (
            expected.clients.labels[client],
            expected.visit_labels[visit],
            expected.exercise_labels[exercise],
        ): score
        for client, visit, exercise, score in zip(
            expected.client, expected.visit, expected.exercise, expected.score, strict=True
        )
    }
    assert best == found


def test_partner_reps_follow_the_ramp_and_the_arm():
    sessions = TRIAL.sessions
    arm = TRIAL.seen.arm[0, sessions.client]
    contaminated = TRIAL.seen.traits.contaminated[0, sessions.client]
    attended = sessions.attended
    assert not sessions.partner_reps[attended & (arm == 0) & ~contaminated].any()
    assert sessions.partner_reps[attended & (arm == 0) & contaminated].any()
    for client in np.unique(sessions.client[arm == 1]):
        own = np.flatnonzero((sessions.client == client) & attended)
        assert np.all(sessions.partner_sets[own[:2]] == 1)
        assert np.all(sessions.partner_reps[own[:2]] <= 2)
        assert np.all(sessions.partner_sets[own[2:]] == 2)
        assert np.all(sessions.partner_reps[own] <= 6)
    assert np.all(np.isnan(sessions.partner_reps[~attended]))


def test_sets_as_planned_agree_with_what_was_logged():
    sessions = TRIAL.sessions
    done = sessions.partner_sets > 0
    good = done & (sessions.as_planned == sessions.partner_sets)
    assert set(sessions.end_code[good].tolist()) == {"as planned"}
    assert set(sessions.lowering[good].tolist()) == {"all in range"}
    assert set(sessions.lowering[~done].tolist()) == {""}
    assert set(sessions.lowering[done].tolist()) >= {"some short", "mostly short"}


def test_sessions_are_those_of_the_attendance():
    columns = RECORDS["sessions"].columns
    for index, label in enumerate(RECORDS["clients"].columns["client"]):
        own = (columns["client"] == label) & (columns["status"] == "attended")
        start = np.datetime64(TRIAL.allocated[index].allocated_on, "D")
        days = (columns["date"][own] - start).astype(int)
        seen = TRIAL.seen.attendance
        assert days.tolist() == seen.day[0, index][seen.attended[0, index]].tolist()


def test_records_cover_everybody_to_the_horizon_and_four_weeks_more():
    through = TRIAL.seen.attendance.through_day[0]
    assert through.min() >= 182 + 28
    starts = np.array([np.datetime64(client.allocated_on, "D") for client in TRIAL.allocated])
    assert np.unique(starts + through.astype("timedelta64[D]")).size == 1
    for name, column in (("sessions", "date"), ("harms", "date"), ("departures", "date")):
        assert RECORDS[name].columns[column].max() <= (starts + through.astype("timedelta64[D]")).max()


def test_notices_of_departure_come_after_the_last_session_of_clients_who_stay_away():
    columns, allocated = RECORDS["departures"].columns, {c.client: c for c in TRIAL.allocated}
    assert RECORDS["departures"].number > 0
    assert set(columns["reason"].tolist()) <= set(REASONS_FOR_DEPARTURE)
    sessions = RECORDS["sessions"].columns
    for client, date in zip(columns["client"], columns["date"], strict=True):
        own = sessions["date"][(sessions["client"] == client) & (sessions["status"] == "attended")]
        assert not (own > date).any()
        assert date > np.datetime64(allocated[client].allocated_on, "D")


def test_harms_follow_sessions_and_carry_their_partner_reps():
    columns = RECORDS["harms"].columns
    of_clients = columns["client"] != ""
    assert (columns["trainer"][~of_clients] != "").all()
    assert (~of_clients).any()
    assert not np.isnan(columns["partner_reps"][of_clients]).any()
    expected = columns["expected"] == 1.0
    assert set(columns["kind"][expected].tolist()) == {"muscle soreness"}
    assert set(columns["severity"][expected].tolist()) == {"mild"}


def test_screening_counts_add_up():
    columns = RECORDS["screening"].columns
    consented = columns["consented"] == 1.0
    assert consented.sum() == 40
    assert (columns["eligible"] == 1.0).sum() == 80
    assert columns["client"].size == 134
    assert (columns["reason"][consented] == "").all()
    assert set(columns["reason"][~consented].tolist()) == {"declined", "not eligible"}
    starts = {client.client: np.datetime64(client.allocated_on, "D") for client in TRIAL.allocated}
    consent = zip(columns["client"][consented], columns["consent_date"][consented], strict=True)
    assert all(date < starts[client] for client, date in consent)


def test_same_seed_gives_the_same_bytes_and_they_read_back_to_the_same_tables(tmp_path):
    first, second, other = (tmp_path / name for name in ("first", "second", "other"))
    write_records(first, RECORDS)
    write_records(second, simulate_trial(SETTINGS, seed=12).records())
    write_records(other, simulate_trial(SETTINGS, seed=13).records())
    for path in first.iterdir():
        assert path.read_bytes() == (second / path.name).read_bytes()
    assert (first / "clients.csv").read_bytes() != (other / "clients.csv").read_bytes()
    read = read_records(first)
    assert not [finding for finding in read.findings if finding.severity != "note"]
    for name, content in RECORDS.tables.items():
        assert read[name].number == content.number
        for column, values in content.columns.items():
            np.testing.assert_array_equal(read[name].columns[column], values, err_msg=f"{name}.{column}")


def test_an_outcome_as_recorded_goes_to_measurements():
    settings = replace(SETTINGS, machines=(Machine("", stack_step=0.0),), score="as recorded")
    records = simulate_trial(settings, seed=2).records()
    assert records["strength"].number == 0
    rows = simulate_trial(settings, seed=2).strength_rows()
    assert records["measurements"].columns["value"].tolist() == rows.score.tolist()


@pytest.mark.parametrize("equation", ["epley", "brzycki"])
def test_an_estimated_maximum_has_one_set_to_the_limit(equation):
    settings = replace(SETTINGS, score="estimated maximum", equation=equation)
    trial = simulate_trial(settings, seed=2)
    columns = trial.records()["strength"].columns
    load, count = columns["load"], columns["repetitions"]
    score = load * (1 + count / 30) if equation == "epley" else load * 36 / (37 - count)
    score = np.where(count == 1, load, score)
    np.testing.assert_allclose(score, trial.strength_rows().score, rtol=1e-12)
    assert 5 < count.mean() < 10.0


def test_retention_spells_are_on_the_clock_of_each_client():
    spells = TRIAL.retention_spells()
    assert len(spells.histories) == 40
    assert spells.rows.used == int(TRIAL.seen.attendance.attended.sum())
    paused = [len(history.pauses) for history in spells.histories]
    assert sum(paused) == RECORDS["pauses"].number > 0
    assert all(history.closures for history in spells.histories)


def test_everybody_stays_and_nothing_happens():
    settings = TrialSettings(
        clients=10,
        trainers=1,
        retention=RetentionModel(retained=(1.0, 1.0)),
        attendance=AttendanceModel(pause_share=0.0),
        harms=HarmModel((0.0,) * 2, (0.0,) * 2, (0.0,) * 2, (0.0,) * 2, (0.0,) * 2, 0.0),
    )
    records = simulate_trial(settings, seed=1).records()
    assert {name for name, content in records.tables.items() if content.number == 0} == {
        "measurements", "sets", "health", "pauses", "closures", "departures", "harms", "allocation",
    }  # fmt: skip
