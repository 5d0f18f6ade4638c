"""Design effects of trainers as clusters."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from studykit.errors import ArgumentError


def _check_icc(icc: float) -> None:
    if not 0.0 <= icc < 1.0:
        raise ArgumentError(where="icc", expected="a share from 0 to below 1", got=repr(icc))


def design_effect(clients_per_trainer: float, icc: float, *, variation: float = 0.0) -> float:
    """Factor on the variance where whole trainers carry an arm.

    Parameters
    ----------
    clients_per_trainer : float
        On average, ``>= 1``.
    icc : float
        Share of the spread that lies between trainers.
    variation : float
        Coefficient of variation of the numbers of clients (divisor: number of trainers).

    Notes
    -----
    1 + ((cv² + 1) m - 1) ICC: Eldridge, Ashby & Kerry 2006, International Journal of Epidemiology 35:1292;
    with equal numbers 1 + (m - 1) ICC, Donner & Klar 2000.

    Examples
    --------
    >>> round(design_effect(20, 0.05), 4), round(design_effect(20, 0.05, variation=0.65), 4)
    (1.95, 2.3725)
    """
    _check_icc(icc)
    if clients_per_trainer < 1.0 or variation < 0.0:
        raise ArgumentError(
            where="design_effect", expected="one or more clients per trainer and a variation of 0 or more",
            got=f"{clients_per_trainer}, {variation}",
        )  # fmt: skip
    return 1.0 + ((variation**2 + 1.0) * clients_per_trainer - 1.0) * icc


def design_effect_of_sizes(sizes: Sequence[int], icc: float) -> float:
    """The same from the numbers of clients themselves: 1 + (sum m² / sum m - 1) ICC.

    Examples
    --------
    >>> round(design_effect_of_sizes((5, 10, 15, 20, 25, 30), 0.05), 6)
    2.033333
    """
    _check_icc(icc)
    numbers = np.asarray(sizes, dtype=float)
    if numbers.size == 0 or np.any(numbers < 1.0):
        raise ArgumentError(
            where="sizes", expected="one or more clients for each trainer", got=repr(tuple(sizes))
        )
    return float(1.0 + (np.sum(numbers**2) / np.sum(numbers) - 1.0) * icc)
