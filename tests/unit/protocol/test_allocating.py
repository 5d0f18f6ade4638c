"""Ways of allocating: what the types take, what the rules refuse, and how each mistake is told."""

from __future__ import annotations

import pytest

from studykit.errors import ProtocolError
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.resolved import resolved_content
from studykit.protocol.rules import lock_findings
from studykit.protocol.types import BiasedCoin, Minimisation, Simple
from studykit.shipped import shipped

READY = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")
BLOCKS = 'method = "permuted blocks"\nblock_sizes = [2, 4]\nstrata = ["trainer", "sex"]\n'
MINIMISATION = 'method = "minimisation"\nstrata = ["trainer", "sex"]\n'
COIN = 'method = "biased coin"\nstrata = ["trainer", "sex"]\n'
SIMPLE = 'method = "simple"\nstrata = ["trainer", "sex"]\n'
THIRD_ARM = '[[arms]]\ncode = "drop_set"\nname = "lighter set"\n\n# Mach'
UNEQUAL = ("ratio = 1 ", "ratio = 2 ")
THREE = (("# Mach", THIRD_ARM), ('comparison = "partner_reps"', 'comparison = "drop_set"'))


def with_section(section: str, *pairs: tuple[str, str]) -> str:
    text = READY
    for old, new in ((BLOCKS, section), *pairs):
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def switched(method: str) -> str:
    """The ready protocol, changed as its own comment says: one way out, another in."""
    lines, taking = [], False
    for line in READY.split("\n"):
        if line in BLOCKS.split("\n") and line:
            lines.append(f"# {line}")
            continue
        taking = line.startswith(f'# method = "{method}"') or (taking and " = " in line)
        lines.append(line.removeprefix("# ") if taking else line)
    return "\n".join(lines)


@pytest.mark.parametrize("method", ["minimisation", "biased coin", "simple"])
def test_an_owner_can_switch_by_the_comments_of_the_ready_protocol(method: str) -> None:
    read = parse_protocol(switched(method))
    assert read.protocol.allocation.method == method
    assert not [finding for finding in read.findings if finding.severity == "stop"]


def test_each_method_takes_its_own_keys() -> None:
    """A32: the factors, their weights, the distance and the chance stand in the protocol."""
    section = MINIMISATION + 'weights = [2, 1]\noverall = 1\ndistance = "variance"\nchance = 0.9\n'
    assert parse_protocol(with_section(section)).protocol.allocation == Minimisation(
        method="minimisation", strata=("trainer", "sex"), weights=(2, 1), overall=1, distance="variance",
        chance=0.9,
    )  # fmt: skip
    coin = parse_protocol(with_section(COIN + "chance = 0.75\n")).protocol.allocation
    assert coin == BiasedCoin(method="biased coin", strata=("trainer", "sex"), chance=0.75)
    simple = parse_protocol(with_section(SIMPLE)).protocol.allocation
    assert simple == Simple(method="simple", strata=("trainer", "sex"))


def test_blocks_keep_the_content_that_locked_protocols_have() -> None:
    content = resolved_content(parse_protocol(READY).protocol)["allocation"]
    assert content == {"method": "permuted blocks", "block_sizes": [2, 4], "strata": ["trainer", "sex"]}


STOPS = [
    (MINIMISATION, [UNEQUAL], "allocation, method", "equal ratios of the arms", "2:1", "permuted blocks"),
    (COIN, [UNEQUAL], "allocation, method", "equal ratios of the arms", "2:1", "from client to client"),
    (COIN, THREE, "allocation, method", "two arms for a biased coin", "3", '"minimisation"'),
    (MINIMISATION + "weights = [1]\n", [], "allocation, weights", "2 weights", "1", "order of strata"),
    (MINIMISATION + "weights = [1, 0]\n", [], "allocation, weights", "from 1", "0", "off both lists"),
    ('method = "minimisation"\n', [], "allocation, strata", "at least one stratum", "nothing", "overall = 1"),
    (MINIMISATION.replace("sex", "age"), [], "allocation, strata", "one of trainer, sex", "age", ""),
    (MINIMISATION.replace("sex", "trainer"), [], "allocation, strata", "each stratum once", "trainer", ""),
    (MINIMISATION + "chance = 0.5\n", [], "allocation, chance", "above 0.5 and below 1", "0.5", "bounds"),
    (COIN + "chance = 1.0\n", [], "allocation, chance", "above 0.5 and below 1", "1.0", "bounds"),
    (MINIMISATION + 'chance = "0.8"\n', [], "allocation, chance", "a number", '"0.8"', "quotation marks"),
    (MINIMISATION + "chanse = 0.8\n", [], "allocation, chanse", "a key that", "chanse", "mean chance?"),
    (MINIMISATION + 'distance = "ranges"\n', [], "allocation, distance", "one of", "ranges", 'mean "range"?'),
    (COIN.replace("coin", "coins"), [], "allocation, method", "one of", "coins", 'mean "biased coin"?'),
    (
        SIMPLE + "block_sizes = [2, 4]\n", [], "allocation, block_sizes", "a key that", "block_sizes",
        'It belongs to method = "permuted blocks"; delete it here, or change that line.',
    ),
    (
        SIMPLE + "chance = 0.8\n", [], "allocation, chance", "a key that is known", "chance",
        'It belongs to method = "minimisation" or "biased coin"',
    ),
]  # fmt: skip


