"""A strategy that no number follows from, on its way from a draft to a locked study."""

from __future__ import annotations

from pathlib import Path

import pytest

from studykit.allocation.asked import method_for
from studykit.allocation.ledger import Ledger
from studykit.errors import ProtocolError
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.ready import ready_text
from studykit.study import Study
from tests.support.answered import answered

OLD, CLAIMED = 'leaves_studio = "hypothetical"', 'leaves_studio = "while on programme"'


@pytest.fixture
def claiming(tmp_path: Path) -> Study:
    """A draft that is complete, but claims what is not done."""
    study = Study.create(tmp_path / "mine")
    path = study.folder / "protocol.toml"
    text = answered(ready_text("parallel")).replace(OLD, CLAIMED, 1)
    path.write_text(text, encoding="utf-8")
    return study


@pytest.fixture
def locked(claiming: Study) -> Study:
    """The same, locked when nobody asked."""
    text = (claiming.folder / "protocol.toml").read_text(encoding="utf-8")
    read = parse_protocol(text, locked=True)
    ledger = Ledger.create(claiming.folder / "ledger.db", by="OW")
    ledger.lock(
        protocol=read.text, protocol_hash=read.digest, versions={}, by="OW", method=method_for(read.protocol)
    )
    return claiming


def test_a_draft_is_refused_at_check_and_at_lock(claiming: Study) -> None:
    check = claiming.check()
    assert [finding.got for finding in check.findings if finding.severity == "stop"] == [
        '"while on programme"'
    ]
    assert check.needs_attention
    with pytest.raises(ProtocolError, match="tests after the client has left are not used"):
        claiming.lock(by="OW")
    assert claiming.ledger is None


def test_a_study_locked_with_it_goes_on_with_a_warning(locked: Study) -> None:
    found = [finding for finding in locked.check().findings if "what is carried out" in finding.expected]
    assert [(finding.severity, finding.got) for finding in found] == [("warn", '"while on programme"')]
    assert not locked.check().needs_attention


def test_its_next_amendment_must_say_what_is_done(locked: Study) -> None:
    path = locked.folder / "protocol.toml"
    text = path.read_text(encoding="utf-8").replace("clients = 40 ", "clients = 44 ", 1)
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ProtocolError, match="leaves_studio"):
        locked.amend(reason="more clients", by="OW")
    path.write_text(text.replace(CLAIMED, OLD, 1), encoding="utf-8")
    _, changed = locked.amend(reason="more clients; says what is done", by="OW")
    assert changed == ("outcomes 'strength', estimand, strategies, leaves_studio", "planning, clients")
