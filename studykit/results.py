"""Values that every room gives and takes: an interval, an estimate, a count of rows.

They are frozen, hold full precision and know nothing of rounding, files or pictures.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from html import escape
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError

WIDTH, HEIGHT = 80, 24  # of the screen that a printed result fits


class Result:
    """Base of frozen results: a short ``repr``, a text that fits a screen, a table in a notebook.

    What is short is shown as dataclasses show it; of anything longer the parts are named and counted.
    """

    __slots__ = ()

    def __init_subclass__(cls, **options: Any) -> None:
        super().__init_subclass__(**options)
        if cls.__repr__ is object.__repr__ or cls.__repr__ is Result.__repr__:
            cls.__repr__ = Result.__repr__  # type: ignore[method-assign]  # or dataclass would write its own

    def _shown(self) -> list[tuple[str, str]]:
        """Names and short texts of the fields."""
        return [(name, shown(getattr(self, name))) for name in _field_names(self)]

    def __repr__(self) -> str:
        name = type(self).__qualname__
        whole = f"{name}({', '.join(f'{key}={getattr(self, key)!r}' for key in _field_names(self))})"
        if len(whole) <= 2 * WIDTH and "\n" not in whole:
            return whole
        return cut(f"{name}({', '.join(f'{key}={text}' for key, text in self._shown())})", 2 * WIDTH)

    def __str__(self) -> str:
        lines = [cut(f"  {key}: {text}", WIDTH) for key, text in self._shown()]
        if not lines or len(repr(self)) <= WIDTH:
            return repr(self)
        rest = [f"  … and {len(lines) - HEIGHT + 4} more fields"] if len(lines) > HEIGHT - 3 else []
        return "\n".join([type(self).__qualname__, *lines[: HEIGHT - 4 if rest else None], *rest])

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><th>{escape(key)}</th><td>{escape(text)}</td></tr>" for key, text in self._shown()
        )
        return f"<table><caption>{escape(type(self).__qualname__)}</caption><tbody>{rows}</tbody></table>"


def _field_names(result: Any) -> list[str]:
    return [field.name for field in fields(result) if field.repr]


def cut(text: str, width: int) -> str:
    """A text in one line, its end left out where it is too long.

    Examples
    --------
    >>> cut("a long text", 6)
    'a lon…'
    """
    line = " ".join(text.split())
    line = text[: len(text) - len(text.lstrip(" "))] + line
    return line if len(line) <= width else f"{line[: width - 1]}…"


def shown(value: Any) -> str:
    """Any value in a few words: numbers with four digits, arrays by their shape, sequences by their length.

    Examples
    --------
    >>> shown(0.123456), shown(np.zeros((3, 2))), shown((1.0, 2.0, 3.0)), shown(("a", "b"))
    ('0.1235', 'array of 3 x 2', '(1, 2, 3)', '(a, b)')
    >>> shown(Estimate(0.41, 0.122429, 9.0, "Kenward-Roger"))
    '0.41 (0.133 to 0.687)'
    """
    if isinstance(value, float | np.floating):
        return f"{value:.4g}"
    if isinstance(value, np.ndarray):
        return f"array of {' x '.join(map(str, value.shape))}"
    if isinstance(value, Mapping | tuple | list):
        if not value:
            return "none"
        kinds = sorted({type(item).__name__ for item in value})
        inside = ", ".join(map(shown, value))
        plain = not isinstance(value, Mapping) and not any(map(is_dataclass, value))
        return f"({inside})" if plain and len(inside) <= WIDTH // 2 else f"{len(value)} of {', '.join(kinds)}"
    if isinstance(value, HasInterval):
        ends = value.confidence_interval()
        return f"{value.value:.4g} ({ends.lower:.4g} to {ends.upper:.4g})"
    if isinstance(value, Interval):
        return f"{value.lower:.4g} to {value.upper:.4g}"
    if is_dataclass(value) and not isinstance(value, RowCount):
        return type(value).__name__
    return cut(str(value), WIDTH)


@dataclass(frozen=True, slots=True)
class Interval(Result):
    """A confidence interval.

    Parameters
    ----------
    lower, upper : float
        In the unit of the estimate; ``lower <= upper``; may be infinite.
    confidence_level : float
        Between 0 and 1, 0.95 for a 95 % interval.
    method : str
        How it was made, in words a reader can look up.
    """

    lower: float
    upper: float
    confidence_level: float
    method: str

    @property
    def width(self) -> float:
        """Upper minus lower end."""
        return self.upper - self.lower

    def contains(self, value: float) -> bool:
        """Whether ``value`` lies inside or on an end."""
        return self.lower <= value <= self.upper

    def transformed(self, function: Callable[[float], float]) -> Interval:
        """The interval on another scale; ``function`` must be increasing.

        Examples
        --------
        >>> Interval(0.0, 0.1, 0.95, "t").transformed(math.exp).upper
        1.1051709180756477
        """
        return Interval(function(self.lower), function(self.upper), self.confidence_level, self.method)


@dataclass(frozen=True, slots=True)
class FirstScreen:
    """What a person who knows no statistics reads first, and may stop at: some four sentences in all.

    Parameters
    ----------
    means : str
        What it means.
    do : str
        What to do.
    sure : str
        How sure it is.
    notices : tuple of str
        What has to be known before anything else, such as that it is early; stands above.
    """

    means: str
    do: str
    sure: str
    notices: tuple[str, ...] = ()

    @property
    def lines(self) -> tuple[tuple[str, str], ...]:
        """What it says, each under its heading."""
        said = ("What it means", self.means), ("What to do", self.do), ("How sure", self.sure)
        return tuple((label, text) for label, text in said if text)


@runtime_checkable
class HasInterval(Protocol):
    """Anything with a value, a p-value and intervals at any level: `Estimate` and its relatives."""

    @property
    def value(self) -> float:
        """The estimate."""

    @property
    def p_value(self) -> float:
        """Two-sided, against no difference."""

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """The interval at the level asked for."""


def check_confidence_level(confidence_level: float) -> None:
    """Refuse anything but a number strictly between 0 and 1."""
    if not (isinstance(confidence_level, int | float | np.number) and 0.0 < confidence_level < 1.0):
        raise ArgumentError(
            where="confidence_level",
            expected="a number between 0 and 1, such as 0.95",
            got=repr(confidence_level),
            todo="Give a share, not a per cent.",
        )


@dataclass(frozen=True, slots=True)
class Estimate(Result):
    """A number with a t-based uncertainty.

    Parameters
    ----------
    value : float
        The estimate.
    standard_error : float
        In the same unit, ``>= 0``.
    degrees_of_freedom : float
        Of the t distribution; ``inf`` gives the normal.
    method : str
        Where the standard error and the degrees of freedom come from, e.g. ``"Kenward-Roger"``.
    null : float
        The value that the p-value is computed against.

    Examples
    --------
    The paired shoe-wear trial (Box, Hunter & Hunter 1978): 0.41 with standard error 0.12243, t(9).

    >>> wear = Estimate(0.41, 0.122429, 9.0, "Kenward-Roger")
    >>> round(wear.p_value, 5)
    0.00854
    >>> [round(end, 3) for end in (wear.confidence_interval().lower, wear.confidence_interval().upper)]
    [0.133, 0.687]
    """

    value: float
    standard_error: float
    degrees_of_freedom: float
    method: str
    null: float = 0.0

    @property
    def statistic(self) -> float:
        """Distance from ``null`` in standard errors."""
        if self.standard_error == 0.0:
            return math.nan if self.value == self.null else math.copysign(math.inf, self.value - self.null)
        return (self.value - self.null) / self.standard_error

    @property
    def p_value(self) -> float:
        """Two-sided p-value of ``null``."""
        from scipy.special import stdtr

        return float(2.0 * stdtr(self.degrees_of_freedom, -abs(self.statistic)))

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """Symmetric t interval."""
        from scipy.special import stdtrit

        check_confidence_level(confidence_level)
        half = (
            float(stdtrit(self.degrees_of_freedom, 0.5 + float(confidence_level) / 2.0)) * self.standard_error
        )
        return Interval(
            self.value - half,
            self.value + half,
            confidence_level,
            f"t, {self.method} degrees of freedom",
        )


@dataclass(frozen=True, slots=True)
class RowCount(Result):
    """Rows supplied, used and left out, with the reason for every one left out.

    Parameters
    ----------
    supplied, used : int
        Numbers of rows (or clients: ``unit`` says which).
    left_out : tuple of (str, int)
        Reason and number; the numbers and ``used`` add up to ``supplied``.
    unit : str
        What is counted.

    Raises
    ------
    ArgumentError
        If the numbers do not add up.

    Examples
    --------
    >>> print(RowCount(20, 18, (("no follow-up test", 2),), "clients"))
    18 of 20 clients used; left out: 2 (no follow-up test)
    """

    supplied: int
    used: int
    left_out: tuple[tuple[str, int], ...] = ()
    unit: str = "rows"

    def __post_init__(self) -> None:
        if self.used + sum(number for _, number in self.left_out) != self.supplied:
            raise ArgumentError(
                where=f"count of {self.unit}",
                expected=f"used and left out to add up to {self.supplied}",
                got=f"{self.used} used, left out {dict(self.left_out)}",
            )

    def __str__(self) -> str:
        reasons = ", ".join(f"{number} ({reason})" for reason, number in self.left_out if number)
        return f"{self.used} of {self.supplied} {self.unit} used" + (
            f"; left out: {reasons}" if reasons else ""
        )


def frozen_array(values: Any, dtype: Any = None) -> NDArray[Any]:
    """A read-only copy, so that a frozen result is frozen all the way down.

    Examples
    --------
    >>> frozen_array([1.0, 2.0]).flags.writeable
    False
    """
    array = np.array(values, dtype=dtype, copy=True)
    array.setflags(write=False)
    return array


def to_plain(value: Any, *, confidence_level: float = 0.95) -> Any:
    """Nested dictionaries, lists, numbers and texts, ready for JSON.

    Every frozen result becomes a dictionary of its fields; anything with an interval gains
    ``p_value`` and ``interval`` at the level asked for. Numbers that JSON cannot hold (infinite,
    not a number) become ``None``; dates become ISO 8601 texts.

    Examples
    --------
    >>> to_plain(Interval(0.0, math.inf, 0.95, "score"))
    {'lower': 0.0, 'upper': None, 'confidence_level': 0.95, 'method': 'score'}
    """
    if is_dataclass(value) and not isinstance(value, type):
        plain = {
            field.name: to_plain(getattr(value, field.name), confidence_level=confidence_level)
            for field in fields(value)
        }
        if isinstance(value, HasInterval):
            plain["p_value"] = to_plain(value.p_value)
            plain["interval"] = to_plain(value.confidence_interval(confidence_level))
        return plain
    if isinstance(value, Mapping):
        return {str(key): to_plain(item, confidence_level=confidence_level) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return to_plain(value.tolist(), confidence_level=confidence_level)
    if isinstance(value, np.generic):
        return to_plain(value.item(), confidence_level=confidence_level)
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, Iterable):
        return [to_plain(item, confidence_level=confidence_level) for item in value]
    if hasattr(value, "isoformat"):
        return value.isoformat()
    raise ArgumentError(
        where="to_plain", expected="a result, mapping, array, number or text", got=type(value).__name__
    )
