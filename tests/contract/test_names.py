"""The public names: all that `studykit` says it has can be had, and nothing heavy is loaded before."""

from __future__ import annotations

import subprocess
import sys

import pytest

import studykit


@pytest.mark.parametrize("name", studykit.__all__)
def test_every_public_name_can_be_had(name: str) -> None:
    thing = getattr(studykit, name)
    assert name.startswith("__") or (thing.__doc__ or "").strip()


def test_an_unknown_name_lists_the_known_ones() -> None:
    with pytest.raises(AttributeError, match=r"has no name 'Studdy'; it has .*RandomEffect"):
        studykit.Studdy  # noqa: B018


def test_importing_is_light() -> None:
    heavy = "{'numpy', 'pandas', 'scipy', 'matplotlib'}"
    code = f"import sys, studykit; sys.exit(len({heavy} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
