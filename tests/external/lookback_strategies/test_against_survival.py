"""Clones, weights and curves against a second implementation in R (make_reference.R, reference.json).

R builds the clones client by client and takes weighted curves and the hazard ratio from its survival
package. Tolerances: 1e-9 relative for curves and weights (both sides iterate to rounding); 1e-7 for
coefficients, whose references stop at their own tolerance.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from studykit.lookback.clones import Starters
from studykit.lookback.strategy_estimates import clone, estimate, weigh
from studykit.lookback.weighting import fit_logistic

HERE = Path(__file__).parent
R = json.loads((HERE / "reference.json").read_text(encoding="utf-8"))
CURVE, COEFFICIENT = 1e-9, 1e-7


def columns(name):
    return np.genfromtxt(HERE / "data" / f"{name}.csv", delimiter=",", names=True)


def numbered(table, letter):
    names = [name for name in table.dtype.names if name.startswith(letter) and name[1:].isdigit()]
    return np.column_stack([table[name] for name in names])


@pytest.fixture(scope="module")
def study():
    clients, sessions = columns("clients"), columns("sessions")

    def whole(table, name):
        return table[name].astype(np.int64)

    facts, history = numbered(clients, "f"), numbered(sessions, "h")
    starters = Starters(
        end=whole(clients, "end"),
        departed=clients["departed"] == 1.0,
        trainer=whole(clients, "trainer"),
        facts=facts,
        fact_names=tuple(str(k) for k in range(facts.shape[1])),
        session_client=whole(sessions, "client"),
        session_day=whole(sessions, "day"),
        session_trainer=whole(sessions, "trainer"),
        session_partner_reps=whole(sessions, "partner_reps"),
        history=history,
        history_names=tuple(str(k) for k in range(history.shape[1])),
    )
    return clone(starters, grace=28, horizon=182)


@pytest.fixture(scope="module")
def weighted(study):
    return weigh(study, np.ones((1, len(study.starters.end))))


def test_decisions_and_clones_are_the_same(study):
    assert len(study.rows.client) == R["decisions"]
    assert study.rows.started.sum() == R["began"]
    assert [int(side.departed.sum()) for side in study.sides] == R["departures"]


def test_weight_models(study, weighted):
    np.testing.assert_allclose(weighted.fits.coefficients[0], R["penalised"], rtol=COEFFICIENT)
    plain = fit_logistic(
        study.covariates,
        study.rows.started,
        np.ones((1, len(study.rows.client))),
        prior_standard_deviation=np.inf,
    )
    np.testing.assert_allclose(plain.coefficients[0], R["plain"], rtol=COEFFICIENT)


def test_weighted_curves_and_hazard_ratio(study, weighted):
    found = estimate(study, np.ones((1, len(study.starters.end))))
    days = [28, 56, 91, 182]
    np.testing.assert_allclose(found.start[0, days], R["start"], rtol=CURVE)
    np.testing.assert_allclose(found.refrain[0, days], R["refrain"], rtol=CURVE)
    np.testing.assert_allclose(found.log_hazard_ratio[0], R["log_hazard_ratio"], rtol=COEFFICIENT)
    np.testing.assert_allclose([side.max() for side in weighted.sides], R["largest"], rtol=CURVE)
