"""Designs: what is allocated, what is refused, what is warned about."""

import numpy as np
import pytest

from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.designs import design_findings, method_name_findings
from studykit.errors import ArgumentError
from studykit.protocol.turns import (
    arm_at_step,
    arm_in_period,
    arm_of_side,
    crossover_sequences,
    limb_assignments,
)
from studykit.randomness import stream

ARMS = ("conventional", "partner_reps")


def severities(*arguments, **settings):
    return [finding.severity for finding in design_findings(*arguments, **settings)]


def test_sequences_are_allocated_and_each_client_gets_both_arms():
    """E09."""
    for sequence in crossover_sequences(ARMS):
        assert {arm_in_period(sequence, 1), arm_in_period(sequence, 2)} == set(ARMS)
    method = PermutedBlocks(crossover_sequences(ARMS), block_sizes=(4,))
    arms = method.simulate(np.zeros((50, 12, 0), dtype=int), stream(1, "sequences"))
    assert np.all(arms.sum(axis=1) == 6)


def test_sides_get_both_arms_and_dominance_is_balanced():
    """E09: blocks over the arm of the dominant side balance side over dominance."""
    for assignment in limb_assignments(ARMS):
        for dominant in ("left", "right"):
            sides = {
                arm_of_side(assignment, side, dominant=dominant, arms=ARMS) for side in ("left", "right")
            }
            assert sides == set(ARMS)
            assert assignment == f"dominant_{arm_of_side(assignment, dominant, dominant=dominant, arms=ARMS)}"


def test_steps():
    assert [arm_at_step(1, period, arms=ARMS) for period in (1, 2, 3)] == [ARMS[0], ARMS[1], ARMS[1]]
    assert [arm_at_step(3, period, arms=ARMS) for period in (1, 2, 3)] == [ARMS[0]] * 3


@pytest.mark.parametrize("design", ["crossover", "limbs"])
def test_retention_is_refused_where_one_client_is_in_both_arms(design):
    """A13, A14."""
    (finding,) = design_findings(design, outcomes=["retention"])
    assert finding.severity == "stop"
    assert "A client leaves once: use the parallel design" in str(finding)


@pytest.mark.parametrize(
    ("design", "words"),
    [("crossover", "Gains of the first period last into the second"), ("limbs", "passes to the other side")],
)
def test_training_gains_are_warned_about(design, words):
    """A13, A14."""
    (finding,) = design_findings(design, outcomes=["training gain"])
    assert finding.severity == "warn"
    assert words in str(finding)
    assert design_findings(design, outcomes=["returns between periods"]) == ()


def test_trainers_per_arm():
    """F08: one per arm refused, two or three warned about with the smallest p-value, four quiet."""
    assert severities("trainers", outcomes=["training gain"], trainers=2) == ["stop"]
    assert severities("trainers", outcomes=["training gain"], trainers=3) == ["stop"]
    (two,) = design_findings("trainers", outcomes=["retention"], trainers=4)
    (three,) = design_findings("trainers", outcomes=["retention"], trainers=6)
    assert "found 2: no result can give a p-value below 0.333" in str(two)
    assert "found 3: no result can give a p-value below 0.100" in str(three)
    assert severities("trainers", outcomes=["retention"], trainers=8) == []
    assert severities("trainers", outcomes=["retention"]) == ["stop"]


def test_steps_need_trainers():
    assert severities("stepped", outcomes=["retention"], trainers=3, steps=4) == ["stop"]
    assert severities("stepped", outcomes=["retention"], trainers=4, steps=4) == []
    assert severities("stepped", outcomes=["retention"], trainers=4) == ["stop"]
    assert severities("parallel", outcomes=["retention", "training gain"]) == []


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
        lambda: crossover_sequences(("a", "a")),
        lambda: crossover_sequences(("a_then_b", "c")),
        lambda: arm_in_period("a", 1),
        lambda: arm_in_period("a_then_b", 3),
        lambda: arm_of_side("dominant_x", "left", dominant="left", arms=ARMS),
        lambda: arm_of_side("dominant_conventional", "up", dominant="left", arms=ARMS),
        lambda: arm_at_step(0, 1, arms=ARMS),
    ],
)
def test_odd_values_are_refused(call):
    with pytest.raises(
        ArgumentError, match=r"arms: expected two|period: expected|side: expected|step and period"
    ):
        call()
