"""What must be complete before a protocol is locked.

Every field is answered, or says why it does not apply: the completion rule of the SPIRIT editors
(2022), our reading.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from studykit.errors import Finding, Severity
from studykit.protocol.allocating import waits_for_trainers
from studykit.protocol.identifiers import code_trouble, personal_mark
from studykit.protocol.lines import Path
from studykit.protocol.looking import missing_for_looks
from studykit.protocol.outcome import OutcomeSection
from studykit.protocol.places import Places
from studykit.protocol.types import Estimand, Protocol, Strategies
from studykit.protocol.within_client import carry_over_findings

_UNANSWERED = re.compile(r"^(n/?a|none|nil|not applicable|to be decided|tbd|todo|[-?.]+|)\.?$", re.IGNORECASE)
_FILL_IN = re.compile(r"fill in", re.IGNORECASE)

_ANSWERED: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("study", ("summary", "background", "setting", "population", "registration", "funding", "interests",
               "involvement", "results_to", "sharing")),
    ("roles", ("sponsor", "allocation", "enrolment", "testing", "analysis")),
    ("ethics", ("consent", "privacy", "afterwards")),
    ("trainers", ("competency",)),
    ("harms", ("question",)),
    ("oversight", ("blinding",)),
)  # fmt: skip
ASKED: Mapping[Path, str] = {
    ("study", "usual_practice"): "What does the studio do now: which sets, how hard, any partner reps yet?",
    ("roles", "safety"): "Who, outside the studio, looks at every harm?",
    ("ethics", "names_list"): "Who keeps the list of who is who, and where is it locked away?",
    ("ethics", "insurance"): "Who pays if a client is hurt, and does the insurer know of partner reps?",
    ("ethics", "payment"): "What does the studio pay clients, or ask from them, for taking part?",
    ("harms", "emergency_number"): "Which number is called in an emergency, as dialled at the studio?",
    ("harms", "first_aider"): "Who gives first aid while clients train or are tested?",
    ("harms", "defibrillator"): "Where does the nearest defibrillator hang, or is there none?",
}  # fmt: skip
"""What only the studio knows, and no ready protocol says for it: asked before the lock."""


def completion_findings(protocol: Protocol, at: Places) -> Iterator[Finding]:
    """Everything that is missing before the lock."""
    yield from waits_for_trainers(protocol, at)
    yield from _primaries(protocol, at)
    yield from carry_over_findings(protocol, at)
    if not protocol.is_external:
        yield from _fields(protocol, at)
        yield from _ethics(protocol, at)
        yield from _people(protocol, at)
        yield from _zone(protocol, at)
    yield from missing_for_looks(protocol, at)


def is_answered(text: str) -> bool:
    """Whether a text answers what it stands for, if only by why it does not apply."""
    return not _UNANSWERED.match(text.strip()) and not _FILL_IN.search(text)


def _answer(at: Places, path: Path, text: str) -> Iterator[Finding]:
    if not is_answered(text):
        yield at.finding(
            "stop", path, expected='an answer, or "not applicable, because …"',
            got=f'"{text}"' if text else "nothing",
        )  # fmt: skip


def unanswered(protocol: Protocol) -> Iterator[tuple[Path, str]]:
    """The questions to the studio that have no answer yet, with their places."""
    for path, question in ASKED.items():
        if not is_answered(str(getattr(getattr(protocol, str(path[0])), str(path[1])))):
            yield path, question


def _fields(protocol: Protocol, at: Places) -> Iterator[Finding]:
    for path, question in unanswered(protocol):
        yield at.finding(
            "stop", path, expected=f'an answer to "{question}"', got="none",
            todo="Only the studio knows; write it there.",
        )  # fmt: skip
    for section, keys in _ANSWERED:
        for key in keys:
            yield from _answer(at, (section, key), getattr(getattr(protocol, section), key))
    for number, arm in enumerate(protocol.arms):
        yield from _answer(at, ("arms", number, "description"), arm.description)
    for key in ("clients", "exclusions"):
        if not getattr(protocol.eligibility, key):
            yield at.finding("stop", ("eligibility", key), expected="at least one rule", got="nothing")


def _ethics(protocol: Protocol, at: Places) -> Iterator[Finding]:
    ethics = protocol.ethics
    if ethics.review == "needed":
        yield at.finding(
            "stop", ("ethics", "review"),
            expected='"approved" with a reference, or "not needed" with a reason',
            got='"needed"', todo="Ask the independent reviewer first; then write down the answer.",
        )  # fmt: skip
    elif ethics.review == "approved":
        yield from _answer(at, ("ethics", "reference"), ethics.reference)
    else:
        yield from _answer(at, ("ethics", "reason"), ethics.reason)
    if ethics.keep_until is None:
        yield at.finding(
            "stop", ("ethics", "keep_until"), expected="the date until which the records are kept",
            got="nothing", todo="Such as keep_until = 2031-12-31",
        )  # fmt: skip


def role_findings(protocol: Protocol, at: Places, *, severity: Severity) -> Iterator[Finding]:
    """A stop before the lock, else a warning, where a role holds a person's name and not a code."""
    for key, text in protocol.roles.model_dump().items():
        value = str(text).strip()
        if not value or not is_answered(value) or value.casefold().startswith("not applicable"):
            continue
        mark = personal_mark(value) or code_trouble(value)
        if mark:
            yield at.finding(
                severity, ("roles", key), expected="a code such as OW, as in the records", got=mark,
                todo="Names stand on a list that is kept apart; here and in the ledger only codes.",
            )  # fmt: skip


