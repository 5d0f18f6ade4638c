"""From records to frozen rows: what is used, what is left out and under which reason."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from studykit.errors import ArgumentError, DataError, DesignError
from studykit.protocol.types import Protocol
from studykit.records.client_rows import allocated_from_records
from studykit.records.derive import derive_rows
from studykit.records.reading import read_records
from studykit.records.record_tables import Allocated, record_table, records_of
from studykit.retention.clock import Closure, Pause

from .conftest import START, WHOLE, protocol_of

Write = Callable[..., Path]


def counts(rows: Any) -> dict[str, int]:
    return {reason: number for reason, number in rows.left_out if number}


def test_the_whole_study(write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]) -> None:
    rows, findings = derive_rows(read_records(write(), protocol=protocol), protocol, allocated)
    assert findings == ()
    clients = rows.clients
    assert clients.labels == ("C01", "C02", "C03", "C04")
    assert clients.arm_labels == ("conventional", "partner_reps")
    assert clients.arm.tolist() == [0, 1, 1, 0]
    assert [clients.trainer_labels[place] for place in clients.trainer] == ["T1", "T2", "T1", "T2"]
    assert [(name, codes.tolist(), levels) for name, codes, levels in clients.factors] == [
        ("sex", [0, 1, 0, 1], ("female", "male"))
    ]
    assert clients.covariates == ()
    strength = rows.outcomes["strength"]
    assert strength.visit_labels == ("baseline", "week_6")
    assert strength.baseline_visits == (0,)
    assert strength.exercise_labels == ("leg_press", "chest_press")
    assert strength.client.tolist() == [0, 0, 0, 0, 1, 1, 1, 2, 2, 3, 3, 3]
    assert strength.score.tolist() == [80, 30, 92.5, 33, 120, 50, 135, 70, 25, 110, 45, 121]
    assert strength.day[:3].tolist() == [-3, -3, 42]
    assert counts(strength.rows) == {"attempt failed": 1}
    assert rows.data_through == np.datetime64("2026-04-20")
    assert rows.assessor_blind == (("yes", 2), ("no", 1), ("not recorded", 1))
    assert not strength.score.flags.writeable


def test_retention_is_counted_from_allocation(
    write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    text = WHOLE["sessions"] + "C02,2026-02-20,T2,attended,,,,,\nC99,2026-03-09,T2,attended,,,,,\n"
    records = read_records(write(sessions=text), protocol=protocol)
    rows, _ = derive_rows(records, protocol, allocated, data_through=dt.date(2026, 4, 15))
    retention = rows.retention
    assert retention is not None
    assert [history.attended for history in retention.histories] == [(1,), (2, 43), (), (7,)]
    assert {history.data_through for history in retention.histories} == {44}
    assert retention.histories[0].pauses == (Pause(14, 27, 10),)
    assert retention.histories[1].closures == (Closure(32, 35),)
    assert retention.reasons == ("", "", "", "time")
    assert retention.registered_on[3] == 18.0
    assert np.isnan(retention.registered_on[:3]).all()
    assert counts(retention.rows) == {
        "client not allocated": 1,
        "cancelled": 1,
        "no show": 1,
        "before allocation": 1,
        "after the last day of the data": 1,
    }
    assert retention.rows.supplied == 9


def test_sessions_harms_and_screening(
    write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    rows, _ = derive_rows(read_records(write(), protocol=protocol), protocol, allocated)
    sessions = rows.sessions
    assert sessions is not None
    assert sessions.day.tolist() == [1, 8, 49, 2, 43, 3, 7]
    assert sessions.attended.tolist() == [True, False, True, True, True, False, True]
    assert [rows.clients.trainer_labels[place] for place in sessions.trainer][4] == "T1"
    assert sessions.partner_sets_as_planned[4] == 1.0
    assert [(harm.client, harm.trainer, harm.expected) for harm in rows.harms] == [
        (1, "", True),
        (-1, "T2", False),
    ]
    assert rows.harms[0].day == 4.0
    assert rows.screening is not None
    assert (rows.screening.assessed, rows.screening.excluded) == (6, (("not eligible", 1), ("declined", 1)))


def test_the_flow_adds_up_whatever_is_missing(
    write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    """B01 of the flow diagram: assessed = excluded + allocated."""
    lines = [line for line in WHOLE["screening"].split("\n") if not line.startswith("C03")]
    text = "\n".join(lines) + "C07,2026-02-20,yes,no,yes,,,\nC08,2026-02-20,yes,yes,yes,yes,2026-02-20,\n"
    rows, _ = derive_rows(read_records(write(screening=text), protocol=protocol), protocol, allocated)
    assert rows.screening is not None
    assert dict(rows.screening.excluded) == {
        "not eligible": 1, "declined": 1, "not cleared": 1, "not yet allocated": 1}  # fmt: skip
    assert rows.screening.assessed == sum(number for _, number in rows.screening.excluded) + len(allocated)


def attempts(*rows: tuple[Any, ...]) -> Any:
    """A table of strength tests from (client, visit, exercise, load, unit, repetitions, success)."""
    names = ("client", "visit", "exercise", "load", "unit", "repetitions", "success")
    columns = dict(zip(names, map(list, zip(*rows, strict=True)), strict=True))
    return records_of([record_table("strength", {**columns, "date": [dt.date(2026, 2, 27)] * len(rows)})])


def test_the_best_attempt_of_a_visit_counts_and_units_are_converted(
    protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    records = attempts(
        ("C01", "baseline", "leg_press", 80.0, "kg", 10, None),
        ("C01", "baseline", "leg_press", 220.0, "lb", 10, "yes"),
        ("C01", "baseline", "leg_press", 90.0, "kg", 10, "yes"),
        ("C01", "baseline", "leg_press", 500.0, "N", 10, "yes"),
        ("C01", "baseline", "arm_curl", 20.0, "kg", 10, "yes"),
        ("C01", "autumn", "leg_press", 20.0, "kg", 10, "yes"),
        ("X01", "baseline", "leg_press", 20.0, "kg", 10, "yes"),
    )
    rows, findings = derive_rows(records, protocol, allocated)
    strength = rows.outcomes["strength"]
    assert strength.score.tolist() == pytest.approx([220 * 0.45359237])
    assert strength.rows.supplied == 6  # the arm curl is no exercise of this outcome
    assert counts(strength.rows) == {
        "client not allocated": 1,
        "visit not in the protocol": 1,
        "unit does not fit the machine": 1,
        "not the best of its visit": 2,
    }
    (finding,) = findings
    assert finding.severity == "stop"
    assert finding.where == "records/strength.csv, row 5, column unit"


def test_plates_stay_plates_within_their_machine(allocated: tuple[Allocated, ...]) -> None:
    protocol = protocol_of(
        exercises=[
            {"code": "leg_press", "name": "leg press", "unit": "plates"},
            {"code": "chest_press", "name": "chest press", "unit": "lb"},
        ]
    )
    records = attempts(
        ("C01", "baseline", "leg_press", 8.0, "plates", 10, "yes"),
        ("C01", "baseline", "chest_press", 100.0, "lb", 10, "yes"),
    )
    rows, findings = derive_rows(records, protocol, allocated)
    assert findings == ()
    assert rows.outcomes["strength"].score.tolist() == [8.0, 45.359237]


@pytest.mark.parametrize(("rule", "severity"), [("stop", "stop"), ("leave out", "note")])
def test_zero_loads_follow_the_protocols_rule(
    rule: str, severity: str, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    outcome = protocol.continuous_outcomes[0].model_copy(update={"zero_rule": rule})
    changed = protocol.model_copy(update={"outcomes": (outcome, protocol.outcomes[1])})
    records = attempts(
        ("C01", "baseline", "leg_press", 0.0, "kg", 10, "yes"),
        ("C02", "baseline", "leg_press", -10.0, "kg", 10, "yes"),
        ("C03", "baseline", "leg_press", 70.0, "kg", 10, "yes"),
    )
    rows, findings = derive_rows(records, changed, allocated)
    assert rows.outcomes["strength"].score.tolist() == [70.0]
    assert counts(rows.outcomes["strength"].rows) == {"zero or assisted load, which has no logarithm": 2}
    assert [(finding.severity, finding.where) for finding in findings] == [
        (severity, "records/strength.csv, row 2, column load"),
        (severity, "records/strength.csv, row 3, column load"),
    ]
    as_measured = outcome.model_copy(update={"scale": "as_measured"})
    kept, none = derive_rows(records, protocol.model_copy(update={"outcomes": (as_measured,)}), allocated)
    assert kept.outcomes["strength"].score.tolist() == [0.0, -10.0, 70.0]
    assert none == ()


def test_values_as_recorded_without_dates_sessions_or_trainers(write: Write, tmp_path: Path) -> None:
    protocol = protocol_of(
        strata=[],
        exercises=[],
        outcomes=[{"kind": "continuous", "code": "weight", "name": "w", "unit": "kg", "scale": "as_measured",
                   "score": {"rule": "as recorded"}, "primary_visit": "week_6"}],
        allocation="external",
    )  # fmt: skip
    tables = {
        "allocation": "client,arm\nA1,conventional\nA2,partner_reps\n",
        "measurements": "client,visit,outcome,value\nA1,baseline,weight,80.7\nA2,week_6,weight,\n"
        "A2,baseline,weight,0\n",
    }
    for name, text in tables.items():
        (tmp_path / f"{name}.csv").write_text(text)
    records = read_records(tmp_path, protocol=protocol)
    (finding,) = records.findings
    assert finding.where == f"{tmp_path.name}/measurements.csv, row 3, column value"
    allocated = allocated_from_records(records, protocol)
    rows, findings = derive_rows(records, protocol, allocated)
    assert findings == ()
    assert rows.outcomes["weight"].score.tolist() == [80.7, 0.0]
    assert rows.outcomes["weight"].exercise_labels == ("",)
    assert np.isnan(rows.outcomes["weight"].day).all()
    assert rows.retention is None
    assert rows.sessions is None
    assert rows.screening is None
    assert np.isnat(rows.data_through)
    assert rows.clients.trainer.tolist() == [-1, -1]


def test_retention_without_a_day_of_allocation_stops(
    protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    undated = tuple(Allocated(one.client, one.arm, None, one.trainer, one.factors) for one in allocated)
    rows, findings = derive_rows(records_of(), protocol, undated)
    assert rows.retention is not None
    assert [finding.severity for finding in findings] == ["stop"]
    assert "retention is counted from it" in findings[0].expected


def test_a_client_allocated_after_the_data_end_has_no_day_of_follow_up(
    write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    late = (*allocated[:3], Allocated("C04", "conventional", dt.date(2026, 5, 4), "T2", {"sex": "male"}))
    rows, _ = derive_rows(read_records(write(), protocol=protocol), protocol, late)
    assert rows.retention is not None
    assert rows.retention.histories[3].data_through == 0
    assert rows.retention.histories[3].attended == ()


def test_covariates_are_numbers_and_words_become_levels(
    write: Write, allocated: tuple[Allocated, ...]
) -> None:
    protocol = protocol_of(analysis={"adjust_for": ["age", "sex", "training_age", "goal"]})
    text = (
        "client,trainer,age,sex,training_age,goal\nC01,T1,44,female,novice,run\nC02,T2,,male,trained,\n"
        "C03,T1,38,female,,lift\nC04,T2,60,male,trained,run\n"
    )
    rows, _ = derive_rows(read_records(write(clients=text), protocol=protocol), protocol, allocated)
    ((name, values),) = rows.clients.covariates
    assert name == "age"
    assert str(values.tolist()) == "[44.0, nan, 38.0, 60.0]"
    assert [(name, codes.tolist(), levels) for name, codes, levels in rows.clients.factors] == [
        ("sex", [0, 1, 0, 1], ("female", "male")),
        ("training_age", [0, 1, -1, 1], ("novice", "trained")),
        ("goal", [1, -1, 0, 1], ("lift", "run")),
    ]


def test_strata_of_the_ledger_come_before_those_of_the_tables(
    write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    first = Allocated("C01", "conventional", START, "T1", {"sex": "male"})  # corrected in the ledger
    rows, _ = derive_rows(read_records(write(), protocol=protocol), protocol, (first, *allocated[1:]))
    assert rows.clients.factors[0][1].tolist() == [1, 1, 0, 1]


def test_allocations_that_cannot_be(protocol: Protocol, allocated: tuple[Allocated, ...]) -> None:
    with pytest.raises(ArgumentError, match="each client allocated once; found C01 twice"):
        derive_rows(records_of(), protocol, (*allocated, allocated[0]))
    with pytest.raises(ArgumentError, match="conventional or partner_reps; found 'control'"):
        derive_rows(records_of(), protocol, (Allocated("C01", "control", START, "", {}),))


def test_allocations_from_the_records_are_for_external_trials_only(protocol: Protocol) -> None:
    with pytest.raises(DesignError, match="The arms are in the ledger"):
        allocated_from_records(records_of(), protocol)
    with pytest.raises(DataError, match="a row for each allocated client"):
        allocated_from_records(records_of(), protocol_of(allocation="external"))


def test_external_allocations_in_order_of_their_day() -> None:
    protocol = protocol_of(allocation="external")
    allocation = record_table(
        "allocation",
        {"client": ["A", "B"], "arm": ["partner_reps", "conventional"],
         "date": [dt.date(2026, 2, 2), dt.date(2026, 2, 1)]},
    )  # fmt: skip
    clients = record_table(
        "clients", {"client": ["B", "A"], "trainer": ["T2", "T1"], "sex": ["male", "female"]}
    )
    found = allocated_from_records(records_of([allocation, clients]), protocol)
    assert [(one.client, one.arm, one.trainer, one.factors) for one in found] == [
        ("B", "conventional", "T2", {"trainer": "T2", "sex": "male"}),
        ("A", "partner_reps", "T1", {"trainer": "T1", "sex": "female"}),
    ]
    assert found[0].allocated_on == dt.date(2026, 2, 1)
    wrong = record_table("allocation", {"client": ["A"], "arm": ["other"], "date": [None]})
    with pytest.raises(DataError, match="row 2, column arm: expected conventional or partner_reps"):
        allocated_from_records(records_of([wrong]), protocol)


def test_several_outcomes_share_the_clients_and_keep_the_protocols_order(
    write: Write, allocated: tuple[Allocated, ...]
) -> None:
    base = protocol_of()
    leg = base.continuous_outcomes[0].model_dump() | {
          "code": "leg", "role": "secondary", "exercises": ["leg_press"],
          "score": {"rule": "estimated maximum", "equation": "epley"}}  # fmt: skip
    protocol = protocol_of(outcomes=[leg, base.continuous_outcomes[0].model_dump()])
    rows, _ = derive_rows(read_records(write(), protocol=protocol), protocol, allocated)
    assert [entry.outcome for entry in rows.outcomes.values()] == ["strength", "leg"]
    assert rows.outcomes["leg"].clients is rows.clients
    assert rows.outcomes["leg"].score[0] == pytest.approx(80 * (1 + 10 / 30))
    assert counts(rows.outcomes["leg"].rows) == {
        "attempt failed": 1, "more repetitions than the equation is used for": 1}  # fmt: skip


def test_the_first_clients_departure_is_known_like_any_other(
    write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    departures = "client,date,reason\nC01,2026-04-20,moved away\nC04,2026-04-22,cost\n"
    rows, _ = derive_rows(read_records(write(departures=departures), protocol=protocol), protocol, allocated)
    assert rows.retention is not None
    assert rows.retention.reasons == ("moved away", "", "", "cost")
    np.testing.assert_array_equal(rows.retention.registered_on, [49.0, np.nan, np.nan, 51.0])
