"""The primary estimate of one study and nothing else, for tests that ask for many."""

from __future__ import annotations

from studykit.kinds.continuous.analysis import choose_analysis, prepare, primary_estimate
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.kinds.retention import analysis as retention
from studykit.outcomes.results import OutcomeEstimate
from studykit.protocol.types import Protocol
from studykit.records.rows import RetentionSpells, Scores


def primary_continuous(protocol: Protocol, outcome: ContinuousOutcome, rows: Scores) -> OutcomeEstimate:
    setting = prepare(protocol, outcome, rows)
    return primary_estimate(setting, *choose_analysis(setting))


def primary_retention(protocol: Protocol, spells: RetentionSpells) -> OutcomeEstimate:
    comparison = retention.comparison_of(protocol, spells)
    return retention.primary_estimate(comparison, comparison.status())
