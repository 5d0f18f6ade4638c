"""The rules of wording (G01 to G25): each rule finds its sin and lets the clean twin pass.

Sources: the American Statistical Association's statement on p-values (Wasserstein & Lazar 2016); SAMPL
(2013); CONSORT 2025 and its explanation; APA 7; Altman & Bland 1995; Bland & Altman 2011;
Hoenig & Heisey 2001;
Wood et al. 2014; Greenland et al. 2016; Boutron et al. 2010; Dankel & Loenneke 2020; Senn 2022.
"""

from __future__ import annotations

from typing import Any

import pytest

from studykit.report.wording_check import WordingContext, check_wording, text_of

OBSERVED = WordingContext(randomised=False)

SINS: list[tuple[str, str, str, str, dict[str, Any]]] = [
    # requirement, rule, what breaks it, what does not, further arguments
    (
        "G01",
        "significance",
        "The gain was significant (p = .03).",
        "The difference was statistically significant, 3.4 % [0.2, 6.7] %, p = .03.",
        {},
    ),
    (
        "G01",
        "significance",
        "This is a statistically significant difference.",
        "The difference is worth having.",
        {},
    ),
    ("G01", "significance", "The difference was insignificant.", "The difference was small.", {}),
    ("G02", "exact p", "The arms differed (p = .000).", "The arms differed (p < .001).", {}),
    ("G02", "exact p", "Difference 2 kg, NS.", "Difference 2 kg [−1, 5].", {}),
    ("G02", "exact p", "It was p > .05.", "It was p > .99.", {}),
    ("G02", "exact p", "Strength 3.4** and 2.1*", "Strength 3.4 and 2.1", {}),
    (
        "G03",
        "near misses",
        "There was a trend towards more strength.",
        "Strength was 2 % higher [−1, 5] %.",
        {},
    ),
    ("G03", "near misses", "It failed to reach the level.", "It did not come to the level.", {}),
    ("G03", "near misses", "The p-value was borderline.", "The p-value was .06.", {}),
    (
        "G04",
        "absence of evidence",
        "There was no difference between the arms.",
        "Anything from 3 % lower to 5 % higher fits these data.",
        {},
    ),
    (
        "G04",
        "absence of evidence",
        "The arms were equally good.",
        "The study does not settle which arm does better.",
        {},
    ),
    (
        "G05",
        "baseline without verdicts",
        "At baseline the arms were well balanced.",
        "At baseline the mean age was 44.",
        {},
    ),
    ("G05", "baseline without verdicts", "Age p = .4", "Age 44 (12)", {"section": "baseline"}),
    (
        "G06",
        "no comparison within an arm",
        "Strength rose from baseline with partner reps (p = .01).",
        "Strength was 3 % higher with partner reps (p = .01).",
        {},
    ),
    (
        "G06",
        "no comparison within an arm",
        "Partner reps improved and conventional sets did not.",
        "Partner reps rose by 8 % and conventional sets did not, a difference of 3 % [−1, 7] %.",
        {},
    ),
    (
        "G07",
        "words of cause",
        "Partner reps improved retention.",
        "Partner reps were associated with retention.",
        {"context": OBSERVED},
    ),
    (
        "G07",
        "words of cause",
        "More attendance led to more strength.",
        "More attendance went with more strength.",
        {},
    ),
    ("G08", "power afterwards", "The observed power was 40 %.", "The interval is 10 % wide.", {}),
    ("G08", "underpowered", "The study was underpowered.", "The study was underpowered: [−8, 12] %.", {}),
    (
        "G09",
        "no labels for clients",
        "Twelve were responders.",
        "Twelve gained 5 % or more, of 36 clients.",
        {},
    ),
    (
        "G10",
        "as allocated",
        "Analysis was by intention to treat.",
        "Analysed as allocated, available data.",
        {"context": WordingContext(analysed_as_allocated=False)},
    ),
    ("G11", "randomised", "Clients were randomised.", "A non-randomised comparison.", {"context": OBSERVED}),
    ("G12", "blinding by name", "A single-blind study.", "The assessor did not know the arm.", {}),
    (
        "G13",
        "primary",
        "Endurance (primary outcome) rose.",
        "Strength (primary outcome) rose.",
        {"context": WordingContext(primary=("strength",))},
    ),
    (
        "G13",
        "opening",
        "Clients liked it. Strength was 3 % higher [−1, 7] %.",
        "Strength was 3 % higher [−1, 7] %. Clients liked it.",
        {"context": WordingContext(primary=("strength",)), "section": "headline"},
    ),
    (
        "G14",
        "harms sought",
        "There were no adverse events.",
        "None were recorded; harms were not asked about.",
        {"context": WordingContext(harms_systematic=False)},
    ),
    ("G14", "not safe", "Partner reps are safe.", "Harms were recorded for 3 of 36 clients.", {}),
    ("G15", "certainty", "This proves that it helps.", "This fits a gain of 0 to 7 %.", {}),
    (
        "G15",
        "small study",
        "Strength was higher.",
        "It can rule out neither benefit nor harm.",
        {"section": "page"},
    ),
    (
        "G16",
        "standardised sizes",
        "The standardised difference was 0.3.",
        "The difference was 2 kg; the standardised difference was 0.3 standard deviations.",
        {},
    ),
    (
        "G17",
        "ratio with absolute",
        "The hazard ratio was 0.76.",
        "8 percentage points more were retained; the hazard ratio was 0.76.",
        {},
    ),
    ("G17", "per cent with counts", "Harms in 14 % of clients.", "Harms in 5 of 36 clients (14 %).", {}),
    ("G17", "counts lead", "14 % (2 of 14)", "2 of 14 (14 %)", {"context": WordingContext(smallest_arm=14)}),
    (
        "G18",
        "retention rate",
        "The retention rate was 75 %.",
        "The retention rate on day 182 was 27 of 36 (75 %).",
        {},
    ),
    (
        "G19",
        "number of clusters",
        "Strength was 3 % higher.",
        "Strength was 3 % higher over 8 trainers.",
        {"context": WordingContext(clusters=8), "section": "headline"},
    ),
    ("G20", "carry-over", "There was no carry-over (p = .4).", "Carry-over cannot be excluded.", {}),
    (
        "G21",
        "adjusted for what",
        "The adjusted difference was 2 kg.",
        "The difference, adjusted for sex, was 2 kg.",
        {},
    ),
    (
        "G21",
        "as planned where",
        "Analysed as planned.",
        "Analysed as planned in the protocol, section analysis.",
        {},
    ),
    ("G22", "reach", "All studios should add it.", "In this studio it was higher.", {}),
    (
        "G23",
        "limits that must stand",
        "A fine study.",
        "A fine study. Fewer clients came than planned.",
        {
            "context": WordingContext(required_limits=("Fewer clients came than planned.",)),
            "section": "limits",
        },
    ),
    (
        "G24",
        "what an interval is",
        "There is a 95 % chance that the value lies inside.",
        "The 95 % interval is [1, 3] kg.",
        {},
    ),
    ("G24", "what an interval is", "The result is not due to chance.", "The p-value is .01.", {}),
    (
        "G25",
        "chosen afterwards",
        "The subgroup of women gained more.",
        "The subgroup of women gained more (exploratory).",
        {},
    ),
]


