"""Refusing assumptions that no plan can stand on, before and while it is worked out."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np

from studykit.errors import DesignError, Finding
from studykit.planning.assumptions import DEFAULTS
from studykit.protocol.types import Assumption, Protocol

_LEAST, _MOST = 1e-9, 1e9  # what is smaller or larger, and not 0, is a slip of the pen in any unit


def refuse_unusable(protocol: Protocol, findings: tuple[Finding, ...]) -> None:
    """Refuse numbers that are none, that no unit makes sensible, or that the protocol's own rules stop.

    Parameters
    ----------
    protocol : Protocol
    findings : tuple of Finding
        Of `check_protocol`.

    Raises
    ------
    DesignError
        For the first such number, with its place.
    """
    for key, assumption in _stated(protocol):
        for number in _numbers(assumption):
            if number != 0.0 and not _LEAST <= abs(number) <= _MOST:
                raise DesignError(
                    where=f"protocol, planning, {key}",
                    expected=f"a number from {_LEAST:g} to {_MOST:g}, or 0",
                    got=f"{number:g}",
                    todo="Correct it in the protocol, with its source.",
                )
    for finding in findings:
        if finding.severity == "stop" and "planning" in finding.where:
            raise DesignError(
                where=finding.where, expected=finding.expected, got=finding.got, todo=finding.todo
            )


@contextmanager
def worked_out(protocol: Protocol) -> Iterator[None]:
    """Turn an overflow on the way into a refusal that names the assumption farthest from what is usual.

    Raises
    ------
    DesignError
        If a number on the way is too large, or none.
    """
    try:
        with np.errstate(over="raise", divide="raise", invalid="raise"):
            yield
    except ArithmeticError as error:
        key, number = max(
            ((key, number) for key, own in _stated(protocol) for number in _numbers(own)),
            key=lambda found: abs(found[1]) / _usual(found[0]),
            default=("planning", 0.0),
        )
        raise DesignError(
            where=f"protocol, planning, {key}",
            expected="assumptions with which a plan can be worked out",
            got=f"{number:g}, and a number too large on the way",
            todo=f"Check it and the others; usual is up to about {_usual(key):g}.",
        ) from error


def _stated(protocol: Protocol) -> Iterator[tuple[str, Assumption]]:
    for key in type(protocol.planning).model_fields:
        found = getattr(protocol.planning, key)
        if isinstance(found, Assumption):
            yield key, found


def _numbers(assumption: Assumption) -> list[float]:
    return [end for end in (assumption.value, assumption.low, assumption.high) if end is not None]


def _usual(key: str) -> float:
    known = DEFAULTS.get(key)
    return 1.0 if known is None else max(abs(end) for end in _numbers(known))
