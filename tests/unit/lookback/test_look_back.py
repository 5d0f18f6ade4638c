"""The whole look back: leads that records allow, options, findings, sensitivity."""

import dataclasses

import numpy as np
import pytest

from studykit.errors import ArgumentError, DesignError
from studykit.lookback.answer_sentences import headline, summary
from studykit.lookback.log import UNKNOWN, UNKNOWN_DAY, AttendanceLog, no_spans
from studykit.lookback.look_back import look_back
from studykit.results import RowCount, to_plain
from synthetic_data.simulated_studio import StudioTruth, simulated_log


@pytest.fixture(scope="module")
def log():
    return simulated_log(StudioTruth(clients=250, starting=0.03, hazard_ratio=0.6), 2)


@pytest.fixture(scope="module")
def look(log):
    return look_back(log, bootstrap=50)


def test_the_lead_comes_first_and_nothing_is_pooled(log, look):
    assert look.lead == "session clock"
    assert look.answers[0].method == "session clock"
    other = look_back(log, lead="landmark", landmarks=(56,), bootstrap=0)
    assert [answer.method for answer in other.answers][:2] == ["landmark", "session clock"]
    assert len({answer.estimand for answer in look.answers}) == len(look.answers)


def test_printing_a_log_or_an_answer_takes_one_line(log, look):
    assert repr(log).startswith("AttendanceLog(250 clients, ")
    assert repr(look).startswith(f"LookBack({look.clients} clients, {look.events} departures, ")
    assert "\n" not in repr(log) + repr(look)


@pytest.mark.parametrize("horizon", ["182", 182.5, None])
def test_a_horizon_that_is_no_whole_number_is_refused(log, horizon):
    with pytest.raises(ArgumentError, match="look back, horizon: expected a whole number"):
        look_back(log, horizon=horizon)


def test_numbers_add_up(look):
    assert look.clients == look.new_clients + look.existing_clients == look.rows.used
    assert look.first_day <= look.cut_day == look.last_day - 28
    assert look.retention.at_risk.min() >= 10
    assert look.naive.hazard_ratio.value < look.answers[0].hazard_ratio.value
    assert look.bound.e_value >= 1.0
    assert look.target_trial[0].part == "Who takes part"
    plain = to_plain(look)
    assert plain["naive"]["hazard_ratio"]["value"] == look.naive.hazard_ratio.value
    assert plain["answers"][0]["hazard_ratio"]["interval"]["confidence_level"] == 0.95
    assert {"method", "estimand", "risk_difference"} <= set(plain["answers"][0])


def test_a_longer_absence_before_it_counts(look):
    longer = look.sensitivity[0]
    assert longer.choice.startswith("session by session: 56 instead of 28 days")
    assert longer.answer.hazard_ratio.value > 0
    assert longer.retention.share[-1] >= look.retention.share[-1]


def test_other_weeks_within_which_to_begin(look):
    choices = [item.choice for item in look.sensitivity[1:]]
    assert choices == [
        "two strategies from joining: begin within 2 instead of 4 weeks",
        "two strategies from joining: begin within 8 instead of 4 weeks",
    ]
    assert all(item.answer.method == "strategies from joining" for item in look.sensitivity[1:])


def test_dates_of_adoption_add_the_view_before_and_after(log):
    adopted = np.full(len(log.trainers), UNKNOWN_DAY)
    adopted[:2] = 270
    dated = look_back(dataclasses.replace(log, adopted=adopted), bootstrap=0)
    assert "before and after" in [answer.method for answer in dated.answers]
    assert [item.what for item in dated.negative_controls] == [
        "A made-up date of adoption, half-way before the true one"
    ]


def test_records_without_marks_or_without_anybody_who_did(log):
    unmarked = dataclasses.replace(
        log,
        marked=False,
        session_partner_reps=np.full_like(log.session_partner_reps, UNKNOWN),
    )
    nothing = look_back(unmarked)
    assert (nothing.lead, nothing.answers, nothing.naive, nothing.bound) == (None, (), None, None)
    assert nothing.retention.share.size > 5


