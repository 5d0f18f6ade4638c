"""studykit: a fair, affordable studio comparison of conventional sets with and without partner reps.

The names below are loaded when they are first used, so that ``import studykit`` stays quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_ENGINE = (
    "Correlation",
    "MixedModel",
    "RandomEffect",
    "ResidualDeviation",
    "ResidualStructure",
    "StandardDeviation",
    "VarianceShare",
    "bootstrap_intervals",
    "describe_variances",
    "fit_binary_mixed",
    "fit_linear_mixed",
    "fit_many_binary_mixed",
    "fit_many_linear_mixed",
    "influence_of",
    "intraclass_correlation",
    "likelihood_ratio",
    "profile_interval",
    "random_effect_quantiles",
    "residual_quantiles",
    "variance_profile",
)
_HOMES = {
    "Study": "studykit.study",
    "study_from_frame": "studykit.study.from_frame",
    "thesis_pack": "studykit.study.thesis_pack",
    "look_back": "studykit.lookback.look_back",
    "pool": "studykit.pooling.pool",
    "read_attendance": "studykit.lookback.attendance_reading",
    "read_protocol": "studykit.protocol.protocol_file",
    "read_records": "studykit.records.reading",
    "check_wording": "studykit.writeup.wording",
    "describe": "studykit.writeup.describe",
    "write_up": "studykit.writeup.write_up",
    **dict.fromkeys(_ENGINE, "studykit.mixed"),
    "fit_binary_frame": "studykit.frames",
    "fit_frame": "studykit.frames",
    "model_from_frame": "studykit.frames",
    "retest_reliability": "studykit.frames",
    "simulated_power": "studykit.frames",
    "to_frame": "studykit.frames",
}
_MODULES = {
    "figures": "studykit.report.figures",
    "effects": "studykit.effects",
    "power": "studykit.planning.closed_forms",
    "retention": "studykit.retention",
}

__all__ = [
    "Correlation",
    "MixedModel",
    "RandomEffect",
    "ResidualDeviation",
    "ResidualStructure",
    "StandardDeviation",
    "Study",
    "VarianceShare",
    "__version__",
    "bootstrap_intervals",
    "check_wording",
    "describe",
    "describe_variances",
    "effects",
    "figures",
    "fit_binary_frame",
    "fit_binary_mixed",
    "fit_frame",
    "fit_linear_mixed",
    "fit_many_binary_mixed",
    "fit_many_linear_mixed",
    "influence_of",
    "intraclass_correlation",
    "likelihood_ratio",
    "look_back",
    "model_from_frame",
    "pool",
    "power",
    "profile_interval",
    "random_effect_quantiles",
    "read_attendance",
    "read_protocol",
    "read_records",
    "residual_quantiles",
    "retention",
    "retest_reliability",
    "simulated_power",
    "study_from_frame",
    "thesis_pack",
    "to_frame",
    "variance_profile",
    "write_up",
]

if TYPE_CHECKING:
    from studykit import effects, retention
    from studykit.frames import (
        fit_binary_frame,
        fit_frame,
        model_from_frame,
        retest_reliability,
        simulated_power,
        to_frame,
    )
    from studykit.lookback.attendance_reading import read_attendance
    from studykit.lookback.look_back import look_back
    from studykit.mixed import (
        Correlation,
        MixedModel,
        RandomEffect,
        ResidualDeviation,
        ResidualStructure,
        StandardDeviation,
        VarianceShare,
        bootstrap_intervals,
        describe_variances,
        fit_binary_mixed,
        fit_linear_mixed,
        fit_many_binary_mixed,
        fit_many_linear_mixed,
        influence_of,
        intraclass_correlation,
        likelihood_ratio,
        profile_interval,
        random_effect_quantiles,
        residual_quantiles,
        variance_profile,
    )
    from studykit.planning import closed_forms
    from studykit.pooling.pool import pool
    from studykit.protocol.protocol_file import read_protocol
    from studykit.records.reading import read_records
    from studykit.report import figures
    from studykit.study import Study
    from studykit.study.from_frame import study_from_frame
    from studykit.study.thesis_pack import thesis_pack
    from studykit.writeup.describe import describe
    from studykit.writeup.wording import check_wording
    from studykit.writeup.write_up import write_up

    power = closed_forms


def __getattr__(name: str) -> Any:
    if name in _MODULES:
        return import_module(_MODULES[name])
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'studykit' has no name {name!r}; it has {', '.join(__all__)}")


def __dir__() -> list[str]:
    return sorted(__all__)
