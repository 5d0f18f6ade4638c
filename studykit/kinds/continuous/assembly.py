"""Strength, and every other continuous outcome: the primary contrast, and all that is shown beside it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from studykit.errors import FitError
from studykit.kinds.continuous.analysis import (
    Analysis,
    ModelAnalysis,
    RegressionAnalysis,
    Setting,
    choose_analysis,
    exercise_text,
    prepare,
    presentation,
    primary_estimate,
)
from studykit.kinds.continuous.by_trainer import effects_by_trainer
from studykit.kinds.continuous.model_check import check_model
from studykit.kinds.continuous.reliability import reliability_of_tests
from studykit.kinds.continuous.results import ArmVisitMean, ContinuousResult, ObservedSeries
from studykit.kinds.continuous.scores import observed_days
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.kinds.continuous.sensitivity import (
    baseline_spread,
    completed_scores,
    sensitivity_analyses,
    tipping_points,
)
from studykit.kinds.continuous.variances import model_repeatability, variance_components
from studykit.outcomes.estimands import continuous_estimand, contrast_text
from studykit.outcomes.results import LEFT_BEFORE, MissingCount, OutcomeEstimate, RescaledEstimate, Role
from studykit.protocol.types import Protocol
from studykit.records.leaving import has_left
from studykit.records.rows import RetentionSpells, Scores
from studykit.records.withdrawal import REASONS as TAKEN_BACK
from studykit.results import Estimate, frozen_array

Floats = NDArray[np.float64]
NO_TEST = "no test, still training"
NOT_YET = "the records end before the visit"
NO_REASON = "reason not recorded"
MISSING_AT_RANDOM = (
    "Scores not obtained are taken as missing at random, given the scores seen before, the arm and the "
    "adjustment."
)


def analyse_continuous(
    protocol: Protocol,
    outcome: ContinuousOutcome,
    rows: Scores,
    *,
    spells: RetentionSpells | None = None,
) -> ContinuousResult:
    """Everything about one continuous outcome.

    Parameters
    ----------
    protocol : Protocol
    outcome : ContinuousOutcome
        One of the protocol's.
    rows : Scores
        Of this outcome.
    spells : RetentionSpells, optional
        Attendance of the same clients, for the reasons of missing scores.

    Raises
    ------
    ArgumentError
        If the rows do not fit the outcome, or a score cannot be logged.
    DesignError
        If one trainer alone delivers an arm.
    FitError
        If an arm has no score at the primary visit, or clients are too few even for the fallback.
    """
    setting = prepare(protocol, outcome, rows)
    analysis, why = choose_analysis(setting)
    primary = primary_estimate(setting, analysis, why)
    estimate = primary.estimate
    assert isinstance(estimate, Estimate)
    completed = completed_scores(setting, analysis)
    sensitivity, beside = sensitivity_analyses(setting, analysis, primary, completed)
    by_visit, visit_remarks = _by_visit(setting, analysis, primary)
    reliability, reliability_remarks = reliability_of_tests(setting)
    model_based = (
        model_repeatability(setting, analysis, protocol.analysis.confidence_level)
        if isinstance(analysis, ModelAnalysis)
        else ()
    )
    return ContinuousResult(
        code=outcome.code,
        name=outcome.name,
        unit=outcome.unit,
        scale=outcome.scale,
        primary_visit=outcome.primary_visit,
        exercises=tuple(label for label in rows.exercise_labels if label),
        primary=primary,
        by_visit=by_visit,
        by_exercise=_by_exercise(setting, analysis, primary),
        other_arms=_other_arms(setting, analysis, primary),
        original_unit=original_unit(
            setting,
            primary,
            analysis.mean(0, setting.primary_visit, setting.exercises),
            reference=rows.clients.arm_labels[0],
        ),
        standardised=standardised_effect(setting, primary),
        sensitivity=sensitivity,
        completed=beside,
        means=_means(setting, analysis),
        spread=variance_components(setting, analysis) if isinstance(analysis, ModelAnalysis) else (),
        trainer_effects=effects_by_trainer(setting, primary),
        series=observed_series(setting),
        reliability=(*reliability, *model_based),
        missing=missing_counts(setting, spells),
        model=_model_paragraph(setting, analysis),
        fallback=why,
        rows=rows.rows,
        smallest_worthwhile=outcome.smallest_worthwhile,
        tipping_points=tipping_points(setting, estimate, protocol.analysis.confidence_level, completed),
        analysed=_analysed(setting, analysis),
        remarks=(*visit_remarks, *reliability_remarks),
        check=check_model(setting, analysis) if isinstance(analysis, ModelAnalysis) else None,
    )


def _secondary(setting: Setting) -> Role:
    """Role of what is shown beside a primary or secondary result."""
    return "exploratory" if setting.outcome.role == "exploratory" else "secondary"


def _by_visit(
    setting: Setting, analysis: Analysis, primary: OutcomeEstimate
) -> tuple[tuple[OutcomeEstimate, ...], tuple[str, ...]]:
    found, remarks = [], []
    for visit in setting.follow_up:
        label = setting.rows.visit_labels[visit]
        if visit == setting.primary_visit:
            found.append(primary)
            continue
        try:
            estimate = analysis.effect(setting.compared_arm, visit, setting.exercises)
        except FitError as reason:
            remarks.append(f"No comparison at {label}: {reason}")
            continue
        found.append(
            replace(
                primary,
                name=f"{setting.outcome.name} at {label}",
                estimand=continuous_estimand(
                    setting.protocol, setting.outcome, label, exercise_text(setting)
                ),
                estimate=estimate,
                role=_secondary(setting),
                remarks=(),
            )
        )
    return tuple(found), tuple(remarks)


def _by_exercise(
    setting: Setting, analysis: Analysis, primary: OutcomeEstimate
) -> tuple[OutcomeEstimate, ...]:
    if len(setting.exercises) < 2:
        return ()
    found = []
    for place, label in enumerate(setting.rows.exercise_labels):
        try:
            estimate = analysis.effect(setting.compared_arm, setting.primary_visit, (place,))
        except FitError:
            continue  # an exercise without enough scores of its own is still part of the composite
        found.append(
            replace(
                primary,
                name=f"{setting.outcome.name} on {label} at {setting.outcome.primary_visit}",
                estimand=continuous_estimand(
                    setting.protocol, setting.outcome, setting.outcome.primary_visit, label
                ),
                estimate=estimate,
                role=_secondary(setting),
                remarks=(),
            )
        )
    return tuple(found)


def _other_arms(
    setting: Setting, analysis: Analysis, primary: OutcomeEstimate
) -> tuple[OutcomeEstimate, ...]:
    labels = setting.rows.clients.arm_labels
    found = []
    for arm in range(1, len(labels)):
        if arm == setting.compared_arm:
            continue
        try:
            estimate = analysis.effect(arm, setting.primary_visit, setting.exercises)
        except FitError:
            continue  # no score in that arm: the missing table says so
        found.append(
            replace(
                primary,
                name=f"{primary.name}, {labels[arm]}",
                contrast=contrast_text(labels[arm], labels[0]),
                estimate=estimate,
                role=_secondary(setting),
                remarks=(),
            )
        )
    return tuple(found)


def original_unit(
    setting: Setting, primary: OutcomeEstimate, mean: Estimate, *, reference: str
) -> OutcomeEstimate | None:
    """Distance from the reference arm's geometric mean, in the outcome's unit; None off the log scale."""
    if setting.outcome.scale != "log":
        return None
    note = "the reference arm's adjusted geometric mean is taken as known"
    return replace(
        primary,
        name=f"{primary.name}, in {setting.outcome.unit}",
        unit=setting.outcome.unit,
        presentation="difference",
        estimate=RescaledEstimate(primary.estimate, math.exp(mean.value), True, note),
        role=_secondary(setting),
        method=f"{primary.method}; at the adjusted geometric mean of {reference}",
        remarks=(),
    )


def standardised_effect(setting: Setting, primary: OutcomeEstimate) -> OutcomeEstimate:
    """The effect over the standard deviation within arms, before allocation where there is a test."""
    spread, _ = baseline_spread(setting)
    kind = "log score" if setting.outcome.scale == "log" else "score"
    when = "before allocation" if setting.rows.baseline_visits else f"at {setting.outcome.primary_visit}"
    many = "composite " if len(setting.exercises) > 1 else ""
    return replace(
        primary,
        name=f"{primary.name}, standardised",
        unit=f"standard deviations of the {many}{kind} {when}, pooled within arms",
        presentation="difference",
        estimate=RescaledEstimate(
            primary.estimate, 1.0 / spread, False, "the standard deviation is taken as known"
        ),
        role=_secondary(setting),
        remarks=(),
    )


def _means(setting: Setting, analysis: Analysis) -> tuple[ArmVisitMean, ...]:
    clients = setting.rows.clients
    planned = [setting.protocol.visit(label).day for label in setting.rows.visit_labels]
    found = []
    for code, arm in enumerate(clients.arm_labels):
        for visit, label in enumerate(setting.rows.visit_labels):
            try:
                estimate = analysis.mean(code, visit, setting.exercises)
            except FitError:
                continue  # nothing to show: the missing table says how many scores there are
            seen = np.isfinite(setting.composite[clients.arm == code, visit])
            found.append(
                ArmVisitMean(
                    arm=arm,
                    visit=label,
                    day=planned[visit],
                    unit=setting.outcome.unit,
                    presentation=presentation(setting),
                    estimate=estimate,
                    clients=int(seen.sum()),
                )
            )
    return tuple(found)


def observed_series(setting: Setting) -> tuple[ObservedSeries, ...]:
    """Every client's own scores over the visits, for drawing."""
    planned = tuple(float(setting.protocol.visit(label).day) for label in setting.rows.visit_labels)
    days = observed_days(setting.rows, planned)
    clients = setting.rows.clients
    scores = np.exp(setting.composite) if setting.outcome.scale == "log" else setting.composite
    return tuple(
        ObservedSeries(
            client=label,
            arm=clients.arm_labels[clients.arm[place]],
            days=frozen_array(days[place, seen]),
            scores=frozen_array(scores[place, seen]),
        )
        for place, label in enumerate(clients.labels)
        if (seen := np.isfinite(scores[place])).any()
    )


