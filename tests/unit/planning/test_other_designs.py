"""What a plan says of a change, or of another design, is what the plan of that protocol says of itself."""

from __future__ import annotations

from typing import Any

import pytest

from studykit.kinds.continuous import planning as continuous
from studykit.kinds.retention import planning as retention
from studykit.planning.assumptions import Assumptions
from studykit.planning.outcome_plan import Improvement, level_of
from studykit.planning.plan import plan_study
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.types import Assumption, ExternalAllocation, Protocol
from studykit.shipped import shipped

# Assumptions that differ from the ready ones, in every ready protocol: nothing may be taken from elsewhere.
CHANGED = (
    ("sd_score", 0.31),
    ("correlation_baseline", 0.81),
    ("missed_tests", 0.21),
    ("retention_reference", 0.63),
    ("correlation_limbs", 0.6),
    ("confidence_level = 0.95", "confidence_level = 0.90"),
    ("alpha = 0.05", "alpha = 0.10"),
    ("power = 0.8", "power = 0.9"),
)
WORDS = {
    "parallel": "clients drawn one by one",
    "crossover": "both arms one after the other",
    "limbs": "one side of each client",
}


def ready(design: str, *pairs: tuple[str, Any]) -> Protocol:
    """A ready protocol with texts replaced, or assumptions by their key."""
    text = (shipped("protocols") / f"{design}.toml").read_text(encoding="utf-8")
    assumed: dict[str, Assumption] = {}
    for old, new in pairs:
        if isinstance(new, float):
            assumed[old] = Assumption(value=new, source="invented")
            continue
        assert old in text, old
        text = text.replace(old, new, 1)
    read = parse_protocol(text).protocol
    return read.model_copy(update={"planning": read.planning.model_copy(update=assumed)})


def own_plan(protocol: Protocol, clients: int) -> continuous.ContinuousPlan:
    outcome = protocol.continuous_outcomes[0]
    assumptions = Assumptions(protocol, outcome)
    return continuous.plan(
        protocol, outcome, assumptions, clients=clients, counts=(), alpha=level_of(protocol)
    )


def sharper(protocol: Protocol, clients: int, assumptions: Assumptions) -> dict[str, Improvement]:
    outcome, plan = protocol.continuous_outcomes[0], own_plan(protocol, clients)
    found = continuous.improvements(protocol, outcome, assumptions, plan, months=clients / 4.0)
    return {item.change: item for item in found}


def told(protocol: Protocol, clients: int) -> dict[str, Improvement]:
    return sharper(protocol, clients, Assumptions(protocol))


def of_design(protocol: Protocol, clients: int, design: str) -> Improvement:
    return next(item for change, item in told(protocol, clients).items() if WORDS[design] in change)


def numbers(plan: continuous.ContinuousPlan) -> tuple[float, float]:
    return plan.planned.half_width, plan.planned.detectable


@pytest.mark.parametrize("design", ["crossover", "limbs"])
@pytest.mark.parametrize("clients", [24, 40, 91])
@pytest.mark.parametrize("pairs", [(), CHANGED], ids=["ready", "changed"])
def test_another_design_is_told_as_it_tells_itself(
    design: str, clients: int, pairs: tuple[tuple[str, Any], ...]
) -> None:
    """To all digits; the two sides were once told with four machines where their own plan has two."""
    found = of_design(ready("parallel", *pairs), clients, design)
    assert (found.half_width, found.detectable) == numbers(own_plan(ready(design, *pairs), clients))
    assert found.unit == "%"
    assert "it tells nothing on retention" in found.price
    assert not found.price.endswith(".")  # whoever prints it ends the sentence


def test_trainers_as_clusters_are_told_what_clients_drawn_one_by_one_would_give() -> None:
    clusters, drawn = ready("trainers"), ready("parallel", ("trainers = 3", "trainers = 12"))
    found = of_design(clusters, 96, "parallel")
    assert (found.half_width, found.detectable) == numbers(own_plan(drawn, 96))
    needed = own_plan(drawn, 96).clients_for_effect
    said = " ".join(plan_study(clusters).cannot_tell)
    assert "finds the assumed difference of 2.0 % 80 times in 100: that takes at least 18 trainers" in said
    assert f"With clients drawn one by one it takes about {needed} clients." in said


