"""The columns that a look back can use, and the names under which exports carry them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

SESSIONS = "sessions"
Kind = Literal["code", "date", "word", "mark"]
UNUSED = "none"


@dataclass(frozen=True, slots=True)
class WantedColumn:
    """A column that a look back can use.

    Parameters
    ----------
    name : str
        Its exact name.
    kind : str
    meaning : str
    required : bool
    other_names : tuple of str
        Names under which exports carry it; a guess, never taken without a yes.
    """

    name: str
    kind: Kind
    meaning: str
    required: bool = False
    other_names: tuple[str, ...] = ()


_CLIENT = WantedColumn(
    "client", "code", "client code, never a name", True,
    ("client id", "client code", "client number", "client name", "customer", "customer id", "customer name",
     "member", "member id", "member number", "member name", "membership number", "membership id",
     "person id"),
)  # fmt: skip
_TRAINER_NAMES = (
    "trainer id", "trainer code", "trainer name", "coach", "coach name", "instructor", "staff",
    "staff member",
)  # fmt: skip
_FIRST_DAY = WantedColumn(
    "first_day", "date", "first day", True, ("start", "start date", "from", "begin", "begins", "first date"),
)  # fmt: skip
_LAST_DAY = WantedColumn(
    "last_day", "date", "last day", True, ("end", "end date", "to", "until", "ends", "last date")
)

_JOINED_ON = WantedColumn(
    "joined_on", "date", "day the client joined the studio", False,
    ("joined", "join date", "joining date", "date joined", "member since", "client since",
     "start date", "membership start", "contract start", "first day", "registered on",
     "sign-up date"),
)  # fmt: skip

WANTED: Mapping[str, tuple[WantedColumn, ...]] = {
    SESSIONS: (
        _CLIENT,
        WantedColumn(
            "date", "date", "day of the session", True,
            ("day", "session date", "session day", "visit date", "attendance date", "appointment date",
             "appointment", "class date", "training date", "date of visit", "date of session", "start",
             "start time", "starts at", "start date", "date and time", "datetime", "timestamp", "check-in",
             "check in", "check-in time", "checked in at"),
        ),
        WantedColumn("trainer", "code", "who trained the client that day", False, _TRAINER_NAMES),
        WantedColumn(
            "status", "word", "what became of the booking", False,
            ("state", "attendance", "attendance status", "attended", "booking status", "session status",
             "visit status", "outcome", "appointment status", "showed", "present"),
        ),
        WantedColumn(
            "partner_reps", "mark", "partner reps done: yes or no, or how many", False,
            ("partner-resisted reps", "partner resisted reps", "partner resisted", "partner resistance",
             "partner repetitions", "with partner reps", "partner sets", "partner rep count", "partner",
             "hand-resisted reps", "manual resistance reps"),
        ),
        _JOINED_ON,
    ),
    "clients": (
        _CLIENT,
        _JOINED_ON,
    ),
    "pauses": (
        _CLIENT,
        _FIRST_DAY,
        _LAST_DAY,
        WantedColumn("recorded_on", "date", "day the pause was registered", False,
                     ("entered on", "registered on", "created", "created on", "recorded")),
    ),
    "departures": (
        _CLIENT,
        WantedColumn("date", "date", "day of the notice", True,
                     ("departure date", "left on", "left", "end date", "cancel date", "cancellation date",
                      "notice date", "date left", "contract end", "membership end")),
    ),
    "closures": (_FIRST_DAY, _LAST_DAY),
    "trainers": (
        WantedColumn("trainer", "code", "trainer code, never a name", True, _TRAINER_NAMES),
        WantedColumn("adopted_on", "date", "day from which the trainer worked with partner reps", True,
                     ("adopted", "adoption date", "partner reps since", "partner reps from", "since",
                      "start date")),
    ),
}  # fmt: skip


def plain_name(text: str) -> str:
    """A column name without capitals, and with blanks for hyphens and underscores."""
    return " ".join(text.casefold().replace("_", " ").replace("-", " ").split())
