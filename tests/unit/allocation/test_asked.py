"""From a protocol to its method, and what its design cannot give."""

from __future__ import annotations

from fractions import Fraction

import pytest

from studykit.allocation.asked import findings_on_design, method_for
from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.coins import BiasedCoin, Simple
from studykit.allocation.methods import method_from
from studykit.allocation.minimisation import Minimisation
from studykit.errors import DesignError
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.rules import check_protocol
from studykit.protocol.types import Protocol
from studykit.shipped import shipped

READY = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")
ARMS = ("conventional", "partner_reps")
FACTORS = ("trainer", "sex")


def with_allocation(**allocation: object) -> Protocol:
    document = parse_protocol(READY).protocol.model_dump()
    return Protocol.model_validate({**document, "allocation": allocation})


METHODS = [
    (
        {"method": "permuted blocks", "block_sizes": (4, 6), "strata": FACTORS},
        PermutedBlocks(ARMS, block_sizes=(4, 6), factors=FACTORS),
    ),
    (
        {"method": "minimisation", "strata": FACTORS, "weights": (2, 1), "overall": 3, "distance": "total",
         "chance": 0.85},
        Minimisation(ARMS, factors=FACTORS, weights=(2, 1), overall=3, distance="total",
                     preferred_probability=Fraction(17, 20)),
    ),
    (
        {"method": "biased coin", "strata": FACTORS, "chance": 0.7},
        BiasedCoin(ARMS, factors=FACTORS, behind_probability=Fraction(7, 10)),
    ),
    ({"method": "simple", "strata": FACTORS}, Simple(ARMS, factors=FACTORS)),
]  # fmt: skip


@pytest.mark.parametrize(("asked", "method"), METHODS, ids=lambda value: str(value)[:28])
def test_the_method_is_the_one_of_the_protocol(asked: dict[str, object], method: object) -> None:
    """A32: every setting of the protocol arrives; the chance means its digits, not a binary fraction."""
    found = method_for(with_allocation(**asked))
    assert found == method
    assert found is not None
    assert method_from(found.describe()) == method


def test_elsewhere_is_no_method() -> None:
    assert method_for(with_allocation(method="external")) is None


def test_unequal_minimisation_is_refused_here_too() -> None:
    document = with_allocation(method="minimisation", strata=FACTORS).model_dump()
    document["arms"][0]["ratio"] = 2
    with pytest.raises(DesignError, match="the chance of each arm changes from client to client"):
        method_for(Protocol.model_validate(document))


def of_design(design: str, *, retention: bool = False, trainers: int = 3, **trainer: str) -> Protocol:
    document = parse_protocol(READY).protocol.model_dump()
    document["design"] = design
    document["planning"]["trainers"] = trainers
    document["trainers"] |= trainer
    if not retention:
        document["outcomes"] = document["outcomes"][:1]
    return Protocol.model_validate(document)


def test_clients_drawn_one_by_one_raise_nothing() -> None:
    assert findings_on_design(of_design("parallel", retention=True)) == ()


def test_retention_is_refused_where_a_client_gets_both_arms() -> None:
    """A13: staying cannot be put down to either arm."""
    for design in ("crossover", "limbs"):
        found = check_protocol(of_design(design, retention=True))
        (refusal,) = [finding for finding in found if "staying cannot be put down" in finding.todo]
        assert refusal.severity == "stop"
        assert refusal.expected == "no retention outcome in this design"


def test_a_training_gain_in_a_crossover_is_warned_about() -> None:
    """A13: training gains persist."""
    (finding,) = findings_on_design(of_design("crossover"))
    assert finding.severity == "warn"
    assert "Gains of the first period last into the second" in finding.todo


def test_few_trainers_per_arm_are_told_the_smallest_p_value() -> None:
    """F08: with three trainers in each of two arms there are 10 ways to split, so p is 0.1 at least."""
    (finding,) = findings_on_design(of_design("parallel", trainers=6, deliver="one arm"))
    assert finding.severity == "warn"
    assert "no result can give a p-value below 0.100" in finding.got
    assert findings_on_design(of_design("trainers", trainers=4))[0].got.endswith("below 0.333")
    assert findings_on_design(of_design("trainers", trainers=16)) == ()


def test_what_was_done_elsewhere_is_said_and_stops_nobody() -> None:
    """E07: what is no chance procedure is not called one."""
    told = with_allocation(method="external", description="alternating by day of enrolment")
    (finding,) = findings_on_design(told)
    assert finding.severity == "warn"
    assert "alternating, day of" in finding.got