def missing_counts(setting: Setting, spells: RetentionSpells | None) -> tuple[MissingCount, ...]:
    """Clients with and without a score, by what was allocated and by visit, with reasons."""
    clients = setting.rows.clients
    found = []
    for code, arm in enumerate(clients.arm_labels):
        own = clients.arm == code
        for visit, label in enumerate(setting.rows.visit_labels):
            seen = np.isfinite(setting.composite[:, visit])
            day = setting.protocol.visit(label).day
            absent = np.flatnonzero(own & ~seen)
            reasons = _reasons(setting, spells, absent, visit, day=day)
            found.append(
                MissingCount(
                    arm=arm,
                    visit=label,
                    allocated=int(own.sum()),
                    observed=int((own & seen).sum()),
                    reasons=tuple((reason, reasons.count(reason)) for reason in sorted(set(reasons))),
                )
            )
    return tuple(found)


def _reasons(
    setting: Setting, spells: RetentionSpells | None, clients: NDArray[np.int64], visit: int, *, day: int
) -> list[str]:
    """Why clients have no score at a visit, as far as attendance tells.

    Whether a client had left by the visit is asked of the retention clock, as everywhere: a client who is
    away within the absence rule has not left.
    """
    tested = [(client, visit) in setting.rows.after_departure for client in clients.tolist()]
    if spells is None:
        return [LEFT_BEFORE if late else NO_REASON for late in tested]
    by = np.full(clients.size, float(day))
    left = has_left(spells, clients, by, setting.protocol.absence_rule)
    return [
        _taken_back(spells, client, day)
        or (LEFT_BEFORE if late else NOT_YET if spells.histories[client].data_through < day
            else LEFT_BEFORE if gone else NO_TEST)
        for client, late, gone in zip(clients.tolist(), tested, left.tolist(), strict=True)
    ]  # fmt: skip


