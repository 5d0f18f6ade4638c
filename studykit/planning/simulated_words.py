"""What simulated studies say, in plain sentences: the same for the terminal and the page."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from studykit.planning.advice import capital
from studykit.protocol.types import Protocol

if TYPE_CHECKING:
    from studykit.planning.search import FoundEffect
    from studykit.planning.search_loop import Found
    from studykit.planning.simulated_plan import SimulatedPlan
    from studykit.planning.simulation import SimulatedOutcome

IN_BRACKETS = "In brackets: the range that holds the true share 95 times in 100."
HOW = (
    "Each simulated study is drawn by the protocol's own method, tested with rounding to the stack, missed "
    "tests, pauses and departures, analysed by the protocol's own analysis and decided by its own rule. "
    f"{IN_BRACKETS}"
)


HOPEFUL = 1.1  # a formula is called too hopeful where simulation surely asks for a tenth more


def simulation_sentences(simulated: SimulatedPlan, protocol: Protocol) -> tuple[str, ...]:
    """Everything in order: the planned study, what it can show, what would be needed, what to know."""
    study = simulated.study
    done = (
        f"{study.trials} studies of {study.clients} clients and {study.trainers} "
        f"trainer{'s' if study.trainers != 1 else ''} were simulated."
    )
    lines = [done]
    if simulated.stopped:
        lines.append(
            f"The work was stopped early: {study.trials} of {study.wanted} studies of the planned size were "
            "done. "
            "What is not below was not reached."
        )
    for found in study.outcomes:
        lines += outcome_sentences(found, alpha=protocol.analysis.alpha)
    if simulated.detectable is not None:
        lines.append(detectable_sentence(simulated.detectable, simulated.unit))
    if simulated.clients_for_largest is not None:
        lines.append(
            needed_sentence(
                simulated.clients_for_largest,
                f"To find a true difference of {_told(simulated.largest_plausible, simulated.unit)}, the "
                "largest "
                f"plausible, in {100 * simulated.clients_for_largest.wanted:g} % of studies",
            )
        )
    if simulated.clients_for_worthwhile is not None:
        reach = _told(simulated.clients_for_worthwhile.wanted / 2.0, simulated.unit)
        lines.append(
            needed_sentence(
                simulated.clients_for_worthwhile,
                f"For an interval that reaches no farther than the smallest worthwhile difference ({reach}) "
                "to "
                "either side",
            )
        )
    return (*lines, *simulated.remarks)


def outcome_sentences(found: SimulatedOutcome, *, alpha: float) -> list[str]:
    """Power, type I error and width of one outcome."""
    first = (
        f"{capital(found.name)}: if the true difference is {_told(found.told_truth, found.unit)}, as "
        "assumed, "
        f"{found.with_effect.rejected.text()} of such studies find one."
    )
    if found.without_effect is not None:
        first += (
            f" If there is none, {found.without_effect.rejected.text()} claim one all the same "
            f"({100 * alpha:g} % are allowed)."
        )
    if not math.isfinite(found.width.value):
        return [first, f"{capital(found.name)}: no analysis went through, so that no interval is known."]
    width = (
        f"{capital(found.name)}: the interval is {_told(found.width.value, found.unit)} wide on average; one "
        f"study in ten has less than {_told(found.width_low, found.unit)}, one in ten more than "
        f"{_told(found.width_high, found.unit)}. It holds the truth in "
        f"{found.with_effect.coverage.text()} of studies."
    )
    return [first, width]


def detectable_sentence(found: FoundEffect, unit: str) -> str:
    """The difference that the clients at hand can show.

    Examples
    --------
    >>> detectable_sentence(FoundEffect(40, 0.8, 10.3, 9.84, 10.81, 500), "%")
    'With 40 clients a true difference of 10.3 % is found in 80 % of studies (simulated: 9.8 to 10.8 %).'
    """
    return (
        f"With {found.clients} clients a true difference of {_told(found.value, unit)} is found in "
        f"{100 * found.power:g} % of studies (simulated: {found.low:.1f} to {_told(found.high, unit)})."
    )


def needed_sentence(found: Found, purpose: str) -> str:
    """How many are needed for a purpose.

    Examples
    --------
    >>> found = Found("clients", "power", 0.8, 105, 102.6, 106.6, 106, 1034, (), True, False)
    >>> needed_sentence(found, "For this")
    'For this: about 105 clients (simulated: 102 to 107; the formula says 106).'
    """
    formula = "" if found.closed_form is None else f"; the formula says {found.closed_form}"
    if found.number is None:
        return f"{purpose}: {found.remark}." if found.remark else f"{purpose}: not found."
    interval = f"simulated: {math.floor(found.low)} to {math.ceil(found.high)}"
    text = f"{purpose}: about {found.number} {found.quantity} ({interval}{formula})."
    if found.closed_form is not None and found.low > HOPEFUL * found.closed_form:
        text += (
            " Plan with the simulated number: tables and recommendation rest on the formula, which is too "
            "hopeful here."
        )
    return f"{text} {capital(found.remark)}." if found.remark else text


def _told(value: float, unit: str) -> str:
    return f"{value:.1f} {unit}"
