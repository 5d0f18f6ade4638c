"""Sentences made from results: what was found, what remains possible, and what limits it.

The verbs are those of comparison (was higher, differed), so that every sentence also holds where
the arms were not allocated at random.
"""

from __future__ import annotations

import math
import re

from studykit.outcomes.boundaries import error_of_unplanned_looks
from studykit.outcomes.limits import EARLY
from studykit.outcomes.results import Decision, OutcomeEstimate, leading
from studykit.protocol.looking import look_numbers
from studykit.report.kind_report import report_of
from studykit.report.numbers import GAP, Scale, count_of, level, number, p_value
from studykit.report.report_context import Reading, capital
from studykit.results import Interval

SMALL_STUDY = (
    "This is a small study: on its own it can rule out neither a benefit nor a harm that lies inside "
    "the intervals."
)
OWN_CLIENTS = (
    "The results are about the clients and trainers of this study; whether they hold elsewhere is a "
    "matter of judgement, not of these numbers."
)
OWN_CLIENTS_ALONE = OWN_CLIENTS.replace("clients and trainers", "clients")
UNPLANNED_LOOK = (
    "Results by arm were looked at before the end without a rule made in advance; such a look can change "
    "how a study is run and makes p-values and intervals too favourable."
)
NO_YARDSTICK = (
    "The protocol names no smallest worthwhile difference, so the numbers alone cannot say whether it "
    "matters."
)
MORE, HIGHER = ("more", "fewer"), ("higher", "lower")


def lead(reading: Reading) -> str:
    """One sentence with the estimates and intervals of the outcomes that answers begin with."""
    parts = [report_of(outcome).short(reading, outcome) for outcome in leading(reading.results.outcomes)]
    brackets = f" ({level(reading.results.confidence_level)} intervals in brackets{_clusters(reading)})"
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]}{brackets}."


def _clusters(reading: Reading) -> str:
    """How many trainers there are, where they and not the clients were allocated."""
    if reading.protocol is None or not reading.protocol.draws_trainers:
        return ""
    return f"; {sum(arm.trainers for arm in reading.results.flow.arms)} trainers, each in one arm"


def comparison(reading: Reading, scale: Scale, value: float, words: tuple[str, str]) -> str:
    """The size of a difference in words, e.g. "3.4 % higher with partner reps"."""
    if scale.rounds_to_null(value):
        return f"apart by {scale.size(value)} between the arms"
    word = words[0] if scale.shown(value) > scale.null else words[1]
    return f"{scale.size(value)} {word} with {reading.compared}"


def remains_possible(reading: Reading, scale: Scale, interval: Interval, words: tuple[str, str]) -> str:
    """What the interval still allows, in words."""
    ends = []
    for end in (interval.lower, interval.upper):
        if not math.isfinite(end):
            return "The data leave the size of the difference open."
        shown = scale.shown(end)
        word = "" if scale.rounds_to_null(end) else f" {words[0] if shown > scale.null else words[1]}"
        ends.append(f"{scale.size(end)}{word}")
    return f"With {reading.compared}, anything from {ends[0]} to {ends[1]} fits these data."


def worthwhile(
    scale: Scale, interval: Interval, smallest: float | None, *, higher_is_better: bool = True
) -> str:
    """What the interval says about differences that are worth having.

    Parameters
    ----------
    scale : Scale
    interval : Interval
        On the scale of the result.
    smallest : float or None
        Smallest worthwhile difference, in the unit shown (per cent, percentage points, kg).
    higher_is_better : bool

    Examples
    --------
    >>> from studykit.report.numbers import PER_CENT_CHANGE
    >>> worthwhile(PER_CENT_CHANGE, Interval(1.04, 1.09, 0.95, "t"), 3.0).replace(GAP, " ")
    'Every value in the interval is a worthwhile gain (3 % or more).'
    """
    if smallest is None:
        return NO_YARDSTICK
    if not (math.isfinite(interval.lower) and math.isfinite(interval.upper)):
        return ""
    lower, upper = sorted(
        (scale.shown(interval.lower) - scale.null, scale.shown(interval.upper) - scale.null)
    )
    if not higher_is_better:
        lower, upper = -upper, -lower
    size = f"{number(smallest, 2).rstrip('0').rstrip('.')}{GAP}{scale.unit}"
    gain, loss = f"a worthwhile gain ({size} or more)", f"a worthwhile loss ({size} or more)"
    little = "a difference too small to matter"
    possible = [
        text
        for text, fits in (
            (gain, upper >= smallest),
            (little, lower < smallest and upper > -smallest),
            (loss, lower <= -smallest),
        )
        if fits
    ]
    against = [text for text in (gain, loss) if text not in possible]
    if len(possible) == 1:
        what = possible[0] if possible[0] != little else f"{little} (less than {size} in either direction)"
        return f"Every value in the interval is {what}."
    rest = f" {capital(against[0])} does not fit the interval." if against else ""  # two of three remain
    return f"{capital(', '.join(possible[:-1]))} and {possible[-1]} remain possible.{rest}"


def decision_sentence(reading: Reading, decision: Decision) -> str:
    """What the protocol's rule says; the words of significance only with estimate, interval and p."""
    found = _decided(reading, decision.outcome)
    start = f"{capital(reading.named(decision.outcome))}, by the protocol's rule ({decision.rule}): "
    if found is None:
        return f"{start}{reading.named(decision.sentence).rstrip('.')}."
    scale, estimate = found
    several = not math.isclose(decision.p_value, decision.adjusted_p_value)
    holm = (
        f" ({p_value(decision.adjusted_p_value)} allowing for the other primary outcomes)" if several else ""
    )
    interval = scale.interval(reading.interval(estimate))
    shown = f"{scale.text(estimate.value, signed=True)} {interval}, {p_value(decision.p_value)}{holm}"
    if decision.joint_level is not None:
        joint = scale.interval(estimate.confidence_interval(decision.joint_level))
        shown += f"; the interval that holds together with the other primary outcomes is {joint}"
    if decision.rejected:
        return f"{start}the difference between the arms is statistically significant, {shown}."
    return f"{start}the study does not settle which arm does better, {shown}."


