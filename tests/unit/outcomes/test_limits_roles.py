"""E04: one person in two of the roles of allocation is said in the report."""

from __future__ import annotations

from studykit.outcomes.limits import _roles
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.types import Protocol
from studykit.shipped import shipped

READY = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")


def changed(*pairs: tuple[str, str]) -> Protocol:
    text = READY
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    return parse_protocol(text).protocol


def test_three_people_are_nothing_to_say() -> None:
    assert _roles(changed()) == []


def test_one_person_in_two_roles_is_said() -> None:
    told = _roles(changed(('enrolment = "RE"', 'enrolment = "OW"')))
    assert told[0] == "One person, OW, enrolled clients and ran the draws."
    assert "No list of arms existed" in told[1]
    listed = _roles(
        changed(
            ('testing = "TE"', 'testing = "RE"'),
            ("block_sizes = [2, 4]\n", f'block_sizes = [2, 4]\nsealed_list = "{"a" * 64}"\n'),
        )
    )
    assert listed == [
        "One person, RE, enrolled clients and tested.",
        "The arms were sealed from this person until each client was enrolled.",
    ]


def test_a_role_that_does_not_apply_is_nobody() -> None:
    nobody = ('enrolment = "RE"', 'enrolment = "not applicable, because x"')
    same = ('testing = "TE"', 'testing = "not applicable, because x"')
    assert _roles(changed(nobody, same)) == []
