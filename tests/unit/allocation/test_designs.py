"""Designs: what is allocated, what is refused, what is warned about."""

import numpy as np
import pytest

from studykit.allocation.asked import findings_on_design, method_name_findings
from studykit.allocation.blocks import PermutedBlocks
from studykit.errors import ArgumentError, ProtocolError
from studykit.protocol.designs import DESIGNS
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.within_client import arm_given
from studykit.randomness import stream
from studykit.shipped import shipped

ARMS = ("conventional", "partner_reps")


def ready(design, *pairs):
    text = (shipped("protocols") / f"{design}.toml").read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return parse_protocol(text).protocol


def with_trainers(design, trainers):
    """The findings on a design in which so many trainers are drawn, whatever else stops its protocol."""
    protocol = ready(design)
    planning = protocol.planning.model_copy(update={"trainers": trainers})
    return findings_on_design(protocol.model_copy(update={"planning": planning}))


def severities(design, trainers):
    return [finding.severity for finding in with_trainers(design, trainers)]


def test_sequences_are_allocated_and_each_client_gets_both_arms():
    """E09."""
    protocol = ready("crossover")
    for sequence in protocol.allocated_codes:
        first, second = (arm_given(protocol, sequence, period=period) for period in (1, 2))
        assert {first, second} == set(ARMS)
        assert sequence == f"{first}_then_{second}"
    method = PermutedBlocks(protocol.allocated_codes, block_sizes=(4,))
    arms = method.simulate(np.zeros((50, 12, 0), dtype=int), stream(1, "sequences"))
    assert np.all(arms.sum(axis=1) == 6)


def test_sides_get_both_arms_and_dominance_is_balanced():
    """E09: blocks over the arm of the dominant side balance side over dominance."""
    protocol = ready("limbs")
    for assignment in protocol.allocated_codes:
        sides = {arm_given(protocol, assignment, dominant=dominant) for dominant in (True, False)}
        assert sides == set(ARMS)
        assert assignment == f"dominant_{arm_given(protocol, assignment, dominant=True)}"


def test_steps():
    protocol = ready("stepped")
    first, last = (
        [arm_given(protocol, step, period=period) for period in (1, 2, 3)] for step in ("step_1", "step_3")
    )
    assert first == [ARMS[0], ARMS[1], ARMS[1]]
    assert last == [ARMS[0]] * 3


@pytest.mark.parametrize("design", ["crossover", "limbs"])
def test_retention_is_refused_where_one_client_is_in_both_arms(design):
    """A13, A14."""
    parallel = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")
    start = parallel.index('[[outcomes]]\nkind = "retention"')
    outcome = parallel[start : parallel.index("# --- how clients are allocated")]
    with pytest.raises(ProtocolError) as refused:
        ready(design, ("# --- how clients are allocated", outcome + "\n# ---"))
    (finding,) = [item for item in refused.value.findings if "retention" in item.expected]
    assert finding.severity == "stop"
    assert "Use the parallel design" in str(finding)


@pytest.mark.parametrize(
    ("design", "words"),
    [("crossover", "Gains of the first period last into the second"), ("limbs", "passes to the other side")],
)
def test_training_gains_are_warned_about(design, words):
    """A13, A14."""
    (finding,) = findings_on_design(ready(design))
    assert finding.severity == "warn"
    assert words in str(finding)
    assert findings_on_design(ready(design).model_copy(update={"outcomes": ()})) == ()


def test_trainers_per_arm():
    """F08: one per arm refused, two or three warned about with the smallest p-value, four quiet."""
    assert severities("trainers", 2) == ["stop"]
    assert severities("trainers", 3) == ["stop"]
    (two,) = with_trainers("trainers", 4)
    (three,) = with_trainers("trainers", 6)
    assert "found 2: no result can give a p-value below 0.333" in str(two)
    assert "found 3: no result can give a p-value below 0.100" in str(three)
    assert severities("trainers", 8) == []
    assert severities("trainers", 0) == ["stop"]


def test_parallel_arms_of_trainers_with_one_arm_each_are_arms_of_trainers():
    protocol = ready("parallel")
    trainers = protocol.trainers.model_copy(update={"deliver": "one arm"})
    planning = protocol.planning.model_copy(update={"trainers": 6})
    (finding,) = findings_on_design(protocol.model_copy(update={"trainers": trainers, "planning": planning}))
    assert finding.where == "trainers design"
    assert finding.expected == "four or more trainers in each arm"


def test_steps_need_trainers():
    assert severities("stepped", 2) == ["stop"]
    assert severities("stepped", 3) == []
    assert findings_on_design(ready("parallel")) == ()


@pytest.mark.parametrize(
    "description",
    [
        "Alternation",
        "by date of birth",
        "even days of the week",
        "the trainer's choice",
        "first come, first served",
        "in turn",
    ],
)
def test_what_is_not_random_is_not_called_random(description):
    """E07."""
    (finding,) = method_name_findings(description)
    assert finding.severity == "stop"
    assert "do not call the study randomised" in str(finding)


@pytest.mark.parametrize(
    "description",
    [
        "",
        "random numbers from a table, even to A",
        "the preferred arm with 80 %",
        "minimisation, 80 % random element",
    ],
)
def test_chance_procedures_pass(description):
    assert method_name_findings(description) == ()


@pytest.mark.parametrize(
    "call",
    [
        lambda: DESIGNS["crossover"].codes(("a", "a"), 2),
        lambda: DESIGNS["crossover"].codes(("a_then_b", "c"), 2),
        lambda: arm_given(ready("crossover"), "a", period=1),
        lambda: arm_given(ready("crossover"), "conventional_then_partner_reps", period=3),
        lambda: arm_given(ready("limbs"), "dominant_x"),
        lambda: arm_given(ready("limbs"), "dominant_conventional", period=2),
        lambda: arm_given(ready("stepped"), "step_0", period=1),
    ],
)
def test_odd_values_are_refused(call):
    with pytest.raises(ArgumentError, match=r"arms: expected two|arm given: expected one of"):
        call()
