"""The allocations so far, folded into the state of the method that is in force."""

from __future__ import annotations

from typing import Any

from studykit.allocation.method import AllocationMethod, Factors, fold


class Past:
    """Allocations in the order in which they were made.

    A method that does not carry over begins afresh when an amendment changed the method: only the
    last unbroken run of allocations by that very method counts.

    Examples
    --------
    >>> from studykit.allocation.blocks import PermutedBlocks
    >>> from studykit.allocation.entries import canonical
    >>> method = PermutedBlocks(("a", "b"), block_sizes=(2,))
    >>> past, text = Past(), canonical(method.describe())
    >>> past.add({}, "a", text)
    >>> method.next_probabilities(past.state(method, text), {})
    (Fraction(0, 1), Fraction(1, 1))
    """

    __slots__ = ("_folded", "_made", "_method_text", "_run_begins")

    def __init__(self) -> None:
        self._made: list[tuple[Factors, str]] = []
        self._method_text = ""
        self._run_begins = 0
        self._folded: tuple[str, int, int, Any] = ("", 0, 0, None)

    def add(self, stratum: Factors, arm: str, method_text: str) -> None:
        """One more allocation, by the method whose description has this canonical text."""
        if method_text != self._method_text:
            self._method_text = method_text
            self._run_begins = len(self._made)
        self._made.append((stratum, arm))

    def with_one_more(self, stratum: Factors, arm: str, method_text: str) -> Past:
        """A longer past; this one stays as it is."""
        longer = Past()
        longer._made = self._made.copy()
        longer._method_text, longer._run_begins = self._method_text, self._run_begins
        longer._folded = self._folded
        longer.add(stratum, arm, method_text)
        return longer

    def state(self, method: AllocationMethod[Any], method_text: str) -> Any:
        """The state for the next draw by ``method``, whose description has this canonical text."""
        begins = self._run_begins if method_text == self._method_text else len(self._made)
        if method.carries_over:
            begins = 0
        known, known_begins, upto, state = self._folded
        if (known, known_begins) != (method_text, begins):
            upto, state = begins, method.start()
        state = fold(method, self._made[upto:], state=state)
        self._folded = (method_text, begins, len(self._made), state)
        return state
