"""Rules across fields: what stops, what warns, what is only noted."""

from __future__ import annotations

import re

import pytest

from studykit.errors import ProtocolError
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.rules import check_protocol
from studykit.shipped import shipped

READY = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")
THIRD_ARM = '[[arms]]\ncode = "drop_set"\nname = "lighter set"\n\n'
SECOND_RETENTION = (
    '[[outcomes]]\nkind = "retention"\ncode = "contract"\n'
    'name = "contract"\nhorizon_day = 200\n\n[allocation]'
)
PILOT_RULE = '[[pilot.rules]]\nmeasure = "tests"\ngo_on = 0.75\n'
STRENGTH = "value = 2.0\nlow = -2.0\nhigh = 6.0"
STEP = "from_session = 3, to_session = 4, partner_reps = "


def changed(*pairs: tuple[str, str]) -> str:
    text = READY
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def test_the_ready_protocol_has_no_findings() -> None:
    assert parse_protocol(READY).findings == ()


@pytest.mark.parametrize("name", ["parallel", "trainers", "crossover", "limbs", "stepped"])
def test_the_keys_that_stand_as_comments_can_be_used(name: str) -> None:
    """Looks, pilot and costs are offered in every ready protocol behind a comment sign."""
    text = (shipped("protocols") / f"{name}.toml").read_text(encoding="utf-8")
    text = text.replace("planned_looks = 0", "planned_looks = 1")
    keys = "look_fractions|look_spending|clients|months|rules|value|source|evidence"
    offered = rf"# ((?:{keys}) = |\[pilot\]|\[planning|  \{{ measure|\]$)"
    read = parse_protocol(re.sub(rf"^{offered}", r"\1", text, flags=re.MULTILINE)).protocol
    assert [rule.measure for rule in read.pilot.rules] == ["tests"]
    assert read.oversight.look_fractions == (0.5,)
    assert read.planning.hour_cost is not None
    assert read.planning.clients_per_month is not None


