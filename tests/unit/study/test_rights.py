"""What a role may do by command, and that roles are codes."""

from __future__ import annotations

from pathlib import Path

import pytest

from studykit.errors import ArgumentError, ProtocolError
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.ready import ready_text
from studykit.shipped import shipped
from studykit.study import Study
from studykit.study.rights import is_kept_blind, require_right
from studykit.study.session_sheets import write_sheet
from tests.pipeline.test_methods import BLOCKS, CLIENTS, edit, ready_study
from tests.support.answered import answered

PROTOCOL = parse_protocol(answered((shipped("protocols") / "parallel.toml").read_text("utf-8"))).protocol


@pytest.fixture(scope="module")
def enrolled(tmp_path_factory: pytest.TempPathFactory) -> Study:
    study = ready_study(tmp_path_factory.mktemp("rights") / "mine", BLOCKS)
    study.lock(by="OW")
    study.enrol(CLIENTS[0][0], by="ow")
    return study


@pytest.mark.parametrize(
    ("act", "allowed", "refused"),
    [
        ("lock", ("OW",), ("RE", "TE", "SR")),
        ("allocate", ("OW", " ow "), ("RE", "TE", "SR")),
        ("correct", ("OW", "RE", "TE", "SR"), ()),
        ("look", ("OW", "SR"), ("RE", "TE")),
        ("see arms", ("OW", "SR"), ("RE", "TE")),
    ],
)
def test_each_act_has_its_roles(act: str, allowed: tuple[str, ...], refused: tuple[str, ...]) -> None:
    """E04: who generates, who enrols and who assigns are three roles, and what each may do differs."""
    for code in allowed:
        require_right(act, code, PROTOCOL)
    for code in refused:
        with pytest.raises(ArgumentError, match="the code of somebody who"):
            require_right(act, code, PROTOCOL)
    with pytest.raises(ArgumentError, match="a code of the protocol's roles: OW, RE, TE, SR; found 'XX'"):
        require_right(act, "XX", PROTOCOL)


def test_a_protocol_without_names_asks_for_nothing() -> None:
    nobody = PROTOCOL.model_copy(update={"roles": type(PROTOCOL.roles)()})
    require_right("allocate", "XX", nobody)
    assert not is_kept_blind("", nobody)


def test_only_the_one_who_draws_may_enrol(enrolled: Study) -> None:
    with pytest.raises(ArgumentError, match="somebody who runs the draws: OW; found 'RE'"):
        enrolled.enrol(CLIENTS[1][0], by="RE")
    ledger = enrolled.ledger
    assert ledger is not None
    assert [entry.by for entry in ledger.entries() if entry.kind == "allocation"] == ["ow"]


def test_the_tester_is_told_no_arm(enrolled: Study) -> None:
    """The assessor who must not know the arm gets no sheet and no numbers by arm."""
    for words in ({"by": "TE"}, {"trainer": "te"}):
        with pytest.raises(ArgumentError, match="expected somebody who may know the arm; found"):
            write_sheet(enrolled.read(), CLIENTS[0][0], **words)
    told = enrolled.audit(by="TE").summary()
    assert "Numbers by arm are not shown to the person who tests" in told
    assert "Clients per arm" not in told
    assert "1 draws repeated" in told
    assert "Clients per arm" in enrolled.audit(by="OW").summary()
    assert "Clients per arm" in enrolled.audit().summary()


@pytest.mark.parametrize("name", ["Petra Kohl", "p.kohl@post.example", "+44 20 7946 0000", "the owner"])
def test_names_are_no_roles(tmp_path: Path, name: str) -> None:
    """Codes only, as in the columns of people: a warning at check, a stop at the lock."""
    study = ready_study(tmp_path / "mine", BLOCKS)
    edit(study, ('safety = "SR"', f'safety = "{name}"'))
    found = [finding for finding in study.check().findings if "roles, safety" in finding.where]
    assert [finding.severity for finding in found] == ["warn"]
    with pytest.raises(ProtocolError, match="a code such as OW, as in the records"):
        study.lock(by="OW")


def test_a_role_that_does_not_apply_may_say_so(tmp_path: Path) -> None:
    study = ready_study(tmp_path / "mine", BLOCKS)
    edit(study, ('safety = "SR"', 'safety = "not applicable, because the reviewer is outside"'))
    study.lock(by="OW")


def test_check_says_what_the_lock_will_want(tmp_path: Path) -> None:
    """A missing strategy is no surprise on the day of the lock."""
    study = ready_study(tmp_path / "mine", BLOCKS)
    whole = ready_text("parallel").replace('leaves_studio = "hypothetical"', "", 1)
    (study.folder / "protocol.toml").write_text(whole, encoding="utf-8")
    found = [str(finding) for finding in study.check().findings if finding.severity == "warn"]
    assert any("leaves_studio" in text and "Needed before the lock" in text for text in found), found
    assert not study.check().needs_attention
