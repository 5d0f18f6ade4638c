"""Simulated trials do not count sessions: nothing is added to their world."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from studykit.protocol.types import Protocol
from studykit.trial.settings import TrialSettings

from .section import SessionCount

FROM_ATTENDANCE = True
HAS_MODEL = False
SUPPORTED_BY = ""


def is_known(protocol: Protocol, outcome: SessionCount) -> bool:
    return True


def is_simulated(settings: TrialSettings, outcome: SessionCount) -> bool:
    return False


def world(protocol: Protocol, outcome: SessionCount, parts: Mapping[str, Any]) -> dict[str, Any]:
    return {}
