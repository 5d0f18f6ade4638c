"""Designs in which one client gets both arms: what is allocated, and which arm that means when and where.

Crossover: the order of two periods. Limbs: the arm of the dominant side. Stepped: the step at which a
trainer goes over from the first arm to the second.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from studykit.errors import ArgumentError

if TYPE_CHECKING:
    from studykit.protocol.types import Protocol

TURNING = ("crossover", "limbs", "stepped")


def crossover_sequences(arms: Sequence[str]) -> tuple[str, str]:
    """The two sequences of a two-period crossover: these, and not the arms, are allocated (E09).

    Examples
    --------
    >>> crossover_sequences(("conventional", "partner_reps"))
    ('conventional_then_partner_reps', 'partner_reps_then_conventional')
    """
    first, second = _two(arms)
    return f"{first}_then_{second}", f"{second}_then_{first}"


def arm_in_period(sequence: str, period: int) -> str:
    """The arm of a sequence in period 1 or 2.

    Examples
    --------
    >>> arm_in_period("conventional_then_partner_reps", 2)
    'partner_reps'
    """
    parts = sequence.split("_then_")
    if len(parts) != 2 or period not in (1, 2):
        raise ArgumentError(
            where="period", expected="a sequence of two arms and period 1 or 2", got=f"{sequence!r}, {period}"
        )
    return parts[period - 1]


def limb_assignments(arms: Sequence[str]) -> tuple[str, str]:
    """The two ways to give two arms to a client's two sides, named after the dominant one.

    Allocating the arm of the dominant side in blocks balances side over dominance by construction.

    Examples
    --------
    >>> limb_assignments(("conventional", "partner_reps"))
    ('dominant_conventional', 'dominant_partner_reps')
    """
    first, second = _two(arms)
    return f"dominant_{first}", f"dominant_{second}"


def arm_of_side(assignment: str, side: str, *, dominant: str, arms: Sequence[str]) -> str:
    """The arm of the left or right side.

    Examples
    --------
    >>> both = ("conventional", "partner_reps")
    >>> arm_of_side("dominant_partner_reps", "left", dominant="right", arms=both)
    'conventional'
    """
    first, second = _two(arms)
    if assignment not in limb_assignments(arms) or {side, dominant} - {"left", "right"}:
        raise ArgumentError(
            where="side",
            expected=f"one of {', '.join(limb_assignments(arms))}, and left or right",
            got=f"{assignment!r}, {side!r}, {dominant!r}",
        )
    on_dominant = assignment.removeprefix("dominant_")
    other = second if on_dominant == first else first
    return on_dominant if side == dominant else other


def arm_at_step(step: int, period: int, *, arms: tuple[str, str]) -> str:
    """Stepped roll-out: the first arm before the trainer's step, the second from it on.

    Examples
    --------
    >>> [arm_at_step(2, period, arms=("conventional", "partner_reps")) for period in (1, 2, 3)]
    ['conventional', 'conventional', 'partner_reps']
    """
    before, after = _two(arms)
    if step < 1 or period < 1:
        raise ArgumentError(where="step and period", expected="whole numbers from 1", got=f"{step}, {period}")
    return after if period > step else before


def step_codes(steps: int) -> tuple[str, ...]:
    """Codes of the steps of a roll-out.

    Examples
    --------
    >>> step_codes(3)
    ('step_1', 'step_2', 'step_3')
    """
    return tuple(f"step_{number}" for number in range(1, steps + 1))


def allocated_codes(protocol: Protocol) -> tuple[str, ...]:
    """What the draw of a protocol chooses from: arms, orders of arms, sides, or steps."""
    if protocol.design not in TURNING:
        return protocol.arm_codes
    if protocol.design == "stepped":
        return step_codes(max(len(protocol.periods) - 1, 0))
    pair = _two(protocol.arm_codes)
    return crossover_sequences(pair) if protocol.design == "crossover" else limb_assignments(pair)


def allocated_name(protocol: Protocol, code: str) -> str:
    """What was allocated, in words."""
    if protocol.design == "crossover":
        first, second = (protocol.arm(arm_in_period(code, period)).name for period in (1, 2))
        return f"first {first}; second {second}"
    if protocol.design == "limbs":
        return f"dominant side: {protocol.arm(code.removeprefix('dominant_')).name}"
    if protocol.design == "stepped":
        return f"goes over after period {code.removeprefix('step_')}"
    return protocol.arm(code).name


def arm_of_period(protocol: Protocol, code: str, period: int) -> str:
    """The arm in one period, counted from 1, of a crossover or a stepped roll-out."""
    if protocol.design == "crossover":
        return arm_in_period(code, period)
    return arm_at_step(int(code.removeprefix("step_")), period, arms=_two(protocol.arm_codes))


def period_on_day(protocol: Protocol, day: int) -> int:
    """The period of a day since allocation: the last that has begun; 1 before the first begins."""
    return max(
        (number for number, period in enumerate(protocol.periods, 1) if period.first_day <= day), default=1
    )


def is_between_periods(protocol: Protocol, day: int) -> bool:
    """Whether a day lies in no period: before the first, in a wash-out, or after the last."""
    return not any(period.first_day <= day <= period.last_day for period in protocol.periods)


def _two(arms: Sequence[str]) -> tuple[str, str]:
    if len(arms) != 2 or arms[0] == arms[1] or any("_then_" in arm for arm in arms):
        raise ArgumentError(where="arms", expected="two different arms", got=repr(tuple(arms)))
    return arms[0], arms[1]
