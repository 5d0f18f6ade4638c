"""The protocol's decision rule, applied to the primary results."""

from __future__ import annotations

from collections.abc import Sequence

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


def decide(protocol: Protocol, primaries: Sequence[OutcomeEstimate]) -> tuple[Decision, ...]:
    """What the rule says about each primary outcome; nothing in a pilot study.

    Parameters
    ----------
    protocol : Protocol
    primaries : sequence of OutcomeEstimate
        Results whose role is ``primary``.
    """
    if protocol.study.framework == "pilot" or not primaries:
        return ()
    alpha = protocol.analysis.alpha
    raw = [primary.p_value for primary in primaries]
    several = len(raw) > 1
    adjusted = adjust_holm(raw) if several else tuple(raw)
    level = f"two-sided level {100.0 * alpha:g} %"
    rule = f"Holm over {len(raw)} primary outcomes, {level}" if several else f"one primary outcome, {level}"
    return tuple(
        Decision(
            outcome=primary.name,
            rule=rule,
            p_value=own,
            adjusted_p_value=corrected,
            rejected=corrected <= alpha,
            sentence=_sentence(primary, corrected <= alpha),
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
