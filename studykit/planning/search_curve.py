r"""A rising curve fitted to what simulation found at a few places, and where it reaches a target.

The closed form gives the curve's shape and simulation corrects it, so that all places are pooled. With
:math:`x_0` the closed form's own answer, power follows the probit curve

.. math:: \Phi^{-1}(p) = g + a + b\,(g - g_0),\qquad g = (z_\alpha + z_p)\,(x / x_0)^e - z_\alpha,

and minus the logarithm of a width the line :math:`g = e\,\log(x / x_0) + g_0`, with :math:`e = 1/2`. The
shift :math:`a` is free; :math:`b` is held near 0 by a normal prior, since the closed form's slope is nearly
right.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import ndtri

from studykit.errors import ArgumentError

Target = Literal["power", "width"]
_SLOPE_PRIOR = 0.15  # standard deviation of b
# How far the shape may be wrong, on the curve and for each unit of the logarithm of the distance: the
# analysis changes where the fallback takes over.
_DISCREPANCY: dict[Target, float] = {"power": 0.2, "width": 0.15}
_NORMAL_95 = float(ndtri(0.975))


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
