"""The default run is the same every time: properties draw the same examples, and no clock is asserted.

New examples are hunted for by `tests/hunt.py`.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import FrameType

import pytest
from hypothesis import HealthCheck, settings

# How long an example takes says how busy the machine is, not whether the code is right; a database of
# earlier failures would make two machines run different examples.
ALWAYS = settings(database=None, deadline=None, suppress_health_check=[HealthCheck.too_slow])

settings.register_profile("default", ALWAYS, derandomize=True)
settings.register_profile("hunt", ALWAYS, derandomize=False)
settings.load_profile("default")


@pytest.fixture
def calls() -> Callable[[Callable[[], object]], int]:
    """How many functions of Python a piece of work calls: a slow way shows without a clock."""

    def count(work: Callable[[], object]) -> int:
        number = 0

        def seen(_frame: FrameType, event: str, _value: object) -> None:
            nonlocal number
            number += event == "call"

        before = sys.getprofile()
        sys.setprofile(seen)
        try:
            work()
        finally:
            sys.setprofile(before)
        return number

    return count