@pytest.mark.parametrize(
    ("rule", "sin", "clean", "arguments"),
    [case[1:] for case in SINS],
    ids=[f"{case[0]} {case[1]} {place}" for place, case in enumerate(SINS)],
)
def test_each_rule_finds_its_sin_and_lets_the_clean_twin_pass(
    rule: str, sin: str, clean: str, arguments: dict[str, Any]
) -> None:
    assert rule in {finding.rule for finding in check_wording(sin, **arguments)}
    assert rule not in {finding.rule for finding in check_wording(clean, **arguments)}


def test_every_requirement_has_a_rule() -> None:
    assert {case[0] for case in SINS} == {f"G{number:02d}" for number in range(1, 26)}


def test_equivalence_may_be_said_where_the_framework_and_the_interval_allow_it() -> None:
    """G04: only with a margin, and the interval inside it."""
    text = "The arms were equivalent."
    assert check_wording(text)
    assert not check_wording(text, context=WordingContext(inside_margin=True))


def test_a_finding_says_what_to_write_instead() -> None:
    (finding,) = check_wording("Partner reps are safe.")
    assert finding.severity == "error"
    assert finding.found == "safe"
    assert finding.todo == "Say what was recorded and how it was sought."


def test_words_of_a_page_are_read_block_by_block_without_styles_and_pictures() -> None:
    page = (
        "<style>p {color: red}</style><h1>A</h1><p>b &lt;c&gt;</p>"
        "<svg><text>safe</text></svg><td>1</td><td>2</td>"
    )
    assert text_of(page).split("\n") == ["A", "b <c>", "1\t2"]
