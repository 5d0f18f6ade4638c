r"""Re-randomisation tests of a continuous outcome.

Legend: :math:`y` scores at the primary visit, :math:`a` the arm seen, :math:`e_r` the arm of
draw :math:`r` with baseline score, stratifiers, trainers and further arms regressed out, :math:`M_r` that
projection. The statistic at a shift :math:`\tau` is the t of the arm in the regression of
:math:`y - \tau a`:

.. math:: t_r(\tau) = \frac{e_r'(y - \tau a)}{\sqrt{e_r'e_r\,\hat\sigma^2_r(\tau)}}

so three products per draw give it for every shift, and the interval is where the p-value is above
one minus the level.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from studykit.kinds.continuous.analysis import Setting, prepare
from studykit.kinds.continuous.primary import regression_at
from studykit.kinds.continuous.regression import adjusting_columns
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.kinds.continuous.within import within_rows, within_setting
from studykit.outcomes.clients import independent_columns
from studykit.outcomes.rerandomisation import RedrawnArms, inverted_interval, regression_products
from studykit.outcomes.results import RerandomisationTest
from studykit.protocol.types import Protocol
from studykit.records.rows import Scores

Floats = NDArray[np.float64]


def rerandomise(
    protocol: Protocol, outcome: ContinuousOutcome, rows: Scores, *, drawn: RedrawnArms
) -> RerandomisationTest:
    """Re-randomisation test of a continuous outcome at its primary visit, with an interval by inversion.

    Parameters
    ----------
    protocol, outcome, rows
        As for the analysis itself; the statistic is that of the regression on baseline.
    drawn : RedrawnArms
        One column per client of ``rows``.

    Returns
    -------
    RerandomisationTest
        The interval is on the scale of the analysis, for a shift that is the same for all; only with two
        arms and random draws or lists that can reach the level.

    Raises
    ------
    ArgumentError
        If ``drawn`` does not fit the clients.
    FitError, DesignError
        As the analysis.
    """
    setting, labels = prepare(protocol, outcome, rows), rows.clients.arm_labels
    score = setting.score_at(setting.primary_visit, setting.exercises)
    used = np.isfinite(score)
    products = regression_products(
        score[used],
        _nuisance(setting, used),
        drawn.with_seen(rows.clients.arm)[:, used],
        number_of_arms=len(labels),
        compared=setting.compared_arm,
    )
    statistic = "t of the arm in the regression of the score at the primary visit on the score before "
    statistic += (
        "allocation and stratifiers; every split of the trainers that was kept"
        if drawn.whole_trainers
        else "allocation, stratifiers and trainer"
    )
    level = protocol.analysis.confidence_level
    interval = inverted_interval(products, drawn, level) if len(labels) == 2 else None
    return drawn.test(outcome.code, statistic, products.t(0.0), interval)


def _nuisance(setting: Setting, used: NDArray[np.bool_]) -> Floats:
    """Everything in the regression but the arms, without what repeats others or left for want of clients."""
    _, parts, blocks = adjusting_columns(
        setting.arrays.baseline_score(setting.exercises),
        setting.arrays.clients,
        trainers=setting.trainers.role in {"fixed", "random"},
    )
    gone = regression_at(
        setting.arrays, setting.trainers.role, setting.primary_visit, setting.exercises
    ).dropped()
    stays = np.array([True, *(part not in gone for part in parts)])
    matrix = np.column_stack([np.ones(used.size), *(block[0] for block in blocks)])[used][:, stays]
    return np.asarray(matrix[:, independent_columns(matrix)], dtype=float)


def rerandomise_within(
    protocol: Protocol, outcome: ContinuousOutcome, rows: Scores, *, drawn: RedrawnArms
) -> RerandomisationTest:
    """The t of the arm in a regression with a mean for every client and every period (and exercise).

    Parameters
    ----------
    protocol, outcome, rows
        As for the analysis.
    drawn : RedrawnArms
        Orders, sides or steps of every client, one column per client of ``rows``.

    Notes
    -----
    Scores and what is missing stay as they are; every draw gives every score the arm that it would have had.
    """
    scores = within_setting(protocol, outcome, rows).arrays
    data = within_rows(protocol, scores)
    used = np.unique(data.client)
    cell = data.exercise * len(data.occasions) + data.occasion
    parts = [data.client[:, None] == used, cell[:, None] == np.unique(cell)[1:]]
    if protocol.plan.within == "sides":
        parts += [data.before[0][:, None], data.dominant[0][:, None]]
    nuisance = np.column_stack([part.astype(float) for part in parts])
    nuisance = nuisance[:, independent_columns(nuisance)]
    # The arm of every score if its client had been allocated otherwise: one study for each code.
    codes = np.arange(len(rows.clients.arm_labels))
    otherwise = scores.take(np.zeros_like(codes))
    arm = np.broadcast_to(codes[:, None], otherwise.clients.arm.shape)
    otherwise = replace(otherwise, clients=replace(otherwise.clients, arm=arm))
    again = drawn.with_seen(rows.clients.arm)[:, data.client]
    arms = within_rows(protocol, otherwise).arm.astype(np.int8)[again, np.arange(data.client.size)]
    products = regression_products(data.score[0], nuisance, arms, number_of_arms=2, compared=1)
    statistic = (
        "t of the arm in the regression of the score on a mean for every client and every period; "
        f"{protocol.plan.words.redrawn} drawn again"
    )
    interval = inverted_interval(products, drawn, protocol.analysis.confidence_level)
    return drawn.test(outcome.code, statistic, products.t(0.0), interval)