def test_leaving_is_restated_where_the_horizon_is_another() -> None:
    """Half of the clients after 52 weeks, shape 0.85: 0.5 ** (0.5 ** 0.85) of them after 26."""
    own = ready("parallel", ("horizon_day = 182", "horizon_day = 364"), ("retention_reference", 0.50))
    other = ready("limbs", ("retention_reference", 0.5 ** (0.5**0.85)))
    found = of_design(own, 40, "limbs")
    assert (found.half_width, found.detectable) == pytest.approx(numbers(own_plan(other, 40)), rel=1e-12)


def test_machines_stay_as_they_are_where_sides_are_not_compared() -> None:
    four = 'exercises = ["leg_press", "chest_press", "seated_row", "leg_curl"]'
    one = ("parallel", "crossover")
    own, other = (ready(design, (four, 'exercises = ["leg_press"]')) for design in one)
    found = of_design(own, 60, "crossover")
    assert (found.half_width, found.detectable) == numbers(own_plan(other, 60))


def test_a_plan_counts_what_another_design_assumes_among_its_assumptions() -> None:
    used = Assumptions(ready("parallel"))
    assert "correlation_limbs" not in {item.key for item in used.used}
    sharper(ready("parallel"), 40, used)
    assert "correlation_limbs" in {item.key for item in used.used}


def test_no_other_design_for_three_arms_or_a_trial_of_others() -> None:
    own = ready("parallel")
    third = own.arms[1].model_copy(update={"code": "third"})
    three = own.model_copy(
        update={
            "arms": (*own.arms, third),
            "analysis": own.analysis.model_copy(update={"comparison": "partner_reps"}),
        }
    )
    outside = own.model_copy(update={"allocation": ExternalAllocation(method="external")})
    for protocol in (three, outside):
        assert not any(change.startswith("another design") for change in told(protocol, 40))


@pytest.mark.parametrize("design", ["parallel", "crossover", "limbs", "stepped", "trainers"])
def test_a_changed_plan_is_told_as_the_changed_protocol_tells_itself(design: str) -> None:
    """Fewer missed tests, three studios, twice as long; a crossover misses a test twice."""
    own = ready(design)
    clients, trainers = own.planning.clients, own.planning.trainers
    found = told(own, clients)
    fewer = ready(design, ("missed_tests", 0.05))
    studios = ready(design, (f"trainers = {trainers}", f"trainers = {3 * trainers}"))
    changed = {
        "miss 5 of 100 tests in place of 15": (fewer, clients),
        f"3 studios of this size: {3 * clients} clients": (studios, 3 * clients),
    }
    if design != "stepped":
        changed[f"recruit for twice as long: {2 * clients} clients"] = (own, 2 * clients)
    for words, (protocol, number) in changed.items():
        item = found[words]
        assert (item.half_width, item.detectable) == numbers(own_plan(protocol, number)), words


def test_two_more_machines_are_two_more_machines() -> None:
    """Six machines that correlate 0.4: (1 + 5 x 0.4) / 6 of one machine's variance; four have 2.2 / 4."""
    item = told(ready("parallel"), 40)["test 6 machines in place of 4"]
    own = ready("parallel")
    longer = own.continuous_outcomes[0].model_copy(update={"exercises": tuple("abcdef")})
    six = own.model_copy(update={"outcomes": (longer, own.retention_outcome)})
    assert (item.half_width, item.detectable) == numbers(own_plan(six, 40))


def test_retention_of_more_clients_and_studios_is_that_of_the_changed_protocol() -> None:
    for design in ("parallel", "trainers"):
        own = ready(design)
        clients, trainers = own.planning.clients, own.planning.trainers
        outcome, plan = own.retention_outcome, kept_plan(own, clients)
        assert outcome is not None
        twice, studios, *_ = retention.improvements(own, outcome, Assumptions(own), plan, months=6.4)
        assert (twice.change, twice.price) == (
            f"recruit for twice as long: {2 * clients} clients",
            "13 months of recruitment in place of 6",
        )
        larger = ready(design, (f"trainers = {trainers}", f"trainers = {3 * trainers}"))
        for item, protocol, number in ((twice, own, 2 * clients), (studios, larger, 3 * clients)):
            point = kept_plan(protocol, number).planned
            assert (item.half_width, item.detectable) == (point.width / 2.0, point.detectable)


def kept_plan(protocol: Protocol, clients: int) -> retention.RetentionPlan:
    outcome = protocol.retention_outcome
    assert outcome is not None
    plain = outcome.model_copy(update={"smallest_worthwhile": None})  # the search for it takes long
    return retention.plan(
        protocol, plain, Assumptions(protocol), clients=clients, counts=(), alpha=level_of(protocol)
    )
