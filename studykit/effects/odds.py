"""Effects of a two-by-two table, and the way from odds ratios to standardised differences."""

from __future__ import annotations

import math
from dataclasses import dataclass

from studykit.errors import ArgumentError
from studykit.results import Estimate, Result

LOGISTIC_SPREAD = math.pi / math.sqrt(3.0)
"""Standard deviation of the standard logistic distribution: log odds ratio per unit of d (Chinn 2000)."""


@dataclass(frozen=True, slots=True)
class TwoByTwo(Result):
    """Events of all clients in the compared and in the reference arm.

    Raises
    ------
    ArgumentError
        If the numbers are impossible.

    Examples
    --------
    >>> table = TwoByTwo(compared_events=5, compared=100, reference_events=10, reference=100)
    >>> round(table.log_odds_ratio().value, 4), round(table.log_odds_ratio().standard_error, 4)
    (-0.7472, 0.5671)
    """

    compared_events: int
    compared: int
    reference_events: int
    reference: int

    def __post_init__(self) -> None:
        for events, clients in (
            (self.compared_events, self.compared),
            (self.reference_events, self.reference),
        ):
            if clients < 1 or not 0 <= events <= clients:
                raise ArgumentError(
                    where="two-by-two table",
                    expected="0 <= events <= clients, at least one client per arm",
                    got=f"{events} of {clients}",
                )

    def log_odds_ratio(self) -> Estimate:
        """Natural logarithm of the odds ratio, with Woolf's variance.

        Raises
        ------
        ArgumentError
            If a cell is empty: the odds ratio is then not finite.
        """
        cells = self._cells("odds ratio", every=True)
        value = math.log(cells[0] * cells[3] / (cells[1] * cells[2]))
        return Estimate(value, math.sqrt(sum(1.0 / cell for cell in cells)), math.inf, "Woolf's variance")

    def log_risk_ratio(self) -> Estimate:
        """Natural logarithm of the ratio of shares with an event.

        Raises
        ------
        ArgumentError
            If an arm has no event.
        """
        self._cells("risk ratio", every=False)
        one, two = self.compared_events / self.compared, self.reference_events / self.reference
        variance = (1.0 - one) / self.compared_events + (1.0 - two) / self.reference_events
        return Estimate(math.log(one / two), math.sqrt(variance), math.inf, "delta method")

    def risk_difference(self) -> Estimate:
        """Difference of shares with Wald's variance, for comparison with published tables only.

        `studykit.retention.risk_difference` gives the interval to report.
        """
        one, two = self.compared_events / self.compared, self.reference_events / self.reference
        variance = one * (1.0 - one) / self.compared + two * (1.0 - two) / self.reference
        return Estimate(one - two, math.sqrt(variance), math.inf, "Wald variance")

    @property
    def phi(self) -> float:
        """Correlation of arm and event; not a number where all or none had the event."""
        a, b, c, d = self._cells("phi", every=None)
        margins = (a + b) * (c + d) * (a + c) * (b + d)
        return (a * d - b * c) / math.sqrt(margins) if margins else math.nan

    def _cells(self, what: str, *, every: bool | None) -> tuple[int, int, int, int]:
        a, c = self.compared_events, self.reference_events
        cells = (a, self.compared - a, c, self.reference - c)
        needed = cells if every else (a, c) if every is False else ()
        if 0 in needed:
            raise ArgumentError(
                where=what,
                expected="no empty cell" if every else "an event in each arm",
                got=", ".join(map(str, cells)),
                todo="Report the difference of shares; a ratio cannot be estimated.",
            )
        return cells


def standardised_from_log_odds(log_odds_ratio: Estimate) -> Estimate:
    """Standardised difference from a log odds ratio, for an outcome that cuts a logistic distribution.

    Divides by pi / sqrt(3) (Hasselblad & Hedges 1995; Chinn 2000, Statistics in Medicine 19:3127).
    Denominator: standard deviation of the latent logistic outcome.

    Examples
    --------
    >>> d = standardised_from_log_odds(Estimate(0.9069, 0.26, float("inf"), "given"))
    >>> round(d.value, 4), round(d.standard_error**2, 4)
    (0.5, 0.0205)
    """
    return Estimate(
        log_odds_ratio.value / LOGISTIC_SPREAD,
        log_odds_ratio.standard_error / LOGISTIC_SPREAD,
        log_odds_ratio.degrees_of_freedom,
        f"{log_odds_ratio.method}; logistic",
    )


def log_odds_from_standardised(d: Estimate) -> Estimate:
    """Log odds ratio from d, the other way round."""
    return Estimate(
        d.value * LOGISTIC_SPREAD,
        d.standard_error * LOGISTIC_SPREAD,
        d.degrees_of_freedom,
        f"{d.method}; logistic",
    )


def correlation_from_standardised(d: float, *, clients: tuple[int, int] | None = None) -> float:
    """Point-biserial correlation from d; two equal arms unless their numbers are given.

    Borenstein et al. 2009, chapter 7.

    Examples
    --------
    >>> round(correlation_from_standardised(0.5), 4)
    0.2425
    """
    a = 4.0
    if clients is not None:
        a = (clients[0] + clients[1]) ** 2 / (clients[0] * clients[1])
    return d / math.sqrt(d**2 + a)
