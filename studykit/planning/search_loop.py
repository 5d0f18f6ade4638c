r"""The loop of every search: simulate where the fitted curve reaches the target, fit again, until precise.

The closed form gives the curve's shape and simulation corrects it, so that all places are pooled. With
:math:`x_0` the closed form's own answer, power follows the probit curve

.. math:: \Phi^{-1}(p) = g + a + b\,(g - g_0),\qquad g = (z_\alpha + z_p)\,(x / x_0)^e - z_\alpha,

and minus the logarithm of a width the line :math:`g = e\,\log(x / x_0) + g_0`, with :math:`e = 1/2`. The
shift :math:`a` is free; :math:`b` is held near 0 by a normal prior, since the closed form's slope is nearly
right.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol, Self

import numpy as np
from scipy.special import ndtri

from studykit.errors import ArgumentError

Quantity = Literal["clients", "trainers"]
LARGEST_ROUND = 1500
MOST_CLIENTS = 1000  # simulated in one study
CLOSEST_NUMBER = 2.0  # clients or trainers: close enough as well
NO_ENDS = (math.nan, math.nan)
Target = Literal["power", "width"]
_SLOPE_PRIOR = 0.15  # standard deviation of b
# How far the shape may be wrong, on the curve and for each unit of the logarithm of the distance: the
# analysis changes where the fallback takes over.
_DISCREPANCY: dict[Target, float] = {"power": 0.2, "width": 0.15}
_NORMAL_95 = float(ndtri(0.975))


@dataclass(frozen=True, slots=True)
class Found:
    """The answer of a search.

    Parameters
    ----------
    quantity : {"clients", "trainers"}
    target : {"power", "width"}
    wanted : float
        A share, or a width as it is told.
    number : int or None
        The smallest number that reaches it; ``None`` where none that can be simulated does.
    low, high : float
        95 % interval of the number from Monte Carlo error.
    closed_form : int or None
        What the closed form says.
    trials : int
        Studies analysed by the protocol's own analysis.
    points : tuple of CurvePoint
        All places, for pictures: power as a share, or width on the scale of the analysis.
    precise : bool
        Whether the interval became as narrow as was asked.
    stopped : bool
        Whether somebody stopped the search.
    remark : str
        What else must be known, ``""`` for nothing.
    """

    quantity: Quantity
    target: Target
    wanted: float
    number: int | None
    low: float
    high: float
    closed_form: int | None
    trials: int
    points: tuple[CurvePoint, ...]
    precise: bool
    stopped: bool
    remark: str = ""


class Place(Protocol):
    """All that was simulated at one place."""

    @property
    def trials(self) -> int:
        """Trials analysed as the protocol says."""

    def and_more(self, more: Self) -> Self:
        """Both rounds at the same place."""

    def point(self, x: int, target: Target) -> CurvePoint:
        """Power, or mean width on the scale of the analysis."""


@dataclass(frozen=True, slots=True)
class Round:
    """One round of trials.

    Parameters
    ----------
    place : Place or None
        None where the work was stopped before anything was done.
    batches : int
        Numbers of batches that are used up.
    stopped : bool
    """

    place: Place | None
    batches: int
    stopped: bool


@dataclass(frozen=True, slots=True)
class Task:
    """What is searched for.

    Parameters
    ----------
    shape : Shape
        Of the closed form, on the scale of the analysis.
    quantity : {"clients", "trainers"}
    wanted : float
        The target as it is told.
    closed_form : int or None
        What the closed form says.
    limits : (float, float)
        Fewest and most that are simulated.
    least_round : int
        Trials of the smallest round.
    close : float
        Close enough, as a share of the answer.
    most_trials : int
    """

    shape: Shape
    quantity: Quantity
    wanted: float
    closed_form: int | None
    limits: tuple[float, float]
    least_round: int
    close: float
    most_trials: int

    def answer(
        self,
        number: int | None,
        ends: tuple[float, float],
        *,
        trials: int,
        points: tuple[CurvePoint, ...] = (),
        precise: bool = False,
        stopped: bool = False,
        remark: str = "",
    ) -> Found:
        """An answer to this task."""
        return Found(
            self.quantity, self.shape.target, self.wanted, number, *ends, self.closed_form, trials, points,
            precise, stopped, remark,
        )  # fmt: skip


def out_of_reach(task: Task) -> Found:
    """The answer where the closed form asks for more clients than are simulated."""
    closed = task.closed_form
    says = "says that no number does" if closed is None else f"says {closed}"
    remark = f"not simulated: the closed form {says}, and no more than {MOST_CLIENTS} clients are simulated"
    return task.answer(None, NO_ENDS, trials=0, remark=remark)


def run_search(task: Task, simulate: Callable[[int, int, int, int], Round]) -> Found:
    """Simulate at the root of the curve, fit, and go on until the interval is narrow.

    Parameters
    ----------
    task : Task
    simulate : callable
        Of the place, the trials wanted, the first free batch and the trials done so far.
    """
    places: dict[int, Place] = {}
    least, most = task.limits
    target = task.shape.target

    def inside(number: float) -> float:
        return min(max(number, least), most)

    x, done, first, size = round(inside(task.shape.answer)), 0, 0, task.least_round
    while True:
        found = simulate(x, min(size, task.most_trials - done), first, done)
        first += found.batches
        if found.place is not None:
            places[x] = places[x].and_more(found.place) if x in places else found.place
            done += found.place.trials
        if not places:
            return task.answer(
                None,
                NO_ENDS,
                trials=0,
                stopped=True,
                remark="stopped before the first round of trials was done",
            )
        points = tuple(place.point(at, target) for at, place in places.items())
        known = [point for point in points if math.isfinite(point.value)]
        if not known:  # too few clients for any analysis
            if found.stopped or done >= task.most_trials or x >= most:
                return task.answer(
                    None, NO_ENDS, trials=done, stopped=found.stopped,
                    remark="no analysis goes through with so few",
                )  # fmt: skip
            x = round(inside(1.5 * x + 1.0))
            continue
        root = find_root(task.shape, known)
        narrow = max(CLOSEST_NUMBER, task.close * root.x)
        nearest = min(abs(math.log(at / inside(root.x))) for at in places)
        precise = root.half_width <= narrow and nearest < 0.1
        outside = (root.high < least or root.low > most) and x in {round(least), round(most)}
        if found.stopped or precise or done >= task.most_trials or outside:
            break
        needed = int(done * (root.half_width / narrow) ** 2 - done)
        size = min(max(needed, task.least_round), LARGEST_ROUND) if nearest < 0.1 else task.least_round
        x = round(inside(root.x))
    number: int | None = math.ceil(root.x - 1e-9)
    remark = ""
    if root.x > most:
        number, remark = None, f"more than {most:g} {task.quantity}, the most that are simulated"
    elif root.x < least:
        number, remark = (
            math.ceil(least),
            f"{least:g} {task.quantity} or fewer, the fewest that are simulated",
        )
    return task.answer(
        number, (root.low, root.high), trials=done, points=points, precise=precise, stopped=found.stopped,
        remark=remark,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """What simulation found at one place.

    Parameters
    ----------
    x : float
        Number of clients (or what is searched for).
    trials : int
        Simulated there, by the protocol's own analysis.
    value, error : float
        Power as a share, or width, and its Monte Carlo error.
    """

    x: float
    trials: int
    value: float
    error: float


@dataclass(frozen=True, slots=True)
class Shape:
    """The closed form's curve near its answer.

    Parameters
    ----------
    target : {"power", "width"}
    wanted : float
        The power (a share) or the width that is to be reached.
    answer : float
        Where the closed form reaches it, above 0.
    exponent : float
    level : float
        Two-sided, of the decision.
    """

    target: Target
    wanted: float
    answer: float
    exponent: float = 0.5
    level: float = 0.05

    def __post_init__(self) -> None:
        fine = self.answer > 0.0 and (
            self.wanted > 0.0 if self.target == "width" else 0.0 < self.wanted < 1.0
        )
        if not fine:
            raise ArgumentError(
                where="search", expected="a power between 0 and 1, or a width above 0", got=repr(self.wanted)
            )

    @property
    def goal(self) -> float:
        """The target on the scale of the curve."""
        return self.on_curve(self.wanted)

    def on_curve(self, value: float) -> float:
        """A power or a width on the scale of the curve, which rises."""
        return float(ndtri(value)) if self.target == "power" else -math.log(value)

    def slope_of_scale(self, value: float) -> float:
        """Change of the curve per unit of power or width, at a value."""
        if self.target == "width":
            return 1.0 / value
        return math.sqrt(2.0 * math.pi) * math.exp(0.5 * float(ndtri(value)) ** 2)

    def at(self, x: float) -> float:
        """Height of the closed form's curve."""
        ratio = float((x / self.answer) ** self.exponent)
        if self.target == "width":
            return math.log(ratio) + self.goal
        critical = float(ndtri(1.0 - self.level / 2.0))
        return (critical + self.goal) * ratio - critical

    def where(self, height: float) -> float:
        """Where the closed form's curve has this height."""
        if self.target == "width":
            return float(self.answer * math.exp((height - self.goal) / self.exponent))
        critical = float(ndtri(1.0 - self.level / 2.0))
        return float(
            self.answer * max((height + critical) / (critical + self.goal), 1e-3) ** (1.0 / self.exponent)
        )


