"""Many studies of one size at once, as arrays: what simulation gives, and the answers it gets back.

Every study has the same numbers of clients, visits and exercises, and complete facts; allocation, scores and
what is missing differ. The first axis counts studies.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class ManyClients:
    """The allocated clients of many studies, in order of allocation.

    Parameters
    ----------
    arm : ndarray of int, shape (m, clients)
        0 is the reference arm.
    arms : int
        How many there are.
    compared_arm : int
        The arm that is compared with the reference arm.
    trainer : ndarray of int, shape (m, clients)
        From 0.
    trainers : int
        How many there are.
    factors : tuple of ndarray of int, shape (m, clients)
        Stratifiers other than the trainer, levels from 0.
    levels : tuple of int
        How many levels each has.
    """

    arm: Integers
    arms: int
    compared_arm: int
    trainer: Integers
    trainers: int
    factors: tuple[Integers, ...]
    levels: tuple[int, ...]

    @property
    def studies(self) -> int:
        """How many there are."""
        return len(self.arm)

    def take(self, which: Any) -> ManyClients:
        """Some of the studies, by index or flag."""
        return ManyClients(
            self.arm[which], self.arms, self.compared_arm, self.trainer[which], self.trainers,
            tuple(factor[which] for factor in self.factors), self.levels,
        )  # fmt: skip

    def reordered(self, order: Integers) -> ManyClients:
        """The same clients in another order, ``order`` of shape (m, clients)."""

        def moved(values: Integers) -> Integers:
            return np.take_along_axis(values, order, axis=1)

        factors = tuple(moved(factor) for factor in self.factors)
        return ManyClients(
            moved(self.arm), self.arms, self.compared_arm, moved(self.trainer), self.trainers, factors,
            self.levels,
        )  # fmt: skip

    def fact_columns(self) -> Floats:
        """Indicators of all levels but the first, centred in each study; shape (m, clients, columns).

        `client_facts.fact_columns` of many studies; a level that a study lacks is a column of zeros.
        """
        blocks = [
            factor[..., None] == np.arange(1, number)
            for factor, number in zip(self.factors, self.levels, strict=True)
        ]
        return _centred(blocks, self.arm.shape)

    def trainer_columns(self) -> Floats:
        """The same for trainers."""
        return _centred([self.trainer[..., None] == np.arange(1, self.trainers)], self.arm.shape)


def _centred(blocks: list[Flags], shape: tuple[int, ...]) -> Floats:
    values = np.concatenate([*blocks, np.empty((*shape, 0), dtype=bool)], axis=2).astype(float)
    return np.asarray(values - values.mean(axis=1, keepdims=True), dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class ManyScores:
    """One continuous outcome of many studies.

    Parameters
    ----------
    clients : ManyClients
    score : ndarray of float, shape (m, clients, visits, exercises)
        On the analysis scale, ``nan`` where missing.
    primary_visit : int
    baseline_visits : tuple of int
    """

    clients: ManyClients
    score: Floats
    primary_visit: int
    baseline_visits: tuple[int, ...]

    @property
    def observed(self) -> Flags:
        """Scores that were obtained, in the shape of ``score``."""
        return np.isfinite(self.score)

    @property
    def follow_up(self) -> Flags:
        """Visits after allocation, shape (visits,)."""
        return ~np.isin(np.arange(self.score.shape[2]), self.baseline_visits)

    @property
    def with_primary_score(self) -> Flags:
        """Clients with any score at the primary visit, shape (m, clients)."""
        return np.asarray(self.observed[:, :, self.primary_visit].any(axis=-1), dtype=bool)

    def take(self, which: Any) -> ManyScores:
        """Some of the studies, by index or flag."""
        return ManyScores(
            self.clients.take(which), self.score[which], self.primary_visit, self.baseline_visits
        )

    def reordered(self, order: Integers) -> ManyScores:
        """The same clients in another order, ``order`` of shape (m, clients)."""
        score = np.take_along_axis(self.score, order[..., None, None], axis=1)
        return ManyScores(self.clients.reordered(order), score, self.primary_visit, self.baseline_visits)


@dataclass(frozen=True, slots=True, eq=False)
class ManyAnswers:
    """The primary answers of many studies; arrays of shape (m,), ``nan`` where there is none.

    Parameters
    ----------
    value, lower, upper, p_value : ndarray of float
    standard_error, degrees_of_freedom : ndarray of float
        ``nan`` as well where the interval is no t-interval.
    by_model : ndarray of bool
        By the model, not by the fallback.
    at_boundary : ndarray of bool
        A variance was estimated at zero.
    open : ndarray of bool
        Studies that do not fit the arrays and have to be analysed one by one.
    """

    value: Floats
    lower: Floats
    upper: Floats
    p_value: Floats
    standard_error: Floats
    degrees_of_freedom: Floats
    by_model: Flags
    at_boundary: Flags
    open: Flags

    @classmethod
    def empty(cls, studies: int) -> ManyAnswers:
        """No answer yet to any study: all open."""
        nothing = np.full(studies, np.nan)
        return cls.of_t(nothing, nothing, nothing, confidence_level=0.95, by_model=False).opened()

    @classmethod
    def of_t(
        cls,
        value: Floats,
        standard_error: Floats,
        degrees_of_freedom: Floats,
        *,
        confidence_level: float,
        by_model: bool,
        at_boundary: Flags | None = None,
    ) -> ManyAnswers:
        """Answers with t; a study whose value is ``nan`` has failed and is not open."""
        with np.errstate(invalid="ignore", divide="ignore"):
            reach = stdtrit(degrees_of_freedom, 0.5 + confidence_level / 2.0) * standard_error
            p_value = 2.0 * stdtr(degrees_of_freedom, -np.abs(value / standard_error))
        nothing = np.zeros(value.shape, dtype=bool)
        return cls(
            value, value - reach, value + reach, p_value, standard_error, degrees_of_freedom,
            np.full(value.shape, by_model), nothing if at_boundary is None else at_boundary, nothing.copy(),
        )  # fmt: skip

    def opened(self) -> ManyAnswers:
        """The same, all studies open."""
        return replace(self, open=np.ones(self.value.shape, dtype=bool))

    def filled(self, which: Any, found: ManyAnswers) -> ManyAnswers:
        """A copy in which the studies ``which`` (by index or flag) have the answers ``found``."""

        def put(own: NDArray[Any], new: NDArray[Any]) -> NDArray[Any]:
            changed = own.copy()
            changed[which] = new
            return changed

        return self.combined(found, put)

    def take(self, which: Any) -> ManyAnswers:
        """Some of the studies, by index or flag."""
        return self.combined(self, lambda own, _: own[which])

    def combined(
        self, other: ManyAnswers, how: Callable[[NDArray[Any], NDArray[Any]], NDArray[Any]]
    ) -> ManyAnswers:
        """Array by array, by a function of both."""
        changed = {
            item.name: how(getattr(self, item.name), getattr(other, item.name)) for item in fields(self)
        }
        return replace(self, **changed)
