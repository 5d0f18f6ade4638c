"""Sentences that say what is estimated, taken from the protocol."""

from __future__ import annotations

from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.kinds.retention.section import RetentionOutcome
from studykit.protocol.types import Estimand, Protocol


def contrast_text(arm: str, reference: str) -> str:
    """What is compared.

    Examples
    --------
    >>> contrast_text("partner_reps", "conventional")
    'partner_reps compared with conventional'
    """
    return f"{arm} compared with {reference}"


def continuous_estimand(protocol: Protocol, outcome: ContinuousOutcome, visit: str, exercises: str) -> str:
    """The estimand of a continuous outcome at one visit, in one sentence."""
    summary = "ratio of geometric means" if outcome.scale == "log" else "difference in means"
    place = f", equal weights over {exercises}" if exercises else ""
    return (
        f"In {_population(protocol, outcome.estimand)}: {summary} of {outcome.name} at visit {visit}{place}, "
        f"baseline means equal by design{_strategies(protocol, outcome.estimand)}"
    )


def within_estimand(protocol: Protocol, outcome: ContinuousOutcome) -> str:
    """The estimand where every client gets both arms, in one sentence."""
    summary = "ratio of geometric means" if outcome.scale == "log" else "difference in means"
    over = f", equal weights over {', '.join(outcome.exercises)}" if len(outcome.exercises) > 1 else ""
    return (
        f"In {_population(protocol, outcome.estimand)}: {summary} of {outcome.name} between the arms within "
        f"clients{over}{_strategies(protocol, outcome.estimand)}"
    )


def retention_estimand(protocol: Protocol, outcome: RetentionOutcome, summary: str) -> str:
    """The estimand of the retention outcome, in one sentence."""
    return (
        f"In {_population(protocol, outcome.estimand)}: {summary}, day {outcome.horizon_day} from "
        f"allocation{_strategies(protocol, outcome.estimand)}"
    )


def retention_definition(outcome: RetentionOutcome) -> str:
    """What retained means, in one sentence; printed above every number on retention."""
    return (
        f"Retained on day {outcome.horizon_day} after allocation: fewer than {outcome.absence_days} "
        f"countable "
        "days since the last attended session, or since allocation where there was none; days of studio "
        f"closure and of registered pauses (at most {outcome.pause_cap_days} days each, "
        f"{outcome.pause_total_days} in all) do not count"
    )


def _population(protocol: Protocol, estimand: Estimand | None) -> str:
    named = estimand.population if estimand is not None else ""
    return named or protocol.study.population or "all clients who were allocated"


def _strategies(protocol: Protocol, estimand: Estimand | None) -> str:
    """How departures and stopping are handled."""
    if estimand is None:
        return ""
    parts = []
    leaving = "leaving before the end" if protocol.is_external else "leaving the studio"
    if estimand.strategies.leaves_studio and estimand.strategies.leaves_studio != "is the outcome":
        parts.append(f"{leaving}: {estimand.strategies.leaves_studio}")
    if estimand.strategies.stops_programme:
        parts.append(f"stopping the programme: {estimand.strategies.stops_programme}")
    return "; " + "; ".join(parts) if parts else ""
