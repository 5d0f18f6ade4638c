"""How well the mixed model of a continuous outcome fits: leaving out, quantiles, profiles of spreads."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from studykit.errors import StudykitError
from studykit.kinds.continuous.analysis import ModelAnalysis, Setting
from studykit.kinds.continuous.model import single_model
from studykit.kinds.continuous.results import ModelCheck
from studykit.mixed import (
    Influence,
    NormalQuantiles,
    ProfileInterval,
    ResidualDeviation,
    StandardDeviation,
    VarianceProfile,
    influence_of,
    interval_and_profile,
    random_effect_quantiles,
    residual_quantiles,
)
from studykit.results import frozen_array

MOST_CLIENTS = 400
"""Above it nobody's leaving could matter, and fitting again without each of them takes too long."""

Spread = StandardDeviation | ResidualDeviation


def check_model(setting: Setting, analysis: ModelAnalysis) -> ModelCheck:
    """Look at the fit behind the primary contrast.

    What cannot be looked at (a variance at zero, a trainer without whom nothing can be fitted) is named in
    the remarks; it is never an error.
    """
    model, remarks = single_model(analysis.alone), []
    weights, _ = analysis.layout.effect(setting.compared_arm, setting.primary_visit, setting.exercises)
    weights = weights[analysis.alone.kept]
    left_out: list[tuple[str, Influence]] = []
    for who, labels in _groups(setting):
        influence = influence_of(model, labels, contrast=weights.tolist())
        left_out.append((who, influence))
        remarks += [f"Without {who} {label} the model cannot be fitted." for label, _ in influence.failed]
    if setting.rows.clients.number > MOST_CLIENTS:
        remarks.append(f"With more than {MOST_CLIENTS} clients none of them was left out in turn.")
    profiles: list[tuple[str, VarianceProfile, ProfileInterval]] = []
    for name, quantity in _spreads(setting, analysis):
        try:
            interval, profile = interval_and_profile(
                model, quantity, confidence_level=setting.protocol.analysis.confidence_level, reml=True
            )
        except StudykitError as reason:
            remarks.append(f"No interval for the spread {name}: {reason}")
            continue
        profiles.append((name, profile, interval))
    return ModelCheck(
        tuple(left_out),
        _quantiles(setting, analysis, remarks),
        tuple(profiles),
        tuple(dict.fromkeys(remarks)),
    )


def _groups(setting: Setting) -> list[tuple[str, NDArray[np.str_]]]:
    """Labels of every row by client, and by trainer where there are several."""
    rows, trainers, found = setting.rows, setting.trainers, []
    if rows.clients.number <= MOST_CLIENTS:
        found.append(("client", np.array(rows.clients.labels)[rows.client]))
    own = trainers.trainer[rows.client]
    if len(trainers.labels) > 1 and len(np.unique(own)) > 1:
        found.append(("trainer", np.array(trainers.labels)[own]))
    return found


def _spreads(setting: Setting, analysis: ModelAnalysis) -> list[tuple[str, Spread]]:
    """Standard deviations to profile; of those that differ between visits, the one at the primary visit."""
    primary = setting.rows.visit_labels[setting.primary_visit]
    found: list[tuple[str, Spread]] = []
    for effect in analysis.alone.random_effects:
        if len(effect.columns) == 1:
            found.append((effect.name, StandardDeviation(effect.name)))
        elif primary in effect.columns:
            found.append((f"between clients, {primary}", StandardDeviation(effect.name, primary)))
    residual = analysis.alone.residual
    if residual is None or residual.kind == "equal":
        found.append(("residual", ResidualDeviation()))
    else:
        name = f"between clients, with error, {primary}"
        found.append((name, ResidualDeviation(setting.primary_visit)))
    return found


def _quantiles(setting: Setting, analysis: ModelAnalysis, remarks: list[str]) -> tuple[NormalQuantiles, ...]:
    """Of residuals, and of predictions with the labels that people know."""
    found = [residual_quantiles(analysis.fit)]
    known = {"client": setting.rows.clients.labels, "trainer": setting.trainers.labels}
    primary = setting.rows.visit_labels[setting.primary_visit]
    for effect in analysis.alone.random_effects:
        if effect.name not in known:
            continue
        column = primary if len(effect.columns) > 1 else None
        try:
            quantiles = random_effect_quantiles(analysis.fit, effect.name, column=column)
        except StudykitError:
            remarks.append(f"The estimated variance of {effect.name} is zero: all its predictions are alike.")
            continue
        labels = tuple(known[effect.name][int(label)] for label in quantiles.labels)
        found.append(
            NormalQuantiles(
                quantiles.what, labels, frozen_array(quantiles.observed), frozen_array(quantiles.expected)
            )
        )
    return tuple(found)
