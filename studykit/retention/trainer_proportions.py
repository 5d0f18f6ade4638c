"""Retention when trainers are the allocated units: one share per trainer, and t on trainers minus two."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from studykit.errors import ArgumentError, DesignError
from studykit.results import Estimate


@dataclass(frozen=True, slots=True)
class TrainerShare:
    """Clients of one trainer."""

    trainer: str
    compared: bool
    retained: int
    clients: int

    @property
    def share(self) -> float:
        """Share retained."""
        return self.retained / self.clients


@dataclass(frozen=True, slots=True)
class TrainerDifference:
    """Difference in the mean of trainers' shares, compared arm minus reference arm.

    ``estimate`` gives every trainer the same weight, whatever the number of clients.
    """

    estimate: Estimate
    trainers: tuple[TrainerShare, ...]


def trainer_difference(retained: ArrayLike, compared: ArrayLike, *, trainer: Any) -> TrainerDifference:
    """Compare the shares retained between trainers of two arms.

    Parameters
    ----------
    retained : array_like of bool, shape (n,)
        Known status of each client.
    compared : array_like of bool, shape (n,)
        True for clients of trainers in the compared arm.
    trainer : array_like, shape (n,)
        Labels; each trainer is in one arm.

    Returns
    -------
    TrainerDifference

    Raises
    ------
    DesignError
        If a trainer is in both arms (the comparison then is within trainers), or an arm has fewer
        than two trainers (no effect can be told from the person).

    Notes
    -----
    A two-sample t comparison of cluster proportions with equal variances (Donner & Klar 2000; Hayes &
    Moulton 2017, who recommend it for few clusters). Where every trainer has the same share within each arm,
    the standard error is zero and the p-value says nothing.

    Examples
    --------
    >>> result = trainer_difference([1, 0, 1, 1, 1, 1, 0, 1], [0, 0, 0, 0, 1, 1, 1, 1],
    ...                             trainer=["A", "A", "B", "B", "C", "C", "D", "D"])
    >>> result.estimate.value, result.estimate.degrees_of_freedom
    (0.0, 2.0)
    """
    status, arm, labels = np.asarray(retained), np.asarray(compared), np.asarray(trainer)
    if status.ndim != 1 or not status.shape == arm.shape == labels.shape:
        raise ArgumentError(where="trainer shares", expected="a status, an arm and a trainer for each client")
    if not (np.isin(status, (0, 1)).all() and np.isin(arm, (0, 1)).all()):
        raise ArgumentError(
            where="trainer shares",
            expected="status and arm True or False",
            got="others",
            todo="Leave out clients whose status is unknown, and count them.",
        )
    table = tuple(_one_trainer(label, labels == label, status, arm) for label in np.unique(labels))
    shares = [np.array([row.share for row in table if row.compared is side]) for side in (False, True)]
    if min(map(len, shares)) < 2:
        raise DesignError(
            where="trainer shares",
            expected="at least two trainers in each arm",
            got=f"{len(shares[0])} and {len(shares[1])}",
            todo="Describe the two arms; the effect cannot be told from the trainer.",
        )
    freedom = len(table) - 2.0
    pooled = sum(float(((side - side.mean()) ** 2).sum()) for side in shares) / freedom
    error = math.sqrt(pooled * (1.0 / len(shares[0]) + 1.0 / len(shares[1])))
    value = float(shares[1].mean() - shares[0].mean())
    return TrainerDifference(Estimate(value, error, freedom, "trainers minus two"), table)


def _one_trainer(label: Any, rows: Any, status: Any, arm: Any) -> TrainerShare:
    sides = np.unique(arm[rows])
    if sides.size > 1:
        raise DesignError(
            where=f"trainer {label}",
            expected="clients of one arm only",
            got="clients of both arms",
            todo="Compare within trainers: the stratified risk difference.",
        )
    return TrainerShare(str(label), bool(sides[0]), int(status[rows].sum()), int(rows.sum()))
