"""The first screen of a report: what it means, what to do, how sure; the numbers follow below it."""

from __future__ import annotations

from studykit.outcomes.results import OutcomeResult, leading
from studykit.report.feasibility import feasibility_lead
from studykit.report.kind_report import report_of
from studykit.report.numbers import plural
from studykit.report.report_context import Reading, capital, whole
from studykit.report.sentences import early_warning, harms_sentence, pause_warning, worthwhile
from studykit.results import FirstScreen

EARLY = "Early, not the result"
_OPEN = "the study does not settle which arm does better"


def first_screen(reading: Reading) -> FirstScreen:
    """In some four sentences, for a person who knows no statistics; early ones say nothing of the arms."""
    early, pause = early_warning(reading), pause_warning(reading)
    notices = tuple(text for text in (early, pause) if text)
    if early:
        return FirstScreen(
            "The study goes on: what the records show so far can still turn, so it answers nothing yet.",
            _after_a_look(reading),
            _how_far(reading),
            notices,
        )
    if feasible := feasibility_lead(reading):
        do = "Go by the rules below, which were fixed in advance; a pilot does not say which arm does better."
        return FirstScreen(f"{feasible} {harms_sentence(reading)}", do, _how_sure(reading), notices)
    found = [_found(reading, outcome) for outcome in leading(reading.results.outcomes)]
    means = found or ["No outcome could be estimated."]
    return FirstScreen(
        " ".join((*means, harms_sentence(reading))), _what_to_do(reading), _how_sure(reading), notices
    )


def _better(reading: Reading, outcome: OutcomeResult) -> str:
    """The arm on whose side the whole interval lies, or nothing."""
    scale, interval = report_of(outcome).scale(reading, outcome), reading.interval(outcome.primary)
    lower, upper = (scale.shown(end) - scale.null for end in (interval.lower, interval.upper))
    if not (lower > 0.0 or upper < 0.0):
        return ""
    return reading.compared if (lower > 0.0) == _wanted(reading, outcome) else reading.reference


def _wanted(reading: Reading, outcome: OutcomeResult) -> bool:
    """Whether more is better."""
    return bool(getattr(reading.planned(outcome.code), "higher_is_better", True))


def _settled(reading: Reading, outcome: OutcomeResult) -> str:
    """The arm that does better by the protocol's rule, or nothing."""
    names = {outcome.code, outcome.primary.name}
    decided = any(item.rejected and item.outcome in names for item in reading.results.decisions)
    return _better(reading, outcome) if decided else ""


def _found(reading: Reading, outcome: OutcomeResult) -> str:
    name = capital(report_of(outcome).title(reading, outcome))
    if better := _settled(reading, outcome):
        return f"{name}: by the protocol's rule clients did better with {better}."
    if outcome.primary.role != "primary" and (better := _better(reading, outcome)):
        return (
            f"{name}: the numbers lean to {better}; as a {outcome.primary.role} outcome they decide nothing."
        )
    possible = worthwhile(
        report_of(outcome).scale(reading, outcome),
        reading.interval(outcome.primary),
        outcome.smallest_worthwhile,
        higher_is_better=_wanted(reading, outcome),
    )
    return f"{name}: {_OPEN}. {possible}".rstrip()


def _what_to_do(reading: Reading) -> str:
    arms = {arm for outcome in reading.results.outcomes if (arm := _settled(reading, outcome))}
    if len(arms) == 1:
        return f"Where it suits client and trainer, choose {arms.pop()}, within the cautions below."
    if arms:
        return (
            "Weigh the outcomes with each client: they speak for different arms. Keep to the cautions below."
        )
    return (
        "Keep to what suits each client: nothing here says that one arm has to be preferred. To settle it, "
        "plan a larger study."
    )


def _how_sure(reading: Reading) -> str:
    chance = (
        "" if reading.results.randomised else " Chance is not known to have decided who was in which arm."
    )
    return (
        f"It rests on {plural(reading.results.flow.allocated, 'client')} of one study. Each interval below "
        f"holds the values that fit what was seen. A wide one says that little is known.{chance}"
    )


def _after_a_look(reading: Reading) -> str:
    rule = "" if reading.protocol is None else reading.protocol.oversight.look_rule
    if rule and any(decision.rejected for decision in reading.results.decisions):
        return f"The look has passed its boundary: do what the protocol has fixed for that. {whole(rule)}"
    return (
        "Go on with training, testing and recording as the protocol says. Tell no trainer, tester or client "
        "what a look showed."
    )


def _how_far(reading: Reading) -> str:
    joined = plural(reading.results.flow.allocated, "client")
    planned = "" if reading.protocol is None else f" of {reading.protocol.planning.clients} planned"
    return f"Not at all yet: {joined}{planned} have joined, and not all have been followed to the end."
