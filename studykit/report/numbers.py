"""How a number is written: the only rounding of the house, in one style for every report.

The style: a p-value with two or three decimals and no leading zero, ``p < .001`` below that (American
Psychological Association, Publication Manual, 7th edition, 6.36); intervals in brackets; a per cent of
clients with its counts; decimals no finer than the step of the measurement; a real minus sign.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from studykit.results import Interval

MINUS = "\u2212"
GAP = "\u00a0"  # keeps a number and its unit on one line
NOT_KNOWN = "not estimated"


def number(value: float, decimals: int = 1, *, signed: bool = False) -> str:
    """A number with a fixed count of decimals; halves are rounded away from zero.

    Examples
    --------
    >>> number(2.25), number(-0.04), number(3.0, 0, signed=True)
    ('2.3', '0.0', '+3')
    """
    if math.isnan(value):
        return NOT_KNOWN
    if math.isinf(value):
        return f"{MINUS if value < 0 else ''}infinity"
    step = Decimal(1).scaleb(-decimals)
    rounded = Decimal(repr(float(value))).quantize(step, rounding=ROUND_HALF_UP)
    sign = MINUS if rounded < 0 else "+" if signed and rounded > 0 else ""
    return f"{sign}{abs(rounded):f}"


def per_cent(value: float, decimals: int = 1, *, signed: bool = False) -> str:
    """A number that is already in per cent, with its sign.

    Examples
    --------
    >>> per_cent(3.44).replace(GAP, " ")
    '3.4 %'
    """
    text = number(value, decimals, signed=signed)
    return text if math.isnan(value) else f"{text}{GAP}%"


def count_of(count: int, of: int, noun: str = "") -> str:
    """A count with its denominator, then the per cent: never a per cent alone.

    Decimals follow the size of the denominator: one client among fewer than 1,000 is more than 0.1 %.

    Examples
    --------
    >>> count_of(27, 36, "clients").replace(GAP, " "), count_of(0, 0)
    ('27 of 36 clients (75 %)', '0 of 0')
    """
    counts = f"{count} of {of} {noun}".rstrip()
    if of == 0:
        return counts
    return f"{counts} ({per_cent(100.0 * count / of, decimals_of_share(of))})"


def decimals_of_share(clients: int) -> int:
    """Decimals of a per cent among so many clients: none below 1,000.

    Examples
    --------
    >>> decimals_of_share(72), decimals_of_share(4000)
    (0, 1)
    """
    return 0 if clients < 1000 else 1


def p_value(value: float) -> str:
    """A p-value with its relation sign, as it stands in a sentence.

    Examples
    --------
    >>> p_value(0.0314), p_value(0.21), p_value(0.00002), p_value(0.9999)
    ('p = .031', 'p = .21', 'p < .001', 'p > .99')
    """
    if math.isnan(value):
        return NOT_KNOWN
    text = p_cell(value)
    return f"p {text[0]} {text[1:]}" if text[0] in "<>" else f"p = {text}"


def p_cell(value: float) -> str:
    """A p-value as it stands under a heading that says p.

    Examples
    --------
    >>> p_cell(0.0314), p_cell(0.0004), p_cell(0.098), p_cell(0.0996)
    ('.031', '<.001', '.098', '.100')
    """
    if math.isnan(value):
        return NOT_KNOWN
    if value < 0.001:
        return "<.001"
    if value >= 0.995:
        return ">.99"
    return number(value, 3 if value < 0.1 else 2).removeprefix("0")


def p_exact(value: float) -> str:
    """A p-value with three decimals and its relation sign, as it stands in a manuscript.

    Examples
    --------
    >>> p_exact(0.2361), p_exact(0.00002), p_exact(0.9999)
    ('p = .236', 'p < .001', 'p > .999')
    """
    if math.isnan(value):
        return NOT_KNOWN
    if value < 0.001 or value >= 0.9995:
        return "p < .001" if value < 0.5 else "p > .999"
    return f"p = {number(value, 3).removeprefix('0')}"


def statistic_text(statistic: float, degrees_of_freedom: float) -> str:
    """A test statistic with its degrees of freedom: t, or z where they are infinite; empty if not known.

    Examples
    --------
    >>> statistic_text(1.2, 56.7), statistic_text(-2.0, 14.0), statistic_text(0.5, math.inf)
    ('t(56.7) = 1.20', 't(14) = −2.00', 'z = 0.50')
    """
    if not math.isfinite(statistic) or math.isnan(degrees_of_freedom):
        return ""
    if math.isinf(degrees_of_freedom):
        return f"z = {number(statistic, 2)}"
    return f"t({number(degrees_of_freedom, 1).removesuffix('.0')}) = {number(statistic, 2)}"


def correlation(value: float) -> str:
    """A quantity that cannot exceed 1, without leading zero.

    Examples
    --------
    >>> correlation(0.874), correlation(-0.1)
    ('.87', '−.10')
    """
    return number(value, 2).replace("0.", ".", 1) if abs(value) < 0.995 else number(value, 2)


def decimals_of_step(step: float | None, *, usual: int = 1) -> int:
    """Decimals needed to write a measuring step, at most two; ``usual`` where no step is known.

    Examples
    --------
    >>> decimals_of_step(2.5), decimals_of_step(5.0), decimals_of_step(1.25), decimals_of_step(None)
    (1, 0, 2, 1)
    """
    if step is None:
        return usual
    exponent = Decimal(repr(float(step))).normalize().as_tuple().exponent
    return min(2, max(0, -int(exponent)))


@dataclass(frozen=True, slots=True)
class Scale:
    """How the values of one quantity are shown: ``factor * value + shift`` with a unit.

    Parameters
    ----------
    unit : str
        Written after the number: ``"%"``, ``"percentage points"``, ``"kg"``, or ``""`` for a ratio.
    decimals : int
    factor, shift : float
        From the value of the result to the number shown.
    null : float
        The number shown where the arms do not differ.

    Examples
    --------
    >>> PER_CENT_CHANGE.text(1.034).replace(GAP, " ")
    '3.4 %'
    >>> points(72).interval(Interval(-0.12, 0.284, 0.95, "score")).replace(GAP, " ")
    '[−12, 28] percentage points'
    """

    unit: str
    decimals: int
    factor: float = 1.0
    shift: float = 0.0
    null: float = 0.0

    def shown(self, value: float) -> float:
        """The number to show, not yet rounded."""
        return self.factor * value + self.shift

    def text(self, value: float, *, signed: bool = False) -> str:
        """The number with its unit."""
        text = number(self.shown(value), self.decimals, signed=signed)
        return text if math.isnan(value) or not self.unit else f"{text}{GAP}{self.unit}"

    def size(self, value: float) -> str:
        """The distance from no difference, with its unit and without sign."""
        return f"{number(abs(self.shown(value) - self.null), self.decimals)}{GAP}{self.unit}"

    def interval(self, interval: Interval) -> str:
        """The interval in brackets, with the unit once."""
        lower, upper = (number(self.shown(end), self.decimals) for end in (interval.lower, interval.upper))
        return f"[{lower},{GAP}{upper}]{GAP}{self.unit}".removesuffix(GAP)

    def rounds_to_null(self, value: float) -> bool:
        """Whether the number shown cannot be told from no difference."""
        return number(self.shown(value), self.decimals) == number(self.null, self.decimals)


PER_CENT_CHANGE = Scale("%", 1, 100.0, -100.0)
"""A ratio shown as a change in per cent."""
RATIO = Scale("", 2, null=1.0)
STANDARDISED = Scale("", 2)
DAYS = Scale("days", 0)


def points(clients: int) -> Scale:
    """A difference in shares among so many clients, in percentage points."""
    return Scale("percentage points", decimals_of_share(clients), 100.0)


def in_unit(unit: str, step: float | None = None) -> Scale:
    """A quantity in its own unit, no finer than its measuring step."""
    return Scale(unit, decimals_of_step(step))


def level(confidence_level: float) -> str:
    """The level of an interval in per cent.

    Examples
    --------
    >>> level(0.95).replace(GAP, " "), level(0.975).replace(GAP, " ")
    ('95 %', '97.5 %')
    """
    text = number(100.0 * confidence_level, 1).removesuffix(".0")
    return f"{text}{GAP}%"


def day_text(days: float) -> str:
    """Whole days, and weeks where they are whole.

    Examples
    --------
    >>> day_text(182), day_text(10)
    ('day 182 (week 26)', 'day 10')
    """
    whole = round(days)
    weeks = f" (week {whole // 7})" if whole and whole % 7 == 0 else ""
    return f"day {whole}{weeks}"


def plural(count: int, one: str, many: str = "") -> str:
    """A count with its noun.

    Examples
    --------
    >>> plural(1, "client"), plural(3, "client"), plural(2, "person", "people")
    ('1 client', '3 clients', '2 people')
    """
    return f"{count} {one if count == 1 else many or one + 's'}"