def test_unmarked_sessions_and_missing_joining_dates_are_told(log):
    marks = log.session_partner_reps.copy()
    marks[:7] = UNKNOWN
    joined = log.joined.copy()
    joined[:3] = UNKNOWN_DAY
    told = [
        str(finding)
        for finding in look_back(
            dataclasses.replace(log, joined=joined, session_partner_reps=marks), bootstrap=0
        ).findings
    ]
    assert any("3 of 250 left out: no joining date" in text for text in told)
    assert any("sessions of the clients followed have none" in text for text in told)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"lead": "best"}, "lead: expected one of: session clock, landmark"),
        ({"horizon": 20}, "horizon: expected more than 28 days"),
        ({"landmarks": (28, 400)}, "landmarks: expected days from 7 to 28 days before the horizon"),
        ({"grace_weeks": 20}, "grace_weeks: expected weeks from 1 to half the horizon"),
        ({"bootstrap": -1}, "bootstrap: expected a number of resamples from 0"),
        ({"least_events": 2}, "least_events: expected at least 10 departures"),
    ],
)
def test_options_that_cannot_be_used(log, options, message):
    with pytest.raises(ArgumentError, match=message):
        look_back(log, **options)


def test_without_any_joining_date_first_sessions_stand_for_it_and_that_is_said(log):
    unknown = dataclasses.replace(log, joined=np.full_like(log.joined, UNKNOWN_DAY))
    found = look_back(unknown, bootstrap=0)
    told = next(text for text in map(str, found.findings) if "joining dates" in text)
    first = np.unique(log.session_client, return_index=True)[1]
    new = log.session_day[first] >= log.first_day + 56
    assert (
        f"of {new.size} clients. {new.sum()} of them were first seen 56 days or more after the records begin"
        in told
    )
    assert f"{(~new).sum()} seen before are left out" in told
    assert (found.new_clients, found.existing_clients) == (new.sum(), 0)


def test_nobody_with_a_joining_date_and_records_too_short_to_tell(log):
    short = log.session_day < 40
    brief = dataclasses.replace(
        log,
        joined=np.full_like(log.joined, UNKNOWN_DAY),
        last_day=40,
        **{
            name: getattr(log, name)[short]
            for name in ("session_client", "session_day", "session_trainer", "session_partner_reps")
        },
    )
    with pytest.raises(DesignError, match="without them nobody can be followed"):
        look_back(brief)


def test_an_end_of_records_that_would_make_departures_is_refused_at_the_absence_in_force(log):
    late = dataclasses.replace(log, last_day=int(log.session_day.max()) + 40)
    for days in (28, 40):
        with pytest.raises(DesignError, match=r"end of the records: expected a session in the last"):
            look_back(late, absence_days=days, bootstrap=0)
    with pytest.raises(DesignError, match="sessions in the last 41 days, as in others before"):
        look_back(late, absence_days=41, bootstrap=0)


def test_everybody_departed_is_an_alarm_before_any_number(look):
    gone = dataclasses.replace(look, events=look.clients)
    alarm = f"Every one of the {look.clients} clients counts as having left: use nothing of what follows."
    assert headline(gone).startswith(f"{alarm} Check the dates and the end of the records first. ")
    assert summary(gone).index("Every one of the") < summary(gone).index("associated")
    one_left = dataclasses.replace(look, events=look.clients - 1)
    assert "Every one" not in summary(one_left)
    assert not [finding for finding in look.findings if finding.severity == "stop"]


def test_everybody_departed_is_told_to_whoever_reads_the_findings():
    """Twelve clients who all stay away for 30 days once, one after the other, and come to the end."""
    days = 400
    rows = [
        (client, day)
        for client in range(12)
        for day in range(days)
        if not 40 + 20 * client <= day < 70 + 20 * client
    ]
    client, day = np.array(rows).T
    nothing = np.empty(0, np.int64)
    log = AttendanceLog(
        tuple(f"C{k:02d}" for k in range(12)), (), client, day, np.full(len(day), UNKNOWN),
        np.full(len(day), UNKNOWN), nothing, nothing, np.zeros(12, np.int64), np.full(12, UNKNOWN_DAY),
        no_spans(), (), (), nothing, False, 0, days - 1, RowCount(len(day), len(day)),
    )  # fmt: skip
    look = look_back(log, horizon=90)
    assert (look.clients, look.events) == (12, 12)
    (stop,) = [finding for finding in look.findings if finding.severity == "stop"]
    assert str(stop).startswith(
        "look back, departures: expected clients who still train when the records end"
    )
    assert "found none of 12" in str(stop)
    assert look.verdict.kind == "cannot tell"
    assert headline(look).startswith("Every one of the 12 clients counts as having left")


def test_the_days_that_were_used_are_told_first(look):
    first, last, cut = (np.datetime64(day, "D") for day in (look.first_day, look.last_day, look.cut_day))
    told = f"simulated: {first} to {last}; departures can be known up to {cut}. "
    told += f"The records were taken to end on {last}: "
    assert " ".join(summary(look).split("\n\n")[1].split()).startswith(told)