@dataclass(frozen=True, slots=True)
class Root:
    """Where the fitted curve reaches the target.

    Parameters
    ----------
    x : float
    low, high : float
        95 % interval from Monte Carlo error.
    shift : float
        By how much simulation differs from the closed form, on the scale of the curve.
    """

    x: float
    low: float
    high: float
    shift: float

    @property
    def half_width(self) -> float:
        """Distance to the farther end of the interval."""
        return max(self.high - self.x, self.x - self.low)


def find_root(shape: Shape, points: Sequence[CurvePoint]) -> Root:
    """Where the curve, fitted to all points by weighted least squares, reaches the target.

    Parameters
    ----------
    shape : Shape
    points : sequence of CurvePoint
        At least one.

    Examples
    --------
    Power of 0.75 at the place where the closed form promises 0.80 asks for about 12 % more:

    >>> root = find_root(Shape("power", 0.8, 100.0), [CurvePoint(100.0, 2000, 0.75, 0.01)])
    >>> round(root.x), round(root.low), round(root.high)
    (112, 106, 119)
    """
    if not points:
        raise ArgumentError(where="search", expected="at least one simulated place", got="none")
    root = _fitted(shape, points, near=None)
    for _ in range(3):  # places far from the root count less, and where it is becomes known by and by
        root = _fitted(shape, points, near=root.x)
    return root


