"""Clients who get the arm of their trainer: nothing is drawn, but it is recorded like a draw."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.allocation.method import Factors
from studykit.errors import ArgumentError


@dataclass(frozen=True, slots=True)
class WithTrainer:
    """Every client gets the arm of the trainer.

    Parameters
    ----------
    arms : tuple of str
    arm_of : mapping of str to str
        The arm of every trainer, as drawn.

    Examples
    --------
    >>> method = WithTrainer(("a", "b"), {"T1": "b", "T2": "a"})
    >>> method.next_probabilities(method.start(), {"trainer": "T1"})
    (Fraction(0, 1), Fraction(1, 1))
    """

    arms: tuple[str, ...]
    arm_of: Mapping[str, str]

    @property
    def factors(self) -> tuple[str, ...]:
        """The trainer."""
        return ("trainer",)

    @property
    def carries_over(self) -> bool:
        """It does not matter: there is no state."""
        return False

    def start(self) -> None:
        """There is no state."""

    def after(self, state: None, stratum: Factors, arm: str) -> None:
        """There is no state."""

    def next_probabilities(self, state: None, stratum: Factors) -> tuple[Fraction, ...]:  # noqa: ARG002 — shared shape
        """One for the arm of the trainer.

        Raises
        ------
        ArgumentError
            If the trainer has no arm.
        """
        arm = self.arm_of.get(stratum["trainer"])
        if arm is None:
            raise ArgumentError(
                where="trainer", expected=f"one of {', '.join(sorted(self.arm_of))}", got=stratum["trainer"]
            )
        return tuple(Fraction(int(code == arm)) for code in self.arms)

    def simulate(self, levels: NDArray[np.integer[Any]], rng: np.random.Generator) -> NDArray[np.int8]:  # noqa: ARG002
        """Arms by trainer; level i is trainer i in the order of ``arm_of``."""
        arms = np.array([self.arms.index(arm) for arm in self.arm_of.values()], dtype=np.int8)
        chosen: NDArray[np.int8] = arms[levels[:, :, 0]]
        return chosen

    def describe(self) -> dict[str, Any]:
        """Everything that is needed to make the method again."""
        return {"method": "with trainer", "arms": list(self.arms), "arm_of": dict(self.arm_of)}
