from __future__ import annotations

import datetime as dt
import re

import pytest

from studykit.errors import ArgumentError
from studykit.protocol.filling import fill_template, questions
from studykit.protocol.protocol_file import parse_protocol
from studykit.shipped import shipped

READY = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")


def comments(text: str) -> list[str]:
    return re.findall(r"^#.*$", text, flags=re.MULTILINE)


def test_no_answers_and_default_answers_leave_the_text_as_it_is() -> None:
    assert fill_template(READY, {}) == READY
    assert fill_template(READY, {question.key: question.default for question in questions(READY)}) == READY


def test_defaults_are_what_the_ready_protocol_says() -> None:
    protocol = parse_protocol(READY).protocol
    said = {question.key: question.default for question in questions(READY)}
    assert said["title"] == protocol.study.title
    assert said["setting"] == protocol.study.setting
    assert said["clients"] == str(protocol.planning.clients)
    assert said["trainers"] == str(protocol.planning.trainers)
    assert said["machines"] == ", ".join(exercise.name for exercise in protocol.exercises)
    assert said["owner"] == protocol.roles.allocation
    retention = protocol.retention_outcome
    assert retention is not None
    assert int(said["horizon_weeks"]) * 7 == retention.horizon_day


def test_answers_reach_their_places_and_the_comments_stay() -> None:
    text = fill_template(
        READY,
        {
            "title": 'Our "own" study',
            "time_zone": "vienna",
            "owner": "AB",
            "clients": "52",
            "trainers": "4",
            "machines": "leg press, Pull-down",
            "unit": "lb",
            "experience": "trained",
            "horizon_weeks": "30",
            "retained_percent": "35,5 %",
            "ethics": "approved",
            "ethics_answer": "R 7",
        },
        today=dt.date(2026, 5, 4),
    )
    protocol = parse_protocol(text).protocol
    assert protocol.study.title == 'Our "own" study'
    assert protocol.study.date == dt.date(2026, 5, 4)
    assert protocol.study.time_zone == "Europe/Vienna"
    assert protocol.roles.allocation == "AB"
    assert (protocol.planning.clients, protocol.planning.trainers) == (52, 4)
    assert [(item.code, item.name, item.unit) for item in protocol.exercises] == [
        ("leg_press", "leg press", "lb"),
        ("pull_down", "Pull-down", "lb"),
    ]
    assert protocol.continuous_outcomes[0].exercises == ("leg_press", "pull_down")
    assert protocol.continuous_outcomes[0].unit == "lb"
    assert protocol.retention_outcome is not None
    assert protocol.retention_outcome.horizon_day == 210
    assert protocol.planning.retention_reference is not None
    assert protocol.planning.retention_reference.value == 0.355
    assert protocol.planning.gain_reference is not None
    assert protocol.planning.gain_reference.value == 5.0
    assert protocol.ethics.reference == "R 7"
    assert comments(text) == comments(READY)


@pytest.mark.parametrize("machines", ["press", "leg curl, leg press", "a, b, c, d, e, f"])
def test_any_number_of_machines_gives_a_protocol_without_findings(machines: str) -> None:
    text = fill_template(READY, {"machines": machines})
    assert parse_protocol(text).findings == ()
    assert comments(text) == comments(READY)


def test_a_machine_of_a_design_with_two_sides_becomes_an_exercise_of_either_side() -> None:
    ready = (shipped("protocols") / "limbs.toml").read_text(encoding="utf-8")
    asked = {question.key: question for question in questions(ready)}["machines"]
    assert (asked.wording.startswith("One-limb machines"), asked.default) == (True, "leg extension, leg curl")
    read = parse_protocol(fill_template(ready, {"machines": "leg curl, Arm curl"}))
    assert read.findings == ()
    assert [(item.code, item.name, item.side, item.pair) for item in read.protocol.exercises] == [
        ("leg_curl_left", "leg curl, left", "left", "leg_curl"),
        ("leg_curl_right", "leg curl, right", "right", "leg_curl"),
        ("arm_curl_left", "Arm curl, left", "left", "arm_curl"),
        ("arm_curl_right", "Arm curl, right", "right", "arm_curl"),
    ]
    assert read.protocol.continuous_outcomes[0].exercises == tuple(
        item.code for item in read.protocol.exercises
    )


@pytest.mark.parametrize(
    ("key", "answer", "expected"),
    [
        ("clients", "many", "a whole number from 1"),
        ("clients", "0", "a whole number from 1"),
        ("retained_percent", "170", "a number from 1 to 99"),
        ("retained_percent", "0.7", "a number from 1 to 99"),  # a share where so many of 100 are asked for
        ("machines", "press, press", "different names with letters"),
        ("machines", " , ", "different names with letters"),
        ("machines", "123", "different names with letters"),
        ("unit", "stone", "one of kg, lb, plates"),
        ("owner", "Ada Example", "a short code of letters and digits, no name"),
        ("title", " ", "an answer"),
        ("colour", "blue", "keys among title"),
    ],
)
def test_answers_that_cannot_be_used_are_refused(key: str, answer: str, expected: str) -> None:
    with pytest.raises(ArgumentError, match=expected):
        fill_template(READY, {key: answer})
