"""The public names: all that `studykit` says it has can be had, and nothing heavy is loaded before."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module
from pkgutil import iter_modules
from types import ModuleType

import pytest

import studykit


@pytest.mark.parametrize("name", studykit.__all__)
def test_every_public_name_can_be_had(name: str) -> None:
    thing = getattr(studykit, name)
    assert name.startswith("__") or (thing.__doc__ or "").strip()


def offered(thing: ModuleType) -> list[str]:
    """The names by which a public module can be used."""
    return [name for name in getattr(thing, "__all__", ()) if (getattr(thing, name).__doc__ or "").strip()]


@pytest.mark.parametrize("name", [name for name in studykit.__all__ if not name.startswith("__")])
def test_a_public_module_is_not_empty(name: str) -> None:
    """`effects` and `retention` were names of empty modules."""
    thing = getattr(studykit, name)
    if isinstance(thing, ModuleType):
        assert offered(thing) == list(thing.__all__) != []
        assert len(set(thing.__all__)) == len(thing.__all__)


def test_an_empty_module_would_be_seen() -> None:
    assert offered(ModuleType("empty", "Words without names.")) == []


# What only the room itself works with: pieces of likelihoods, statistics before they are asked anything.
INNER = {"cox", "score_statistics"}
INNER_NAMES = {"Gram", "within_strata", "score_limits", "uninformative"}


@pytest.mark.parametrize("room", ["effects", "retention"])
def test_every_public_function_of_a_room_is_offered(room: str) -> None:
    package = getattr(studykit, room)
    found = {
        name
        for part in iter_modules(package.__path__)
        if part.name not in INNER
        for name, thing in vars(import_module(f"studykit.{room}.{part.name}")).items()
        if getattr(thing, "__module__", "") == f"studykit.{room}.{part.name}"
        and callable(thing)
        and not name.startswith("_")
    }
    offered_here = {
        name
        for name in package.__all__
        if callable(getattr(package, name))
        and getattr(package, name).__module__.startswith(f"studykit.{room}.")
    }
    assert found - INNER_NAMES == offered_here


def test_an_unknown_name_lists_the_known_ones() -> None:
    with pytest.raises(AttributeError, match=r"has no name 'Studdy'; it has .*RandomEffect"):
        studykit.Studdy  # noqa: B018


def test_importing_is_light() -> None:
    heavy = "{'numpy', 'pandas', 'scipy', 'matplotlib'}"
    code = f"import sys, studykit; sys.exit(len({heavy} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
