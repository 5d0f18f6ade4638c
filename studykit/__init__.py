"""studykit: a fair, affordable studio comparison of conventional sets with and without partner reps.

The names below are loaded when they are first used, so that ``import studykit`` stays quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOMES = {
    "Study": "studykit.study",
    "read_protocol": "studykit.protocol.reading",
    "read_records": "studykit.records.reading",
    "RandomEffect": "studykit.mixed",
    "ResidualStructure": "studykit.mixed",
    "fit_linear_mixed": "studykit.mixed",
    "fit_many_linear_mixed": "studykit.mixed",
    "likelihood_ratio": "studykit.mixed",
    "fit_frame": "studykit.frames",
    "to_frame": "studykit.frames",
}
_MODULES = {
    "figures": "studykit.report.figures",
    "effects": "studykit.effects",
    "retention": "studykit.retention",
}

__all__ = [
    "RandomEffect",
    "ResidualStructure",
    "Study",
    "__version__",
    "effects",
    "figures",
    "fit_frame",
    "fit_linear_mixed",
    "fit_many_linear_mixed",
    "likelihood_ratio",
    "read_protocol",
    "read_records",
    "retention",
    "to_frame",
]

if TYPE_CHECKING:
    from studykit import effects, retention
    from studykit.frames import fit_frame, to_frame
    from studykit.mixed import (
        RandomEffect,
        ResidualStructure,
        fit_linear_mixed,
        fit_many_linear_mixed,
        likelihood_ratio,
    )
    from studykit.protocol.reading import read_protocol
    from studykit.records.reading import read_records
    from studykit.report import figures
    from studykit.study import Study


def __getattr__(name: str) -> Any:
    if name in _MODULES:
        return import_module(_MODULES[name])
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'studykit' has no name {name!r}; it has {', '.join(__all__)}")


def __dir__() -> list[str]:
    return sorted(__all__)
