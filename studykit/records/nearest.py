"""The known word nearest to one that is not known, for messages."""

from __future__ import annotations

import re
from collections.abc import Iterable
from difflib import get_close_matches

_CUTOFF = 0.6
_CODE = re.compile(r"([a-z]*)0*([0-9]+)")
_LOOKALIKES = str.maketrans("oilszbg", "0115286")
"""Letters that are taken for digits, and digits for letters."""


def nearest_known(text: str, known: Iterable[str], *, cutoff: float = _CUTOFF) -> str:
    """The nearest of ``known`` as it is written there, ``""`` where none comes near.

    Capitals and the difference between blank, hyphen and underscore are passed over; a word that differs
    only by letters that look like digits goes first.

    Examples
    --------
    >>> nearest_known("Leg pres", ["leg_press", "chest_press"])
    'leg_press'
    >>> nearest_known("CO01", ["C071", "C001", "C091"])  # a letter O in place of a nought
    'C001'
    >>> nearest_known("C1", ["C012", "C001"]), nearest_known("C1", ["C012"])
    ('C001', '')
    >>> nearest_known("xyz", ["leg_press"])
    ''
    """
    plain = {_plain(word): word for word in reversed(list(known))}
    lookalikes: dict[str, list[str]] = {}
    for word in plain:
        lookalikes.setdefault(word.translate(_LOOKALIKES), []).append(word)
    same = lookalikes.get(_plain(text).translate(_LOOKALIKES), [])
    if len(same) == 1:
        return plain[same[0]]
    if code := _CODE.fullmatch(_plain(text)):  # another number is another person: C1 may be C001, never C012
        same = [
            word for word in plain if (other := _CODE.fullmatch(word)) and other.groups() == code.groups()
        ]
        long = len(_plain(text))
        plain = {word: plain[word] for word in plain if abs(len(word) - long) <= 1 or word in same}
    found = same or get_close_matches(_plain(text), plain, n=1, cutoff=cutoff)
    return plain[found[0]] if found else ""


def listed(words: Iterable[str], *, most: int = 8) -> str:
    """The words in one phrase, not more than ``most`` of them.

    Examples
    --------
    >>> listed(["yes", "no"]), listed(["a", "b", "c"], most=2)
    ('yes or no', 'one of a, b, …')
    """
    found = list(words)
    if len(found) <= 2:
        return " or ".join(found)
    return "one of " + ", ".join(found[:most]) + (", …" if len(found) > most else "")


def _plain(text: str) -> str:
    return text.casefold().replace(" ", "_").replace("-", "_")
