"""A kind of outcome is a folder: a count of sessions, registered here only, goes from TOML to the page."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from studykit import kinds
from studykit.errors import ProtocolError
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.types import Protocol
from studykit.report.saving import results_json
from studykit.shipped import shipped
from studykit.study import Study
from studykit.trial.settings import TrialSettings
from tests.pipeline.simulated_study import ready_protocol, trainers_study

KIND = "session count"
OUTCOME = """
[[outcomes]]
kind = "session count"
code = "sessions"
name = "sessions in twelve weeks"
days = 84
smallest_worthwhile = 2.0
"""


@pytest.fixture(scope="module", autouse=True)
def registered() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(kinds.KINDS, KIND, "tests.support.session_count")
        Protocol.model_rebuild(force=True)
        yield
    Protocol.model_rebuild(force=True)


@pytest.fixture(scope="module")
def study(registered: None, tmp_path_factory: pytest.TempPathFactory) -> Study:
    """A study of trainers with one outcome more, from the lock to the last record."""
    read = ready_protocol("trainers", ("[allocation]", f"{OUTCOME}\n[allocation]"))
    folder = tmp_path_factory.mktemp("kind") / "study"
    return trainers_study(folder, read, TrialSettings.from_protocol(read.protocol), seed=5)


@pytest.mark.slow
def test_the_new_kind_is_analysed_and_shown(study: Study, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("studykit.kinds.continuous.assembly.check_model", lambda *_: None)  # quick
    results = study.analyse()
    found = results["sessions"]
    rows, _ = study.rows()
    counts, clients = rows.outcomes["sessions"].sessions, rows.clients
    known = np.isfinite(counts)
    by_arm = [counts[known & (clients.arm == code)] for code in (1, 0)]
    assert found.primary.p_value == pytest.approx(stats.ttest_ind(*by_arm).pvalue, rel=1e-9)
    assert [outcome.kind for outcome in results.outcomes] == ["retention", "continuous", KIND]
    page = Path(study.save(results)).read_text(encoding="utf-8")
    for text in (
        "Sessions in twelve weeks",
        "In 84 days clients came to",
        "sessions attended in 84 days, compared as means",
        "sessions_contrasts",
    ):
        assert text in page, text
    flow = (Path(study.folder) / "results" / "tables" / "flow.csv").read_text(encoding="utf-8")
    assert "analysed for sessions in twelve weeks" in flow
    saved = json.loads(results_json(results))["outcomes"][2]
    assert saved["means"][0][0] == "conventional"
    again = next(test for test in results.rerandomisation if test.outcome == "sessions")
    assert again.smallest_p_value <= again.p_value <= 1.0
    assert again.statistic in page


def test_its_own_rules_and_keys_are_told_like_any_other() -> None:
    ready = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")
    with pytest.raises(ProtocolError, match=r"outcomes 'sessions', days.*at least 1 and at most 3660.*0"):
        parse_protocol(ready + OUTCOME.replace("84", "0"))
    estimand = '[outcomes.estimand]\nsummary = "risk difference"\n'
    with pytest.raises(ProtocolError, match='"difference in means", since sessions are counted'):
        parse_protocol(ready + OUTCOME + estimand)
    with pytest.raises(ProtocolError, match='"continuous", "retention", "session count"'):
        parse_protocol(ready + OUTCOME.replace('"session count"', '"sessions"'))


def test_it_is_planned_beside_the_others(study: Study) -> None:
    plan = study.plan()
    assert [own.outcome for own in plan.outcomes][-1] == "sessions"
    own = plan["sessions"]
    assert own.clients_for_effect == 128  # 2 (1.96 + 0.8416)^2 36 / 9 = 62.8 an arm, one more by t
    page = Path(study.save_plan(plan)).read_text(encoding="utf-8")
    assert f"a difference of {own.planned.detectable:.1f} sessions is found" in page
