"""Which caution must be printed where: trade facts E8."""

from __future__ import annotations

import re

import pytest

from studykit.protocol.cautions import USUAL_CAUTIONS, Page, cautions_for
from studykit.protocol.protocol_file import parse_protocol, read_protocol
from studykit.shipped import shipped

READY = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("page", "codes"),
    [
        ("take-home page", {"not_medical_advice", "soreness_and_red_flags"}),
        ("report", {caution.code for caution in USUAL_CAUTIONS}),
        ("test sheet", {"not_medical_advice", "stop_signs", "breathing", "soreness_and_red_flags"}),
        ("tally", {"not_medical_advice", "screening", "stop_signs", "breathing", "soreness_and_red_flags"}),
        ("session sheet", {"not_medical_advice", "stop_signs", "breathing", "ramp_in",
                           "soreness_and_red_flags", "trainer_sign_off"}),
        ("consent", {"not_medical_advice", "screening", "stop_signs", "breathing", "soreness_and_red_flags"}),
        ("protocol", {caution.code for caution in USUAL_CAUTIONS}),
    ],
)  # fmt: skip
def test_pages_carry_their_cautions(page: Page, codes: set[str]) -> None:
    assert {caution.code for caution in cautions_for(page)} == codes


def test_local_cautions_come_last() -> None:
    protocol = parse_protocol(READY.replace("local = []", 'local = ["Mind the step."]')).protocol
    assert cautions_for("report", protocol=protocol)[-1].text == "Mind the step."


def test_licensed_practice_prevails_and_red_flags_are_named() -> None:
    texts = {caution.code: caution.text for caution in USUAL_CAUTIONS}
    assert "licensed practitioner" in texts["not_medical_advice"]
    assert "dark urine" in texts["soreness_and_red_flags"]
    assert "never hold the breath" in texts["breathing"]


def test_nothing_is_promised_and_nobody_trains_ill() -> None:
    """E2, E4: soreness recovers over days, as a rule; illness, fever, heat are asked about each session."""
    texts = {caution.code: caution.text for caution in USUAL_CAUTIONS}
    assert "is expected and usually passes." in texts["soreness_and_red_flags"]
    assert "who is ill, feverish or overheated does not train that day." in texts["screening"]


def test_a_study_without_partner_reps_is_not_cautioned_about_them() -> None:
    protocol = read_protocol(shipped("protocols").parent / "analysis" / "depression_trial" / "protocol.toml")
    codes = [caution.code for caution in cautions_for("report", protocol=protocol.protocol)]
    assert codes == ["not_medical_advice", "small_study"]


def test_each_caution_has_a_mark() -> None:
    """Where it comes from: a source with its place, common practice, judgement, arithmetic, or memory."""
    for caution in USUAL_CAUTIONS:
        assert re.search(r"source|common practice|judgement|arithmetic|memory", caution.mark), caution.code
        assert caution.words == f"{caution.title}. {caution.text} ({caution.mark}.)"