@pytest.mark.parametrize(
    ("section", "pairs", "where", "expected", "got", "todo"), STOPS, ids=lambda value: str(value)[:30]
)
def test_what_a_method_cannot_do_stops_with_its_reason(
    section: str, pairs: list[tuple[str, str]], where: str, expected: str, got: str, todo: str
) -> None:
    """Minimisation with unequal arms holds only where each step keeps the ratio, so it is refused."""
    with pytest.raises(ProtocolError, match="expected") as caught:
        parse_protocol(with_section(section, *pairs))
    assert any(
        where in finding.where
        and expected in finding.expected
        and got in finding.got
        and todo in finding.todo
        for finding in caught.value.findings
    ), [str(finding) for finding in caught.value.findings]


WARNS = [
    (SIMPLE, [], "simple draws from about 200 clients on"),
    (MINIMISATION + "chance = 0.99\n", [], "at most 0.95"),
    (COIN + "chance = 0.97\n", [], "at most 0.95"),
    (COIN, [("clients = 40 ", "clients = 10 ")], "about 2 or more clients in each combination"),
]


@pytest.mark.parametrize(("section", "pairs", "expected"), WARNS, ids=lambda value: str(value)[:30])
def test_what_is_unwise_warns(section: str, pairs: list[tuple[str, str]], expected: str) -> None:
    """Judgement and common practice, no source."""
    findings = parse_protocol(with_section(section, *pairs)).findings
    assert any(finding.severity == "warn" and expected in finding.expected for finding in findings)


def test_minimisation_asks_for_no_clients_in_each_combination() -> None:
    """It balances each fact by itself; combinations may be empty."""
    text = with_section(MINIMISATION, ("clients = 40 ", "clients = 13 "))
    assert not [f for f in parse_protocol(text).findings if "combination" in f.expected]


def test_three_arms_can_be_minimised_and_two_to_one_drawn_simply() -> None:
    assert len(parse_protocol(with_section(MINIMISATION, *THREE)).protocol.arms) == 3
    assert parse_protocol(with_section(SIMPLE, UNEQUAL)).protocol.reference_arm.ratio == 2


@pytest.mark.parametrize("section", [BLOCKS, MINIMISATION, COIN, SIMPLE])
def test_trainers_of_one_arm_wait_for_their_analysis(section: str) -> None:
    """A client drawn one by one could be sent to an arm that the trainer does not deliver."""
    pairs = [('deliver = "both arms"', 'deliver = "one arm"'), ("trainers = 3", "trainers = 12")]
    read = parse_protocol(with_section(section, *pairs))
    stops = [f for f in lock_findings(read.protocol, text=read.text) if f.severity == "stop"]
    assert [f.expected for f in stops if "trainers, deliver" in f.where] == [
        '"both arms", since clients are drawn one by one'
    ]


def together(*pairs: tuple[str, str]) -> list[str]:
    """What stops the ready protocol of trainers after some changes."""
    text = (shipped("protocols") / "trainers.toml").read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    try:
        found = parse_protocol(text).findings
    except ProtocolError as error:
        found = error.findings
    return [str(finding) for finding in found]


@pytest.mark.parametrize(
    ("pair", "said"),
    [
        (('design = "trainers"', 'design = "parallel"'), "since the trainers are drawn together"),
        (('deliver = "one arm"', 'deliver = "both arms"'), '"one arm", since the trainers are drawn'),
        (
            ('[[strata]]\ncode = "trainer"', '[[strata]]\ncode = "sex"\nlevels = ["f", "m"]'),
            'code = "trainer"',
        ),
        (("weights = [1, 1]", "weights = [1]"), "2 weights, one for each of covariates"),
        (("weights = [1, 1]", "weights = [1, 0]"), "a whole number from 1"),
        (('["years_as_trainer", "clients_now"]', '["clients_now", "clients_now"]'), "each once"),
        (("ratio = 1 ", "ratio = 2 "), "equal ratios of the arms for this method"),
        (("clients_listed = true", "clients_listed = false"), "must then not know the arms of the trainers"),
    ],
)
def test_trainers_together_have_rules_of_their_own(pair: tuple[str, str], said: str) -> None:
    """E08, A17: what is drawn, who delivers, and who is listed beforehand fit each other."""
    assert together() == []
    assert any(said in text for text in together(pair)), together(pair)
