"""How well the model fits: leaving out, quantiles and profiles belong to the very fit that is reported."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from studykit.kinds.continuous import model_check
from studykit.kinds.continuous.analysis import fit_model, prepare
from studykit.kinds.continuous.assembly import analyse_continuous
from studykit.kinds.continuous.model_check import check_model
from studykit.kinds.continuous.results import ModelCheck
from studykit.results import to_plain

ARM = [0, 1] * 18
ZERO_TRAINERS = 7  # a seed with which trainers happen not to differ
TRAINER = [0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 5] * 3


def scores(exercises: int, seed: int = 3) -> Any:
    rng = np.random.default_rng(seed)
    logs = rng.normal(4.2, 0.25, (36, 1, 1)) + rng.normal(0.0, 0.05, (36, 3, exercises))
    logs += rng.normal(0.0, 0.1, (36, 1, exercises)) + np.cumsum(rng.normal(0.1, 0.08, (36, 3, 1)), axis=1)
    logs[4] += np.array([0.0, 0.1, 0.9])[:, None]
    return np.exp(logs)


@pytest.fixture
def both(make_protocol: Any, make_clients: Any, make_rows: Any) -> Any:
    """Setting, model analysis and check, with one exercise or two."""

    def build(
        exercises: tuple[str, ...], trainer: Any = TRAINER, seed: int = 3
    ) -> tuple[Any, Any, ModelCheck]:
        protocol = make_protocol(exercises=exercises)
        rows = make_rows(make_clients(ARM, trainer), scores(max(1, len(exercises)), seed), protocol)
        setting = prepare(protocol, protocol.continuous_outcomes[0], rows)
        analysis = fit_model(setting)
        return setting, analysis, check_model(setting, analysis)

    return build


def test_each_client_and_trainer_is_left_out_by_its_own_code(both: Any) -> None:
    setting, analysis, check = both(())
    assert [who for who, _ in check.left_out] == ["client", "trainer"]
    client, trainer = (part for _, part in check.left_out)
    assert client.levels == setting.rows.clients.labels
    assert trainer.levels == setting.trainers.labels
    whole = analysis.effect(setting.compared_arm, setting.primary_visit, setting.exercises)
    assert client.contrast is not None
    assert client.contrast.value == pytest.approx(whole.value)
    assert client.contrast.standard_error == pytest.approx(whole.standard_error)
    assert client.largest()[0] == "C005"


def test_spreads_are_those_of_the_result_with_their_names(both: Any) -> None:
    from studykit.kinds.continuous.variances import variance_components

    for exercises in ((), ("a", "b")):
        setting, analysis, check = both(exercises)
        reported = {part.name: part.standard_deviation for part in variance_components(setting, analysis)}
        assert check.profiles
        for name, profile, interval in check.profiles:
            assert profile.estimate == pytest.approx(reported[name], rel=1e-5, abs=1e-7)
            assert interval.interval.lower <= reported[name] + 1e-7
            assert reported[name] <= interval.interval.upper
        assert any("day_84" in name for name, _, _ in check.profiles)


def test_predictions_carry_client_codes_and_a_zero_is_said(both: Any) -> None:
    setting, analysis, check = both(("a", "b"))
    whats = [quantiles.what for quantiles in check.quantiles]
    assert whats[:2] == ["residuals", "predictions of client (day_84)"]
    assert set(check.quantiles[1].labels) == set(setting.rows.clients.labels)
    client = analysis.fit.random_effect_predictions("client")
    highest = client.levels[int(np.argmax(client.values[:, client.columns.index("day_84")]))]
    assert check.quantiles[1].labels[-1] == setting.rows.clients.labels[highest]


def test_a_spread_at_zero_has_no_predictions_to_look_at(both: Any) -> None:
    _, analysis, check = both(("a", "b"), seed=ZERO_TRAINERS)
    assert analysis.fit.covariance_parameters["trainer"][0, 0] == 0.0
    assert not any("trainer" in quantiles.what for quantiles in check.quantiles)
    assert "The estimated variance of trainer is zero: all its predictions are alike." in check.remarks


def test_without_trainers_only_clients_are_left_out(both: Any) -> None:
    _, _, check = both((), trainer=None)
    assert [who for who, _ in check.left_out] == ["client"]


def test_very_many_clients_are_not_left_out(both: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(model_check, "MOST_CLIENTS", 20)
    _, _, check = both(())
    assert [who for who, _ in check.left_out] == ["trainer"]
    assert "With more than 20 clients none of them was left out in turn." in check.remarks


def test_the_result_has_it_and_the_fallback_has_none(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    protocol = make_protocol()
    outcome = protocol.continuous_outcomes[0]
    result = analyse_continuous(protocol, outcome, make_rows(make_clients(ARM), scores(1), protocol))
    assert result.check is not None
    plain = to_plain(result)["check"]
    assert plain["left_out"][0][1]["levels"][0] == "C001"
    few = make_rows(make_clients(ARM[:16]), scores(1)[:16], protocol)
    assert analyse_continuous(protocol, outcome, few).check is None
