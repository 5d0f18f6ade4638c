"""What a look back says in words: associations, never more, and what they can and cannot carry.

Allowed verbs: was associated with, differed, was higher or lower among. The terminal and the page say the
same sentences.
"""

from __future__ import annotations

import math
import textwrap

from studykit.lookback.log import day_of
from studykit.lookback.look_back_results import (
    Account,
    Answer,
    Association,
    LookBack,
    Method,
    UnmeasuredBound,
)
from studykit.results import RowCount

METHOD_NAMES: dict[Method, str] = {
    "whole effect": "All new clients, or none",
    "session clock": "Session by session",
    "landmark": "From a fixed day on",
    "strategies from joining": "Two strategies from joining",
    "before and after": "Before and after the trainers began",
}
TITLE = "Looking back at attendance: partner reps and staying (non-randomised)"
NOT_DECIDED = (
    "Nobody was allocated by chance. Trainers and clients decided who had partner reps, for reasons that may "
    "themselves go with staying."
)
RULES_OUT = (
    "Whether partner reps matter more than an estimate from such records says, or do not matter at all: "
    "neither can be ruled out."
)


def interval_text(association: Association) -> str:
    """The level of an interval and what it is, for a bracket."""
    return f"{100 * association.interval.confidence_level:g}\u00a0% interval"


def ratio_text(association: Association) -> str:
    """A ratio with its interval.

    Examples
    --------
    >>> from studykit.results import Interval
    >>> ratio_text(Association(0.784, Interval(0.61, 1.01, 0.95, "t"), 0.06, 0.13, 11.0))
    '0.78 [0.61, 1.01]'
    """
    ends = association.interval
    return f"{association.value:.2f} [{ends.lower:.2f}, {ends.upper:.2f}]"


def more_staying(difference: Association) -> str:
    r"""A difference in shares that left, as clients more or fewer who stayed.

    Examples
    --------
    >>> from studykit.results import Interval
    >>> more_staying(Association(-0.071, Interval(-0.16, 0.02, 0.95, "t"), 0.11, 0.045, 11.0))
    'about 7 more of 100 clients stayed with partner reps (95\xa0% interval: 2 fewer to 16 more)'
    """
    low, high = -difference.interval.upper, -difference.interval.lower
    middle = _more(-difference.value)
    ends = f"{_more(low)} to {_more(high)}" if low * high < 0 else f"{_bare(low)} to {_more(high)}"
    if low < 0 and high < 0:
        ends = f"{_bare(high)} to {_more(low)}"
    whom = "as many of 100 clients stayed with partner reps as without"
    if middle != "as many":
        whom = f"{middle} of 100 clients stayed with partner reps"
    return f"about {whom} ({interval_text(difference)}: {ends})"


def _bare(share: float) -> str:
    return f"{abs(round(100 * share))}"


def _more(share: float) -> str:
    count = round(100 * share)
    return "as many" if count == 0 else f"{abs(count)} {'more' if count > 0 else 'fewer'}"


def lead_answer(look: LookBack) -> Answer | None:
    """The answer named before the records were opened."""
    return next((answer for answer in look.answers if answer.method == look.lead), None)


def answer_label(answer: Answer) -> str:
    """Name of an answer, with what tells it from others of its method."""
    return (
        f"{METHOD_NAMES[answer.method]} ({answer.variant})" if answer.variant else METHOD_NAMES[answer.method]
    )


def lead_mark(look: LookBack, answer: Answer) -> str:
    """A mark behind the name of the lead, nothing behind others."""
    return ", named in advance" if answer is lead_answer(look) else ""


def taken_into_account(answer: Answer) -> tuple[str, ...]:
    """What an answer is adjusted for, each once: how a fact enters is said in the method, not here."""
    return tuple(dict.fromkeys(name.removesuffix(", bends") for name in answer.adjusted_for))


def retained_sentence(look: LookBack) -> str:
    """How many of all clients still trained at the horizon."""
    inside = look.retention.day <= look.horizon
    if inside.sum() < 2:
        return f"Too few clients were followed for a curve up to day {look.horizon}."
    curve = look.retention
    reached = bool((curve.day >= look.horizon).any())
    day = look.horizon if reached else curve.day[inside][-1]
    stayed, low, high = (round(100 * ends[inside][-1]) for ends in (curve.share, curve.lower, curve.upper))
    short = "" if reached else f" Too few were followed longer for a number on day {look.horizon}."
    return (
        f"Of 100 clients of this studio, about {stayed} (95\u00a0% interval: {low} to {high}) still "
        f"trained on day {day:g} after joining.{short}"
    )


