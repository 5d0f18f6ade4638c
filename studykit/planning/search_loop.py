"""The loop of every search: simulate where the fitted curve reaches the target, fit again, until precise."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol, Self

from studykit.planning.search_curve import CurvePoint, Shape, Target, find_root

Quantity = Literal["clients", "trainers"]
LARGEST_ROUND = 1500
MOST_CLIENTS = 1000  # simulated in one study
CLOSEST_NUMBER = 2.0  # clients or trainers: close enough as well


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


NO_ENDS = (math.nan, math.nan)


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
