"""Kinds of outcome, one folder each, and the registry through which every room reaches them.

A kind is a folder with one module for each room that has a question for it: ``section`` (what the protocol
says of it), ``rows`` (its records), ``analysis``, ``planning``, ``simulation`` and ``report``. Rooms ask
here by the word that stands as ``kind`` in a protocol, and get the module, loaded when first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

KINDS = {
    "continuous": "studykit.kinds.continuous",
    "retention": "studykit.kinds.retention",
}
"""The folder of each kind, as a package name, by the word of the protocol."""


def part(kind: str, name: str) -> Any:
    """The module of a kind that answers one room.

    Examples
    --------
    >>> part("retention", "results").RetentionResult.__name__
    'RetentionResult'
    """
    return import_module(f"{KINDS[kind]}.{name}")


def sections() -> dict[str, Any]:
    """The section of the protocol for every kind, by its word.

    Examples
    --------
    >>> [section.__name__ for section in sections().values()]
    ['ContinuousOutcome', 'RetentionOutcome']
    """
    return {kind: part(kind, "section").SECTION for kind in KINDS}
