"""How far a repeated test agrees with itself, from a frame with test and retest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.errors import ArgumentError
from studykit.frames.design import check_columns, cited, complete_rows, numbers, texts
from studykit.frames.shown import Line, Shown, significant
from studykit.kinds.continuous.reliability import intraclass_correlation, mean_squares, typical_error
from studykit.report.numbers import level as level_text
from studykit.results import Interval, RowCount, check_confidence_level

FEWEST = 3  # clients
FORM = "ICC(2,1): agreement of single tests, clients and tests both random (Shrout & Fleiss 1979)"
NOT_FOR_ONE = (
    "These numbers describe a test, not a client: a change beyond the smallest detectable one may still be "
    "chance, one within it may be real, and neither makes a client a responder, which takes repeated trials "
    "of the same client."
)


@dataclass(frozen=True, slots=True, repr=False)
class RetestReliability(Shown):
    """Agreement of a test with itself.

    Parameters
    ----------
    correlation : float
        Intraclass correlation; ``form`` names which.
    interval : Interval
    form : str
    typical_error : float
        Standard deviation of one client's tests, systematic change between tests apart, in the unit of the
        score (Hopkins 2000, Sports Medicine 30:1).
    detectable_change : float
        Smallest change of a single client that chance alone exceeds in 5 % of pairs of tests:
        ``1.96 sqrt(2)`` typical errors (Weir 2005, J Strength Cond Res 19:231), same unit.
    shift : float
        Mean of the last test minus mean of the first: learning or fatigue.
    clients, tests : int
    rows : RowCount
        Clients with every test, and those left out.
    """

    correlation: float
    interval: Interval
    form: str
    typical_error: float
    detectable_change: float
    shift: float
    clients: int
    tests: int
    rows: RowCount

    @property
    def _parts(self) -> Sequence[tuple[str, Line, Sequence[Line]]]:
        ends = self.interval
        lines: list[Line] = [
            (
                "intraclass correlation",
                significant(self.correlation),
                f"{significant(ends.lower)} to {significant(ends.upper)}",
            ),
            ("typical error", significant(self.typical_error), ""),
            ("smallest detectable change", significant(self.detectable_change), ""),
            ("last test minus first, mean", significant(self.shift), ""),
        ]
        heading = ("", "estimate", f"{level_text(ends.confidence_level)} interval")
        return (("Test and retest", heading, lines),)

    @property
    def _notes(self) -> Sequence[str]:
        return (f"{self.rows}; {self.tests} tests each.", f"{self.form}.", NOT_FOR_ONE)


def retest_reliability(
    frame: pd.DataFrame, *, client: str, test: str, score: str, confidence_level: float = 0.95
) -> RetestReliability:
    """Intraclass correlation, typical error and smallest detectable change of a repeated test.

    Parameters
    ----------
    frame : DataFrame
        One row per client and test; it is not changed.
    client, test : str
        Columns with the client and the occasion; occasions are taken in the order in which they first occur.
    score : str
        Column of numbers.
    confidence_level : float

    Returns
    -------
    RetestReliability
        Clients without every test are left out, and counted.

    Raises
    ------
    ArgumentError
        If a column is missing, a client has one test twice, or fewer than three clients have every test.

    Notes
    -----
    The correlation is pingouin's; its interval, rounded there, is computed from the same mean squares.

    Examples
    --------
    >>> frame = pd.DataFrame({"client": list("aabbccdd"), "test": [1, 2] * 4,
    ...                       "load": [50, 52, 60, 61, 55, 54, 70, 72]})
    >>> found = retest_reliability(frame, client="client", test="test", score="load")
    >>> round(found.correlation, 3), round(found.typical_error, 3), round(found.detectable_change, 2)
    (0.984, 1.0, 2.77)
    """
    check_confidence_level(confidence_level)
    if not isinstance(frame, pd.DataFrame):
        raise ArgumentError(where="test and retest", expected="a data frame", got=type(frame).__name__)
    used = [client, test, score]
    check_columns(frame, used, "test and retest")
    table, _ = complete_rows(frame, used, "test and retest")
    doubled = table.duplicated([client, test]).to_numpy()
    if doubled.any():
        raise ArgumentError(
            where=f"column {client}",
            expected="one score for each client and test",
            got=f"two, such as {cited(table, client, doubled)}",
        )
    clients, tests = list(dict.fromkeys(texts(table[client]))), list(dict.fromkeys(texts(table[test])))
    whole = np.full((len(clients), len(tests)), np.nan)
    places = {name: place for place, name in enumerate(clients)}, {name: at for at, name in enumerate(tests)}
    rows = [places[0][name] for name in texts(table[client])]
    columns = [places[1][name] for name in texts(table[test])]
    whole[rows, columns] = numbers(table, score)
    kept = np.isfinite(whole).all(axis=1)
    supplied, number = frame[client].dropna().nunique(), int(kept.sum())
    counted = RowCount(supplied, number, (("not every test", supplied - number),), "clients")
    if len(tests) < 2 or number < FEWEST:
        raise ArgumentError(
            where="test and retest",
            expected=f"two tests or more, and {FEWEST} clients or more with all of them",
            got=f"{len(tests)} tests, {counted}",
        )
    scores = whole[kept]
    correlation, interval = intraclass_correlation(scores, confidence_level)
    error = typical_error(scores) if mean_squares(scores)[2] > 0.0 else 0.0
    shift = float((scores[:, -1] - scores[:, 0]).mean())
    change = 1.96 * math.sqrt(2.0) * error
    return RetestReliability(correlation, interval, FORM, error, change, shift, number, len(tests), counted)