STOPS = [
    ([('code = "week_6"', 'code = "week_12"')], "a code that occurs once"),
    ([("ratio = 1 ", "ratio = 2 ")], "a multiple of 3, the sum of the arms' ratios"),
    ([('name = "conventional sets, then', 'reference = true\nname = "c')], "one reference arm"),
    ([('comparison = "partner_reps"', 'comparison = "conventional"')], "than the reference: partner_reps"),
    ([("# Mach", THIRD_ARM + "# Mach"), ('comparison = "partner_reps"', "")], "the primary comparison"),
    ([("day = 0\n", "day = 3\n")], "day 0 or before"),
    ([("day = 42", "day = -1")], "a day after allocation"),
    ([("day = 42", "day = 84")], "a window apart from that of"),
    ([('time_zone = ""', 'time_zone = "Europe/Viena"')], "continent and city of a time zone"),
    ([('time_zone = ""', 'time_zone = "../../etc/passwd"')], "continent and city of a time zone"),
    ([('time_zone = ""', 'time_zone = "Europe"')], "continent and city of a time zone"),
    ([("window = [-10, 10]", "window = [10, -10]")], "the early end first"),
    ([("window = [-10, 10]", "window = [1, 10]")], "a window that holds the planned day"),
    ([("baseline = true", "baseline = false")], "a visit with baseline = true"),
    ([('primary_visit = "week_12"', 'primary_visit = "baseline"')], "a visit after allocation"),
    ([('exercises = ["leg_press",', 'exercises = ["leg_pres",')], "one of leg_press, chest_press"),
    ([('["leg_press", "chest_press"', '["leg_press", "leg_press"')], "each exercise once"),
    ([("[allocation]", SECOND_RETENTION)], "one retention outcome"),
    ([('role = "secondary"', 'role = "primary"')], '"holm" where there are 2 primary outcomes'),
    ([('"ratio of geometric means"', '"difference in means"')], 'since scale = "log"'),
    ([('scale = "log"', 'scale = "as_measured"')], '"difference in means", since scale = "as_measured"'),
    ([('"risk difference"', '"difference in means"')], '"risk difference", since the outcome is retention'),
    ([("horizon_day = 182", "horizon_day = 28")], "more than absence_days, 28"),
    ([("pause_cap_days = 28", "pause_cap_days = 60")], "at most pause_total_days, 56"),
    ([('levels = ["female", "male"]', 'levels = ["female"]')], "at least two different values"),
    ([('strata = ["trainer", "sex"]', 'strata = ["trainer", "age"]')], "one of trainer, sex"),
    ([("block_sizes = [2, 4]", "block_sizes = [2, 3]")], "a multiple of 2"),
    ([("block_sizes = [2, 4]", "block_sizes = []")], "sizes such as [2, 4]"),
    ([("from_session = 3", "from_session = 4")], "a step that begins with session 3"),
    ([("partner_reps = 3, effort_limit = 7", "partner_reps = 4, effort_limit = 7")], "at most the full dose"),
    ([("value = 0.88", "value = 1.0")], "a number from -0.999 to 0.999"),
    ([("value = 0.02", "value = -0.1")], "a number from 0 to 0.99"),
    ([(STRENGTH, "value = 31.0\nlow = -2.0\nhigh = 40.0")], "a number from -30 to 30"),
    ([("value = 2.0\nlow = -5.0\nhigh = 8.0", "value = 40.0\nlow = 0.0\nhigh = 50.0")], "between 0 and 1"),
    ([("value = 0.70", "value = 70")], "a share between 0 and 1"),
    ([("value = 0.76\nlow = 0.40", "value = 0.76\nlow = 1e-308")], "a share between 0.001 and 1"),
    ([("value = 0.4\nlow = 0.2", "value = 0.4\nlow = -0.34")], "a number from -0.333 to 0.999"),
    ([("value = 0.25", "value = 0.0")], "a number from 0.001 to 3"),
    ([("low = 0.40\nhigh = 0.90", "low = 0.40\nhigh = 1e308")], "a share between 0 and 1"),
    ([("delta_steps = [-10.0,", "delta_steps = [-100.0,")], "a shift from -90 to 1000 per cent"),
    ([("value = 0.25", "value = 0.5")], "low, value and high in this order"),
    ([('deliver = "both arms"', 'deliver = "one arm"')], "at least 4, two for each arm"),
    ([("partial_share = 0.6", "partial_share = 0.9")], "at most good_share"),
    ([("planned_looks = 0", "planned_looks = 2\nlook_fractions = [0.5]")], "one share for each of 2 looks"),
    ([("planned_looks = 0", "planned_looks = 2\nlook_fractions = [0.6, 0.3]")], "looks, rising"),
    ([("[cautions]", f"{PILOT_RULE}stop = 0.8\n[cautions]")], "less than go_on, 0.75"),
    ([("[cautions]", f"{PILOT_RULE}stop = 0.5\n{PILOT_RULE}stop = 0.4\n[cautions]")], "each measure once"),
    ([("[cautions]", f"{PILOT_RULE.replace('0.75', '75')}stop = 0.5\n[cautions]")], "a share between"),
]  # fmt: skip


@pytest.mark.parametrize(("pairs", "expected"), STOPS, ids=lambda value: str(value)[:40])
def test_what_cannot_be_stops(pairs: list[tuple[str, str]], expected: str) -> None:
    """Bounds of planning values, dose and trainers; trade facts A2 and F2."""
    with pytest.raises(ProtocolError, match="expected") as caught:
        parse_protocol(changed(*pairs))
    assert any(expected in finding.expected for finding in caught.value.findings)


