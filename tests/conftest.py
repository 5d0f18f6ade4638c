"""The default run is the same every time: properties draw the same examples, and no clock is asserted.

New examples are hunted for by `tests/hunt.py`.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import FrameType
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis.internal.conjecture import providers

# How long an example takes says how busy the machine is, not whether the code is right; a database of
# earlier failures would make two machines run different examples.
ALWAYS = settings(database=None, deadline=None, suppress_health_check=[HealthCheck.too_slow])

settings.register_profile("default", ALWAYS, derandomize=True)
settings.register_profile("hunt", ALWAYS, derandomize=False)
settings.load_profile("default")


def same_examples_whatever_is_imported() -> None:
    """Let no constant of the modules that happen to be imported into the examples of the default run.

    Hypothesis mixes such constants in, so that even derandomised examples would depend on which tests ran
    before in the same process. There is no setting for it; the hunt keeps them.
    """
    usual = getattr(providers, "_get_local_constants", None)
    if usual is None:
        return
    none = providers.Constants()  # type: ignore[attr-defined]

    def of_modules() -> Any:
        now = settings.default  # those of the property that is running
        return none if now is not None and now.derandomize else usual()

    providers._get_local_constants = of_modules


same_examples_whatever_is_imported()


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
