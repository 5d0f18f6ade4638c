"""The plain questions that a new study begins with, and how an answer is read."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Literal

from studykit.errors import ArgumentError
from studykit.protocol.local_time import is_known, nearest_zone, zone_meant

AnswerKind = Literal["text", "whole", "share", "list", "choice", "code", "zone"]


@dataclass(frozen=True, slots=True)
class Question:
    """One question that a new study begins with.

    Parameters
    ----------
    key : str
        Its name in the answers.
    wording : str
        As asked.
    default : str
        Taken when nothing is answered; it is what the ready protocol says.
    kind : {"text", "whole", "share", "list", "choice", "code", "zone"}
        How an answer is read; a list is separated by commas, a share is given in per cent.
    choices : tuple of str
        The answers that can be given, for kind ``choice``.
    """

    key: str
    wording: str
    default: str
    kind: AnswerKind
    choices: tuple[str, ...] = ()

    def read(self, answer: str) -> Any:
        """An answer in the type that its place in the protocol needs.

        Raises
        ------
        ArgumentError
            If it cannot be used.

        Examples
        --------
        >>> Question("share", "Of 100 clients, how many stay", "70", "share").read("35,5 %")
        0.355
        """
        if not answer:
            raise self._refuse("an answer", answer)
        if self.kind == "whole":
            if not re.fullmatch(r"\d{1,6}", answer) or int(answer) < 1:
                raise self._refuse("a whole number from 1", answer)
            return int(answer)
        if self.kind == "share":
            number = answer.removesuffix("%").strip().replace(",", ".")
            if not re.fullmatch(r"\d{1,2}(\.\d+)?", number) or float(number) < 1.0:
                raise self._refuse("a number from 1 to 99, so many of 100", answer)
            return round(float(number) / 100.0, 6)
        if self.kind == "list":
            return self._names(answer)
        if self.kind == "choice" and answer not in self.choices:
            raise self._refuse("one of " + ", ".join(self.choices), answer)
        if self.kind == "code" and not re.fullmatch(r"[A-Za-z0-9_]{1,12}", answer):
            raise self._refuse("a short code of letters and digits, no name", answer)
        return self._zone(answer) if self.kind == "zone" else answer

    def _zone(self, answer: str) -> str:
        meant = answer if is_known(answer) else zone_meant(answer)
        if not meant:
            near = nearest_zone(answer)
            raise self._refuse(f"continent and city, such as {near or 'Europe/Vienna'}", answer)
        return meant

    def _names(self, answer: str) -> list[str]:
        names = [name.strip() for name in re.split("[,;]", answer) if name.strip()]
        codes = [code_of(name) for name in names]
        if not names or not all(codes) or len(set(codes)) < len(codes):
            raise self._refuse("different names with letters, separated by commas", answer)
        return names

    def _refuse(self, expected: str, answer: str) -> ArgumentError:
        return ArgumentError(where=self.wording, expected=expected, got=f'"{answer}"')


def code_of(name: str) -> str:
    """A code made of a name, empty where there is no letter to begin with.

    Examples
    --------
    >>> code_of("Leg press"), code_of("45 degrees")
    ('leg_press', '')
    """
    code = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
    return code[:30] if re.match(r"[a-z]", code) else ""