WARNS = [
    ([("value = 2.0\nlow = -5.0", "value = 0.49\nlow = -5.0")], "points, 2 for 2 points"),
    ([("partner_reps_per_set = 3", "partner_reps_per_set = 6")], "0 to 5"),
    ([("gap_seconds = 10.0", "gap_seconds = 25.0")], "0 to 20"),
    ([("hours_between = 48.0", "hours_between = 24.0")], "48 to 168"),
    ([("lowering_seconds = [3.0, 5.0]", "lowering_seconds = [2.0, 5.0]")], "3 to 6"),
    ([("conventional_repetitions = [8, 12]", "conventional_repetitions = [3, 5]")], "6 to 15"),
    ([(STEP + "3", STEP + "1")], "no fewer partner reps"),
    ([("effort_limit = 7", "effort_limit = 10")], "3 to 8"),
    ([("partner_reps_per_set = 0", "partner_reps_per_set = 2")], "0 in the reference arm"),
    ([("block_sizes = [2, 4]", "block_sizes = [4]")], "two or more sizes"),
    ([("clients = 40 ", "clients = 10 ")], "12 to 1000"),
    ([("clients = 40 ", "clients = 10 ")], "about 2 or more clients in each combination"),
    ([("trainers = 3", "trainers = 1")], "two or more trainers"),
    ([('deliver = "both arms"', 'deliver = "one arm"'), ("trainers = 3", "trainers = 8")], "more than 8"),
    ([(STRENGTH, "value = 12.0\nlow = -2.0\nhigh = 16.0")], "-5 to 10 per cent"),
    ([(STRENGTH, "value = 0.02\nlow = -2.0\nhigh = 6.0")], "2 for 2 per cent"),
    ([("value = 2.0\nlow = -5.0\nhigh = 8.0", "value = 20.0\nlow = 0.0\nhigh = 25.0")], "at most 15 points"),
    ([("value = 0.88", "value = 0.98"), ("high = 0.95", "high = 0.99")], "0.6 to 0.97"),
    ([("value = 0.05\nlow = 0.0\nhigh = 0.13", "value = 0.2\nlow = 0.0\nhigh = 0.3")], "0 to 0.15"),
    ([("assessor_blinded = true", "assessor_blinded = false")], "a tester who does not know the arm"),
    ([("minimum_age = 18", "minimum_age = 16")], "18 to 65"),
    ([("window = [-21, 0]", "window = [-21, 3]")], "ends before allocation"),
    ([("window = [-14, 14]", "window = [-40, 14]")], "a window apart from that of week_6"),
    ([('role = "primary"', 'role = "secondary"')], 'one outcome with role = "primary"'),
    ([("sensitivity_absence_days = 56", "sensitivity_absence_days = 28")], "more than absence_days"),
]  # fmt: skip


@pytest.mark.parametrize(("pairs", "expected"), WARNS, ids=lambda value: str(value)[:40])
def test_what_is_unwise_warns(pairs: list[tuple[str, str]], expected: str) -> None:
    """Common practice or judgement, no source; trade facts A2 and F2."""
    findings = parse_protocol(changed(*pairs)).findings
    assert any(finding.severity == "warn" and expected in finding.expected for finding in findings)


def test_no_ramp_in_warns() -> None:
    start = READY.index("ramp_in = [")
    text = READY[:start] + READY[READY.index("]\n", READY.index("exercises = 2 },")) + 2 :]
    (finding,) = parse_protocol(text).findings
    assert finding.severity == "warn"
    assert "a ramp-in over at least the first three sessions" in finding.expected


@pytest.mark.parametrize("design", ["crossover", "limbs"])
def test_retention_is_refused_where_a_client_gets_both_arms(design: str) -> None:
    """Requirement A13, and the retention row of the estimand template: not estimable, must refuse."""
    with pytest.raises(ProtocolError, match="no retention outcome in this design"):
        parse_protocol(changed(('design = "parallel"', f'design = "{design}"')))


def test_findings_come_gravest_first_and_work_without_a_text() -> None:
    text = changed(("clients = 40 ", "clients = 5 "), ('strata = ["trainer", "sex"]', 'strata = ["trainer"]'))
    found = check_protocol(parse_protocol(text).protocol)
    assert [finding.severity for finding in found] == ["warn", "warn", "note"]
    assert {finding.where for finding in found[:2]} == {
        "protocol.toml, allocation, strata",
        "protocol.toml, planning, clients",
    }


def test_without_a_mark_the_first_arm_is_the_reference_and_a_note_says_so() -> None:
    read = parse_protocol(changed(("reference = true\n", "")))
    assert read.protocol.reference_arm.code == "conventional"
    (found,) = read.findings
    assert (found.severity, found.where) == ("note", "protocol.toml, line 83, arms")
    assert found.expected == "one arm with reference = true"
    assert found.todo == "The first, conventional, is taken as the reference."


def test_half_a_point_of_retention_is_not_asked_about() -> None:
    assert parse_protocol(changed(("value = 2.0\nlow = -5.0", "value = 0.5\nlow = -5.0"))).findings == ()
