"""The verdict: a fixed set, one for every interval and bound; and what truths of simulated studios get."""

from __future__ import annotations

import json
import math
from itertools import product

import pytest

from analysis.look_back_verdicts import STUDIOS, verdict_of
from analysis.saved_rows import FOLDER
from studykit.lookback.verdict import LARGEST, SAYS_MORE, SENTENCES, STRONG, choose_verdict
from synthetic_data.simulated_studio import StudioTruth

ENDS = (-0.4, -0.1, -0.05, -0.001, 0.0, 0.001, 0.05, 0.1, 0.4)
BOUNDS = (1.0, 1.6, STRONG - 0.01, STRONG, 9.0)


def by_the_rule(low: float, high: float, bound: float) -> str:
    """The same rule as a table in words."""
    if low <= 0.0 <= high:
        return "no sign" if low >= -LARGEST and high <= LARGEST else "cannot tell"
    side = "more" if low > 0.0 else "fewer"
    if bound >= STRONG:
        return f"{side} stayed, beyond a strong reason"
    return "more stayed, keenness could do that" if low > 0.0 else "fewer stayed, a reason could do that"


def test_every_interval_and_bound_has_one_verdict_of_the_fixed_set() -> None:
    seen = set()
    for low, high, bound in product(ENDS, ENDS, BOUNDS):
        if low <= high:
            found = choose_verdict((low, high), bound)
            assert found.kind == by_the_rule(low, high, bound), (low, high, bound)
            assert choose_verdict((low, high), bound, doubtful=True).kind == "cannot tell"
            seen.add(found.kind)
    assert seen == set(SENTENCES)
    assert len(seen) == 6


@pytest.mark.parametrize("ends", [None, (math.nan, 0.1), (-math.inf, 0.1), (0.1, math.inf)])
def test_without_an_interval_nothing_can_be_told(ends: tuple[float, float] | None) -> None:
    assert choose_verdict(ends, 9.0).kind == "cannot tell"


@pytest.mark.parametrize(("low", "high", "told"), [(-0.041, 0.02, 5), (-0.02, 0.07, 7), (-0.1, 0.1, 10)])
def test_how_large_a_difference_could_be_is_rounded_up(low: float, high: float, told: int) -> None:
    words = choose_verdict((low, high), 1.0).words
    assert words == f"These records show no sign of a difference larger than {told} of 100 clients."


def test_sentences_are_short_and_claim_no_cause() -> None:
    for words in SENTENCES.values():
        assert len(words.split()) <= 25
        assert not {"because", "keeps", "effect", "proves"} & set(words.casefold().split())


TRUTHS = {
    "few clients": (StudioTruth(clients=60, starting=0.03), 1, "cannot tell"),
    "no effect, many clients": (StudioTruth(clients=3000, starting=0.03), 2, "no sign"),
    "hidden keenness": (STUDIOS["hidden keenness, no effect, 1,000 clients"], 3,
                        "more stayed, keenness could do that"),
    "a small effect": (StudioTruth(clients=1500, starting=0.03, hazard_ratio=0.6), 4,
                       "more stayed, keenness could do that"),
    "a very large effect": (StudioTruth(clients=1500, starting=0.03, hazard_ratio=0.1), 5,
                            "more stayed, beyond a strong reason"),
    "partner reps drive clients off": (StudioTruth(clients=1500, starting=0.03, hazard_ratio=1.7), 6,
                                       "fewer stayed, a reason could do that"),
    "they drive most clients off": (StudioTruth(clients=1500, leaving=0.004, starting=0.03, hazard_ratio=9.0),
                                    7, "fewer stayed, beyond a strong reason"),
}  # fmt: skip


@pytest.mark.parametrize("name", TRUTHS)
def test_simulated_truths_and_their_verdicts(name: str) -> None:
    truth, seed, expected = TRUTHS[name]
    assert verdict_of(truth, seed)["verdict"] == expected


def test_the_saved_simulation_bears_out_the_claim() -> None:
    """Hidden keenness alone: at most 5 % say more than that it could be, and the lead is fooled often."""
    saved = json.loads((FOLDER / "look_back_verdicts.json").read_text(encoding="utf-8"))
    assert saved["strong"] == STRONG
    rows = {row["studio"]: row for row in saved["rows"]}
    for name in ("hidden keenness, no effect", "hidden keenness, no effect, 1,000 clients"):
        row = rows[name]
        assert row["says_more_high"] <= 0.05
        assert row["lead_excludes_none"] > 0.3
        assert row["mean_more_of_100"] > 10.0
        assert sum(row[kind] for kind in SENTENCES) == row["studios"]
        assert row["says_more"] == sum(row[kind] for kind in SAYS_MORE) / row["studios"]
