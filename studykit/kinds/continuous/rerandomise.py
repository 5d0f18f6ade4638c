"""Re-randomisation of a continuous outcome: arms, or orders, sides or steps, are drawn again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from studykit.kinds.continuous.analysis import Setting, prepare
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.kinds.continuous.within import within_rows, within_setting
from studykit.outcomes.client_facts import fact_columns, independent_columns, label_columns
from studykit.outcomes.rerandomisation import (
    RedrawnArms,
    check_drawn,
    inverted_interval,
    regression_products,
)
from studykit.outcomes.results import RerandomisationTest
from studykit.protocol.types import Protocol
from studykit.records.rows import StrengthRows
from studykit.results import frozen_array

Floats = NDArray[np.float64]


def rerandomise_scores(
    protocol: Protocol, outcome: ContinuousOutcome, rows: StrengthRows, *, drawn: RedrawnArms
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
    setting = prepare(protocol, outcome, rows)
    check_drawn(drawn, rows.clients.number)
    score = setting.score_at(setting.primary_visit, setting.exercises)
    used = np.isfinite(score)
    products = regression_products(
        score[used],
        _nuisance(setting, used),
        np.vstack([rows.clients.arm, drawn.arms])[:, used],
        number_of_arms=len(rows.clients.arm_labels),
        compared=setting.compared_arm,
    )
    values = products.t(0.0)
    level = protocol.analysis.confidence_level
    return RerandomisationTest(
        outcome=outcome.code,
        statistic="t of the arm in the regression of the score at the primary visit on the score before "
        + (
            "allocation and stratifiers; every split of the trainers that was kept"
            if drawn.whole_trainers
            else "allocation, stratifiers and trainer"
        ),
        draws=drawn.arms.shape[0],
        exact=drawn.probability is not None,
        p_value=drawn.p_value(values[1:], float(values[0])),
        smallest_p_value=drawn.smallest_p_value(values[1:]),
        interval=inverted_interval(products, drawn, level) if len(rows.clients.arm_labels) == 2 else None,
    )


def _nuisance(setting: Setting, used: NDArray[np.bool_]) -> Floats:
    """Everything in the regression but the arms, without columns that repeat others."""
    clients = setting.rows.clients
    columns = [np.ones(clients.number)]
    before = setting.baseline_score(setting.exercises)
    if before is not None:
        known = np.isfinite(before)
        columns.append(np.where(known, before, before[known].mean() if known.any() else 0.0))
        columns.append((~known).astype(float))
    parts = [np.column_stack(columns), fact_columns(clients).values]
    if setting.trainers.role in {"fixed", "random"}:
        parts.append(label_columns(setting.trainers.trainer, setting.trainers.labels).values)
    matrix = np.column_stack(parts)[used]
    return np.asarray(matrix[:, independent_columns(matrix)], dtype=float)


def rerandomise_within(
    protocol: Protocol, outcome: ContinuousOutcome, rows: StrengthRows, *, drawn: RedrawnArms
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
    setting = within_setting(protocol, outcome, rows)
    data = within_rows(setting)
    used = np.unique(data.client)
    cell = data.exercise * len(data.occasions) + data.occasion
    parts = [data.client[:, None] == used, cell[:, None] == np.unique(cell)[1:]]
    if protocol.plan.within == "sides":
        parts += [data.before[:, None], data.dominant[:, None]]
    nuisance = np.column_stack([part.astype(float) for part in parts])
    nuisance = nuisance[:, independent_columns(nuisance)]
    # The arm of every score if its client had been allocated otherwise: one row for each code.
    otherwise = np.array(
        [_arms_if(setting, code) for code in range(len(rows.clients.arm_labels))], dtype=np.int8
    )
    again = np.vstack([rows.clients.arm, drawn.arms])[:, data.client]
    arms = otherwise[again, np.arange(data.client.size)]
    products = regression_products(data.score, nuisance, arms, number_of_arms=2, compared=1)
    values = products.t(0.0)
    return RerandomisationTest(
        outcome=outcome.code,
        statistic="t of the arm in the regression of the score on a mean for every client and every period; "
        f"{protocol.plan.words.redrawn} drawn again",
        draws=drawn.arms.shape[0],
        exact=drawn.probability is not None,
        p_value=drawn.p_value(values[1:], float(values[0])),
        smallest_p_value=drawn.smallest_p_value(values[1:]),
        interval=inverted_interval(products, drawn, protocol.analysis.confidence_level),
    )


def _arms_if(setting: Setting, code: int) -> NDArray[np.int64]:
    """Arm of every score used, had every client been allocated ``code``."""
    number = setting.rows.clients.number
    clients = replace(setting.rows.clients, arm=frozen_array(np.full(number, code), np.int64))
    return within_rows(replace(setting, rows=replace(setting.rows, clients=clients))).arm
