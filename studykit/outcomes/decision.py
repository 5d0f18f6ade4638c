"""The protocol's decision rule, applied to the primary results."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from studykit.outcomes.boundaries import planned_boundaries
from studykit.outcomes.results import Decision, OutcomeEstimate
from studykit.protocol.types import Protocol


def adjust_holm(p_values: Sequence[float]) -> tuple[float, ...]:
    """P-values adjusted by Holm's step-down method (Holm 1979).

    Examples
    --------
    >>> [round(p, 4) for p in adjust_holm([0.01, 0.04, 0.03, 0.005])]
    [0.03, 0.06, 0.06, 0.02]
    """
    from statsmodels.stats.multitest import multipletests  # slow to import

    return tuple(float(p) for p in multipletests(list(p_values), method="holm")[1])


def level_at_the_end(protocol: Protocol) -> float:
    """Two-sided level of the decision at the end of the study: less than alpha where looks are planned."""
    return (
        planned_boundaries(protocol)[-1].level
        if protocol.oversight.planned_looks
        else protocol.analysis.alpha
    )


def rejected_by_rule(p_values: NDArray[np.float64], *, level: float) -> NDArray[np.bool_]:
    """Which primary hypotheses the rule of `decide` rejects, in many studies.

    Parameters
    ----------
    p_values : ndarray of float, shape (k, m)
        One row per primary outcome, one column per study; ``nan`` (no answer) rejects nothing.
    level : float
        Two-sided.

    Returns
    -------
    ndarray of bool, shape (k, m)
        By Holm's method where there are several rows.

    Examples
    --------
    >>> rejected_by_rule(np.array([[0.02, 0.03], [0.04, np.nan]]), level=0.05).tolist()
    [[True, False], [True, False]]
    """
    known = np.where(np.isnan(p_values), 1.0, p_values)
    order = np.argsort(known, axis=0)
    left = np.arange(len(known), 0, -1)[:, None]
    holds = np.take_along_axis(known, order, axis=0) * left <= level
    rejected = np.empty_like(holds)
    np.put_along_axis(rejected, order, np.logical_and.accumulate(holds, axis=0), axis=0)
    return rejected


def decide(
    protocol: Protocol, primaries: Sequence[OutcomeEstimate], *, look: int | None = None
) -> tuple[Decision, ...]:
    """What the rule says about each primary outcome; nothing in a pilot study.

    Parameters
    ----------
    protocol : Protocol
    primaries : sequence of OutcomeEstimate
        Results whose role is ``primary``.
    look : int, optional
        Which planned look before the end this is, counted from 1. Each has its own level, and so has the end.
        0 for a look that was not planned: it decides nothing.

    Notes
    -----
    The p-value, from t, is held against the level of the normal boundary: the usual practice in small studies
    (Jennison & Turnbull 2000, chapter 11; from memory).
    """
    looks = protocol.oversight.planned_looks
    if protocol.study.framework == "pilot" or not primaries or (look is not None and not 1 <= look <= looks):
        return ()
    alpha = level_at_the_end(protocol) if look is None else planned_boundaries(protocol)[look - 1].level
    raw = [primary.p_value for primary in primaries]
    several = len(raw) > 1
    adjusted = adjust_holm(raw) if several else tuple(raw)
    level = f"two-sided level {100.0 * alpha:.3g} %"
    if looks:
        place = "at the end" if look is None else f"at look {look}"
        level += f" {place}, {looks} earlier planned" if look is None else f" {place} of {looks} planned"
    rule = f"Holm over {len(raw)} primary outcomes, {level}" if several else f"one primary outcome, {level}"
    return tuple(
        Decision(
            outcome=primary.name,
            rule=rule,
            p_value=own,
            adjusted_p_value=corrected,
            rejected=corrected <= alpha,
            sentence=_sentence(primary, corrected <= alpha),
            joint_level=1.0 - alpha / len(raw) if several else None,
        )
        for primary, own, corrected in zip(primaries, raw, adjusted, strict=True)
    )


def _sentence(primary: OutcomeEstimate, rejected: bool) -> str:
    if not rejected:
        return (
            f"{primary.name}: by the decision rule the question stays open; every value inside the interval "
            "remains possible"
        )
    direction = "higher" if primary.estimate.value > 0.0 else "lower"
    arm, reference = primary.contrast.split(" compared with ")
    return f"{primary.name}: by the decision rule it was {direction} in {arm} than in {reference}"
