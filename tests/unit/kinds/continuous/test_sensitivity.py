"""Delta adjustment, tipping points and jump to reference."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from studykit.kinds.continuous.assembly import analyse_continuous
from studykit.kinds.continuous.results import ContinuousResult
from studykit.kinds.continuous.sensitivity import shifted
from studykit.results import Estimate


def test_a_fifth_missing_and_an_effect_of_three() -> None:
    """X04 (derived): the effect moves by f delta and reaches zero at -15."""
    estimate = Estimate(3.0, 1.0, 50.0, "t")
    assert shifted(estimate, -15.0, share=0.2, clients=40, slope=0.2).value == 0.0
    assert shifted(estimate, 5.0, share=0.2, clients=40, slope=-0.2).value == 2.0
    error = shifted(estimate, -15.0, share=0.2, clients=40, slope=0.2).standard_error
    assert error == pytest.approx(math.sqrt(1.0 + 225 * 0.16 / 40))


@pytest.fixture
def result(make_protocol: Any, make_clients: Any, make_rows: Any) -> ContinuousResult:
    protocol = make_protocol(follow_ups=(84,), scale="as_measured", analysis={"delta_steps": [-4.0, 4.0]})
    rng = np.random.default_rng(7)
    start = rng.normal(80.0, 10.0, 60)
    cube = np.stack([start, start + 10.0 + rng.normal(0.0, 4.0, 60)], axis=1)[:, :, None]
    arm = np.array([0, 1] * 30)
    cube[arm == 1, 1] += 5.0
    cube[[1, 3, 5, 7, 9, 11], 1] = np.nan
    return analyse_continuous(
        protocol, protocol.continuous_outcomes[0], make_rows(make_clients(arm), cube, protocol)
    )


def test_every_shift_is_the_share_missing_times_delta(result: ContinuousResult) -> None:
    """F15: in each arm separately; the reference arm has nothing missing."""
    shifts = {row.name: row.value for row in result.sensitivity if "shifted" in row.name}
    assert shifts == {
        "missing scores in partner_reps shifted by -4 kg": pytest.approx(result.primary.value - 0.8),
        "missing scores in partner_reps shifted by +4 kg": pytest.approx(result.primary.value + 0.8),
    }


def test_jump_to_reference_keeps_the_share_observed(result: ContinuousResult) -> None:
    row = next(row for row in result.sensitivity if "as if the client had been in conventional" in row.name)
    assert row.value == pytest.approx(0.8 * result.primary.value)
    assert "information-anchored" in row.method


def test_jump_to_reference_equals_imputation_by_hand(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    """Slow twin: impute each missing score at its conditional mean around the reference arm's mean."""
    protocol = make_protocol(follow_ups=(84,), scale="as_measured")
    rng = np.random.default_rng(8)
    start = rng.normal(80.0, 10.0, 40)
    arm = np.array([0, 1] * 20)
    after = start + 8.0 + 4.0 * arm + rng.normal(0.0, 4.0, 40)
    after[[1, 3, 5, 7]] = np.nan
    cube = np.stack([start, after], axis=1)[:, :, None]
    rows = make_rows(make_clients(arm), cube, protocol)
    result = analyse_continuous(protocol, protocol.continuous_outcomes[0], rows)
    ours = next(row for row in result.sensitivity if "as if" in row.name).value
    means = {(mean.arm, mean.visit): mean.value for mean in result.means}
    used = np.isfinite(after)
    within = np.where(arm == 1, after - result.primary.value, after)
    slope = np.polyfit(start[used], within[used], 1)[0]
    before = means["conventional", "baseline"]
    imputed = np.where(used, after, means["conventional", "day_84"] + slope * (start - before))
    adjusted = imputed - slope * (start - before)
    by_hand = adjusted[arm == 1].mean() - adjusted[arm == 0].mean()
    assert ours == pytest.approx(by_hand, rel=1e-6)
    shifts = [row.name for row in result.sensitivity if "shifted" in row.name]
    assert [name.partition("(")[2] for name in shifts] == [
        "0.25 times the spread between clients)",
        "0.5 times the spread between clients)",
    ]  # a shift that no protocol names says where it comes from


def test_tipping_points_do_what_they_say(result: ContinuousResult) -> None:
    compared, reference = result.tipping_points
    assert (compared.missing_share, reference.missing_share) == (pytest.approx(0.2), 0.0)
    assert reference.estimate_zero is None
    assert reference.interval_touches is None
    estimate = result.primary.estimate
    assert isinstance(estimate, Estimate)
    assert compared.estimate_zero is not None
    assert shifted(estimate, compared.estimate_zero, share=0.2, clients=30, slope=0.2).value == pytest.approx(
        0.0
    )
    assert compared.interval_touches is not None
    touching = shifted(estimate, compared.interval_touches, share=0.2, clients=30, slope=0.2)
    interval = touching.confidence_interval()
    assert min(abs(interval.lower), abs(interval.upper)) == pytest.approx(0.0, abs=1e-9)


def test_default_shifts_are_worse_for_the_client(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    protocol = make_protocol(follow_ups=(84,))
    cube = np.exp(np.random.default_rng(9).normal(4.0, 0.2, (30, 2, 1)))
    cube[0, 1] = np.nan
    rows = make_rows(make_clients([0, 1] * 15), cube, protocol)
    result = analyse_continuous(protocol, protocol.continuous_outcomes[0], rows)
    names = [row.name for row in result.sensitivity if "shifted" in row.name]
    assert names == [
        "missing scores in conventional shifted by -5 %", "missing scores in conventional shifted by -10 %",
    ]  # fmt: skip
    first = next(row for row in result.sensitivity if "-5 %" in row.name)
    assert first.value / result.primary.value == pytest.approx(0.95 ** (-1 / 15))
