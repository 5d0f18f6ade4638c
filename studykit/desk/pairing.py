"""Letting browsers in: the laptop by a secret in the address that opens, phones by a QR code or eight digits.

A code holds for five minutes, once, for one person. The long secret stands behind the # of an address,
which no browser sends; the digits are guarded by few tries a minute. Only digests are kept.
"""

from __future__ import annotations

import datetime as dt
import hmac
import secrets
import threading
import time
from dataclasses import dataclass, field

from studykit.errors import ArgumentError

MINUTES = 5
TRIES = 5  # typed codes a minute, of all phones together


@dataclass(frozen=True, slots=True)
class Offer:
    """What one phone may come in with."""

    who: str
    secret: str
    digits: str
    hours: int
    until: float


@dataclass(slots=True)
class Pairing:
    """Codes that are open now.

    Parameters
    ----------
    start : str
        The secret by which the laptop's own browser comes in, once.
    early : dict of str to str
        Browsers of the laptop before there is a study, by their secrets.
    """

    start: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    early: dict[str, str] = field(default_factory=dict)
    _offers: list[Offer] = field(default_factory=list)
    _tries: list[float] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def offer(self, who: str, *, hours: int, now: float | None = None) -> Offer:
        """A new code for one person; an earlier one of the same person ends."""
        at = time.monotonic() if now is None else now
        made = Offer(
            who, secrets.token_urlsafe(24), f"{secrets.randbelow(10**8):08d}", hours, at + 60 * MINUTES
        )
        with self._lock:
            self._offers = [*[one for one in self._offers if one.who != who and one.until > at][-20:], made]
        return made

    def take(self, text: str, *, now: float | None = None) -> Offer:
        """The offer that a secret or the digits belong to; it is used up.

        Raises
        ------
        ArgumentError
            If there is none, or too many codes were tried.
        """
        at = time.monotonic() if now is None else now
        given = text.strip().replace(" ", "")
        typed = given.isdecimal() and len(given) <= 12
        with self._lock:
            self._tries = [one for one in self._tries if one > at - 60.0]
            if typed and len(self._tries) >= TRIES:
                raise ArgumentError(
                    where="code",
                    expected=f"at most {TRIES} tries a minute",
                    got="more",
                    todo="Wait a minute, then type the code that stands on the laptop.",
                )
            if typed:
                self._tries.append(at)
            for one in self._offers:
                own = one.digits if typed else one.secret
                if one.until > at and hmac.compare_digest(own.encode(), given.encode()):
                    self._offers.remove(one)
                    return one
        raise ArgumentError(
            where="code", expected="the code that stands on the laptop now", got="another one",
            todo=f"A code holds for {MINUTES} minutes and once. Let the owner make a new one.",
        )  # fmt: skip

    def begin(self, text: str) -> bool:
        """Whether this is the laptop's own secret; it holds once."""
        with self._lock:
            right = bool(self.start) and hmac.compare_digest(self.start.encode(), text.encode())
            if right:
                self.start = ""
        return right


def until(hours: int) -> str:
    """The end of a browser's time."""
    return (dt.datetime.now(dt.UTC) + dt.timedelta(hours=hours)).isoformat(timespec="seconds")