def _taken_back(spells: RetentionSpells, client: int, day: int) -> str:
    """What the client took back by the day; empty where nothing."""
    reason = spells.reasons[client]
    return reason if reason in TAKEN_BACK.values() and spells.registered_on[client] <= day else ""


def _analysed(setting: Setting, analysis: Analysis) -> tuple[tuple[str, int], ...]:
    used, clients = analysis.used, setting.rows.clients
    return tuple(
        (arm, int((used & (clients.arm == code)).sum())) for code, arm in enumerate(clients.arm_labels)
    )


def _model_paragraph(setting: Setting, analysis: Analysis) -> str:
    """The model in one paragraph, for the methods section."""
    scale = "logarithm of the score" if setting.outcome.scale == "log" else "score"
    clients = setting.rows.clients
    facts = [name for name, _, _ in clients.factors] + [name for name, _ in clients.covariates]
    adjusted = f", adjusted for {', '.join(facts)}" if facts else ""
    by_visit = " by visit" if facts else ""
    if isinstance(analysis, RegressionAnalysis):
        return f"Of the {scale}: {analysis.method}{adjusted}."
    many = len(setting.exercises) > 1
    by_exercise = " and exercise" if many else ""
    trainers = {
        "fixed": " Trainers are fixed effects on follow-up visits.",
        "random": " Trainers are a random effect on follow-up visits.",
        "clusters": " Trainers, who delivered one arm each, are a random effect, unstructured over follow-up "
        "visits.",
    }.get(setting.trainers.role, "")
    random = (
        "a client effect that is unstructured over visits, and a client-by-exercise effect"
        if many
        else "residuals that are unstructured over visits within a client"
    )
    sentences = (
        f"Linear mixed model of the {scale} at all visits together, by restricted maximum likelihood.",
        f"A mean for every visit{by_exercise}.",
        f"For every follow-up visit{by_exercise}, the distance of each arm from the reference arm.",
        f"Baseline means are thereby equal by design{adjusted}{by_visit}.{trainers}",
        f"Random: {random}.",
        "The contrast gives each exercise the same weight." if many else "",
        f"Intervals and p-values by {analysis.method.split(', ')[-1]}.",
        MISSING_AT_RANDOM,
    )
    return " ".join(sentence for sentence in sentences if sentence)
