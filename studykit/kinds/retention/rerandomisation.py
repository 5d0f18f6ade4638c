"""Re-randomisation test of the share retained."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.kinds.retention.analysis import comparison_of
from studykit.outcomes.rerandomisation import RedrawnArms
from studykit.outcomes.results import RerandomisationTest
from studykit.protocol.types import Protocol
from studykit.records.rows import RetentionSpells

Floats = NDArray[np.float64]


def rerandomise_retention(
    protocol: Protocol, spells: RetentionSpells, *, drawn: RedrawnArms
) -> RerandomisationTest:
    """Re-randomisation test of the share retained at the horizon; a p-value only.

    Parameters
    ----------
    protocol, spells
        As for the analysis; the statistic is the Mantel-Haenszel one over trainers.
    drawn : RedrawnArms
        One column per client.

    Raises
    ------
    ArgumentError
        If ``drawn`` does not fit the clients.
    """
    comparison = comparison_of(protocol, spells)
    status = comparison.status()
    known = np.isfinite(status)
    arms = drawn.with_seen(spells.clients.arm)[:, known]
    crossed = comparison.trainer_strata is not None
    trainer = comparison.trainers.trainer if crossed else np.zeros(status.size, dtype=np.int64)
    values = mantel_haenszel_statistics(status[known], arms, trainer[known], compared=comparison.compared_arm)
    statistic = "Mantel-Haenszel statistic of the share retained"
    statistic += (
        "; every split of the trainers that was kept" if drawn.whole_trainers else ", trainers as strata"
    )
    return drawn.test(comparison.outcome.code, statistic, values)


def mantel_haenszel_statistics(
    status: Floats, arms: NDArray[np.integer[Any]], strata: NDArray[np.int64], *, compared: int
) -> Floats:
    """Mantel-Haenszel statistic, without correction, of arm ``compared`` against arm 0, for every row.

    Parameters
    ----------
    status : ndarray, shape (clients,)
        1 retained, 0 departed.
    arms : ndarray of int, shape (draws, clients)
    strata : ndarray of int, shape (clients,)

    Returns
    -------
    ndarray, shape (draws,)
        ``nan`` where no stratum says anything.

    Examples
    --------
    One stratum: 8 of 10 retained against 4 of 10.

    >>> arm = np.repeat([[1, 0]], 10, axis=1)
    >>> status = np.array([1.0] * 8 + [0.0] * 2 + [1.0] * 4 + [0.0] * 6)
    >>> mantel_haenszel_statistics(status, arm, np.zeros(20, dtype=int), compared=1).round(4)
    array([1.7795])
    """
    surplus = np.zeros(arms.shape[0])
    variance = np.zeros(arms.shape[0])
    for stratum in np.unique(strata):
        inside = strata == stratum
        one, zero = arms[:, inside] == compared, arms[:, inside] == 0
        n1, n0 = one.sum(axis=1), zero.sum(axis=1)
        x1, x0 = one @ status[inside], zero @ status[inside]
        total, kept = n1 + n0, x1 + x0
        usable = (n1 > 0) & (n0 > 0)
        size = np.maximum(total, 2)
        surplus += np.where(usable, x1 - n1 * kept / size, 0.0)
        variance += np.where(usable, n1 * n0 * kept * (total - kept) / (size**2 * (size - 1.0)), 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(variance > 0.0, surplus / np.sqrt(variance), np.nan)
