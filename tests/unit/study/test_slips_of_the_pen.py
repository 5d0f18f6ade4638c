"""Mistakes of typing and of filing that were once answered badly: each has one plain message."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest

from studykit.errors import ProtocolError
from studykit.outcomes.harms import pause_rule
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.resolved import resolved_digest
from studykit.protocol.types import Protocol
from studykit.records.nearest import nearest_known
from studykit.records.reading import read_records
from studykit.records.rows import Harm, StudyRows
from studykit.shipped import shipped
from studykit.study import Study
from tests.pipeline.test_methods import BLOCKS, add_rows, ready_study, today

READY = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")


def told(*pairs: tuple[str, str]) -> list[str]:
    text = READY
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    try:
        return [str(finding) for finding in parse_protocol(text).findings]
    except ProtocolError as error:
        return [str(finding) for finding in error.findings]


@pytest.mark.parametrize(
    ("pair", "said"),
    [
        (("window = [-21, 0]", "window = [\u221221, 0]"), "a typographic minus or dash (U+2212)"),
        (("alpha = 0.05", "alpha =\u00a00.05"), "a special blank (U+00A0) that looks like it"),
        (("alpha = 0.05", 'alpha = "\u22120.05"'), "type - from the keyboard, without quotation marks"),
        (('comparison = "partner_reps"', 'comparison = "partner\u00a0reps"'), "delete it and type the blank"),
        (('comparison = "partner_reps"', 'comparison = "Partner reps"'), "arm: conventional, partner_reps"),
        (('comparison = "partner_reps"', 'comparison = "partner_rep"'), "Did you mean partner_reps?"),
        (('code = "chest_press"', 'code = "leg_press"'), "a code that occurs once; found leg_press"),
        (
            ("partner_reps_per_set = 0\n", "partner_reps_per_set = 0\nstand_alone = true\n"),
            "at least 1 where partner reps are a set of their own",
        ),
    ],
)
def test_one_message_for_each_slip_in_a_protocol(pair: tuple[str, str], said: str) -> None:
    (only,) = told(pair)
    assert said in only


def test_partner_reps_alone_are_few() -> None:
    alone = ("partner_reps_per_set = 3        #", "stand_alone = true\npartner_reps_per_set = 5        #")
    assert any("at most 4 where they stand alone; found 5" in text for text in told(alone))


def test_a_letter_for_a_digit_is_the_nearest_code() -> None:
    """CO01 is C001 with a letter, and not C071 with a digit changed."""
    known = ["C071", "C001", "C091", "C011"]
    assert nearest_known("CO01", known) == "C001"
    assert nearest_known("C0l1", known) == "C011"
    assert nearest_known("C0091", known) == "C091"


def test_a_folder_where_a_table_should_be(tmp_path: Path) -> None:
    study = ready_study(tmp_path / "mine", BLOCKS)
    path = study.folder / "records" / "sessions.csv"
    path.unlink()
    path.mkdir()
    found = [str(finding) for finding in read_records(path.parent, protocol=study.protocol).findings]
    assert any("records/sessions.csv: expected a file; found a folder of that name" in text for text in found)
    assert study.check().needs_attention


def test_a_workbook_beside_tables_is_one_finding(tmp_path: Path) -> None:
    study = ready_study(tmp_path / "mine", BLOCKS)
    study.lock(by="OW")
    study.enrol("C000", by="OW")
    openpyxl.Workbook().save(study.folder / "records" / "records.xlsx")
    found = study.check().findings
    assert [finding.expected for finding in found if finding.severity == "stop"] == [
        "CSV files or one workbook, never both"
    ]
    assert len(found) == 1


def test_a_load_that_no_machine_has(tmp_path: Path) -> None:
    """A lone baseline of 6000 kg has no other test to be compared with."""
    study = ready_study(tmp_path / "mine", BLOCKS)
    add_rows(study.folder, "strength", {
        "client": "C001", "visit": "baseline", "date": today(-2), "exercise": "leg_press", "load": "6000",
        "unit": "kg", "repetitions": "10", "success": "yes"})  # fmt: skip
    found = [str(finding) for finding in study.check().findings]
    assert any("expected at most 500 kg; found 6000 kg. Check the decimal point" in text for text in found)


def harmed(study: Study, clients: int) -> tuple[Protocol, StudyRows]:
    """A study of six clients, some of one arm with a moderate harm."""
    for number in range(6):
        study.enrol(f"C{number:03d}", by="OW")
    rows, _ = study.rows()
    arm = [place for place in range(6) if rows.clients.arm[place] == rows.clients.arm[0]]
    harms = tuple(
        Harm(place, "", 10.0, "soreness", "", "moderate", False, False, "possible", float("nan"))
        for place in arm[:clients]
    )
    return study.protocol, replace(rows, harms=harms)


def test_one_harm_among_few_does_not_stop_a_study(tmp_path: Path) -> None:
    """Of three clients in an arm one is 33 in 100; new protocols want two harmed before the share counts."""
    study = ready_study(tmp_path / "mine", BLOCKS)
    study.lock(by="OW")
    protocol, rows = harmed(study, 1)
    assert protocol.harms.pause_moderate_least == 2
    assert pause_rule(protocol, rows) == ()
    earlier = protocol.model_copy(
        update={"harms": protocol.harms.model_copy(update={"pause_moderate_least": 1})}
    )
    assert len(pause_rule(earlier, rows)) == 1, "protocols locked before the key go on as they were"


def test_the_key_at_its_default_changes_no_digest() -> None:
    without = READY.replace("pause_moderate_least = 2 ", "# ")
    same = READY.replace("pause_moderate_least = 2 ", "pause_moderate_least = 1 ")
    other = parse_protocol(READY).protocol
    assert resolved_digest(parse_protocol(without).protocol) == resolved_digest(parse_protocol(same).protocol)
    assert resolved_digest(other) != resolved_digest(parse_protocol(same).protocol)
