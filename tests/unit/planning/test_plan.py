from __future__ import annotations

import json
import math
import re
from typing import Any

import pytest

from studykit.errors import ArgumentError, DesignError
from studykit.kinds.continuous.planning import ContinuousPlan
from studykit.planning.plan import _designs, plan_study
from studykit.planning.plan_text import plan_text
from studykit.protocol.protocol_file import parse_protocol, read_protocol
from studykit.protocol.types import Protocol
from studykit.results import to_plain
from studykit.shipped import shipped

READY = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")
EFFECT = "value = 2.0\nlow = -2.0\nhigh = 6.0"


def protocol(*pairs: tuple[str, str]) -> Protocol:
    text = READY
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return parse_protocol(text).protocol


def test_an_owner_with_40_clients_and_3_trainers_learns_what_is_out_of_reach() -> None:
    """Trade facts F3: 20 to 40 per arm and four machines show about 5 to 8 %, not 2 %, and no retention."""
    plan = plan_study(protocol())
    assert plan.in_short.means.startswith(
        "Strength (10-repetition load): with 40 clients, a true difference of 11.2 % or more is found in 80 "
        "of 100 such studies."
    )
    assert plan.in_short.means.endswith("Still training at the studio: no difference is in reach.")
    assert any("2.0 % cannot be told from none" in sentence for sentence in plan.cannot_tell)
    assert plan["strength"].clients_for_effect is not None
    assert plan["strength"].clients_for_effect > 500
    assert plan["retention"].planned.power < 0.1
    assert plan.recommendation.action == "change the design"
    assert "Where that is not possible, join other studios" in plan.recommendation.otherwise
    assert plan.recommendation.clients_needed is not None
    assert 2 * 40 < plan.recommendation.clients_needed <= 6 * 40


def test_the_summary_leads_with_what_it_means_and_ends_with_one_recommendation() -> None:
    text = plan_text(plan_study(protocol()))
    order = [
        text.index(part)
        for part in ("What it means", "What to do", "How sure", "What this study can tell",
                     "What it cannot tell",
                     "Width of the interval", "What it costs", "What would make it sharper",
                     "Assumed on weak",
                     "Recommendation: change")
    ]  # fmt: skip
    assert order == sorted(order)
    assert "* correlation of a client's tests" in text  # weak evidence is marked
    assert "Mayhew" not in text  # sources stand on the page
    assert len(text.splitlines()) < 50  # a screen or so


def test_everything_used_has_a_source_and_an_evidence() -> None:
    plan = plan_study(protocol())
    assert len(plan.assumptions) >= 9
    assert all(item.source and item.low <= item.value <= item.high for item in plan.assumptions)
    assert {item.key for item in plan.assumptions if not item.is_weak} == {
        "sd_score", "missed_tests", "departure_shape", "attended_of_planned", "extra_minutes",
    }  # fmt: skip


def test_the_curve_falls_and_holds_the_planned_number() -> None:
    plan = plan_study(protocol(), clients=44)
    widths = [point.width for point in plan["strength"].curve]
    assert widths == sorted(widths, reverse=True)
    assert 44 in [point.clients for point in plan["strength"].curve]


def test_only_an_effect_under_full_delivery_is_diluted() -> None:
    """Trade facts C6: what is left is (1 - contaminated - not adherent); here 0.8 - 0.1 = 0.7."""
    offered = plan_study(protocol())
    full = plan_study(protocol(('effect_declared = "as offered"', 'effect_declared = "under full delivery"')))
    assert offered["strength"].model.effect / full["strength"].model.effect == pytest.approx(1 / 0.7)
    assert full["retention"].effect_after_dilution == pytest.approx(0.7 * 2.0)
    # The full effect is the larger one as offered, and spreads the clients a little more.
    assert offered["strength"].planned.width == pytest.approx(full["strength"].planned.width, rel=2e-3)
    assert offered["strength"].planned.width > full["strength"].planned.width


@pytest.mark.parametrize(
    ("clients", "action"),
    [(8, "do not run"), (12, "run as a pilot"), (40, "change the design"), (120, "run"), (400, "run")],
)
def test_one_recommendation_by_the_rule(clients: int, action: str) -> None:
    assert plan_study(protocol(), clients=clients).recommendation.action == action


def test_a_pilot_is_a_pilot() -> None:
    plan = plan_study(protocol(('framework = "superiority"', 'framework = "pilot"')))
    assert plan.recommendation.action == "run as a pilot"


