r"""Re-randomisation tests: the method of allocation itself is the only assumption.

The arms are drawn again, many times, by the method that was used, in the order and strata that were
used; scores, attendance and what is missing stay as they are. The p-value is the share of draws
whose statistic is at least as far from zero as the one seen (Edgington & Onghena 2007; with random
draws (b + 1) / (m + 1), Phipson & Smyth 2010).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError, FitError
from studykit.outcomes.results import RerandomisationTest
from studykit.results import Interval

Floats = NDArray[np.float64]
ROUNDING = 1e-9  # statistics this close to the one seen are equal to it but for rounding
WIDEST = 60.0  # standard errors; an end of the interval farther out is not searched for


@dataclass(frozen=True, slots=True)
class RedrawnArms:
    """What might have been allocated instead.

    Parameters
    ----------
    arms : ndarray of int, shape (draws, clients)
        Index into the clients' arm labels.
    probability : ndarray, shape (draws,), or None
        Of each row where every possible row is listed; none where they were drawn at random.
    whole_trainers : bool
        Whether trainers were allocated, and their clients went with them.
    """

    arms: NDArray[np.int8]
    probability: Floats | None = None
    whole_trainers: bool = False

    def p_value(self, drawn: Floats, seen: float) -> float:
        """Share of the draws at least as far from zero as what was seen; a draw without a value counts."""
        extreme = ~(np.abs(drawn) < abs(seen) - ROUNDING)
        if self.probability is not None:
            return float(self.probability[extreme].sum())
        return (int(extreme.sum()) + 1) / (extreme.size + 1)

    def smallest_p_value(self, drawn: Floats) -> float:
        """The smallest p-value that this reference set can give."""
        if self.probability is None:
            return 1 / (drawn.size + 1)
        return self.p_value(drawn, float(np.nanmax(np.abs(drawn))))

    def with_seen(self, seen: NDArray[np.int64]) -> NDArray[np.int64]:
        """What was seen, then every draw: one column per client.

        Raises
        ------
        ArgumentError
            If there is not one column for every client.
        """
        if self.arms.ndim != 2 or self.arms.shape[1] != seen.size:
            raise ArgumentError(
                where="re-randomisation", expected=f"one column for each of {seen.size} clients",
                got=f"shape {self.arms.shape}",
            )  # fmt: skip
        return np.vstack([seen, self.arms])

    def test(
        self, outcome: str, statistic: str, values: Floats, interval: Interval | None = None
    ) -> RerandomisationTest:
        """The test of an outcome from its statistic, that of what was seen first."""
        return RerandomisationTest(
            outcome=outcome,
            statistic=statistic,
            draws=self.arms.shape[0],
            exact=self.probability is not None,
            p_value=self.p_value(values[1:], float(values[0])),
            smallest_p_value=self.smallest_p_value(values[1:]),
            interval=interval,
        )


@dataclass(frozen=True, slots=True)
class Products:
    """The products per draw that give the statistic for any shift; row 0 is what was seen."""

    ee: Floats
    ey: Floats
    ea: Floats
    yy: Floats
    ya: Floats
    aa: Floats
    freedom: int

    def t(self, shift: float) -> Floats:
        """The statistic of every row after the seen arm's scores are lowered by ``shift``."""
        with np.errstate(invalid="ignore", divide="ignore"):
            numerator = np.where(self.ee > ROUNDING, (self.ey - shift * self.ea) / np.sqrt(self.ee), np.nan)
            rest = self.yy - 2.0 * shift * self.ya + shift**2 * self.aa - numerator**2
            return np.asarray(numerator / np.sqrt(np.maximum(rest, 0.0) / self.freedom), dtype=float)

    @property
    def estimate(self) -> float:
        """The coefficient of the arm as it was seen."""
        return float(self.ey[0] / self.ee[0])

    @property
    def standard_error(self) -> float:
        """Of the estimate, by least squares."""
        return abs(self.estimate / float(self.t(0.0)[0])) if self.ey[0] else float(1.0 / np.sqrt(self.ee[0]))


def regression_products(
    y: Floats, nuisance: Floats, arms: NDArray[np.integer[Any]], *, number_of_arms: int, compared: int
) -> Products:
    """Products of scores and arms with everything else regressed out."""
    seen = (arms[0] == compared).astype(float)
    others = [code for code in range(1, number_of_arms) if code != compared]
    freedom = y.size - nuisance.shape[1] - (number_of_arms - 1)
    if freedom < 1:
        raise FitError(
            where="re-randomisation",
            expected=f"more than {nuisance.shape[1] + number_of_arms - 1} clients with a score",
            got=str(y.size),
        )
    Q = np.linalg.qr(nuisance)[0]
    if not others:
        drawn = (arms == compared).astype(float)
        e = drawn - (drawn @ Q) @ Q.T
        y_left, a_left = y - Q @ (Q.T @ y), seen - Q @ (Q.T @ seen)
        full = np.ones(len(arms))
        return Products(
            np.einsum("rc,rc->r", e, e), e @ y, e @ seen,
            y_left @ y_left * full, y_left @ a_left * full, a_left @ a_left * full, freedom,
        )  # fmt: skip
    ee, ey, ea, yy, ya, aa = np.array([_row(y, seen, Q, row, others, compared) for row in arms]).T
    return Products(ee, ey, ea, yy, ya, aa, freedom)


def _row(
    y: Floats, seen: Floats, Q: Floats, row: NDArray[np.integer[Any]], others: list[int], compared: int
) -> list[float]:
    """The products of one draw, with the indicators of further arms regressed out too."""
    further = np.column_stack([(row == code).astype(float) for code in others])
    further -= Q @ (Q.T @ further)
    left = np.linalg.svd(further, full_matrices=False)
    basis = np.column_stack([Q, left[0][:, left[1] > ROUNDING]])
    parts = [vector - basis @ (basis.T @ vector) for vector in ((row == compared).astype(float), y, seen)]
    e, y_left, a_left = parts
    pairs = ((e, e), (e, y), (e, seen), (y_left, y_left), (y_left, a_left), (a_left, a_left))
    return [float(one @ other) for one, other in pairs]


def inverted_interval(products: Products, drawn: RedrawnArms, level: float) -> Interval | None:
    """Shifts that the test does not reject at one minus the level; none where an end cannot be found."""

    def excess(shift: float) -> float:
        values = products.t(shift)
        return drawn.p_value(values[1:], float(values[0])) - (1.0 - level)

    ends = []
    for direction in (-1.0, 1.0):
        inside, step = products.estimate, products.standard_error
        outside = inside + direction * step
        while excess(outside) > 0.0:
            inside, step = outside, 2.0 * step
            outside += direction * step
            if step > WIDEST * products.standard_error:
                return None
        ends.append(_last_inside(excess, inside, outside, products.standard_error * 1e-7))
    return Interval(ends[0], ends[1], level, "inversion of the re-randomisation test, constant shift")


def _last_inside(excess: Callable[[float], float], inside: float, outside: float, width: float) -> float:
    """The end of the interval: the p-value is a step function, so plain halving is what works."""
    while abs(outside - inside) > width:
        middle = 0.5 * (inside + outside)
        if excess(middle) > 0.0:
            inside = middle
        else:
            outside = middle
    return inside
