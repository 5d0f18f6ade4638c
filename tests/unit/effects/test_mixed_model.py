"""Mixed-model effects keep the contrast's p-value and divide its interval."""

import pytest

from studykit.effects.mixed_model import mixed_model_effect
from studykit.errors import ArgumentError
from studykit.results import Estimate, HasInterval

CONTRAST = Estimate(2.0, 0.5, 20.0, "given")


def test_interval_and_p_value():
    effect = mixed_model_effect(CONTRAST, {"client": 3.0, "trainer": 0.0, "residual": 1.0})
    ends, raw = effect.confidence_interval(0.9), CONTRAST.confidence_interval(0.9)
    assert effect.value == 1.0
    assert effect.p_value == CONTRAST.p_value
    assert (ends.lower, ends.upper) == pytest.approx((raw.lower / 2, raw.upper / 2))
    assert "denominator taken as known" in ends.method
    assert effect.denominator.endswith("client, trainer, residual")
    assert isinstance(effect, HasInterval)


@pytest.mark.parametrize("variances", [{"client": -1.0}, {"client": 0.0, "residual": 0.0}, {}])
def test_impossible_variances_are_refused(variances):
    with pytest.raises(ArgumentError, match="variances from 0, not all 0"):
        mixed_model_effect(CONTRAST, variances)