def alarm(look: LookBack) -> str:
    """What makes every number doubtful, to be said before any of them."""
    if look.events == look.clients:
        what = f"Every one of the {look.clients} clients counts as having left"
    elif look.events == 0:
        what = f"Not one of the {look.clients} clients counts as having left"
    elif 2 * look.returned > look.events:
        what = f"{look.returned} of the {look.events} clients who count as having left came again"
    else:
        return ""
    return f"{what}: use nothing of what follows. Check the dates and the end of the records first."


def period_sentence(look: LookBack) -> str:
    """From when to when the records were used."""
    return (
        f"{look.source or 'attendance export'}: {day_of(look.first_day)} to {day_of(look.last_day)}; "
        f"departures can be known up to {day_of(look.cut_day)}."
    )


def ending_sentence(look: LookBack) -> str:
    """Where the records were taken to end, and whether sessions thin out there."""
    if look.ending is None:
        return ""
    usual = "" if math.isnan(look.ending.usual) else f"; usually {look.ending.usual:.0f}"
    return (
        f"The records were taken to end on {day_of(look.last_day)}: {look.ending.sessions} sessions in their "
        f"last {look.ending.days} days{usual}."
    )


def account_sentences(account: Account) -> tuple[str, ...]:
    """From the rows of the file to what the answer named in advance judges."""
    rows, sessions = account.rows, account.sessions
    told = [
        f"Of {rows.supplied} {rows.unit} of the file, {rows.used} are attended sessions{_but(rows)}.",
        f"{sessions.used} of them are of clients who can be followed{_but(sessions)}.",
    ]
    if account.answers:
        name, judged = account.answers[0]
        told.append(f"{name} judges {judged.used} of {judged.supplied} {judged.unit}.")
    return tuple(told)


def _but(count: RowCount) -> str:
    left = [f"{number} {reason}" for reason, number in count.left_out if number]
    return f" (not: {'; '.join(left)})" if left else ""


def headline(look: LookBack) -> str:
    """The verdict, then the number it rests on; before both, what makes them doubtful."""
    return " ".join(filter(None, (alarm(look), look.verdict.words, number_sentence(look))))


def number_sentence(look: LookBack) -> str:
    """The lead answer with its interval and that nobody was allocated by chance, or why there is none."""
    lead = lead_answer(look)
    if lead is None:
        return f"No comparison can be made from these records: {look.why_none or 'nothing was compared'}."
    if lead.refused:
        return f"No comparison is given: {lead.refused.rstrip('.')}."
    if lead.risk_difference is not None:
        told = more_staying(lead.risk_difference)
        return f"By day {look.horizon}, {told}. Nobody was allocated by chance."
    if lead.hazard_ratio is not None:
        return f"Partner reps went with {frequency(lead.hazard_ratio)}. Nobody was allocated by chance."
    return ""


def frequency(ratio: Association) -> str:
    """A hazard ratio in words, with its interval."""
    ends = ratio.interval
    return (
        f"leaving {ratio.value:.2f} times as often (hazard ratio, {interval_text(ratio)} "
        f"[{ends.lower:.2f}, {ends.upper:.2f}])"
    )


def counted(number: int, what: str) -> str:
    """A number of things, one or several.

    Examples
    --------
    >>> counted(1, "departure"), counted(7, "client")
    ('1 departure', '7 clients')
    """
    return f"{number} {what}{'' if number == 1 else 's'}"


def answer_sentences(answer: Answer, horizon: int) -> tuple[str, ...]:
    """What one answer asked, and what came."""
    asked = f"{answer.estimand.rstrip('.')}."
    if answer.refused:
        return asked, f"No number is given: {answer.refused.rstrip('.')}."
    came = []
    if answer.risk_difference is not None:
        came.append(f"By day {horizon}, {more_staying(answer.risk_difference)}.")
    if answer.hazard_ratio is not None:
        came.append(f"Partner reps were associated with {frequency(answer.hazard_ratio)}.")
    if answer.adjusted_for:
        came.append(f"Adjusted for {', '.join(taken_into_account(answer))}.")
    counts = f"{counted(answer.clients, 'client')}, {counted(answer.events, 'departure')}."
    return asked, " ".join((*came, counts))