def _decided(reading: Reading, name: str) -> tuple[Scale, OutcomeEstimate] | None:
    """The primary result that a decision is about, by its name or its outcome's code."""
    for outcome in reading.results.outcomes:
        if name in {outcome.code, outcome.primary.name}:
            return report_of(outcome).scale(reading, outcome), outcome.primary
    return None


def early_warning(reading: Reading) -> str:
    """That the study goes on, or nothing."""
    return next((remark for remark in reading.results.remarks if remark.startswith(EARLY)), "")


def conditions(reading: Reading) -> tuple[str, ...]:
    """What must be read together with the answers: size, trainers, who tested, delivery, what is missing."""
    remarks = tuple(reading.named(remark) for remark in reading.results.remarks if _FIRST.search(remark))
    size = () if any(_NEITHER in remark for remark in remarks) else (SMALL_STUDY,)
    own = [
        text
        for outcome in leading(reading.results.outcomes)
        for text in report_of(outcome).conditions(reading, outcome)
    ]
    return (*size, *remarks, *_assessor(reading), *_delivered(reading), *own)


_NEITHER = "rule out neither"
_FIRST = re.compile(rf"{_NEITHER}|^(\d+|One|No) trainers?\b|not verified|could not be estimated")
"""Remarks of the results that stand beside the answers; all of them stand under limits."""


def _assessor(reading: Reading) -> tuple[str, ...]:
    answers = dict(reading.results.assessor_blind)
    total = sum(answers.values())
    if not total:
        return ()
    blind = count_of(answers.get("yes", 0), total, "test results")
    return (f"The assessor is recorded as not knowing the arm at {blind}.",)


def _delivered(reading: Reading) -> tuple[str, ...]:
    delivery = reading.results.delivery
    if delivery is None:
        return ()
    sentences = []
    for arm in delivery.arms:
        name = capital(reading.arm(arm.arm))
        if arm.fidelity_word and arm.partner_sets:
            met = count_of(arm.partner_sets_as_planned, arm.partner_sets, "sets with partner reps")
            sentences.append(f"{name}: {met} met the protocol's rule (delivery: {arm.fidelity_word}).")
        elif not arm.fidelity_word and (arm.contaminated_clients or _anybody_has_partner_reps(reading)):
            had = count_of(arm.contaminated_clients, arm.clients, "clients")
            sentences.append(f"{name}: {had} had partner reps all the same.")
    return tuple(sentences)


def _anybody_has_partner_reps(reading: Reading) -> bool:
    delivery = reading.results.delivery
    return delivery is not None and any(arm.partner_sets for arm in delivery.arms)


def limits(reading: Reading) -> tuple[str, ...]:
    """Every limit that the study's own facts call for: those of the results, and of its looks."""
    results = reading.results
    size = () if any(_NEITHER in remark for remark in results.remarks) else (SMALL_STUDY,)
    own = OWN_CLIENTS if any(arm.trainers for arm in results.flow.arms) else OWN_CLIENTS_ALONE
    sentences = [*size, *map(reading.named, results.remarks), own]
    if unplanned_looks(reading):
        sentences.append(f"{UNPLANNED_LOOK} {_price_of_looks(reading)}")
    for outcome in results.outcomes:
        sentences += report_of(outcome).limits(reading, outcome)
    return tuple(dict.fromkeys(sentences))


def _price_of_looks(reading: Reading) -> str:
    """What the looks would have cost, had each been judged as if it were the only one."""
    made = len(reading.looks) + 1
    alpha = 0.05 if reading.protocol is None else reading.protocol.analysis.alpha
    error = number(100.0 * error_of_unplanned_looks(made, alpha=alpha), 1)
    return (
        f"Judged {made} times in all, evenly spaced and each time at {100.0 * alpha:g}{GAP}%, two arms that "
        f"are alike come out as different {error} times in 100, not {100.0 * alpha:g}."
    )


def unplanned_looks(reading: Reading) -> int:
    """Looks by arm beyond those that the protocol planned."""
    planned = 0 if reading.protocol is None else reading.protocol.oversight.planned_looks
    return look_numbers((look.body for look in reading.looks), planned).count(0)


def pause_warning(reading: Reading) -> str:
    """What the protocol's pause rule on harms says, or nothing."""
    harms = reading.results.harms
    if harms is None or not harms.pause_reasons:
        return ""
    return (
        "The protocol's pause rule on harms has struck: "
        + "; ".join(harms.pause_reasons)
        + ". Stop partner reps until a person outside the studio has reviewed the harms."
    )


def harms_sentence(reading: Reading) -> str:
    """Harms in one sentence, with how they were sought."""
    harms = reading.results.harms
    if harms is None:
        return "Harms were not recorded in this study; nothing can be said about them."
    sought = (
        "Harms were asked about at every session."
        if harms.systematic
        else "Harms were not asked about systematically, so more may have happened than was recorded."
    )
    counts = ", ".join(
        f"{count_of(arm.clients_with_harm, arm.clients, 'clients')} with {reading.arm(arm.arm)}"
        for arm in harms.arms
    )
    events = sum(arm.events for arm in harms.arms)
    if not events:
        return f"{sought} None were recorded among {reading.results.flow.allocated} clients."
    return f"{sought} At least one harm was recorded for {counts}."
