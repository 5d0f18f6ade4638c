"""Reading a protocol: one plain message for each trap, all of them at once."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from studykit.errors import FolderError, ProtocolError
from studykit.protocol.protocol_file import parse_protocol, read_protocol
from studykit.shipped import shipped

READY = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")


def changed(old: str, new: str) -> str:
    assert old in READY
    return READY.replace(old, new, 1)


def messages(text: str) -> list[str]:
    with pytest.raises(ProtocolError, match="expected") as caught:
        parse_protocol(text)
    return [str(finding) for finding in caught.value.findings]


def line(text: str) -> int:
    """Where a text stands in the ready protocol."""
    return READY[: READY.index(text)].count("\n") + 1


TRAPS = [
    # a decimal comma, curly quotation marks, True, an unquoted text, backslashes (the traps of TOML)
    ("power = 0.8", "power = 0,8", "planning, power", "a decimal point", "instead of 3,5"),
    ('title = "Conv', "title = “Conv", "study, title", "straight quotation marks", "Replace the curly"),
    (
        "reference = true",
        "reference = True",
        "arms 'conventional', reference",
        "true or false in small",
        "found True",
    ),
    ("power = 0.8", "power = about", "planning, power", "a text in quotation marks", "found about"),
    (
        'setting = "one',
        'setting = "C:\\Users\\one',
        "study, setting",
        "without single backslashes",
        "Write /",
    ),
    ('setting = "one', 'setting = "C:\\new one', "study, setting", "without single backslashes", "Write /"),
    (
        'code = "partner_reps_study"',
        'code = "partner_reps_study',
        "study, code",
        "at the end",
        "Add the miss",
    ),
    ("power = 0.8", "power = NaN", "planning, power", "a value", "leave the whole line out"),
    (
        "power = 0.8",
        "power = nan",
        "planning, power",
        "a number, at least 0.5 and at most 0.999",
        "ordinary number",
    ),
    (
        "power = 0.8",
        "power = inf",
        "planning, power",
        "a number, at least 0.5 and at most 0.999",
        "ordinary number",
    ),
    ("power = 0.8", "power = 80 %", "planning, power", "a number alone", "per cent sign out"),
    ("power = 0.8", "power = .8", "planning, power", "digits on both sides", "found .8"),
    ("power = 0.8", "power =", "planning, power", "a value after the equals sign", "Give one"),
    ("date = 2026-01-05", "date = 05.01.2026", "study, date", "year-month-day", "found 05.01.2026"),
    ("date = 2026-01-05", 'date = "05.01.2026"', "study, date", "a date such as", "year first"),
    (
        'levels = ["female", "male"]',
        "levels = [female, male]",
        "strata 'sex', levels",
        "each text",
        "quotation",
    ),
    ("local = []", 'local = ["x"', "cautions, local", "a closing ]", "Add ]"),
    ('design = "parallel"', 'design: "parallel"', "line", "key = value", "Write = instead of the colon"),
    ("[study]", "[study", "line 17", "the name of a table", "Close the brackets"),
    # values of the wrong kind
    ('version = "1.0"', "version = 1.0", "study, version", "in quotation marks", "Put it in quotation"),
    (
        "power = 0.8",
        'power = "0,8"',
        "planning, power",
        "a number",
        "with a point and without quotation marks",
    ),
    ("power = 0.8", 'power = "0.8"', "planning, power", "a number", "Take the quotation marks away"),
    ("power = 0.8", "power = true", "planning, power", "a number", "found true"),
    ("clients = 40", "clients = 40.0", "planning, clients", "a whole number", "Leave the decimals out"),
    ("clients = 40", "clients = 3", "planning, clients", "at least 4", "within the bounds"),
    (
        "reference = true",
        'reference = "yes"',
        "arms 'conventional', reference",
        "true or false",
        "Write true",
    ),
    ('unit = "kg"', 'unit = "kgs"', "exercises 'leg_press', unit", '"kg", "lb", "N", "plates"', 'mean "kg"'),
    (
        'levels = ["female", "male"]',
        'levels = "female"',
        "strata 'sex', levels",
        "a list of texts",
        "square brackets",
    ),
    ("window = [-21, 0]", "window = [-21]", "visits 'baseline', window", "two whole numbers", "found [-21]"),
    ("[study]", "[[study]]", "study", "a table", "single brackets"),
    # keys
    ("power = 0.8", "pwer = 0.8", "planning, pwer", "a key that is known here", "Did you mean power?"),
    ("power = 0.8", "alpha = 0.05", "planning, alpha", "a key that is known here", "belongs in [analysis]"),
    (
        'kind = "continuous"',
        'kind = "continuousx"',
        "outcomes 'strength', kind",
        "one of",
        'Did you mean "cont',
    ),
    (
        'kind = "continuous"\n',
        "",
        "outcomes 'strength', kind",
        'one of "continuous", "retention"',
        "Add kind",
    ),
    (
        "repetitions = 10 }",
        "repetitons = 10 }",
        "outcomes 'strength', score, repetitons",
        "a key",
        "mean repetitions?",
    ),
    ('method = "permuted blocks"', 'method = "dates"', "allocation, method", '"external"', "Choose one"),
    ("format = 1 ", "format = 2 ", "format", "format = 1", "newer studykit"),
    ("format = 1 ", "# ", "format", "1", "Add format = 1"),
]


@pytest.mark.parametrize(
    ("old", "new", "place", "expected", "more"), TRAPS, ids=lambda value: str(value)[:30]
)
def test_each_trap_gets_one_plain_message(old: str, new: str, place: str, expected: str, more: str) -> None:
    """User asks 7.1 to 7.4 and the traps of TOML readers: one message, with place, expectation, remedy."""
    (message,) = messages(changed(old, new))
    assert place in message
    assert expected in message
    assert more in message
    assert "pydantic" not in message
    assert "http" not in message
    assert "continuous," not in message.split(": expected")[0]  # no tag of a union in the place


def test_a_message_names_the_line() -> None:
    (message,) = messages(changed("power = 0.8", "power = 0,8"))
    assert message.startswith(f"protocol.toml, line {line('power = 0.8')}, planning, power:")


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("power = 0.8", "power = 0.8\npower = 0.9", "power"),
        ("local = []", "local = []\nlocal = []", "local"),  # last key: the reader names neither key nor line
        ("[cautions]", "[harms]", "[harms]"),
    ],
)
def test_what_stands_twice_is_named(old: str, new: str, key: str) -> None:
    (message,) = messages(changed(old, new))
    assert f"expected {key} once" in message
    assert "already" in message


def test_single_and_double_brackets_mixed() -> None:
    (message,) = messages(changed("[[arms]]", "[arms]"))
    assert "expected the same brackets each time, [[arms]]" in message


def test_all_mistakes_are_told_at_once_in_the_order_of_the_file() -> None:
    text = changed("reference = true", "reference = True").replace("power = 0.8", "power = 0,8", 1)
    text = text.replace('title = "Conv', "title = “Conv", 1).replace(
        "trainers = 3", "trainers = 3\ntrainers = 4"
    )
    found = messages(text)
    places = [message.split(": ")[0].split(", ", 2)[2] for message in found]
    assert places == [
        "study, title",
        "arms 'conventional', reference",
        "planning, trainers",
        "planning, power",
    ]


def test_ten_are_shown_then_a_count() -> None:
    number = len(re.findall(r"^evidence = ", READY, flags=re.MULTILINE))  # not those behind a comment sign
    with pytest.raises(ProtocolError, match=rf"and {number - 10} more of the same kind") as caught:
        parse_protocol(READY.replace("evidence = ", "evidense = "))
    assert len(caught.value.findings) == number
    assert len(str(caught.value).splitlines()) == 11


def test_a_misspelt_key_is_not_told_a_second_time_as_missing() -> None:
    (message,) = messages(changed('primary_visit = "week_12"', 'primary_vist = "week_12"'))
    assert "Did you mean primary_visit?" in message


def test_dates_with_and_without_quotation_marks_are_the_same() -> None:
    quoted = parse_protocol(changed("date = 2026-01-05", 'date = "2026-01-05"'))
    assert quoted.digest == parse_protocol(READY).digest


def test_byte_order_mark_and_windows_line_ends_are_accepted(tmp_path: Path) -> None:
    path = tmp_path / "protocol.toml"
    path.write_bytes(b"\xef\xbb\xbf" + READY.replace("\n", "\r\n").encode("utf-8"))
    read = read_protocol(path)
    assert read.digest == parse_protocol(READY).digest
    assert read.text == READY


def test_another_encoding_is_named_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "protocol.toml"
    path.write_bytes(changed('setting = "one', 'setting = "café').encode("cp1252", errors="replace"))
    line = READY[: READY.index('setting = "one')].count("\n") + 1
    with pytest.raises(
        ProtocolError, match=rf"line {line}: expected a text file in UTF-8; found .* probably é"
    ):
        read_protocol(path)
    path.write_text(READY, encoding="utf-16")
    with pytest.raises(ProtocolError, match="one in UTF-16"):
        read_protocol(path)


def test_no_file_is_a_plain_message(tmp_path: Path) -> None:
    with pytest.raises(FolderError, match="expected a protocol file; found nothing there"):
        read_protocol(tmp_path / "protocol.toml")
    with pytest.raises(FolderError, match="found a folder"):
        read_protocol(tmp_path)


@pytest.mark.parametrize("text", ["", "\n\n", "# only a comment\n"])
def test_an_empty_file_names_what_is_missing(text: str) -> None:
    found = messages(text)
    assert {message.split(", ")[1].split(":")[0] for message in found} == {
        "format", "design", "study", "arms", "outcomes", "allocation",
    }  # fmt: skip


def test_rules_across_fields_stop_the_reading_too() -> None:
    (message,) = messages(changed('primary_visit = "week_12"', 'primary_visit = "week_13"'))
    assert "expected a visit after allocation, one of week_6, week_12; found week_13" in message


@pytest.mark.parametrize("name", ["weight_trial", "depression_trial"])
def test_the_protocols_of_real_trials_are_read(name: str) -> None:
    root = shipped("protocols").parent / "analysis"
    read = read_protocol(root / name / "protocol.toml")
    assert read.protocol.is_external
    assert read.findings == ()


def test_a_list_with_too_few_tables_says_how_many_it_needs() -> None:
    second = READY.index("[[arms]]", READY.index("[[arms]]") + 1)
    alone = READY[:second] + READY[READY.index("[[exercises]]") :]
    with pytest.raises(ProtocolError, match=r"arms: expected a list .*, with at least 2 of them; found"):
        parse_protocol(alone)


def test_marks_of_a_word_processor_are_told_once_for_all_their_lines() -> None:
    """Every text in curly quotation marks was a stop of its own, 153 of them."""
    curly = re.sub(r'= "([^"]*)"', r"= “\1”", READY)
    found = messages(curly)
    (told,) = [message for message in found if "straight quotation marks" in message]
    assert re.search(r"lines \d+, \d+, \d+ and \d{2,} more: expected straight quotation marks", told)
    assert len(found) < 6
