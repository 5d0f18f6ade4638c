"""The content of a protocol with every default written out: its digest, and what an amendment changed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from studykit.protocol.lines import Path, path_text
from studykit.protocol.types import Protocol

_LATER_DOSE_KEYS = {"stand_alone": False}
_LATER_KEYS: dict[str, dict[str, Any]] = {
    "allocation": {"sealed_list": ""},
    "eligibility": {"screening_days": 0},
    "harms": {"pause_moderate_least": 1, "emergency_number": "", "first_aider": "", "defibrillator": ""},
    "study": {"carry_over": "", "time_zone": "", "usual_practice": ""},
    "ethics": {"names_list": "", "insurance": "", "payment": ""},
    "oversight": {"look_fractions": [], "look_spending": "obrien-fleming", "spending_exponent": 3.0},
    "planning": dict.fromkeys(
        ("clients_per_month", "eligible_of_screened", "consented_of_eligible", "test_minutes",
         "extra_minutes", "talk_minutes", "hour_cost", "correlation_limbs", "attendance_spread",
         "trainer_size_variation")
    ),
}  # fmt: skip
_LATER_EXERCISE_KEYS = ("side", "pair")  # empty by default
_LATER_SECTIONS: dict[str, Any] = {"periods": [], "pilot": {"clients": 20, "months": 6, "rules": []}}


def resolved_content(protocol: Protocol) -> dict[str, Any]:
    """Every key of a protocol, defaults included, as plain values that JSON can hold.

    A key that came after the first protocols were locked is left out at its default, so that the
    digest of a locked protocol stays what it was.
    """
    content: dict[str, Any] = protocol.model_dump(mode="json")
    for arm in content["arms"]:
        for key, default in _LATER_DOSE_KEYS.items():
            if arm["dose"] is not None and arm["dose"][key] == default:
                del arm["dose"][key]
    for exercise in content["exercises"]:
        for key in _LATER_EXERCISE_KEYS:
            if not exercise[key]:
                del exercise[key]
    content["outcomes"] = [_outcome(outcome) for outcome in content["outcomes"]]
    for section, keys in _LATER_KEYS.items():
        for key, default in keys.items():
            if key in content[section] and content[section][key] == default:
                del content[section][key]
    for section, default in _LATER_SECTIONS.items():
        if content[section] == default:
            del content[section]
    return content


def _outcome(content: dict[str, Any]) -> dict[str, Any]:
    """Without assumptions of its own where it has none."""
    own = content.pop("assumptions")
    return content | ({"assumptions": own} if any(own.values()) else {})


def canonical_text(protocol: Protocol) -> str:
    """The resolved content as one line of JSON with sorted keys: what the digest is made of."""
    return json.dumps(
        resolved_content(protocol), sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )


def resolved_digest(protocol: Protocol) -> str:
    """SHA-256 of the resolved content, 64 hexadecimal digits.

    It does not depend on comments, order of keys, spacing, or on whether a default was typed out.
    """
    return hashlib.sha256(canonical_text(protocol).encode("utf-8")).hexdigest()


_OF_ONE_STUDIO = ("study", "roles", "ethics", "planning", "pilot", "cautions")


def shared_digest(protocol: Protocol) -> str:
    """SHA-256 of what studios must have in common to be pooled, 64 hexadecimal digits.

    Left out is what may differ from studio to studio: titles, roles, ethics, planning numbers, cautions.
    """
    content = {name: part for name, part in resolved_content(protocol).items() if name not in _OF_ONE_STUDIO}
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _flat(value: Any, path: Path, into: dict[str, str], document: Any) -> None:
    if isinstance(value, Mapping):
        for key, item in value.items():
            _flat(item, (*path, key), into, document)
    elif isinstance(value, list) and any(isinstance(item, Mapping) for item in value):
        for number, item in enumerate(value):
            _flat(item, (*path, number), into, document)
    else:
        into[path_text(path, document)] = json.dumps(value, sort_keys=True, default=str)


def flattened(document: Mapping[str, Any]) -> dict[str, str]:
    """Every value of a protocol's content by its place; tables in lists are named by their code."""
    flat: dict[str, str] = {}
    _flat(document, (), flat, document)
    return flat


def changes(old: Protocol, new: Protocol) -> tuple[tuple[str, str, str], ...]:
    """Keys whose resolved value differs, with both values as JSON (empty where there is none).

    Keys are named as in messages, in the order of the new protocol. Tables in lists are matched by their
    code, so that an inserted exercise does not shift the others.
    """
    before, after = (flattened(resolved_content(protocol)) for protocol in (old, new))
    keys = [
        *(key for key in after if before.get(key) != after[key]),
        *(key for key in before if key not in after),
    ]
    return tuple((key, before.get(key, ""), after.get(key, "")) for key in keys)


def changed_keys(old: Protocol, new: Protocol) -> tuple[str, ...]:
    """The keys of `changes`."""
    return tuple(key for key, _, _ in changes(old, new))
