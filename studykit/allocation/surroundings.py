"""The clock, the entropy and the machine that a ledger works with."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field

from studykit.allocation.bits import fresh_entropy
from studykit.allocation.ledger_home import machine_code
from studykit.protocol.local_time import studio_now


@dataclass(frozen=True, slots=True)
class Surroundings:
    """The clock, the entropy and the machine; only a simulated study replaces them.

    Parameters
    ----------
    clock : callable
        Gives the time now, with its time zone.
    entropy : callable
        Gives 32 to 128 hexadecimal digits.
    machine : str
        Code of this machine.
    simulated : bool
        Must be true where any of them is replaced; every allocation then says so, and the audit too.
    """

    clock: Callable[[], dt.datetime] = studio_now
    entropy: Callable[[], str] = fresh_entropy
    machine: str = field(default_factory=machine_code)
    simulated: bool = False

    @property
    def entropy_source(self) -> str:
        """How entries name the source of their entropy."""
        return "simulated" if self.simulated else "operating system"
