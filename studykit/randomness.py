"""Random numbers: one seed gives named, independent streams; real allocations use the operating system.

A stream is found by its key, never by the order in which streams were asked for, so that the same
seed gives the same numbers for any number of workers.
"""

from __future__ import annotations

import hashlib
import secrets

import numpy as np

from studykit.errors import ArgumentError

Key = str | int


def _word(part: Key) -> int:
    """A 64-bit word for one part of a key; texts and numbers never collide."""
    text = f"{'s' if isinstance(part, str) else 'i'}:{part}"
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big")


def stream(seed: int, *key: Key) -> np.random.Generator:
    """The random number generator that belongs to a seed and a key.

    Parameters
    ----------
    seed : int
        ``>= 0``; the study's or the simulation's seed.
    *key : str or int
        Names the use, e.g. ``stream(20, "trial", replicate, "tests")``.

    Returns
    -------
    numpy.random.Generator
        Independent of every stream with another key (numpy's ``SeedSequence``).

    Raises
    ------
    ArgumentError
        If ``seed`` is negative.

    Notes
    -----
    numpy does not promise that a generator's methods draw the same numbers in every version
    (NEP 19). A seed therefore reproduces a simulation on one set of versions; it never stands for
    an allocation, whose record is the ledger.

    Examples
    --------
    >>> bool(stream(1, "trial", 7).integers(100) == stream(1, "trial", 7).integers(100))
    True
    >>> bool(stream(1, "trial", 7).random() == stream(1, "trial", "7").random())
    False
    """
    if seed < 0:
        raise ArgumentError(where="seed", expected="a whole number from 0", got=repr(seed))
    return np.random.default_rng(np.random.SeedSequence((seed, *map(_word, key))))


def entropy_bits(number: int = 128) -> int:
    """Fresh bits from the operating system, for a real allocation.

    Examples
    --------
    >>> 0 <= entropy_bits(8) < 256
    True
    """
    return secrets.randbits(number)
