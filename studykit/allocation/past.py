"""The allocations so far, folded into the state of the method that is in force."""

from __future__ import annotations

from typing import Any

from studykit.allocation.entries import canonical
from studykit.allocation.method import AllocationMethod, Factors, fold


class Past:
    """Allocations in the order in which they were made.

    A method that does not carry over begins afresh when an amendment changed the method: only the
    last unbroken run of allocations by that very method counts.
    """

    __slots__ = ("_folded", "_made", "_method_text", "_run_begins")

    def __init__(self) -> None:
        self._made: list[tuple[Factors, str]] = []
        self._method_text = ""
        self._run_begins = 0
        self._folded: tuple[str, int, int, Any] = ("", 0, 0, None)

    def add(
        self, method: AllocationMethod[Any] | None, stratum: Factors, arm: str, *, text: str = ""
    ) -> None:
        """One more allocation, by ``method`` or by the method with the canonical description ``text``."""
        described = text if method is None else canonical(method.describe())
        if described != self._method_text:
            self._method_text = described
            self._run_begins = len(self._made)
        self._made.append((stratum, arm))

    def state(self, method: AllocationMethod[Any]) -> Any:
        """The state for the next draw by ``method``."""
        text = canonical(method.describe())
        begins = self._run_begins if text == self._method_text else len(self._made)
        if method.carries_over:
            begins = 0
        known, known_begins, upto, state = self._folded
        if (known, known_begins) != (text, begins):
            upto, state = begins, method.start()
        state = fold(method, self._made[upto:], state=state)
        self._folded = (text, begins, len(self._made), state)
        return state
