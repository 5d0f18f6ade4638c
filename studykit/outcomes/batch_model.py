"""A mixed model of m studies at once, whatever the kind of outcome: a single study is a batch of one.

The rows are a grid that all studies share, with what is missing masked. Studies that keep the same columns,
and whose trainers have the same rows, are fitted together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed import RandomEffect, ResidualStructure
from studykit.outcomes.clients import independent_columns

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
RandomPart = tuple[tuple[RandomEffect, ...], ResidualStructure | None]


@dataclass(frozen=True, slots=True, eq=False)
class BatchModel:
    """The model of m studies, before columns that repeat others are left out.

    Parameters
    ----------
    outcome : ndarray, shape (m, n)
        0 where missing.
    fixed_effects : ndarray, shape (m, n, p)
    observed : ndarray of bool, shape (m, n)
    names : tuple of str, length p
    kept : ndarray of bool, shape (m, p)
        Columns that do not repeat those before them.
    adjusting : int
        Columns before it are means and effects of arms; those from it on adjust.
    alike : ndarray of int, shape (m, k)
        What else studies fitted together must share.
    random : callable
        A study and the rows used, shape (n,), to the random effects and residual structure.
    """

    outcome: Floats
    fixed_effects: Floats
    observed: Flags
    names: tuple[str, ...]
    kept: Flags
    adjusting: int
    alike: Integers
    random: Callable[[int, Flags], RandomPart]

    @classmethod
    def of(
        cls,
        outcome: Floats,
        blocks: Sequence[Floats],
        names: Sequence[str],
        *,
        adjusting: int,
        random: Callable[[int, Flags], RandomPart],
        trainer: Integers | None = None,
    ) -> BatchModel:
        """From the outcome, ``nan`` where missing, and columns in blocks of shape (m, n, k).

        ``trainer``, shape (m, clients), where trainers are random: studies fitted together share it.
        """
        observed = np.isfinite(outcome)
        matrix = np.concatenate(blocks, axis=2)
        matrix *= observed[..., None]  # what is missing has no say in what repeats what
        return cls(
            np.where(observed, outcome, 0.0),
            matrix,
            observed,
            tuple(names),
            independent_columns(matrix),
            adjusting,
            np.zeros((len(outcome), 0), dtype=np.int64) if trainer is None else trainer,
            random,
        )

    def left_out(self, study: int = 0) -> tuple[str, ...]:
        """Columns that adjust and repeat others."""
        kept = self.kept[study]
        return tuple(
            name for place, name in enumerate(self.names) if place >= self.adjusting and not kept[place]
        )

    def groups(self) -> Iterator[tuple[Integers, StudiesAlike]]:
        """Studies that can be fitted together, by index."""
        pattern = np.column_stack([self.kept, self.alike])
        group = np.unique(pattern, axis=0, return_inverse=True)[1].ravel()
        for code in range(int(group.max(initial=-1)) + 1):
            places = np.flatnonzero(group == code)
            if self.observed[places].any():
                yield places, self._alike(places)

    def alone(self) -> StudiesAlike:
        """The only study."""
        return self._alike(np.zeros(1, dtype=np.int64))

    def _alike(self, places: Integers) -> StudiesAlike:
        rows, kept = np.asarray(self.observed[places].any(axis=0)), self.kept[places[0]]
        effects, residual = self.random(int(places[0]), rows)
        matrix = self.fixed_effects
        if places.size < len(matrix) or not (rows.all() and kept.all()):  # a large array, not copied in vain
            matrix = matrix[places][:, rows][:, :, kept]
        return StudiesAlike(
            self.outcome[places][:, rows],
            matrix,
            self.observed[places][:, rows],
            tuple(name for name, keep in zip(self.names, kept, strict=True) if keep),
            kept,
            effects,
            residual,
        )


@dataclass(frozen=True, slots=True, eq=False)
class StudiesAlike:
    """Studies that share their rows, columns and random part, ready to be fitted.

    Parameters
    ----------
    outcome, observed : ndarray, shape (m, n)
    fixed_effects : ndarray, shape (m, n, q)
    names : tuple of str, length q
    kept : ndarray of bool, shape (p,)
        The columns among those of the whole model.
    random_effects : tuple of RandomEffect
    residual : ResidualStructure or None
    """

    outcome: Floats
    fixed_effects: Floats
    observed: Flags
    names: tuple[str, ...]
    kept: Flags
    random_effects: tuple[RandomEffect, ...]
    residual: ResidualStructure | None
