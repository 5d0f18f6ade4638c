"""The short protocol of an owner over the ready one, and the whole that is locked."""

from __future__ import annotations

import re

import pytest

from studykit.errors import ArgumentError, ProtocolError
from studykit.protocol.filling import fill_template
from studykit.protocol.made_texts import with_texts
from studykit.protocol.protocol_file import ReadProtocol, parse_protocol
from studykit.protocol.ready import names, ready_text, shortened

SHORT = {name: shortened(ready_text(name), name=name) for name in names()}


def changed(old: str, new: str, *, name: str = "parallel") -> ReadProtocol:
    assert old in SHORT[name]
    return parse_protocol(SHORT[name].replace(old, new, 1))


@pytest.mark.parametrize("name", names())
def test_the_short_protocol_says_the_same_in_at_most_1500_words(name: str) -> None:
    short = SHORT[name]
    assert len(short.split()) <= 1500
    assert parse_protocol(short).digest == parse_protocol(ready_text(name)).digest


@pytest.mark.parametrize("name", names())
def test_what_is_locked_is_whole(name: str) -> None:
    """Read again it says the same, without a ready protocol; what was typed stands below."""
    read = parse_protocol(SHORT[name])
    whole = parse_protocol(read.whole, locked=True)
    assert (whole.digest, whole.whole) == (read.digest, read.whole)
    assert not re.search(r"^ready = ", read.whole, re.MULTILINE)
    assert "{" not in read.protocol.study.summary
    assert all(f"# {line}".rstrip() in read.whole.split("\n") for line in SHORT[name].split("\n"))


def test_every_entry_that_begins_empty_is_asked_of_the_owner() -> None:
    empty = re.findall(r'^([a-z_]+) = ""', ready_text("parallel"), re.MULTILINE)
    assert empty
    assert [key for key in empty if f'\n{key} = ""' not in SHORT["parallel"]] == ["look_rule"]


def test_answers_that_reach_other_entries_are_kept() -> None:
    """New machines, another unit and experienced clients change more than an owner would name."""
    answers = {"machines": "press", "unit": "lb", "experience": "trained"}
    full = fill_template(ready_text("parallel"), answers)
    short = shortened(full, name="parallel")
    assert parse_protocol(short).digest == parse_protocol(full).digest
    assert "[planning.gain_reference]" in short
    assert "ramp_in" in short  # at most one machine


@pytest.mark.parametrize(
    ("old", "new", "of", "value"),
    [
        ('first_aider = ""', 'first_aider = ""\nsoreness_hours = 48', "harms.soreness_hours", 48),
        ('[[visits]]\ncode = "week_6"\nname = "week 6"\nday = 42\n', "", "visits.1.code", "week_12"),
        ("day = 84", "day = 84\nwindow = [-3, 3]", "visits.2.window", (-3, 3)),
        ('method = "permuted blocks"\nblock_sizes = [2, 4]', 'method = "simple"',
         "allocation.method", "simple"),
        ("partner_reps_per_set = 3", "partner_reps_per_set = 4", "arms.1.dose.partner_reps_per_set", 4),
        ('role = "primary"', 'role = "primary"\nscore = { repetitions = 8, rule = "load at repetitions" }',
         "outcomes.0.name", "strength (8-repetition load)"),
    ],
)  # fmt: skip
def test_an_entry_written_in_holds(old: str, new: str, of: str, value: object) -> None:
    here: object = changed(old, new).protocol
    for step in of.split("."):
        here = here[int(step)] if step.isdigit() else getattr(here, step)  # type: ignore[index]
    assert here == value


def test_what_is_left_out_of_a_list_is_not_in_the_study() -> None:
    start = SHORT["parallel"].index("# Do clients stay?")
    end = SHORT["parallel"].index("# --- how clients are allocated")
    text = SHORT["parallel"][:start] + SHORT["parallel"][end:]
    with pytest.raises(ProtocolError) as refused:  # the question speaks of it: it is not left standing
        parse_protocol(text)
    assert [finding.got for finding in refused.value.findings] == [
        "{outcomes.retention.horizon_day in weeks}"
    ] * 2
    text = text.replace("[study]\n", '[study]\nquestion = "Stronger?"\nsummary = "Strength is tested."\n')
    assert [outcome.code for outcome in parse_protocol(text).protocol.outcomes] == ["strength"]


