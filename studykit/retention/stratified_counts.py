"""Clients and those retained, in two arms, stratum by stratum."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.errors import ArgumentError, FitError
from studykit.results import Result, frozen_array

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
UNINFORMATIVE = {
    "expected": "a stratum with clients of both arms",
    "got": "none",
    "todo": "Without strata the arms can be compared, but trainer and arm are then the same thing.",
}


@dataclass(frozen=True, slots=True)
class StratumDifference(Result):
    """One stratum: numbers in the reference arm, then in the compared arm, and its weight.

    ``difference`` is not a number and ``weight`` is 0 where an arm is empty.
    """

    stratum: str
    retained: tuple[int, int]
    clients: tuple[int, int]
    difference: float
    weight: float


@dataclass(frozen=True, slots=True, eq=False)
class StratifiedCounts:
    """Two-by-two tables, one per stratum.

    Parameters
    ----------
    retained, clients : array_like of int, shape (s, 2)
        Clients retained, and all clients whose status is known; column 0 the reference arm, column 1
        the compared arm. ``0 <= retained <= clients``.
    strata : tuple of str, optional
        Labels; one unnamed stratum may go without.

    Raises
    ------
    ArgumentError
        If shapes or numbers are impossible.

    Examples
    --------
    >>> counts = StratifiedCounts([[5, 8]], [[12, 11]])
    >>> counts.clients.sum()
    np.int64(23)
    """

    retained: Integers
    clients: Integers
    strata: tuple[str, ...]

    def __init__(self, retained: ArrayLike, clients: ArrayLike, *, strata: tuple[str, ...] = ()) -> None:
        kept, all_clients = np.asarray(retained), np.asarray(clients)
        labels = tuple(strata) or tuple(str(number) for number in range(1, len(kept) + 1))
        if kept.ndim != 2 or kept.shape[1:] != (2,) or kept.shape != all_clients.shape:
            raise ArgumentError(
                where="stratified counts",
                expected="retained and clients of shape (strata, 2)",
                got=f"shapes {kept.shape} and {all_clients.shape}",
            )
        if len(labels) != kept.shape[0]:
            raise ArgumentError(
                where="stratified counts", expected=f"{kept.shape[0]} labels", got=str(len(labels))
            )
        whole = all(np.array_equal(values, np.round(values)) for values in (kept, all_clients))
        if not whole or (kept < 0).any() or (kept > all_clients).any():
            raise ArgumentError(
                where="stratified counts", expected="whole numbers, 0 <= retained <= clients", got="others"
            )
        object.__setattr__(self, "retained", frozen_array(kept, np.int64))
        object.__setattr__(self, "clients", frozen_array(all_clients, np.int64))
        object.__setattr__(self, "strata", labels)

    @property
    def informative(self) -> NDArray[np.bool_]:
        """Strata with clients in both arms; shape (s,)."""
        return np.asarray((self.clients > 0).all(axis=1))

    @property
    def weights(self) -> Floats:
        """Mantel-Haenszel weights n1 n0 / (n1 + n0) as shares of one; 0 where an arm is empty."""
        n = self.clients.astype(float)
        raw = n[:, 0] * n[:, 1] / np.maximum(n.sum(axis=1), 1.0)
        return np.asarray(raw / raw.sum() if raw.any() else raw)

    def require_informative(self, where: str) -> None:
        """Refuse when no stratum has clients in both arms."""
        if not self.informative.any():
            raise FitError(where=where, **UNINFORMATIVE)

    def pooled(self) -> StratifiedCounts:
        """One table, strata ignored."""
        return StratifiedCounts(
            self.retained.sum(axis=0)[None], self.clients.sum(axis=0)[None], strata=("all",)
        )

    def table(self) -> tuple[StratumDifference, ...]:
        """Each stratum with its numbers, difference and weight; none is left out."""
        with np.errstate(invalid="ignore", divide="ignore"):
            share = self.retained / self.clients
        return tuple(
            StratumDifference(
                stratum=label,
                retained=(int(self.retained[s, 0]), int(self.retained[s, 1])),
                clients=(int(self.clients[s, 0]), int(self.clients[s, 1])),
                difference=float(share[s, 1] - share[s, 0]),
                weight=float(self.weights[s]),
            )
            for s, label in enumerate(self.strata)
        )


def count_by_stratum(retained: ArrayLike, compared: ArrayLike, *, strata: Any = None) -> StratifiedCounts:
    """Tables from one row per client.

    Parameters
    ----------
    retained : array_like of bool, shape (n,)
        Known status of each client; leave out and count those unknown.
    compared : array_like of bool, shape (n,)
        True for the compared arm.
    strata : array_like, shape (n,), optional
        Stratum labels, such as the trainer; one stratum unless given.

    Raises
    ------
    ArgumentError
        If lengths differ or a status is not yes or no.

    Examples
    --------
    >>> count_by_stratum([1, 0, 1, 1], [False, False, True, True], strata=["T1"] * 4).table()
    (StratumDifference(stratum='T1', retained=(1, 2), clients=(2, 2), difference=0.5, weight=1.0),)
    """
    status, arm = np.asarray(retained), np.asarray(compared)
    labels, codes = np.unique(
        np.full(status.shape, "all") if strata is None else np.asarray(strata), return_inverse=True
    )
    if status.ndim != 1 or not status.shape == arm.shape == codes.shape:
        raise ArgumentError(
            where="retained clients",
            expected="a status, an arm and a stratum for each client",
            got=f"shapes {status.shape}, {arm.shape} and {codes.shape}",
        )
    for name, values in (("status", status), ("arm", arm)):
        if not np.isin(values, (0, 1)).all():
            raise ArgumentError(
                where=f"retained clients, {name}",
                expected="True or False for each client",
                got="others",
                todo="Leave out clients whose status is unknown, and count them.",
            )
    cell = 2 * codes + arm.astype(int)
    size = 2 * labels.size
    kept = np.bincount(cell, status.astype(float), minlength=size).reshape(-1, 2)
    clients = np.bincount(cell, minlength=size).reshape(-1, 2)
    return StratifiedCounts(kept, clients, strata=tuple(str(label) for label in labels))