def naive_sentences(look: LookBack) -> tuple[str, ...]:
    """The comparison that must not be made, by how much it misleads, and why."""
    naive = look.naive
    if naive is None:
        return ()
    if naive.hazard_ratio is None:
        return (naive.why,)
    ratio = naive.hazard_ratio
    shown = (
        "Clients who ever had partner reps beside clients who never had: hazard ratio "
        f"{ratio_text(ratio)}. This number is no answer."
    )
    lead = lead_answer(look)
    beside = ""
    if lead is not None and lead.hazard_ratio is not None:
        beside = f"The answer named in advance is {ratio_text(lead.hazard_ratio)}, in {lead.clients} clients."
    return tuple(text for text in (shown, naive.why, beside) if text)


def can_conclude(look: LookBack) -> tuple[str, ...]:
    """What these records carry."""
    points = [
        f"How long clients of this studio stayed in the time of these records. {retained_sentence(look)}",
    ]
    lead = lead_answer(look)
    if lead is not None and not lead.refused:
        known = ", ".join(taken_into_account(lead)) or "nothing"
        points.append(
            "Whether staying and partner reps went together here, in these months, under these trainers. "
            f"Taken into account: {known}."
        )
        points.append(
            "What a randomised study here would have to look for, and how large it would have to be."
        )
    return tuple(points)


CANNOT_CONCLUDE = (
    f"Whether clients stay because of partner reps. {NOT_DECIDED}",
    RULES_OUT,
    "Anything on strength, and anything on harm: attendance records say nothing of either.",
    "Which trainer is the better one. Trainers are taken into account, not compared.",
    "What holds elsewhere: the clients, trainers and months of these records are all there is.",
)
"""What no analysis of such records can carry."""


def would_mislead(look: LookBack) -> tuple[str, ...]:
    """What would have to be true for the estimate to mislead."""
    points = [
        "Keener clients are offered partner reps, or ask for them, and would have stayed anyway.",
        "A trainer who uses partner reps more also holds clients for other reasons: manner, hours, place.",
        "Partner reps are left out on days of pain, illness or poor mood, and those go before leaving.",
        "Marks are missing more often for clients who soon leave, or were filled in from memory.",
        "Prices, opening hours or ways of booking changed about when partner reps began.",
    ]
    bound = look.bound
    if bound is not None:
        points.append(bound_sentence(bound))
    return tuple(points)


def bound_sentence(bound: UnmeasuredBound) -> str:
    """How strong an unrecorded reason would have to be."""
    whole = (
        "A reason that nobody recorded may go with both partner reps and staying (unmeasured confounding). "
        f"To account for the whole estimate, it needs a ratio of risks of {bound.e_value:.1f} with each (the "
        "E-value)"
    )
    if bound.e_value_of_interval <= 1.0:
        return f"{whole}. The interval holds equal leaving already, so that none is needed."
    return f"{whole}. For the nearer end of the interval, {bound.e_value_of_interval:.1f} is enough."


def for_the_protocol(look: LookBack, day: str) -> str:
    """What a later trial's protocol must say of this look (hypotheses that came from data)."""
    return (
        f"Before this study, attendance records ({look.source or 'one export'}; "
        f"{counted(look.clients, 'client')}, {counted(look.events, 'departure')}) were looked at on {day}. "
        "The hypothesis and the planning values may come "
        "from them; results of the look back are never pooled with those of the study."
    )


def summary(look: LookBack, *, width: int = 88) -> str:
    """All of it as plain text for a terminal."""
    lines = [TITLE, "", period_sentence(look), *filter(None, [ending_sentence(look)]), "", headline(look), ""]
    lines += [retained_sentence(look), "", NOT_DECIDED]
    if look.account is not None:
        lines += ["", *account_sentences(look.account)]
    for answer in look.answers:
        lines += ["", f"{answer_label(answer)}{lead_mark(look, answer)}."]
        lines += [f"  {text}" for text in answer_sentences(answer, look.horizon)]
    if look.naive is not None:
        lines += ["", "The comparison that must not be made (immortal time bias)."]
        lines += [f"  {text}" for text in naive_sentences(look)]
    lines += ["", "What these records cannot tell.", *(f"  - {text}" for text in CANNOT_CONCLUDE)]
    if look.next_study is not None and look.next_study.sentences:
        lines += ["", "How to find out."]
        lines += [f"  - {text}" for text in look.next_study.sentences]
    return "\n".join(_wrapped(line.replace("\u00a0", " "), width) for line in lines)


def _wrapped(line: str, width: int) -> str:
    indent = "    " if line.startswith("  - ") else "  " if line.startswith("  ") else ""
    return textwrap.fill(line, width, subsequent_indent=indent) if line else ""
