"""The verdict of a look back: a fixed small set of sentences, chosen by a rule over an interval and a bound.

The rule never looks at the estimate. It asks whether the interval holds equal staying, how wide it is, and
how strong a reason that nobody recorded would have to be to account for its nearer end (the E-value of
VanderWeele & Ding 2017). Keener clients are such a reason, so that an interval alone never speaks for partner
reps.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from studykit.results import Result

Kind = Literal[
    "cannot tell", "more stayed, keenness could do that", "more stayed, beyond a strong reason",
    "fewer stayed, a reason could do that", "fewer stayed, beyond a strong reason", "no sign",
]  # fmt: skip

STRONG = 3.0  # ratio of risks; `analysis.09_look_back_validity --verdicts` shows what it holds off
LARGEST = 0.10  # of the clients: a wider interval that holds equal staying tells nothing


@dataclass(frozen=True, slots=True)
class Verdict(Result):
    """What the records say of partner reps and staying.

    Parameters
    ----------
    kind : str
        One of the fixed set.
    words : str
        The sentence.
    """

    kind: Kind
    words: str


def choose_verdict(
    more_staying: tuple[float, float] | None, bound: float, *, doubtful: bool = False
) -> Verdict:
    """The verdict for one interval and one bound.

    Parameters
    ----------
    more_staying : tuple of float, or None
        Interval for the difference in the share that stays, partner reps minus without.
    bound : float
        E-value of the end of the interval that is nearer to equal staying; 1 where it holds that.
    doubtful : bool
        Something else makes every number doubtful: all left, none did, most came back.

    Examples
    --------
    >>> choose_verdict((0.02, 0.20), 1.6).kind
    'more stayed, keenness could do that'
    >>> choose_verdict((-0.04, 0.06), 1.0).words
    'These records show no sign of a difference larger than 6 of 100 clients.'
    """
    kind = _kind(more_staying, bound, doubtful)
    largest = max(map(abs, more_staying)) if more_staying and kind == "no sign" else 0.0
    return Verdict(kind, SENTENCES[kind].format(largest=math.ceil(100.0 * largest - 1e-9)))


def _kind(ends: tuple[float, float] | None, bound: float, doubtful: bool) -> Kind:
    if doubtful or ends is None or not all(map(math.isfinite, ends)):
        return "cannot tell"
    low, high = ends
    if low > 0.0:
        return (
            "more stayed, beyond a strong reason"
            if bound >= STRONG
            else "more stayed, keenness could do that"
        )
    if high < 0.0:
        return (
            "fewer stayed, beyond a strong reason"
            if bound >= STRONG
            else "fewer stayed, a reason could do that"
        )
    return "no sign" if max(-low, high) <= LARGEST else "cannot tell"


SENTENCES: dict[Kind, str] = {
    "cannot tell": "These records cannot tell whether staying goes with partner reps.",
    "more stayed, keenness could do that": (
        "Staying went with partner reps; keener clients alone could look like this."
    ),
    "more stayed, beyond a strong reason": (
        "Staying went with partner reps; even a strong reason that nobody recorded would not account for it."
    ),
    "fewer stayed, a reason could do that": (
        "Leaving went with partner reps; clients who were about to leave anyway could look like this."
    ),
    "fewer stayed, beyond a strong reason": (
        "Leaving went with partner reps; even a strong reason that nobody recorded would not account for it."
    ),
    "no sign": "These records show no sign of a difference larger than {largest} of 100 clients.",
}  # fmt: skip
SAYS_MORE: frozenset[Kind] = frozenset(
    ("more stayed, beyond a strong reason", "fewer stayed, beyond a strong reason")
)
"""Verdicts that say more than that something else could do it."""
