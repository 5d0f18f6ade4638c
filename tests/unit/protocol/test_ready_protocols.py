"""The ready protocols of all designs: each can be used, and what they share is word for word the same."""

from __future__ import annotations

import tomllib

import pytest

from studykit.protocol.protocol_file import parse_protocol
from studykit.shipped import shipped

READY = {path.stem: path.read_text(encoding="utf-8") for path in sorted(shipped("protocols").glob("*.toml"))}
SHARED = ("ethics", "fidelity", "harms", "oversight", "cautions", "exercises")


@pytest.mark.parametrize("design", READY)
def test_a_ready_protocol_is_of_its_design_and_has_no_stops(design: str) -> None:
    read = parse_protocol(READY[design])
    assert read.protocol.design == design
    assert [finding for finding in read.findings if finding.severity == "stop"] == []


@pytest.mark.parametrize(
    ("design", "section"),
    [
        (design, section)
        for design in READY
        for section in SHARED
        if design != "parallel" and (design, section) != ("limbs", "exercises")  # one limb at a time there
    ],
)
def test_what_designs_share_is_the_same(design: str, section: str) -> None:
    """A change of a caution or a bound in one ready protocol belongs into all of them."""
    assert tomllib.loads(READY[design])[section] == tomllib.loads(READY["parallel"])[section]


@pytest.mark.parametrize("design", READY)
def test_every_key_has_its_explanation(design: str) -> None:
    """An owner reads the comments; a block without one leaves him alone."""
    lines = READY[design].splitlines()
    tables = [number for number, line in enumerate(lines) if line.startswith("[")]
    explained = [
        number for number in tables
        if "#" in lines[number] or any(line.startswith("#") for line in lines[max(0, number - 6) : number])
        or any("#" in line for line in lines[number : number + 8])
    ]  # fmt: skip
    assert len(explained) > 0.7 * len(tables)


@pytest.mark.parametrize("design", READY)
def test_typical_errors_are_those_of_the_test_they_were_measured_with(design: str) -> None:
    """B2: ten repetitions, typical error 3.2 to 6.1 %; eight (Taylor & Fletcher 2012), 3.4 to 10.4 %."""
    ten, eight = tomllib.loads(READY[design])["planning"]["measurement_sd"]["source"].split("; of ")
    assert ten.startswith("typical errors of 10-repetition tests of 3 to 6 per cent: Fernandes et al. 2019")
    assert eight.startswith("8-repetition tests of 3 to 10 per cent: Taylor & Fletcher 2012")
