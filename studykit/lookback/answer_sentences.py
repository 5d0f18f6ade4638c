"""What a look back says in words: associations, never more, and what they can and cannot carry.

Allowed verbs: was associated with, differed, was higher or lower among. The terminal and the page say the
same sentences.
"""

from __future__ import annotations

import textwrap

from studykit.lookback.log import day_of
from studykit.lookback.look_back_results import Answer, Association, LookBack, Method, UnmeasuredBound

METHOD_NAMES: dict[Method, str] = {
    "session clock": "Session by session",
    "landmark": "From a fixed day on",
    "strategies from joining": "Two strategies from joining",
    "before and after": "Before and after the trainers began",
}
TITLE = "Looking back at attendance: partner reps and staying (non-randomised)"
NOT_DECIDED = (
    "Nobody was allocated by chance: who had partner reps was decided by trainers and clients, for reasons "
    "that may themselves go with staying."
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
    r"""A difference in shares that left, as clients more or fewer who stay.

    Examples
    --------
    >>> from studykit.results import Interval
    >>> more_staying(Association(-0.071, Interval(-0.16, 0.02, 0.95, "t"), 0.11, 0.045, 11.0))
    'about 7 more of 100 clients staying (95\xa0% interval: 2 fewer to 16 more)'
    """
    low, high = -difference.interval.upper, -difference.interval.lower
    middle = _more(-difference.value)
    ends = f"{_more(low)} to {_more(high)}" if low * high < 0 else f"{_bare(low)} to {_more(high)}"
    if low < 0 and high < 0:
        ends = f"{_bare(high)} to {_more(low)}"
    return f"about {middle} of 100 clients staying ({interval_text(difference)}: {ends})"


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
    if look.events < look.clients:
        return ""
    return (
        f"Every one of the {look.clients} clients counts as having left: use nothing of what follows. "
        "Check the dates and the end of the records first."
    )


def period_sentence(look: LookBack) -> str:
    """From when to when the records were used."""
    return (
        f"{look.source or 'attendance export'}: {day_of(look.first_day)} to {day_of(look.last_day)}; "
        f"departures can be known up to {day_of(look.cut_day)}."
    )


def headline(look: LookBack) -> str:
    """The lead answer out of 100 clients, or why there is none; before it, what makes it doubtful."""
    return " ".join(filter(None, (alarm(look), _headline(look))))


def _headline(look: LookBack) -> str:
    lead = lead_answer(look)
    if lead is None:
        why = "no session is marked with partner reps, and no day is known from which a trainer used them"
        return f"No comparison can be made from these records: {why}. {retained_sentence(look)}"
    if lead.refused:
        return f"No comparison is given: {lead.refused.rstrip('.')}. {retained_sentence(look)}"
    if lead.risk_difference is None:
        ratio = lead.hazard_ratio
        if ratio is None:
            return retained_sentence(look)
        return f"Partner reps were associated with {frequency(ratio)}. {retained_sentence(look)}"
    counts = ""
    if lead.out_of_100 is not None:
        with_reps, without = lead.out_of_100
        counts = (
            f" Still training on day {look.horizon}: about {round(with_reps)} of 100 with partner reps, "
            f"about {round(without)} of 100 without."
        )
    return f"Partner reps were associated with {more_staying(lead.risk_difference)}.{counts}"


def frequency(ratio: Association) -> str:
    """A hazard ratio in words, with its interval."""
    ends = ratio.interval
    return (
        f"departures {ratio.value:.2f} times as frequent among clients at risk (hazard ratio, "
        f"{interval_text(ratio)} [{ends.lower:.2f}, {ends.upper:.2f}])"
    )


def answer_sentences(answer: Answer, horizon: int) -> tuple[str, ...]:
    """What one answer asked, and what came."""
    asked = f"{answer.estimand.rstrip('.')}."
    if answer.refused:
        return asked, f"No number is given: {answer.refused.rstrip('.')}."
    parts = []
    if answer.risk_difference is not None:
        parts.append(f"{more_staying(answer.risk_difference)} by day {horizon}")
    if answer.hazard_ratio is not None:
        parts.append(frequency(answer.hazard_ratio))
    came = f"Partner reps were associated with {', and with '.join(parts)}." if parts else ""
    adjusted = f" Adjusted for {', '.join(taken_into_account(answer))}." if answer.adjusted_for else ""
    counted = f" {answer.clients} clients, {answer.events} departures."
    return asked, f"{came}{counted}{adjusted}".strip()


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
        points.append(
            "Whether staying and partner reps went together here, in these months, under these trainers, "
            f"with what was recorded taken into account ({', '.join(taken_into_account(lead)) or 'nothing'})."
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
        "Something unrecorded goes with both partner reps and staying. To account for the whole estimate, it "
        f"would have to go with each by a ratio of risks of at least {bound.e_value:.1f}, beyond what was "
        "taken into account"
    )
    if bound.e_value_of_interval <= 1.0:
        return f"{whole}; the interval holds equal departures as it is."
    return f"{whole}; for the nearer end of the interval, {bound.e_value_of_interval:.1f}."


def for_the_protocol(look: LookBack, day: str) -> str:
    """What a later trial's protocol must say of this look (hypotheses that came from data)."""
    return (
        f"Before this study, attendance records ({look.source or 'one export'}; {look.clients} clients, "
        f"{look.events} departures) were looked at on {day}. The hypothesis and the planning values may come "
        "from them; results of the look back are never pooled with those of the study."
    )


def summary(look: LookBack, *, width: int = 88) -> str:
    """All of it as plain text for a terminal."""
    lines = [TITLE, "", period_sentence(look), "", headline(look), "", NOT_DECIDED]
    for answer in look.answers:
        lines += ["", f"{answer_label(answer)}{lead_mark(look, answer)}."]
        lines += [f"  {text}" for text in answer_sentences(answer, look.horizon)]
    if look.naive is not None:
        lines += ["", "The comparison that must not be made."]
        lines += [f"  {text}" for text in naive_sentences(look)]
    lines += ["", "What these records cannot tell.", *(f"  - {text}" for text in CANNOT_CONCLUDE)]
    if look.next_study is not None and look.next_study.sentences:
        lines += ["", "How to find out."]
        lines += [f"  - {text}" for text in look.next_study.sentences]
    lines += ["", f"{look.rows}."]
    return "\n".join(_wrapped(line.replace("\u00a0", " "), width) for line in lines)


def _wrapped(line: str, width: int) -> str:
    indent = "    " if line.startswith("  - ") else "  " if line.startswith("  ") else ""
    return textwrap.fill(line, width, subsequent_indent=indent) if line else ""
