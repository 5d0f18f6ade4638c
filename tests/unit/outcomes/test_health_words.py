"""What free texts count as: the words of E3, E4 and E7, and how people write that a thing is over, or not."""

from __future__ import annotations

import pytest

from studykit.outcomes.health_words import (
    is_cleared_after_pregnancy,
    is_over,
    is_red_flag,
    names_ill_health,
    names_pregnancy,
)


@pytest.mark.parametrize(
    "kind",
    [
        "fainted", "Fainting", "felt faint", "syncope", "collapsed", "blacked out", "black-out", "passed out",
        "lost consciousness", "unconscious for a moment", "dizzy after the set", "light-headed after a set",
        "muscle breakdown", "Rhabdomyolysis", "rabdo", "dark urine", "urine like cola", "brown urine",
        "chest pain", "pain in the chest", "pressure on his chest", "tight chest", "heart attack",
        "palpitations", "irregular heartbeat", "arrhythmia", "angina", "stroke", "seizure",
        "sudden headache", "change of vision", "blurred sight", "breathless", "shortness of breath",
        "marked swelling", "swollen arm", "weakness", "cannot straighten the arm", "pain getting worse",
        "tendon rupture", "muscle tear",
        "fracture", "dislocated shoulder", "heard a pop", "fever", "felt ill", "overheated",
        "heat stroke", "vomited", "died at home",
    ],
)  # fmt: skip
def test_red_flags(kind: str) -> None:
    assert is_red_flag(kind)
    assert is_red_flag(kind.upper())


@pytest.mark.parametrize(
    "kind",
    [
        "muscle soreness", "muscle soreness longer than 72 hours", "sore chest muscles", "bruise",
        "joint ache", "joint ache at the chest press", "pain after chest press", "back pain", "knee pain",
        "sore shoulder", "muscle strain", "strain", "pulled by machine number 3", "still sore", "skill drill",
        "caught a finger in clothing",
    ],
)  # fmt: skip
def test_ordinary_harms_are_no_red_flags(kind: str) -> None:
    assert not is_red_flag(kind)


@pytest.mark.parametrize(
    "outcome",
    [
        "gone after 2 days", "Gone", "recovered", "healed", "resolved 2026-03-02", "settled", "it is over",
        "over", "over since 3 March", "cleared by practitioner 2026-03-02", "back to normal", "pain-free",
        "recovered and returned to training", "light-headedness gone", "swelling gone since 2 May",
    ],
)  # fmt: skip
def test_an_end(outcome: str) -> None:
    assert is_over(outcome)


@pytest.mark.parametrize(
    "outcome",
    [
        "", " ", "ongoing", "on-going", "recovering", "unknown", "under treatment", "in hospital", "better",
        "improving", "still sore", "not over", "not recovered", "isn't healed", "not yet resolved",
        "unresolved", "almost gone", "nearly healed", "partly recovered", "80 % recovered", "recovered?",
        "should be gone by Friday", "expected to be healed in May", "will be cleared", "to be cleared",
        "never resolved", "waiting to be cleared", "gone to hospital", "gone home", "gone for a scan",
        "gone but came back", "healed, then returned", "passed out again", "handed over to the clinic",
        "over three weeks now", "all over the arm", "cleared for light work", "cleared if pain-free",
        "cleared only for walking", "needs to be cleared", "until recovered", "pain remains, swelling gone",
        "recovered so far", "no change", "ended in hospital", "see note", "?", "permanent", "lasting",
    ],
)  # fmt: skip
def test_no_end(outcome: str) -> None:
    assert not is_over(outcome)


@pytest.mark.parametrize(
    "text",
    ["pregnancy", "Pregnant", "pregnant since May", "she is expecting a baby", "second trimester",
     "maternity leave", "miscarriage", "gave birth in March", "12 weeks after birth", "midwife on Monday",
     "not pregnant any more", "was not pregnant; now pregnant", "no pregnancy problems so far"],
)  # fmt: skip
def test_pregnancy(text: str) -> None:
    assert names_pregnancy(text)


@pytest.mark.parametrize(
    "text",
    ["", "not pregnant", "pregnant: no", "pregnancy = no", "holiday", "place of birth", "expecting visitors"],
)
def test_no_pregnancy(text: str) -> None:
    assert not names_pregnancy(text)


@pytest.mark.parametrize(
    ("text", "cleared"),
    [
        ("pregnancy; cleared 2026-03-02", True),
        ("pregnant, cleared by her midwife", True),
        ("pregnancy; cleared 12 weeks after birth", True),
        ("cleared 2026-01-05; pregnant since May", False),
        ("pregnancy, cleared; pregnant again", False),
        ("pregnancy; not cleared", False),
        ("pregnancy; to be cleared", False),
        ("pregnancy, cleared?", False),
        ("sickness in pregnancy; cleared up", False),
        ("pregnancy; recovered", False),
    ],
)
def test_cleared_after_pregnancy(text: str, cleared: bool) -> None:
    assert is_cleared_after_pregnancy(text) is cleared


@pytest.mark.parametrize(
    ("reason", "ill"),
    [("illness", True), ("sick", True), ("knee surgery", True), ("injury or illness", True),
     ("hospital", True), ("operation", True), ("holiday", False), ("work abroad", False), ("family", False),
     ("", False), ("time", False), ("did not like the training", False), ("cost", False)],
)  # fmt: skip
def test_ill_health(reason: str, ill: bool) -> None:
    assert names_ill_health(reason) is ill
