"""How much of the spread of retention lies between trainers: the intraclass correlation of a yes or no."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtri

from studykit.errors import ArgumentError, DesignError
from studykit.results import Interval, check_confidence_level


@dataclass(frozen=True, slots=True)
class TrainerSpread:
    """Intraclass correlation of retention over trainers.

    Parameters
    ----------
    value : float
        As estimated; below 0 where trainers differ less than chance alone would make them.
    ratio : float
        Mean square between trainers over that within: F.
    trainers, clients : int
    typical_size : float
        Clients per trainer that enters the formula; the mean where all have the same number.
    """

    value: float
    ratio: float
    trainers: int
    clients: int
    typical_size: float

    @property
    def p_value(self) -> float:
        """Not a number: no question is asked of a spread."""
        return math.nan

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """By the F distribution of the ratio of mean squares, cut at 0 and 1 (Searle 1971).

        Exact for a normal outcome and equal numbers of clients; for yes or no a rough guide, as every
        interval for few trainers is (Ukoumunne 2002, Statistics in Medicine 21:3757).
        """
        check_confidence_level(confidence_level)
        tail = (1.0 - confidence_level) / 2.0
        between, within = self.trainers - 1.0, float(self.clients - self.trainers)
        ends = []
        for chance in (1.0 - tail, tail):
            f = self.ratio / float(fdtri(between, within, chance))
            ends.append(1.0 if math.isinf(f) else (f - 1.0) / (f + self.typical_size - 1.0))
        lower, upper = (min(max(end, 0.0), 1.0) for end in ends)
        return Interval(lower, upper, confidence_level, "F of the mean squares, cut at 0")


def trainer_spread(retained: ArrayLike, *, trainer: Any) -> TrainerSpread:
    r"""Intraclass correlation of retention over trainers, by mean squares.

    Parameters
    ----------
    retained : array_like of bool, shape (n,)
        Known status of each client.
    trainer : array_like, shape (n,)
        Labels.

    Returns
    -------
    TrainerSpread

    Raises
    ------
    ArgumentError
        If shapes differ or a status is neither True nor False.
    DesignError
        If there are fewer than two trainers, or as many trainers as clients.

    Notes
    -----
    :math:`\hat\rho=(B-W)/\{B+(m_0-1)W\}` with the mean squares B between and W within, and
    :math:`m_0=(N-\sum m^2/N)/(k-1)`; the recommended estimator for a yes or no among those compared by
    Ridout, Demétrio & Firth 1999, Biometrics 55:137.

    Examples
    --------
    >>> round(trainer_spread([1, 1, 1, 0, 0, 0, 1, 0], trainer=["A"] * 4 + ["B"] * 4).value, 4)
    0.2
    """
    status, labels = np.asarray(retained), np.asarray(trainer)
    if status.ndim != 1 or status.shape != labels.shape or not np.isin(status, (0, 1)).all():
        raise ArgumentError(
            where="spread between trainers",
            expected="a status, True or False, and a trainer for each client",
            got=f"shapes {status.shape} and {labels.shape}, or other values",
            todo="Leave out clients whose status is unknown, and count them.",
        )
    names, code = np.unique(labels, return_inverse=True)
    sizes = np.bincount(code).astype(float)
    clients, trainers = len(status), len(names)
    if trainers < 2 or clients <= trainers:
        raise DesignError(
            where="spread between trainers",
            expected="two trainers or more, and more clients than trainers",
            got=f"{trainers} trainers, {clients} clients",
        )
    y = status.astype(float)
    means = np.bincount(code, y) / sizes
    between = float(sizes @ (means - y.mean()) ** 2) / (trainers - 1.0)
    within = float(((y - means[code]) ** 2).sum()) / (clients - trainers)
    typical = (clients - float(sizes @ sizes) / clients) / (trainers - 1.0)
    total = between + (typical - 1.0) * within
    ratio = between / within if within > 0.0 else (math.inf if between > 0.0 else 1.0)
    value = (between - within) / total if total > 0.0 else 0.0
    return TrainerSpread(value, ratio, trainers, clients, typical)
