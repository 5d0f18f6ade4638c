"""Power by simulation from a fit, against the noncentral t where the answer is exact."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import nct, t

from studykit.errors import ArgumentError
from studykit.frames import FrameFit, fit_frame, simulated_power, to_frame


@pytest.fixture(scope="module")
def fit() -> FrameFit:
    rng = np.random.default_rng(21)
    client = np.repeat(np.arange(12), 3)
    load = 60 + np.repeat(rng.normal(0, 3, 12), 3) + rng.normal(0, 2, 36)
    frame = pd.DataFrame({"client": client, "arm": np.where(client % 2, "added", "plain"), "load": load})
    return fit_frame(frame, outcome="load", fixed=["arm"], random={"client": ["intercept"]},
                     reference={"arm": "plain"})  # fmt: skip


def test_power_is_that_of_the_noncentral_t(fit: FrameFit) -> None:
    """Balanced clients of two arms: the test is the t test of the clients' means."""
    found = simulated_power(fit, {"arm[added]": 4.0}, copies=(1, 3), seed=8, draws=600)
    parameters = fit.fit.covariance_parameters
    spread = float(parameters["client"][0, 0]) + parameters.residual.variance / 3
    for point in found.points:
        clients = 12 * point.copies
        assert point.groups == (("client", clients),)
        degrees, shift = clients - 2, 4.0 / (spread * 4.0 / clients) ** 0.5
        bound = t.ppf(0.975, degrees)
        exact = nct.sf(bound, degrees, shift) + nct.cdf(-bound, degrees, shift)
        assert abs(point.power - exact) < 3.5 * (exact * (1 - exact) / 600) ** 0.5
    assert found.points[1].power > found.points[0].power
    assert to_frame(found)["power"].tolist() == [point.power for point in found.points]


def test_no_effect_is_found_as_often_as_the_level_says(fit: FrameFit) -> None:
    point = simulated_power(fit, {"arm[added]": 0.0}, seed=9, draws=600).points[0]
    assert abs(point.power - 0.05) < 3.5 * (0.05 * 0.95 / 600) ** 0.5
    again = simulated_power(fit, {"arm[added]": 0.0}, seed=9, draws=600).points[0]
    assert again == point


def test_what_cannot_be_simulated_is_explained(fit: FrameFit) -> None:
    for effect in ({"visit": 1.0}, {"arm[added]": 1.0, "intercept": 60.0}, {}):
        with pytest.raises(
            ArgumentError, match=r"power: expected one of intercept, arm\[added\] with a value"
        ):
            simulated_power(fit, effect, seed=1)
    with pytest.raises(ArgumentError, match="sizes from 1, 100 draws or more"):
        simulated_power(fit, {"arm[added]": 1.0}, seed=1, draws=20)
