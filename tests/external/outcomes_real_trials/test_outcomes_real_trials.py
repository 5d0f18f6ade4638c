"""Two real randomised trials from their committed records to the estimate, without code of their own.

References: tests/external/real_trials (nlme, lme4, base R; its script and provenance stand there).
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from studykit.kinds.continuous.analysis import fit_model, prepare
from studykit.mixed import RandomEffect, fit_linear_mixed
from studykit.outcomes.analyse import analyse_rows
from studykit.outcomes.results import Provenance, StudyResults
from studykit.protocol.protocol_file import read_protocol
from studykit.protocol.types import Protocol
from studykit.records.client_rows import allocated_from_records
from studykit.records.derive import derive_rows
from studykit.records.reading import read_records
from studykit.records.rows import StudyRows
from studykit.results import Estimate

ROOT = Path(__file__).resolve().parents[3]
REFERENCE = json.loads((ROOT / "tests/external/real_trials/reference.json").read_text(encoding="utf-8"))
NLME = {"rel": 1e-5}  # where nlme's optimiser stops; the weight trial's likelihood is flatter, see below
NOTHING = Provenance("", "1.0", "", (), (), None, "")


def load(name: str) -> tuple[Protocol, StudyRows]:
    folder = ROOT / "analysis" / name
    protocol = read_protocol(folder / "protocol.toml").protocol
    assert protocol is not None
    records = read_records(folder / "records", protocol=protocol)
    rows, _ = derive_rows(records, protocol, allocated_from_records(records, protocol))
    return protocol, rows


def analysed(name: str) -> StudyResults:
    protocol, rows = load(name)
    return analyse_rows(protocol, rows, provenance=NOTHING, randomised=True)


def test_weight_trial_as_one_score_before_and_after_in_three_arms() -> None:
    """Anorexia (MASS; Hand et al. 1993): both contrasts, and the textbook regression for these data."""
    result = analysed("weight_trial").strength
    reference = REFERENCE["weight"]
    assert result.primary.contrast == "family compared with control"
    assert result.primary.value == pytest.approx(reference["unstructured"]["effect"], rel=1e-5)
    (other,) = result.other_arms
    assert other.contrast == "behavioural compared with control"
    assert other.value == pytest.approx(reference["unstructured"]["effect_behavioural"], rel=1e-5)
    regression = next(row for row in result.sensitivity if row.name.startswith("regression"))
    estimate = regression.estimate
    assert isinstance(estimate, Estimate)
    expected = reference["regression"]
    assert estimate.value == pytest.approx(expected["effect"], rel=1e-10)
    assert estimate.standard_error == pytest.approx(expected["standard_error"], rel=1e-10)
    assert estimate.degrees_of_freedom == expected["degrees_of_freedom"]
    assert regression.p_value == pytest.approx(expected["p_value"], rel=1e-8)
    assert result.original_unit is None
    assert result.scale == "as_measured"
    assert result.rows.used == reference["unstructured"]["rows"]


def test_depression_trial_with_drop_out_agrees_with_nlme() -> None:
    """BtheB (HSAUR3): all 100 clients are used although only 52 come to the last visit."""
    protocol, rows = load("depression_trial")
    result = analysed("depression_trial").strength
    reference = REFERENCE["depression"]["unstructured"]
    assert [row.value for row in result.by_visit] == pytest.approx(reference["effect"], **NLME)
    assert result.rows.used == reference["rows"]
    assert result.primary.rows.used == 100
    model = fit_model(prepare(protocol, protocol.continuous_outcomes[0], rows.outcomes["depression"]))
    for visit, error in zip(range(1, 5), reference["model_standard_error"], strict=True):
        weights, _ = model.layout.effect(1, visit, (0,))
        plain = model.fit.contrast(weights[model.alone.kept], degrees_of_freedom="satterthwaite")
        assert plain.standard_error == pytest.approx(error, **NLME)
    missing = {(count.arm, count.visit): count.observed for count in result.missing}
    assert missing["usual_care", "month_8"] + missing["computerised", "month_8"] == 52


def test_handbook_model_of_the_depression_trial() -> None:
    """M53, M54: Everitt & Hothorn, longitudinal chapter; client intercept by ML, a slope adds 0.454."""
    _, study = load("depression_trial")
    rows = study.outcomes["depression"]
    clients = rows.clients
    facts = {name: codes for name, codes, _ in clients.factors}
    before = np.full(clients.number, np.nan)
    before[rows.client[rows.visit == 0]] = rows.score[rows.visit == 0]
    later = rows.visit > 0
    client = rows.client[later]
    time = np.array([0.0, 2.0, 3.0, 5.0, 8.0])[rows.visit[later]]
    design = np.column_stack([
        np.ones(client.size), before[client], time, clients.arm[client], facts["drug"][client],
        facts["length"][client],
    ]).astype(float)  # fmt: skip
    fit = fit_linear_mixed(rows.score[later], design, RandomEffect("client", client), reml=False)
    reference = REFERENCE["depression"]["handbook"]
    assert fit.rows == reference["rows"]
    assert fit.values == pytest.approx(reference["coefficients"], rel=1e-5)
    errors = [coefficient.standard_error for coefficient in fit.coefficients]
    assert errors == pytest.approx(reference["standard_errors"], rel=1e-5)
    assert fit.covariance_parameters["client"][0, 0] == pytest.approx(reference["client_variance"], rel=1e-4)
    assert fit.log_likelihood == pytest.approx(reference["log_likelihood"], abs=1e-6)
    slope = RandomEffect("client", client, np.column_stack([np.ones(client.size), time]))
    wider = fit_linear_mixed(rows.score[later], design, slope, reml=False)
    statistic = 2.0 * (wider.log_likelihood - fit.log_likelihood)
    assert statistic == pytest.approx(reference["random_slope_statistic"], abs=1e-5)
