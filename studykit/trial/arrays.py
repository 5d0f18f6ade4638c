"""Simulated trials as the arrays that the outcomes are analysed by."""

from __future__ import annotations

import numpy as np

from studykit.kinds.continuous.scores import ScoreArrays
from studykit.outcomes.clients import ClientArrays
from studykit.protocol.types import Protocol
from studykit.trial.batch import TrialBatch
from studykit.trial.labels import trainer_labels


def client_arrays(protocol: Protocol, batch: TrialBatch) -> ClientArrays:
    """The clients of all trials; factors are the stratifiers of the settings other than the trainer.

    Parameters
    ----------
    protocol : Protocol
        Names the arm that is compared.
    batch : TrialBatch
    """
    settings, traits = batch.settings, batch.traits
    return ClientArrays(
        batch.arm,
        settings.drawn,
        settings.arms.index(protocol.comparison_arm.code),
        traits.trainer,
        trainer_labels(settings),
        tuple(
            (factor.code, traits.levels[index], factor.levels)
            for index, factor in enumerate(settings.factors)
            if factor.code in settings.strata
        ),
    )


def score_arrays(protocol: Protocol, batch: TrialBatch) -> ScoreArrays:
    """Scores that were obtained, on the scale of the analysis."""
    settings = batch.settings
    return ScoreArrays(
        settings.outcome,
        client_arrays(protocol, batch),
        np.where(batch.observed, batch.tests.analysed, np.nan),
        tuple(visit.code for visit in settings.visits),
        tuple(machine.code for machine in settings.machines),
        settings.primary_visit,
        tuple(index for index, visit in enumerate(settings.visits) if visit.baseline),
    )
