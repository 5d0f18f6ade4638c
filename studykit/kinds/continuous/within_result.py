"""A continuous outcome where one client gets both arms: the primary contrast, and what is shown beside it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from studykit.errors import FitError
from studykit.kinds.continuous.analysis import Setting
from studykit.kinds.continuous.assembly import (
    missing_counts,
    observed_series,
    original_unit,
    standardised_effect,
)
from studykit.kinds.continuous.reliability import reliability_of_tests
from studykit.kinds.continuous.results import ArmVisitMean, ContinuousResult, VarianceComponent
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.kinds.continuous.within import (
    WithinFit,
    difference_by_group,
    fit_within,
    primary_of_fit,
    within_setting,
)
from studykit.outcomes.results import OutcomeEstimate
from studykit.protocol.types import Protocol
from studykit.records.rows import RetentionSpells, Scores
from studykit.results import RowCount


def analyse_within(
    protocol: Protocol,
    outcome: ContinuousOutcome,
    rows: Scores,
    *,
    spells: RetentionSpells | None = None,
) -> ContinuousResult:
    """Everything about one continuous outcome, where one client gets both arms.

    Parameters
    ----------
    protocol, outcome, rows, spells
        As for `studykit.kinds.continuous.assembly.analyse_continuous`.

    Raises
    ------
    FitError
        If too few clients have scores in both arms, or the model cannot be fitted.
    """
    setting = within_setting(protocol, outcome, rows)
    fitted = fit_within(setting)
    primary = primary_of_fit(setting, fitted)
    reliability, remarks = reliability_of_tests(setting)
    return ContinuousResult(
        code=outcome.code,
        name=outcome.name,
        unit=outcome.unit,
        scale=outcome.scale,
        primary_visit=outcome.primary_visit,
        exercises=tuple(label for label in rows.exercise_labels if label),
        primary=primary,
        by_visit=(primary,),
        by_exercise=_by_exercise(fitted, primary),
        other_arms=(),
        original_unit=original_unit(setting, primary, fitted.mean(0), reference=protocol.reference_arm.code),
        standardised=standardised_effect(setting, primary),
        sensitivity=_sensitivity(setting, fitted, primary),
        means=_means(setting, fitted, primary),
        spread=_spread(fitted),
        trainer_effects=(),
        series=observed_series(setting),
        reliability=reliability,
        missing=missing_counts(setting, spells),
        model=_model_paragraph(setting, fitted),
        fallback="",
        rows=rows.rows,
        smallest_worthwhile=outcome.smallest_worthwhile,
        analysed=_analysed(setting, fitted),
        remarks=remarks,
    )


def _by_exercise(fitted: WithinFit, primary: OutcomeEstimate) -> tuple[OutcomeEstimate, ...]:
    if len(fitted.rows.exercises) < 2:
        return ()
    return tuple(
        replace(
            primary, name=f"{primary.name} on {label}", estimate=fitted.effect_on(place),
            role="exploratory" if primary.role == "exploratory" else "secondary", remarks=(),
        )
        for place, label in enumerate(fitted.rows.exercises)
    )  # fmt: skip


def _sensitivity(
    setting: Setting, fitted: WithinFit, primary: OutcomeEstimate
) -> tuple[OutcomeEstimate, ...]:
    """The plain comparison of differences within the clients who were tested in both arms."""
    plan = setting.protocol.plan
    if plan.unit == "trainer":
        return ()
    try:
        estimate = difference_by_group(fitted.rows)
    except FitError:
        return ()
    used, number = int(fitted.rows.in_both.sum()), setting.rows.clients.number
    left_out = (("not tested in both arms", number - used),) if number > used else ()
    return (
        replace(
            primary,
            name="clients tested in both arms only",
            estimate=estimate,
            role="sensitivity",
            method=f"differences within clients, each {plan.words.code} with the same weight, t on clients "
            "minus two",
            rows=RowCount(number, used, left_out, "clients"),
            remarks=(),
        ),
    )


def _means(setting: Setting, fitted: WithinFit, primary: OutcomeEstimate) -> tuple[ArmVisitMean, ...]:
    codes, outcome = setting.protocol.arm_codes, setting.outcome
    return tuple(
        ArmVisitMean(
            arm=code,
            visit=outcome.primary_visit,
            day=setting.protocol.visit(outcome.primary_visit).day,
            unit=outcome.unit,
            presentation=primary.presentation,
            estimate=fitted.mean(arm),
            clients=int(fitted.rows.in_arm(arm).sum()),
        )
        for arm, code in enumerate(codes)
    )


def _spread(fitted: WithinFit) -> tuple[VarianceComponent, ...]:
    parameters = fitted.fit.covariance_parameters
    found = [
        ("between clients" if effect.name == "client" else effect.name, float(effect.matrix[0, 0]))
        for effect in parameters.random_effects
    ]
    found.append(("residual", float(parameters.residual.matrix[0, 0])))
    largest = max(variance for _, variance in found)
    return tuple(
        VarianceComponent(name, float(np.sqrt(max(variance, 0.0))), variance < 1e-8 * largest)
        for name, variance in found
    )


def _analysed(setting: Setting, fitted: WithinFit) -> tuple[tuple[str, int], ...]:
    """Clients used, by what was allocated: order, side or step."""
    clients = setting.rows.clients
    used = np.isin(np.arange(clients.number), fitted.rows.client)
    return tuple(
        (label, int((used & (clients.arm == code)).sum())) for code, label in enumerate(clients.arm_labels)
    )


def _model_paragraph(setting: Setting, fitted: WithinFit) -> str:
    scale = "logarithm of the score" if setting.outcome.scale == "log" else "score"
    facts = [name for name, _, _ in setting.rows.clients.factors]
    facts += [name for name, _ in setting.rows.clients.covariates]
    many = len(fitted.rows.exercises) > 1
    plan, and_exercise = setting.protocol.plan, " and exercise" if many else ""
    time = f"A mean for every period{and_exercise}, so that time is no effect of the arms."
    if plan.within == "sides":
        time = (
            f"A mean at the visit after training{and_exercise}; adjusted for the score of the same side "
            "before, and for whether the side is the dominant one."
        )
    elif plan.begins_in_reference:
        time = f"A mean for every period{and_exercise}, tests before the first among them."
    random = ["clients"]
    fitted_effects = [effect.name for effect in fitted.fit.covariance_parameters.random_effects]
    random += [name for name in fitted_effects if name.startswith("client by")]
    random += ["trainers", "trainers by period"] if plan.unit == "trainer" else []
    sentences = (
        f"Linear mixed model of the {scale}, by restricted maximum likelihood; every client is in both arms.",
        time,
        f"Adjusted for {', '.join(facts)}." if facts else "",
        f"Random: {', '.join(random)}.",
        "The contrast gives each exercise the same weight." if many else "",
        "Scores not obtained are taken as missing at random, given the client's other scores and the arm.",
    )
    return " ".join(sentence for sentence in sentences if sentence)