def _fitted(shape: Shape, points: Sequence[CurvePoint], *, near: float | None) -> Root:
    """One fit; the shape is taken to be right near a place, and less so far from it."""
    precision = np.diag([0.0, 1.0 / _SLOPE_PRIOR**2])
    right = np.zeros(2)
    for point in points:
        value, least = point.value, 0.5 / point.trials
        if shape.target == "power":  # a share of none or all has no place on the curve
            value = min(max(value, least), 1.0 - least)
        error = max(point.error, least if shape.target == "power" else 1e-9 * value)
        error *= shape.slope_of_scale(value)
        if near is not None:
            error = math.hypot(error, _DISCREPANCY[shape.target] * abs(math.log(point.x / near)))
        height = shape.at(point.x)
        columns = np.array([1.0, height - shape.goal])
        precision += np.outer(columns, columns) / error**2
        right += columns * (shape.on_curve(value) - height) / error**2
    covariance = np.linalg.inv(precision)
    a, b = covariance @ right
    slope = max(1.0 + b, 0.2)
    gradient = np.array([-1.0 / slope, a / slope**2])
    spread = _NORMAL_95 * math.sqrt(float(gradient @ covariance @ gradient))
    height = shape.goal - a / slope
    return Root(shape.where(height), shape.where(height - spread), shape.where(height + spread), float(a))
