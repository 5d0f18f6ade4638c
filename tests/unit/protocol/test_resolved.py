from __future__ import annotations

import re

from studykit.protocol.reading import parse_protocol
from studykit.protocol.resolved import changed_keys, resolved_digest
from studykit.shipped import shipped

READY = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")


def test_comments_spacing_and_typed_out_defaults_do_not_change_the_digest() -> None:
    bare = re.sub(r"^\s*#.*$", "", READY, flags=re.MULTILINE).replace("power = 0.8\n", "")
    bare = bare.replace("planned_looks = 0\n", "").replace("ratio = 1 ", "")
    assert parse_protocol(bare).digest == parse_protocol(READY).digest
    assert re.fullmatch("[0-9a-f]{64}", parse_protocol(READY).digest)


def test_any_changed_value_changes_the_digest() -> None:
    protocol = parse_protocol(READY).protocol
    other = parse_protocol(READY.replace("gap_seconds = 10.0", "gap_seconds = 10.5")).protocol
    assert resolved_digest(protocol) != resolved_digest(other)


def test_changed_keys_are_named_as_typed() -> None:
    old = parse_protocol(READY).protocol
    new = parse_protocol(
        READY.replace("clients = 40", "clients = 60")
        .replace('name = "leg press"', 'name = "leg press, left"')
        .replace('changes_trainer = "treatment policy"', 'changes_trainer = "hypothetical"', 1),
        locked=True,
    ).protocol
    assert changed_keys(old, new) == (
        "exercises 'leg_press', name",
        "outcomes 'strength', estimand, strategies, changes_trainer",
        "planning, clients",
    )
    assert changed_keys(old, old) == ()


def test_an_inserted_table_does_not_shift_the_others() -> None:
    old = parse_protocol(READY).protocol
    extra = '[[exercises]]\ncode = "hip"\nname = "hip"\n\n'
    first = READY.index("[[exercises]]")
    new = parse_protocol(READY[:first] + extra + READY[first:]).protocol
    assert {key.split(",")[0] for key in changed_keys(old, new)} == {"exercises 'hip'"}
    assert {key.split(",")[0] for key in changed_keys(new, old)} == {"exercises 'hip'"}


def test_keys_that_came_later_leave_the_digest_of_a_locked_protocol_alone() -> None:
    """At their defaults, typed out or not; another value counts."""
    digest = parse_protocol(READY).digest
    typed = READY.replace(
        "planned_looks = 0", 'planned_looks = 0\nlook_fractions = []\nlook_spending = "obrien-fleming"'
    ).replace("[cautions]", "[pilot]\nclients = 20\n\n[cautions]")
    assert parse_protocol(typed).digest == digest
    for old, new in (("clients = 20", "clients = 24"), ('"obrien-fleming"', '"pocock"')):
        assert parse_protocol(typed.replace(old, new)).digest != digest
