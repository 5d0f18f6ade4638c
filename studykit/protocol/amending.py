"""What an amendment changes, what that does to clients already drawn, and what may no longer change."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from studykit.errors import Finding
from studykit.protocol.resolved import changes
from studykit.protocol.types import Protocol

_EFFECTS = (
    ("allocation", "The {n} clients already drawn keep their arms; the next draw follows the new text."),
    ("strata", "The {n} clients already drawn keep the strata they were drawn with."),
    ("eligibility", "The {n} clients already drawn stay in the study; the new rule holds for the next."),
    ("arms", "The {n} clients already drawn train by the new text from their next session on."),
    ("exercises", "Sheets and tests of the {n} clients already drawn follow the new text from now on."),
    ("trainers", "Sheets of the {n} clients already drawn follow the new text from now on."),
    (
        "visits",
        "Tests of the {n} clients already drawn, done ones too, are judged by the new days and windows.",
    ),
    ("periods", "Sessions and tests of the {n} clients already drawn are judged by the new periods."),
    (
        "outcomes",
        "The {n} clients already drawn are analysed by the new text, with all their results so far.",
    ),
    (
        "analysis",
        "The {n} clients already drawn are analysed by the new text, with all their results so far.",
    ),
    ("harms", "Harms that are recorded already are judged by the new rule."),
    ("oversight", "Looks and records so far are judged by the new text."),
)
_WORDS_ONLY = ("procedure", "name", "smallest_worthwhile")


@dataclass(frozen=True, slots=True)
class AmendmentEffects:
    """An amendment, before anybody is asked.

    Parameters
    ----------
    changed : tuple of (str, str, str)
        Key, value before and value after; empty text for none.
    effects : tuple of str
        What the changes do to clients already drawn.
    findings : tuple of Finding
        A ``stop`` refuses the amendment.
    """

    changed: tuple[tuple[str, str, str], ...]
    effects: tuple[str, ...]
    findings: tuple[Finding, ...]

    def text(self) -> str:
        """For the person who amends."""
        lines = ["This amendment changes:"]
        lines += [f"  {key}: {_short(old)} -> {_short(new)}" for key, old, new in self.changed]
        return "\n".join([*lines, *self.effects, *(f"LOOK AT: {finding}" for finding in self.findings)])


def amendment_effects(old: Protocol, new: Protocol, *, drawn: int, looks: int) -> AmendmentEffects:
    """What an amendment changes, and what that does.

    Parameters
    ----------
    old, new : Protocol
    drawn : int
        Clients drawn so far.
    looks : int
        How often results by arm have been seen.
    """
    changed = changes(old, new)
    sections = {re.split(r"[ ,]", key)[0] for key, _, _ in changed}
    effects = tuple(text.format(n=drawn) for section, text in _EFFECTS if section in sections)
    later = _after_a_look(old, new, [key for key, _, _ in changed]) if looks else ()
    return AmendmentEffects(changed, effects if drawn else (), tuple(later))


def _after_a_look(old: Protocol, new: Protocol, keys: list[str]) -> Iterator[Finding]:
    """What was to be confirmed may not change once results by arm have been seen."""
    primary = {
        outcome.code for protocol in (old, new) for outcome in protocol.outcomes if outcome.role == "primary"
    }
    visits = {
        outcome.judged_at
        for protocol in (old, new)
        for outcome in protocol.outcomes
        if outcome.code in primary
    }
    for key in keys:
        fixed = any(key.startswith(f"outcomes '{code}'") for code in primary) or any(
            visit and key.startswith(f"visits '{visit}'") for visit in visits
        )
        if fixed and not key.endswith(_WORDS_ONLY):
            yield Finding(
                "stop", f"amendment, {key}", "the primary outcome, its visit and its estimand as they were",
                "a change after results by arm were seen",
                'Restore it; what is asked now is another outcome, with role = "exploratory".',
            )  # fmt: skip
        elif key.startswith(("outcomes", "visits", "analysis", "periods")):
            yield Finding(
                "warn", f"amendment, {key}", "no change after results by arm were seen", "one",
                "The report will say that it came after a look; give the reason in full.",
            )  # fmt: skip


def _short(value: str) -> str:
    return (value if len(value) <= 60 else f"{value[:57]}...") or "nothing"