def test_retention_alone_sends_to_the_records_first() -> None:
    plan = plan_study(
        protocol(('role = "primary"', 'role = "exploratory"'), ('role = "secondary"', 'role = "primary"'))
    )
    assert plan.primary == "retention"
    assert plan.recommendation.action == "look back first"


def test_no_contrast_left_means_do_not_run() -> None:
    plan = plan_study(
        protocol(
            ('effect_declared = "as offered"', 'effect_declared = "under full delivery"'),
            ("value = 0.80\nlow = 0.50", "value = 0.30\nlow = 0.10"),
            ("value = 0.10\nlow = 0.05\nhigh = 0.33", "value = 0.30\nlow = 0.05\nhigh = 0.33"),
        )
    )
    assert plan.recommendation.action == "do not run"
    assert "strength" not in [found.outcome for found in plan.outcomes]
    with pytest.raises(DesignError, match="one of the outcomes planned: retention"):
        plan["strength"]
    assert "With so little contrast between the arms no study can answer" in plan.recommendation.reason


def test_two_primary_outcomes_share_alpha() -> None:
    plan = plan_study(
        protocol(
            ('role = "secondary"', 'role = "primary"'),
            ('multiplicity = "one primary"', 'multiplicity = "holm"'),
        )
    )
    assert plan.alpha == pytest.approx(0.025)
    one = plan_study(protocol())
    assert plan["strength"].planned.power < one["strength"].planned.power
    assert plan["strength"].planned.width == one["strength"].planned.width


def test_defaults_are_used_and_said_where_a_protocol_is_silent() -> None:
    start, end = READY.index("[planning.sd_score]"), READY.index("# --- how it is analysed")
    silent = parse_protocol(READY[:start] + READY[end:]).protocol
    plan, full = plan_study(silent), plan_study(protocol())
    assert plan["strength"].planned == full["strength"].planned  # the ready protocol states the same numbers
    derived = {item.key for item in plan.assumptions if "default of studykit" not in item.source}
    assert derived == {"test_minutes", "extra_minutes"}  # counted from exercises and dose


def test_an_outcome_in_its_own_unit_needs_a_spread() -> None:
    path = shipped("protocols").parent / "analysis" / "depression_trial" / "protocol.toml"
    trial = parse_protocol(path.read_text(encoding="utf-8")).protocol
    with pytest.raises(DesignError, match="planning, sd_score: expected the spread of the outcome"):
        plan_study(trial)


def test_what_if_moves_one_assumption_at_a_time() -> None:
    plan = plan_study(protocol())
    moved = {(item.outcome, item.key, item.end): item.width for item in plan.what_if}
    assert (
        moved["strength", "sd_score", "low"]
        < plan["strength"].planned.width
        < moved["strength", "sd_score", "high"]
    )
    assert moved["strength", "correlation_baseline", "high"] < plan["strength"].planned.width
    assert ("retention", "retention_reference", "high") in moved


def test_a_plan_is_json_and_changes_nothing() -> None:
    given = protocol()
    before = given.model_dump_json()
    plan = plan_study(given)
    assert json.loads(json.dumps(to_plain(plan)))["recommendation"]["action"] == "change the design"
    assert given.model_dump_json() == before
    assert plan_study(given) == plan


@pytest.mark.parametrize("clients", [3, "x", 12.5, True])
def test_too_few_clients_and_what_is_no_number_are_refused(clients: Any) -> None:
    """A text once ended in Python's own message about a comparison."""
    with pytest.raises(ArgumentError, match="clients: expected a whole number, 4 or more in all arms"):
        plan_study(protocol(), clients=clients)


GRIP = """
[[outcomes]]
kind = "continuous"
code = "grip"
name = "grip strength"
unit = "kg"
role = "secondary"
primary_visit = "week_12"
score = { rule = "as recorded" }

[[outcomes]]
kind = "continuous"
code = "jump"
name = "jump height"
unit = "cm"
scale = "as_measured"
role = "exploratory"
primary_visit = "week_6"
score = { rule = "as recorded" }

# --- how clients are allocated"""