def test_a_number_of_ones_own_needs_a_source_of_its_own() -> None:
    with pytest.raises(ProtocolError, match="sd_gain, source"):
        changed("\n[harms]\n", "\n[planning.sd_gain]\nvalue = 0.1\n\n[harms]\n")


@pytest.mark.parametrize(
    ("old", "new", "of", "said"),
    [
        ("horizon_day = 182", "horizon_day = 364", "question", "after 52 weeks?"),
        ("horizon_day = 182", "horizon_day = 365", "summary", "attendance at 365 days."),
        ("horizon_day = 182", "horizon_day = 365", "retained", "on day 365 (yes or no)"),
        ("day = 84", "day = 91", "question", "strength after 13 weeks"),
        ("day = 42", "day = 35", "summary", "before and after 5 and 12 weeks;"),
        ("repetitions = [8, 12]", "repetitions = [6, 10]", "sets", "6 to 10 repetitions"),
        ("partner_reps_per_set = 3", "partner_reps_per_set = 5", "partner", "5 partner reps"),
        ('name = "leg curl"', 'name = "leg bend"', "variable", "seated row and leg bend"),
    ],
)  # fmt: skip
def test_texts_are_made_from_the_entries_they_speak_of(old: str, new: str, of: str, said: str) -> None:
    """A horizon of 365 days left day 182 in the texts."""
    protocol = changed(old, new).protocol
    strength, retention = (outcome.estimand for outcome in protocol.outcomes)
    assert strength is not None
    assert retention is not None
    texts = {
        "question": protocol.study.question, "summary": protocol.study.summary,
        "sets": protocol.arms[0].description, "partner": protocol.arms[1].description,
        "variable": strength.variable, "retained": retention.variable,
    }  # fmt: skip
    assert said in texts[of]


@pytest.mark.parametrize("design", names())
def test_no_text_of_a_ready_protocol_keeps_a_number_of_its_own(design: str) -> None:
    """Whatever stands in an entry stands in no text as a number of its own: every day moved, none remains."""
    text = ready_text(design)
    for old, new in (
        ("182", "210"),
        ("day = 84", "day = 85"),
        ("day = 42", "day = 43"),
        ("[8, 12]", "[7, 13]"),
    ):
        text = text.replace(old, new)
    study = parse_protocol(text).protocol
    estimands = [outcome.estimand for outcome in study.outcomes if outcome.estimand]
    told = " ".join(
        [study.study.question, study.study.summary, *(arm.description for arm in study.arms),
         *(f"{estimand.variable} {estimand.missing_data}" for estimand in estimands)]
    )  # fmt: skip
    assert not re.search(r"\b(182|26 weeks|8 to 12)\b", told)


@pytest.mark.parametrize("name", ["nobody", "../parallel", ["parallel"], 3, {}])
def test_a_ready_protocol_that_is_none_is_named(name: object) -> None:
    word = {list: '["parallel"]', int: "3", dict: "{}"}.get(type(name), f'"{name}"')
    with pytest.raises(ProtocolError, match="the name of a ready protocol: crossover, limbs, parallel"):
        parse_protocol(SHORT["parallel"].replace('ready = "parallel"', f"ready = {word}"))
    with pytest.raises(ArgumentError, match="a ready protocol"):
        ready_text(str(name))


@pytest.mark.parametrize("own", ["arms = 3", "[[arms]]\ncode = [1]", "planning = []", "[[visits]]\nday = 1"])
def test_wrong_shapes_over_the_ready_ones_are_findings(own: str) -> None:
    with pytest.raises(ProtocolError):
        parse_protocol(f'format = 1\nready = "parallel"\n{own}\n')


@pytest.mark.parametrize(
    "text", ["{", "{}", "{a b}", "{text}{text}", "{a.b.c}", "{A}", "{list.9}", "{empty}", "{no in weeks}"]
)  # fmt: skip
def test_braces_that_name_nothing_stay_as_they_are(text: str) -> None:
    document = {"text": text, "list": [1], "empty": "", "no": True}
    made, lost = with_texts(document)
    assert made == document | ({"text": text * 2} if text == "{text}{text}" else {})
    assert bool(lost) == (text in {"{a.b.c}", "{list.9}", "{empty}", "{no in weeks}"})
