r"""What a number of clients can tell where one client gets both arms, in closed form.

Legend. :math:`s` spread of one score between clients, :math:`r` correlation of two tests of a client,
:math:`k` exercises with residual correlation :math:`c`. From test to test a client's composite moves by
:math:`s^2(1-r)\,\frac{1+(k-1)c}{k}`; the rest stays with the client and cancels out. The analysis is
`studykit.outcomes.within_model`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError
from studykit.planning.assumptions import Assumptions
from studykit.planning.means import composite_variance, summary_variance
from studykit.planning.power import ErrorAndFreedom
from studykit.planning.within import crossover_error, limbs_error, stepped_error
from studykit.protocol.types import ContinuousOutcome, Protocol

JOIN_TOGETHER = (
    "Periods count from each client's enrolment, and trainers go over on a day: all clients must be enrolled "
    "within days of each other. Take clients who train with you already; the months below are for studies "
    "that wait for new ones."
)
FEWEST = 4.0  # clients with scores in both arms, as the analysis demands


@dataclass(frozen=True, slots=True)
class Turning:
    """The spreads that matter where one client gets both arms.

    Parameters
    ----------
    design : {"crossover", "limbs", "stepped"}
    moving_sd : float
        Of a client's composite from test to test; for limbs, of one side, its own test before accounted for.
    staying_sd : float
        Of what stays with a client; matters in a stepped roll-out only.
    trainer_sd : float
        Between trainers; matters in a stepped roll-out only.
    likeness : float
        Correlation of a client's two sides; 0 elsewhere.
    periods : int
        With a test at the end; 1 for limbs.
    tested_before : bool
        Whether there is a test before the first period.
    """

    design: str
    moving_sd: float
    staying_sd: float
    trainer_sd: float
    likeness: float
    periods: int
    tested_before: bool


def turning_of(protocol: Protocol, outcome: ContinuousOutcome, assumptions: Assumptions) -> Turning | None:
    """The spreads of a protocol in which clients get both arms; ``None`` where each stays in one arm."""
    if not protocol.turns:
        return None
    limbs = protocol.design == "limbs"
    exercises = len({protocol.exercise(code).pair or code for code in outcome.exercises} if limbs
                    else outcome.exercises)  # fmt: skip
    sd, correlation = assumptions.value("sd_score"), assumptions.value("correlation_baseline")
    several = (
        composite_variance(exercises, assumptions.value("correlation_exercises")) if exercises > 1 else 1.0
    )
    moving = summary_variance("baseline-adjusted", correlation) if limbs else 1.0 - correlation
    stepped = protocol.design == "stepped"
    icc = assumptions.value("trainer_icc_strength") if stepped else 0.0
    return Turning(
        design=protocol.design,
        moving_sd=sd * math.sqrt(moving * several),
        staying_sd=sd * math.sqrt(max(correlation - icc, 0.0)),
        trainer_sd=sd * math.sqrt(icc),
        likeness=assumptions.value("correlation_limbs") if limbs else 0.0,
        periods=max(len(protocol.periods), 1),
        tested_before=bool(protocol.baseline_visits),
    )


def share_in_both(protocol: Protocol, assumptions: Assumptions, *, tested: float) -> float:
    """Of the share tested at the last visit, that which also has what it is compared with.

    In a crossover the test of the first period can be missed as well; two sides are tested on one day, and
    in a stepped roll-out whatever tests there are count.
    """
    return tested * (1.0 - assumptions.value("missed_tests")) if protocol.design == "crossover" else tested


def steps_of_trainers(trainers: int, periods: int, *, before: bool) -> NDArray[np.float64] | None:
    """Who delivers the compared arm in which period, trainers spread over the steps: (trainers, periods).

    Parameters
    ----------
    trainers, periods : int
    before : bool
        Whether the test before the first period counts as a period of its own, in the first arm.

    Examples
    --------
    >>> steps_of_trainers(3, 3, before=True).astype(int).tolist()
    [[0, 0, 1, 1], [0, 0, 1, 1], [0, 0, 0, 1]]
    """
    steps = periods - 1
    if steps < 1 or trainers < steps:
        return None
    goes_over = np.repeat(
        np.arange(1, periods), [len(group) for group in np.array_split(np.arange(trainers), steps)]
    )
    schedule = (np.arange(periods)[None, :] >= goes_over[:, None]).astype(float)
    return np.column_stack([np.zeros(trainers), schedule]) if before else schedule


def turning_error(turning: Turning, tested: float, trainers: int) -> ErrorAndFreedom | None:
    """Error and degrees of freedom with so many clients tested in both arms; ``None`` with too few.

    Notes
    -----
    Stepped: the mean of a trainer's clients in a period, the same clients in all periods, so that what stays
    with them counts as the trainer's (Hooper, Teerenstra, de Hoop & Eldridge 2016, Statistics in Medicine
    35:4718).

    Examples
    --------
    >>> crossed = Turning("crossover", 0.06, 0.2, 0.0, 0.0, 2, True)
    >>> round(turning_error(crossed, 18.0, 3).standard_error, 4)
    0.02
    """
    if tested < FEWEST:
        return None
    if turning.design == "crossover":
        return crossover_error(tested, turning.moving_sd)
    if turning.design == "limbs":
        return limbs_error(tested, turning.moving_sd, correlation_limbs=turning.likeness)
    schedule = steps_of_trainers(trainers, turning.periods, before=turning.tested_before)
    if schedule is None:
        return None
    each = tested / trainers
    try:
        return stepped_error(
            schedule,
            cell_variance=turning.moving_sd**2 / each,
            trainer_variance=turning.trainer_sd**2 + turning.staying_sd**2 / each,
        )
    except ArgumentError:
        return None  # too few trainers and periods to tell time and arm apart