def _people(protocol: Protocol, at: Places) -> Iterator[Finding]:
    yield from role_findings(protocol, at, severity="stop")
    roles = protocol.roles
    if roles.enrolment and roles.enrolment == roles.testing:
        yield at.finding(
            "note", ("roles", "testing"), expected="somebody other than the person who enrols",
            got=roles.testing, todo="The report will say that one person did both.",
        )  # fmt: skip


def _zone(protocol: Protocol, at: Places) -> Iterator[Finding]:
    if not protocol.study.time_zone:
        yield at.finding(
            "warn", ("study", "time_zone"), got="nothing",
            expected="continent and city, where days are counted",
            todo="Days are then counted by the clock of whatever computer enrols.",
        )  # fmt: skip


def _primaries(protocol: Protocol, at: Places) -> Iterator[Finding]:
    primary = [
        (number, outcome) for number, outcome in enumerate(protocol.outcomes) if outcome.role == "primary"
    ]
    if not primary:
        yield at.finding("stop", ("outcomes",), expected='an outcome with role = "primary"', got="none")
    for number, outcome in primary:
        path: Path = ("outcomes", number)
        if outcome.estimand is None:
            yield at.finding(
                "stop", path, expected="an estimand: the table [outcomes.estimand] under this outcome",
                got="none", todo="Copy it from the ready protocol and change what differs.",
            )  # fmt: skip
        else:
            yield from _estimand(outcome, outcome.estimand, (*path, "estimand"), at)


def _estimand(outcome: OutcomeSection, estimand: Estimand, path: Path, at: Places) -> Iterator[Finding]:
    for key in ("population", "arms_compared", "variable", "missing_data"):
        yield from _answer(at, (*path, key), getattr(estimand, key))
    strategies = estimand.strategies
    for event, info in Strategies.model_fields.items():
        here: Path = (*path, "strategies", event)
        if getattr(strategies, event) is None:
            event_text = info.description or event.replace("_", " ")
            yield at.finding(
                "stop", here, expected=f"what is done when a client {event_text}"
                if info.description else f"what is done about: {event_text}",
                got="nothing", todo=f'Write {event} = "{outcome.carried_out[event]}".',
            )  # fmt: skip
