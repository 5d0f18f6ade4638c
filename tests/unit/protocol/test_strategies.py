"""A strategy is refused, or it is the one that numbers follow from."""

from __future__ import annotations

from typing import get_args

import pytest

from studykit.errors import ProtocolError
from studykit.kinds import KINDS, sections
from studykit.protocol.estimand import Strategies, Strategy
from studykit.protocol.protocol_file import parse_protocol
from studykit.shipped import shipped

READY = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")
START = {
    kind: READY.index("[outcomes.estimand.strategies]", READY.index(f'kind = "{kind}"'))
    for kind in ("continuous", "retention")
}


def claiming(kind: str, event: str, strategy: str) -> str:
    """The ready protocol with another strategy for one event of one outcome."""
    head, tail = READY[: START[kind]], READY[START[kind] :]
    old = next(line for line in tail.split("\n") if line.startswith(f"{event} = "))
    return head + tail.replace(old, f'{event} = "{strategy}"', 1)


def test_every_kind_says_what_is_done_about_every_event() -> None:
    for section in sections().values():
        assert list(section.carried_out) == list(Strategies.model_fields)
        assert set(section.what_is_done) == set(section.carried_out.values())


@pytest.mark.parametrize("kind", list(KINDS))
@pytest.mark.parametrize("event", list(Strategies.model_fields))
def test_a_strategy_is_refused_or_is_the_one_carried_out(kind: str, event: str) -> None:
    done = sections()[kind].carried_out[event]
    for strategy in get_args(Strategy):
        text = claiming(kind, event, strategy)
        if strategy == done:
            assert parse_protocol(text).protocol.design == "parallel"
            continue
        with pytest.raises(ProtocolError) as caught:
            parse_protocol(text)
        (finding,) = caught.value.findings
        assert finding.where.endswith(f"estimand, strategies, {event}")
        assert "line" in finding.where
        assert finding.expected.startswith(f'"{done}", what is carried out here: ')
        assert finding.got == f'"{strategy}"'
        assert finding.todo.endswith(f'Write {event} = "{done}".')


def test_a_secondary_outcome_may_claim_no_more_than_a_primary_one() -> None:
    secondary = claiming("continuous", "leaves_studio", "composite").replace(
        'role = "primary"', 'role = "secondary"'
    )
    with pytest.raises(ProtocolError, match="tests after the client has left are not used"):
        parse_protocol(secondary)


def test_a_text_locked_before_is_read_all_the_same() -> None:
    text = claiming("continuous", "leaves_studio", "composite")
    strategies = parse_protocol(text, locked=True).protocol.outcomes[0].estimand.strategies
    assert strategies.leaves_studio == "composite"
