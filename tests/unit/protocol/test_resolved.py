from __future__ import annotations

import re

from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.resolved import changed_keys, resolved_content, resolved_digest
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
        "outcomes 'strength', estimand, variable",  # made from the names of the exercises
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


def assuming(*lines: str) -> str:
    """The ready protocol with a table of assumptions under its first outcome."""
    place = READY.index("[outcomes.estimand]")
    return READY[:place] + "\n".join(lines) + "\n\n" + READY[place:]


def test_assumptions_under_an_outcome_count_only_where_there_are_some() -> None:
    bare = parse_protocol(READY)
    empty = parse_protocol(assuming("[outcomes.assumptions]"))
    assert empty.digest == bare.digest
    assert all("assumptions" not in outcome for outcome in resolved_content(bare.protocol)["outcomes"])
    own = parse_protocol(assuming("[outcomes.assumptions.sd_score]", "value = 0.2", 'source = "own"'))
    assert own.digest != bare.digest
    named = {key.rsplit(", ", 1)[0] for key in changed_keys(bare.protocol, own.protocol)}
    assert "outcomes 'strength', assumptions, sd_score" in named


def test_what_stands_under_an_outcome_takes_the_place_of_what_stands_under_planning() -> None:
    """For that outcome, and where it is the first of its kind for outcomes of other kinds too."""
    own = parse_protocol(
        assuming("[outcomes.assumptions.sd_score]", "value = 0.2", 'source = "own"')
    ).protocol
    strength, retention = own.outcomes
    for outcome in (strength, retention):
        view = own.for_outcome(outcome)
        assert view.planning.sd_score is not None
        assert view.planning.sd_score.value == 0.2
        assert view.planning.correlation_baseline == own.planning.correlation_baseline
        assert view.for_outcome(outcome) == view
    bare = parse_protocol(READY).protocol
    assert bare.for_outcome(bare.outcomes[0]) == bare
