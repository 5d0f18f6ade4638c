"""The designs as data: who is drawn, what is drawn, and which arm that means in a period and on a side.

This is the only list of designs. Later rooms ask a design for its facts and never compare its name; a new
design is one entry here and one ready protocol.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError

Integers = NDArray[np.int64]
_LEAD = "another question: it tells nothing on retention."


@dataclass(frozen=True, slots=True)
class DesignWords:
    """Sentences on a design, and nothing else.

    Parameters
    ----------
    title : str
        The design in a few words.
    elsewhere : str
        The same where it is not known how clients were drawn; empty where that makes no difference.
    code : str
        What one of the codes is called.
    given : str
        What a code means: ``{0}``, ``{1}`` are the names of its arms in order, ``{place}`` its place from 1.
    when : str
        Where a contrast is taken; ``{at}`` is the visit.
    remark : str
        The limit that every reader must see.
    redrawn : str
        What re-randomisation within clients draws again.
    gain : (str, str)
        Against a training gain as the outcome: what would be better, and what to do; empty where nothing is.
    join : str
        What recruitment must keep to.
    offer : (str, str)
        What is done and what it takes, where another study might take this design; empty where it is not
        offered.
    """

    title: str
    elsewhere: str = ""
    code: str = "arm"
    given: str = "{0}"
    when: str = "{at}"
    remark: str = ""
    redrawn: str = ""
    gain: tuple[str, str] = ("", "")
    join: str = ""
    offer: tuple[str, str] = ("", "")


@dataclass(frozen=True, slots=True)
class Design:
    """Everything that is asked of a design.

    Parameters
    ----------
    word : str
        In the protocol.
    words : DesignWords
    unit : {"client", "trainer"}
        Who is drawn; trainers all at once, and their clients go along.
    within : {"", "periods", "sides"}
        Where one client meets both arms.
    periods : (int, int or None)
        Fewest and most periods.
    deliver : {"", "one arm", "both arms"}
        What each trainer must deliver; empty where either will do.
    kinds : frozenset of str
        Kinds of outcome that it can answer.
    codes : callable
        Arm codes and number of periods to what is drawn.
    arm : callable
        Place of the code, period from 0, side (0 dominant, 1 other) to the place of the arm; 0 is the
        reference.
    fewest_per_code : int
        Units that each code needs.
    pooled : bool
        Whether studies of it are pooled with others'.
    carry_over : str
        Where what the first arm did may pass to; to be argued before the lock. Empty where nowhere.
    """

    word: str
    words: DesignWords = field(repr=False)
    unit: Literal["client", "trainer"] = "client"
    within: Literal["", "periods", "sides"] = ""
    periods: tuple[int, int | None] = (0, 0)
    deliver: Literal["", "one arm", "both arms"] = ""
    kinds: frozenset[str] = frozenset({"continuous"})
    codes: Callable[[Sequence[str], int], tuple[str, ...]] = lambda arms, _periods: tuple(arms)
    arm: Callable[[int, int, int], int] = lambda code, _period, _side: code
    fewest_per_code: int = 2
    pooled: bool = False
    carry_over: str = ""

    @property
    def begins_in_reference(self) -> bool:
        """Whether everybody begins in the reference arm, so that tests before are tests of that arm."""
        return self.within == "periods" and not any(self.arm(code, 0, 0) for code in (0, 1))

    def schedule(self, codes: int, periods: int) -> Integers:
        """Place of the arm by code, period and side: shape (codes, periods, sides), at least one each.

        Examples
        --------
        >>> DESIGNS["stepped"].schedule(3, 4)[:, :, 0].tolist()
        [[0, 1, 1, 1], [0, 0, 1, 1], [0, 0, 0, 1]]
        """
        sides = 2 if self.within == "sides" else 1
        return np.array(
            [
                [[self.arm(code, period, side) for side in range(sides)] for period in range(max(periods, 1))]
                for code in range(codes)
            ],
            dtype=np.int64,
        )

    def as_delivered(self, deliver: str) -> Design:
        """The design that it comes to: parallel arms with trainers of one arm each are arms of trainers."""
        return TRAINERS if self is PARALLEL and deliver == "one arm" else self


def _two(arms: Sequence[str]) -> tuple[str, str]:
    if len(arms) != 2 or arms[0] == arms[1] or any("_then_" in arm for arm in arms):
        raise ArgumentError(where="arms", expected="two different arms", got=repr(tuple(arms)))
    return arms[0], arms[1]


def _orders(arms: Sequence[str], _periods: int) -> tuple[str, ...]:
    first, second = _two(arms)
    return f"{first}_then_{second}", f"{second}_then_{first}"


def _sides(arms: Sequence[str], _periods: int) -> tuple[str, ...]:
    """The arm of the dominant side: drawn in blocks, it balances side over dominance by construction."""
    first, second = _two(arms)
    return f"dominant_{first}", f"dominant_{second}"


def _steps(_arms: Sequence[str], periods: int) -> tuple[str, ...]:
    """The period after which a trainer goes over."""
    return tuple(f"step_{number}" for number in range(1, periods))


def _by_turn(code: int, period: int, side: int) -> int:
    return (code + period + side) % 2


def _gone_over(code: int, period: int, _side: int) -> int:
    return int(period > code)


_CARRY_OVER = (
    "What the first arm did is taken not to last into the second period; if half of a gain lasted, the "
    "difference shown would be a quarter smaller. No test for it is made: such a test finds little and must "
    "not choose the analysis (Freeman 1989)."
)
_TRANSFER = (
    "Part of what one side gains passes to the other (about 12 % of strength on average, Manca and others "
    "2017): the difference shown is between two ways of training within one body, and smaller than between "
    "two people."
)
_STEPS = (
    "Everybody begins in the first arm and ends in the second, so that time and arm can be told apart only "
    "because trainers go over at different times; the model takes the change with time as the same for all."
)
_JOIN = (
    "Periods count from each client's enrolment, and trainers go over on a day: all clients must be enrolled "
    "within days of each other. Take clients who train with you already."
)
_BOTH_KINDS = frozenset({"continuous", "retention"})

PARALLEL = Design(
    "parallel",
    DesignWords(
        title="parallel arms, clients allocated one by one",
        elsewhere="parallel arms, allocated elsewhere",
        offer=(
            "clients drawn one by one, every trainer delivering both arms",
            "each trainer has to keep the two ways of training apart",
        ),
    ),
    kinds=_BOTH_KINDS,
    pooled=True,
)
TRAINERS = Design(
    "trainers",
    DesignWords("parallel arms, trainers allocated as clusters, each client with the own trainer"),
    unit="trainer",
    deliver="one arm",
    kinds=_BOTH_KINDS,
)
_CROSSOVER = Design(
    "crossover",
    DesignWords(
        title="crossover of two periods, the order allocated",
        code="order",
        given="first {0}; second {1}",
        when="within clients, both periods together",
        remark=_CARRY_OVER,
        redrawn="orders",
        gain=(
            "an outcome that goes back between periods",
            "Gains of the first period last into the second; prefer the parallel design.",
        ),
        offer=("both arms one after the other in each client", f"{_LEAD} {_CARRY_OVER.removesuffix('.')}"),
    ),
    within="periods",
    periods=(2, 2),
    codes=_orders,
    arm=_by_turn,
    carry_over="into the second period",
)
_LIMBS = Design(
    "limbs",
    DesignWords(
        title="two sides of a client, the arm of the dominant side allocated",
        code="side",
        given="dominant side: {0}",
        when="{at}, one side against the other",
        remark=_TRANSFER,
        redrawn="sides",
        gain=(
            "an outcome of one side that the other does not share",
            "Part of the gain passes to the other side; the difference shown is smaller than the effect.",
        ),
        offer=(
            "one side of each client in either arm, on one-limb machines",
            f"{_LEAD} {_TRANSFER.removesuffix('.')}",
        ),
    ),
    within="sides",
    codes=_sides,
    arm=_by_turn,
    carry_over="to the other side",
)
_STEPPED = Design(
    "stepped",
    DesignWords(
        title="a stepped roll-out over trainers, the steps allocated",
        code="step",
        given="goes over after period {place}",
        when="within clients and trainers, all periods together",
        remark=_STEPS,
        redrawn="the trainers' steps",
        join=_JOIN,
    ),
    unit="trainer",
    within="periods",
    periods=(3, None),
    deliver="both arms",
    codes=_steps,
    arm=_gone_over,
    fewest_per_code=1,
)

DESIGNS: Mapping[str, Design] = {
    design.word: design for design in (PARALLEL, TRAINERS, _CROSSOVER, _LIMBS, _STEPPED)
}
