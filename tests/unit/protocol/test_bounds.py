"""Every number of a protocol has a least and a most, and what lies beyond is told, not computed with."""

from __future__ import annotations

import copy
import math
import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from pydantic import ValidationError

from studykit.errors import Finding
from studykit.protocol import wording
from studykit.protocol.base import Section
from studykit.protocol.bounds import _POSSIBLE
from studykit.protocol.messages import type_findings
from studykit.protocol.planned import Planning
from studykit.protocol.rules import check_protocol
from studykit.protocol.types import Assumption, Protocol
from studykit.shipped import shipped

DESIGNS = ("parallel", "trainers", "crossover", "limbs", "stepped")
ASSUMED = tuple(
    key for key, info in Planning.model_fields.items() if wording.section_of(info, {}) is Assumption
)


def sections(section: type[Section] = Protocol) -> Iterator[type[Section]]:
    yield section
    for info in section.model_fields.values():
        inner = wording.element(info) or info
        for shape in (*wording.alternatives(inner)[1].values(), wording.section_of(inner, {})):
            if shape is not None:
                yield from sections(shape)


def limits(info: Any) -> set[str]:
    return {
        side
        for piece in info.metadata
        for side, names in (("least", ("ge", "gt")), ("most", ("le", "lt")))
        if any(getattr(piece, name, None) is not None for name in names)
    }


def test_every_number_has_a_least_and_a_most() -> None:
    found = 0
    for section in set(sections()) - {Assumption}:
        for key, info in section.model_fields.items():
            inner = wording.element(info) or info
            if wording.expected(inner).startswith(("a number", "a whole number", "a share")):
                found += 1
                assert limits(inner) == {"least", "most"}, f"{section.__name__}, {key}"
    assert found >= 55
    assert set(_POSSIBLE) == set(ASSUMED)


def complete(design: str) -> dict[str, Any]:
    """A ready protocol as read, with every assumption and a rule of a pilot."""
    document = tomllib.loads((shipped("protocols") / f"{design}.toml").read_text(encoding="utf-8"))
    for key in ASSUMED:
        document["planning"].setdefault(key, {"value": 0.5, "low": 0.5, "high": 0.5, "source": "a guess"})
    document["oversight"] |= {"planned_looks": 1, "look_fractions": [0.5], "spending_exponent": 3.0}
    document["pilot"] = {"clients": 20, "months": 6,
                         "rules": [{"measure": "recruitment", "go_on": 4.0, "stop": 2.0}]}  # fmt: skip
    return document


def numbers(node: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if isinstance(node, dict | list):
        for key, value in node.items() if isinstance(node, dict) else enumerate(node):
            yield from numbers(value, (*path, key))
    elif isinstance(node, int | float) and not isinstance(node, bool):
        yield path


def told(document: dict[str, Any], path: tuple[Any, ...], value: float) -> tuple[Finding, ...]:
    """What stops a protocol with one number changed; anything but findings is a failure."""
    changed = copy.deepcopy(document)
    here = changed
    for step in path[:-1]:
        here = here[step]
    here[path[-1]] = value
    try:
        protocol = Protocol.model_validate(changed)
    except ValidationError as error:
        return type_findings(error, changed, where="protocol.toml", text="")
    return tuple(finding for finding in check_protocol(protocol) if finding.severity == "stop")


@pytest.mark.parametrize("design", DESIGNS)
def test_a_number_beyond_all_bounds_is_one_message(design: str) -> None:
    document = complete(design)
    assert told(document, ("planning", "clients"), document["planning"]["clients"]) == ()
    for path in numbers(document):
        for value in (1e308, -1e308, 10**18, -(10**39), math.nan, math.inf):
            key = next(step for step in reversed(path) if isinstance(step, str))
            found = [str(finding) for finding in told(document, path, value)]
            named = key if key not in ("value", "low", "high") else path[1]
            assert any(named in text for text in found), (path, value, found)


@pytest.mark.parametrize("design", DESIGNS)
def test_small_numbers_are_taken_or_told(design: str) -> None:
    document = complete(design)
    for path in numbers(document):
        for value in (0, 0.0, -1, 1e-308, -1e-308):
            assert all(finding.expected for finding in told(document, path, value))


OF_AN_OUTCOME = """[outcomes.assumptions.{key}]
value = {value}
low = {low}
high = {high}
source = "invented"

[outcomes.estimand]"""


@pytest.mark.parametrize(
    ("scale", "key", "values", "severity", "expected"),
    [
        ("log", "sd_score", (12.0, 9.0, 15.0), "stop", "a number from 0.001 to 3"),
        ("as_measured", "sd_score", (12.0, 9.0, 15.0), "", ""),
        ("as_measured", "sd_score", (12.0, 13.0, 15.0), "stop", "low, value and high in this order"),
        ("as_measured", "correlation_baseline", (0.4, 0.3, 0.5), "warn", "0.6 to 0.97, as is usual"),
        ("log", "effect_strength", (12.0, 9.0, 15.0), "warn", "-5 to 10 per cent"),
        ("as_measured", "effect_strength", (12.0, 9.0, 15.0), "", ""),
    ],
)
def test_assumptions_under_an_outcome_have_the_bounds_of_its_own_scale(
    scale: str, key: str, values: tuple[float, float, float], severity: str, expected: str
) -> None:
    """What stands under planning is about the first outcome, which is on the log scale."""
    text = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")
    start, end = text.index("[[outcomes]]"), text.index("# Do clients stay?")
    second = (
        text[start:end].replace('code = "strength"', 'code = "second"').replace('"primary"', '"secondary"')
    )
    second = second.replace('scale = "log"', f'scale = "{scale}"')
    if scale == "as_measured":
        second = second.replace("ratio of geometric means", "difference in means")
    value, low, high = values
    own = OF_AN_OUTCOME.format(key=key, value=value, low=low, high=high)
    second = second.replace("[outcomes.estimand]", own, 1)
    document = tomllib.loads(text[:end] + second + text[end:])
    found = [
        item for item in check_protocol(Protocol.model_validate(document)) if "assumptions" in item.where
    ]
    assert [(item.severity, item.expected) for item in found] == ([(severity, expected)] if severity else [])
    assert all(item.where.endswith(f"'second', assumptions, {key}") for item in found)