def test_outcomes_that_are_not_planned_are_named_with_what_is_missing() -> None:
    """They were passed over without a word."""
    plan = plan_study(protocol(("\n# --- how clients are allocated", GRIP)))
    assert [found.outcome for found in plan.outcomes] == ["strength", "retention", "grip"]
    assert plan.not_planned == ("jump",)
    assert plan.scope == (
        "This plan is about strength (10-repetition load) and still training at the studio and grip strength "
        "only. It says nothing on jump height: whether so many clients are enough there is not known. To be "
        "planned, jump needs the spread of the outcome between clients, in its unit, as "
        "[outcomes.assumptions.sd_score], with its source."
    )
    assert plan_text(plan).splitlines()[3] == plan.scope
    assert json.loads(json.dumps(to_plain(plan)))["not_planned"] == ["jump"]
    assert plan["strength"] == plan_study(protocol())["strength"]
    whole = plan_study(protocol())
    assert (whole.scope, whole.not_planned) == ("", ())


JUMP = GRIP.replace(
    """score = { rule = "as recorded" }

# ---""",
    """score = { rule = "as recorded" }
smallest_worthwhile = 1.5

[outcomes.assumptions.sd_score]
value = 7.0
low = 5.0
high = 9.0
source = "invented"

[outcomes.assumptions.effect_strength]
value = 0.9
low = -1.0
high = 2.5
source = "invented"

# ---""",
)


def test_numbers_of_its_own_take_the_place_of_those_under_planning() -> None:
    """Half width by hand from the same clients: 7 cm against 0.25, one test against four machines."""
    plan = plan_study(protocol(("\n# --- how clients are allocated", JUMP)))
    first, jump = plan["strength"], plan["jump"]
    assert isinstance(first, ContinuousPlan)
    assert isinstance(jump, ContinuousPlan)
    assert (plan.scope, plan.not_planned) == ("", ())
    assert first == plan_study(protocol())["strength"]
    residual = 7.0 * math.sqrt(1 - 0.88**2)  # the correlation of strength is not that of jumps: the default
    assert jump.model.residual_sd == pytest.approx(residual)
    assert (jump.unit, jump.effect, jump.largest_plausible) == ("cm", 0.9, 2.5)
    assert (jump.smallest_worthwhile, jump.model.trainer_by_arm_sd) == (1.5, 0.0)
    assert jump.planned.half_width == pytest.approx(jump.planned.width / 2.0)
    # another test day, week 6, when more clients are still there
    assert jump.model.tested > first.model.tested


def test_further_outcomes_are_in_every_part_of_the_plan() -> None:
    plan = plan_study(protocol(("\n# --- how clients are allocated", JUMP)))
    order = ["strength", "retention", "grip", "jump"]
    assert [found.outcome for found in plan.outcomes] == order
    assert [found.outcome for found in plan.chances] == order
    assert [found.outcome for found in plan.spreads] == order
    assert {found.outcome for found in plan.improvements} == set(order)
    assert any(line.startswith("Jump height at week 6") for line in plan.can_tell)
    assert sum("holds for these 3 trainers" in line for line in plan.cannot_tell) == 1
    moved = {(item.outcome, item.key) for item in plan.what_if}
    assert {("jump", "sd_score"), ("strength", "sd_score"), ("jump", "missed_tests")} <= moved
    alone = {(item.outcome, item.key) for item in plan_study(protocol()).what_if}
    assert {pair for pair in moved if pair[0] in ("strength", "retention")} == alone
    own = {(item.outcome, item.key): item for item in plan.assumptions}
    assert (own["", "sd_score"].value, own["jump", "sd_score"].value) == (0.25, 7.0)
    assert own["jump", "effect_strength"].meaning == "difference between the arms: jump height"
    assert own["grip", "sd_score"].source.startswith("default of studykit")
    assert "jump 7." in plan_text(plan)


def test_the_recommendation_says_what_so_many_clients_are_for() -> None:
    advice = plan_study(protocol()).recommendation
    to_find = "to find a true difference of 6.0 %, the largest plausible one, 80 times in 100"
    assert f"About 111 clients are needed {to_find}; 3 studios of this size" in advice.otherwise.replace(
        "about", "About"
    )
    assert (advice.clients_needed, advice.needed_for) == (111, to_find)
    kept = plan_study(
        protocol(('role = "primary"', 'role = "exploratory"'), ('role = "secondary"', 'role = "primary"'))
    ).recommendation
    assert "to find a true difference of 8.0 points, the largest plausible one, 80 times" in kept.reason


