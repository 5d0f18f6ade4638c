"""How often each verdict of a look back comes, over simulated studios whose truth is known.

The claim: where keener clients alone make the difference, at most 5 % of studios get a verdict that says more
than "keener clients alone could look like this".
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from analysis.saved_rows import save_rows
from studykit.lookback.e_value import bound_unmeasured
from studykit.lookback.episodes import follow_clients, session_facts
from studykit.lookback.look_back import came_back, is_doubtful
from studykit.lookback.session_clock import answer_session_clock
from studykit.lookback.verdict import SAYS_MORE, SENTENCES, STRONG, choose_verdict
from studykit.trial.performance import Share
from synthetic_data.simulated_studio import StudioTruth, simulated_log

HORIZON = 182
STUDIOS: dict[str, StudioTruth] = {
    "hidden keenness, no effect": StudioTruth(starting=0.03, hidden_leaving=-0.6, hidden_starting=0.8),
    "hidden keenness, no effect, 1,000 clients": StudioTruth(
        clients=1000, starting=0.03, hidden_leaving=-0.6, hidden_starting=0.8
    ),
    "no effect": StudioTruth(starting=0.03),
    "effect 0.6": StudioTruth(starting=0.03, hazard_ratio=0.6),
    "effect 0.2": StudioTruth(starting=0.03, hazard_ratio=0.2),
}


def verdict_of(truth: StudioTruth, seed: int) -> dict[str, Any]:
    """Verdict of the lead on one studio, with the difference it rests on and the bound."""
    log = simulated_log(truth, seed)
    episodes = follow_clients(log)
    facts = session_facts(log, episodes)
    answer = answer_session_clock(log, episodes, horizon=HORIZON, least_events=20, facts=facts)
    found = None if answer.refused else answer.risk_difference
    ends = None if found is None else (-found.interval.upper, -found.interval.lower)
    bound = None if answer.refused else bound_unmeasured(answer)
    strength = bound.e_value_of_interval if bound else 1.0
    doubtful = is_doubtful(episodes, came_back(log, episodes))
    return {
        "verdict": choose_verdict(ends, strength, doubtful=doubtful).kind,
        "more_of_100": None if found is None else -100.0 * found.value,
        "excludes_none": ends is not None and not ends[0] <= 0.0 <= ends[1],
        "bound": strength,
    }


def row_of(name: str, truth: StudioTruth, studios: Iterable[int]) -> dict[str, Any]:
    """One line: shares of verdicts with the Monte Carlo interval of the claim."""
    found = [verdict_of(truth, seed) for seed in studios]
    says_more = Share.of(sum(one["verdict"] in SAYS_MORE for one in found), len(found))
    known = [one["more_of_100"] for one in found if one["more_of_100"] is not None]
    return {
        "studio": name,
        "clients": truth.clients,
        "studios": len(found),
        "mean_more_of_100": round(float(np.mean(known)), 1) if known else None,
        "lead_excludes_none": round(float(np.mean([one["excludes_none"] for one in found])), 4),
        "says_more": round(says_more.value, 4),
        "says_more_low": round(says_more.low, 4),
        "says_more_high": round(says_more.high, 4),
        "bound_95th": round(float(np.quantile([one["bound"] for one in found], 0.95)), 2),
        **{kind: sum(one["verdict"] == kind for one in found) for kind in SENTENCES},
    }


def save(rows: list[Mapping[str, Any]]) -> None:
    """What was run, with versions and date."""
    studios = rows[0]["studios"]
    save_rows(
        "look_back_verdicts", "Verdicts of a look back", "09_look_back_validity.py", rows, trials=studios,
        seed=f"0 to {studios - 1}", strong=STRONG,
    )  # fmt: skip
