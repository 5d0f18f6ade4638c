"""What a lock decides for good, in ten lines, and which claims are still those of the ready protocol."""

from __future__ import annotations

from typing import Any

from studykit.protocol.types import Protocol

_CLAIMS = (
    ("study", "registration"), ("study", "funding"), ("study", "interests"), ("study", "involvement"),
    ("study", "results_to"), ("study", "sharing"), ("ethics", "consent"), ("ethics", "privacy"),
    ("ethics", "afterwards"), ("oversight", "blinding"), ("trainers", "competency"),
)  # fmt: skip
"""What a protocol says of a studio and promises its clients; no answer of `new` changes it."""


def decided(protocol: Protocol) -> tuple[str, ...]:
    """Ten lines, each one thing that only an amendment with a reason changes after the lock."""
    study, roles, harms, ethics = protocol.study, protocol.roles, protocol.harms, protocol.ethics
    rules = protocol.eligibility
    tested = ", ".join(str(visit.day) for visit in protocol.follow_up_visits) or "none"
    return (
        f"Question: {study.question}",
        f"Compared: {' against '.join(_arm(protocol, code) for code in protocol.arm_codes)}",
        (
            f"Who: from {rules.minimum_age} years, {len(rules.clients)} rules to join, "
            f"{len(rules.exclusions)} reasons against; {protocol.planning.clients} clients, "
            f"{protocol.planning.trainers} trainers"
        ),
        f"Drawn by: {protocol.allocation.method}; kept even: {', '.join(protocol.allocation.strata) or 'no'}",
        f"Results: {'; '.join(_outcome(outcome) for outcome in protocol.outcomes_by_role)}",
        f"Followed: to day {protocol.last_day} of each client; tests on days {tested}",
        (
            f"Partner reps stop at: {harms.pause_serious_related} serious harm related to training, "
            f"{harms.pause_severe_in_arm} severe in an arm, or {100 * harms.pause_moderate_share:g} in 100 "
            "of an arm moderate or worse"
        ),
        (
            f"People: decides {roles.sponsor}, draws {roles.allocation}, asks for consent {roles.enrolment}, "
            f"tests {roles.testing}, analyses {roles.analysis}, reviews harms {roles.safety}"
        ),
        (
            f"If a client is hurt: call {harms.emergency_number}, first aid {harms.first_aider}, "
            f"defibrillator {harms.defibrillator}; who pays: {ethics.insurance}"
        ),
        f"Records: kept until {ethics.keep_until}; list of names: {ethics.names_list}",
    )


def still_ready_made(protocol: Protocol, ready: Protocol) -> tuple[str, ...]:
    """Entries with claims that stand as the ready protocol has them; nobody was asked about these."""
    return tuple(
        f"{section}.{key}"
        for section, key in _CLAIMS
        if (text := _text(protocol, section, key)) and text == _text(ready, section, key)
    )


def _text(protocol: Protocol, section: str, key: str) -> str:
    return str(getattr(getattr(protocol, section), key))


def _arm(protocol: Protocol, code: str) -> str:
    arm = protocol.arm(code)
    if arm.dose is None or not arm.dose.partner_reps_per_set:
        return f"{arm.name} (no partner reps)"
    return (
        f"{arm.name} ({arm.dose.partner_reps_per_set} partner reps a set, on at most "
        f"{arm.dose.exercises_per_session} exercises, from {arm.dose.hours_between:g} hours apart)"
    )


def _outcome(outcome: Any) -> str:
    least = outcome.smallest_worthwhile
    unit = "points" if outcome.tells_who_stays else "per cent" if outcome.on_log_scale else outcome.unit
    worth = f", worthwhile from {least:g} {unit}" if least is not None else ""
    return f"{outcome.role} {outcome.name}{worth}"