def test_what_is_found_often_enough_is_not_said_to_be_out_of_reach() -> None:
    """A difference of 20 points found 9 times in 10 "could not be told from none"."""
    large = protocol(("value = 2.0\nlow = -5.0\nhigh = 8.0", "value = 24.0\nlow = 20.0\nhigh = 26.0"))
    plan = plan_study(large, clients=120)
    assert plan["retention"].planned.power > 0.8
    said = plan.cannot_tell[1]
    assert (
        said == "Still training at the studio: differences much below 20.2 points cannot be told from none."
    )
    assert plan.can_tell[1].startswith(
        "Still training at the studio on day 182: a change from 70 to about 90 of 100 is found 80 times in "
        "100."
    )
    small = plan_study(protocol()).cannot_tell[1]
    assert "(found 6 times in 100); to find it 80 times in 100 takes about 16,000 clients." in small


def test_four_sentences_agree_with_one_another_and_speak_of_one_difference() -> None:
    """They once said 888 clients above 111, and 2 studios for either, each for a difference not named."""
    plan = plan_study(protocol(), clients=80)
    said = " ".join(text for _, text in plan.in_short.lines)
    assert re.findall(r"(\d[\d.]*) %", said) == ["7.2", "6.0", "3.0"]  # found; possible; found by the design
    assert "The largest that is thought possible, 6.0 %, is found in only 67 of them." in said
    assert "888" not in said
    needed, studios = re.search(
        r"about (\d+) clients .* 6\.0 %.*; (\d) studios", plan.recommendation.otherwise
    ).groups()  # type: ignore[union-attr]
    assert (int(studios) - 1) * 80 < int(needed) <= int(studios) * 80
    weak = sum(item.is_weak for item in plan.assumptions)
    assert f"{weak} of the {len(plan.assumptions)} numbers behind it" in plan.in_short.sure
    enough = plan_study(protocol(), clients=120).in_short
    assert enough.do.startswith("Run it as planned. As planned it takes about 400 people to ask")
    assert "Smaller ones will often be missed." in enough.means
    nothing = plan_study(protocol(), clients=6).in_short
    assert (nothing.do, nothing.sure) == ("Do not run.", "")
    assert "Nothing can be estimated with so few" in nothing.means


def test_what_helps_most_comes_first() -> None:
    """One side of each client in either arm, which finds 4.3 % in place of 11.2 %, once stood last."""
    plan = plan_study(protocol())
    strength = [item for item in plan.improvements if item.outcome == "strength"]
    assert strength[0].design == "limbs"
    found = [item.detectable or 0.0 for item in strength]
    assert found == sorted(found)
    kept = [item.unit for item in plan.improvements if item.outcome == "retention"]
    assert kept == ["points", "points", "sessions"]  # what is told in another unit is not ranked


def test_another_design_is_recommended_only_where_it_answers_every_primary_outcome() -> None:
    two = (
        ('role = "secondary"', 'role = "primary"'),
        ('multiplicity = "one primary"', 'multiplicity = "holm"'),
    )
    both = plan_study(protocol(*two), clients=80)
    assert both.recommendation.action == "join other studios"
    clusters = plan_study(read_protocol(shipped("protocols") / "trainers.toml").protocol)
    assert "--design limbs" in clusters.recommendation.reason
    assert "tells nothing on retention" in clusters.recommendation.reason
    offered = {item.design: item for item in clusters.improvements if item.design}
    chosen = _designs(protocol(), clusters["strength"], clusters.improvements)
    assert {"crossover", "limbs", "parallel"} <= set(offered)
    assert [item.design for item in chosen] == ["limbs", "parallel"]  # a gain lasts into the next period


def test_who_has_joined_is_not_asked_again_and_nobody_waits_for_regulars() -> None:
    costs = plan_study(protocol(), enrolled=13).costs
    whole = plan_study(protocol()).costs
    assert costs is not None
    assert whole is not None
    assert (whole.planned.people_asked, whole.planned.months_of_recruitment) == (134, 10.0)
    assert (costs.planned.people_asked, costs.planned.months_of_recruitment) == (90, 6.75)
    assert costs.planned.test_visits == whole.planned.test_visits
    full = plan_study(protocol(), enrolled=40)
    assert "people to ask" not in full.in_short.do
    stepped = plan_study(read_protocol(shipped("protocols") / "stepped.toml").protocol).costs
    assert stepped is not None
    assert stepped.planned.months_of_recruitment == 0.0  # all begin within days of each other
