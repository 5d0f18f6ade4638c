"""Simulated trials as the arrays that the outcomes analyse many studies by."""

from __future__ import annotations

import numpy as np

from studykit.outcomes.many import ManyClients, ManyScores
from studykit.protocol.types import Protocol
from studykit.trial.batch import TrialBatch


def many_clients(protocol: Protocol, batch: TrialBatch) -> ManyClients:
    """The clients of all trials; factors are the stratifiers of the settings other than the trainer.

    Parameters
    ----------
    protocol : Protocol
        Names the arm that is compared.
    batch : TrialBatch
    """
    settings, traits = batch.settings, batch.traits
    used = [index for index, factor in enumerate(settings.factors) if factor.code in settings.strata]
    return ManyClients(
        arm=batch.arm,
        arms=len(settings.arms),
        compared_arm=settings.arms.index(protocol.comparison_arm.code),
        trainer=traits.trainer,
        trainers=settings.trainers,
        factors=tuple(traits.levels[index] for index in used),
        levels=tuple(len(settings.factors[index].levels) for index in used),
    )


def many_scores(protocol: Protocol, batch: TrialBatch) -> ManyScores:
    """Scores that were obtained, on the scale of the analysis."""
    settings = batch.settings
    return ManyScores(
        clients=many_clients(protocol, batch),
        score=np.where(batch.observed, batch.tests.analysed, np.nan),
        primary_visit=settings.primary_visit,
        baseline_visits=tuple(index for index, visit in enumerate(settings.visits) if visit.baseline),
    )
