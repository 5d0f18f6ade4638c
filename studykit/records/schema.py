"""The record tables: their columns, what may stand in them, and one example row each.

The pages on the tables in DEVELOPERS.md are generated from this module.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["code", "text", "date", "number", "whole", "choice", "yes_no"]

YES_NO = ("yes", "no")
REASONS_FOR_DEPARTURE = (
    "no reason given",
    "time",
    "cost",
    "moved away",
    "injury or illness",
    "pregnancy",
    "death",
    "did not like the training",
    "trainer left",
    "studio closed",
    "other",
)
ILLNESS, PREGNANCY = "illness or fever", "pregnancy"
NEWS_OF_HEALTH = (
    ILLNESS,
    PREGNANCY,
    "new medicine",
    "new condition",
    "injury or operation",
    "other",
)


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a record table.

    Parameters
    ----------
    name : str
        As it stands in the header.
    kind : str
        How a cell is read; ``code`` is an identifier: a name, an e-mail or a telephone number is refused.
    meaning : str
        What it says, in words an owner understands.
    required : bool
        Whether every row must have it.
    choices : tuple of str
        The values that may occur, for kind ``choice``.
    lowest, highest : float
        Inclusive bounds for numbers.
    example : str
        The cell of the example row that a new study starts with.
    """

    name: str
    kind: Kind
    meaning: str
    required: bool = True
    choices: tuple[str, ...] = ()
    lowest: float = float("-inf")
    highest: float = float("inf")
    example: str = ""

    @property
    def in_words_of_protocol(self) -> bool:
        """Whether the example row of a study says the protocol's own code here, not ``example``."""
        return self.name == "unit" or (self.kind == "code" and self.name in PROTOCOL_COLUMNS)


@dataclass(frozen=True, slots=True)
class Table:
    """One record table.

    Parameters
    ----------
    name : str
        File name without ending, and sheet name in a workbook.
    meaning : str
        What one row is.
    columns : tuple of Column
        In the order in which a new file has them. ``clients`` may have further columns, one for each
        stratum and named covariate of the protocol.
    key : tuple of str
        Columns that together may occur only once.
    extra_columns : bool
        Whether columns that the schema does not know are allowed (they are reported, never used unasked).
    """

    name: str
    meaning: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    extra_columns: bool = False

    def column(self, name: str) -> Column:
        """The column with this name."""
        return next(column for column in self.columns if column.name == name)


CLIENT = Column("client", "code", "client code, never a name", example="EXAMPLE")

SCREENING = Table(
    "screening",
    "one person who was assessed for the study",
    (
        CLIENT,
        Column("date", "date", "day of the assessment", example="2026-01-12"),
        Column("eligible", "yes_no", "meets the protocol's criteria", example="yes"),
        Column(
            "cleared",
            "choice",
            "cleared for vigorous exercise; by a licensed practitioner where that is needed",
            choices=("yes", "no", "not needed"),
            example="not needed",
        ),
        Column("consented", "yes_no", "gave written consent to the study", example="yes"),
        Column("touch_consented", "yes_no", "accepts hands-on resistance", required=False, example="yes"),
        Column("consent_date", "date", "day of consent", required=False, example="2026-01-14"),
        Column(
            "reason",
            "choice",
            "why not in the study",
            required=False,
            choices=("not eligible", "declined", "other"),
            example="",
        ),
        Column("note", "text", "remarks", required=False),
    ),
    key=("client",),
)

CLIENTS = Table(
    "clients",
    "one client of the study, as known before allocation",
    (
        CLIENT,
        Column("joined_on", "date", "day the client joined the studio", required=False, example="2025-11-03"),
        Column("trainer", "code", "trainer recorded before allocation", required=False, example="T1"),
        Column("age", "whole", "age in whole years", required=False, lowest=0, highest=110, example="44"),
        Column("sex", "text", "as the strata of the protocol name it", required=False, example="female"),
        Column(
            "training_age",
            "choice",
            "experience with strength training",
            required=False,
            choices=("novice", "trained"),
            example="novice",
        ),
        Column(
            "preference",
            "text",
            "arm the client would prefer, asked before allocation; an arm code or none",
            required=False,
            example="",
        ),
    ),
    key=("client",),
    extra_columns=True,
)

TRAINERS = Table(
    "trainers",
    "one trainer",
    (
        Column("trainer", "code", "trainer code, never a name", example="EXAMPLE"),
        Column(
            "signed_off_on",
            "date",
            "day the competency check was passed",
            required=False,
            example="2026-01-10",
        ),
        Column("observer", "code", "who observed the check", required=False, example="OB"),
        Column("note", "text", "remarks", required=False),
    ),
    key=("trainer",),
)

STRENGTH = Table(
    "strength",
    "one attempt or result of a strength test",
    (
        CLIENT,
        Column("visit", "code", "visit code of the protocol", example="baseline"),
        Column("date", "date", "day of the test", example="2026-01-15"),
        Column("exercise", "code", "exercise code of the protocol", example="leg_press"),
        Column("load", "number", "load lifted, in the unit beside it", example="80"),
        Column("unit", "choice", "unit of the load", choices=("kg", "lb", "N", "plates"), example="kg"),
        Column(
            "repetitions",
            "whole",
            "full repetitions done in the prescribed form",
            lowest=0,
            highest=60,
            example="10",
        ),
        Column("success", "yes_no", "the attempt counts by the test's rules", required=False, example="yes"),
        Column("assessor", "code", "who tested", required=False, example="AS"),
        Column(
            "assessor_blind", "yes_no", "the assessor did not know the arm", required=False, example="yes"
        ),
        Column("arm_guess", "text", "arm the assessor would guess, or unsure", required=False),
        Column("note", "text", "remarks", required=False),
    ),
)

MEASUREMENTS = Table(
    "measurements",
    "one value of an outcome that is used as recorded",
    (
        CLIENT,
        Column("visit", "code", "visit code of the protocol", example="baseline"),
        Column("outcome", "code", "outcome code of the protocol", example=""),
        Column("value", "number", "the value, in the outcome's unit", example="1"),
        Column("date", "date", "day of the measurement", required=False, example="2026-01-15"),
    ),
    key=("client", "visit", "outcome"),
)

SESSIONS = Table(
    "sessions",
    "one booked training session of a client",
    (
        CLIENT,
        Column("date", "date", "day of the session", example="2026-01-20"),
        Column("trainer", "code", "who trained the client that day", required=False, example="T1"),
        Column(
            "status",
            "choice",
            "what became of the booking",
            choices=("attended", "cancelled", "no show"),
            example="attended",
        ),
        Column(
            "conventional_sets",
            "whole",
            "conventional sets done",
            required=False,
            lowest=0,
            highest=60,
            example="8",
        ),
        Column("limit_reached", "yes_no", "the sets were taken to the limit", required=False, example="yes"),
        Column(
            "partner_reps",
            "whole",
            "partner reps in all, 0 where there were none",
            required=False,
            lowest=0,
            highest=200,
            example="6",
        ),
        Column(
            "partner_sets",
            "whole",
            "sets that were followed by partner reps",
            required=False,
            lowest=0,
            highest=30,
            example="2",
        ),
        Column(
            "partner_sets_as_planned",
            "whole",
            "of these, sets done as planned",
            required=False,
            lowest=0,
            highest=30,
            example="2",
        ),
        Column(
            "lowering",
            "choice",
            "lowering time of the partner reps",
            required=False,
            choices=("all in range", "some short", "mostly short"),
            example="all in range",
        ),
        Column(
            "lifting",
            "choice",
            "lifting phase of the partner reps",
            required=False,
            choices=("all finished", "one stall", "more stalls"),
            example="all finished",
        ),
        Column("range_kept", "yes_no", "range and ease-off kept", required=False, example="yes"),
        Column(
            "effort", "whole", "client's effort, 0 to 10", required=False, lowest=0, highest=10, example="8"
        ),
        Column(
            "discomfort",
            "whole",
            "client's discomfort, 0 to 10",
            required=False,
            lowest=0,
            highest=10,
            example="4",
        ),
        Column(
            "end_code",
            "choice",
            "how the partner reps ended",
            required=False,
            choices=("as planned", "client asked", "trainer stopped", "overpowered", "stop sign"),
            example="as planned",
        ),
        Column("harm_asked", "yes_no", "the harms question was asked", required=False, example="yes"),
        Column("take_home", "yes_no", "the page to take home was given", required=False, example="yes"),
        Column("entered_on", "date", "day the row was written", required=False, example="2026-01-20"),
    ),
    key=("client", "date"),
)

SETS = Table(
    "sets",
    "one conventional set of a training session",
    (
        CLIENT,
        Column("date", "date", "day of the session", example="2026-01-20"),
        Column("exercise", "code", "exercise code of the protocol", example="leg_press"),
        Column(
            "set", "whole", "1 for the first set of the exercise that day", lowest=1, highest=30, example="1"
        ),
        Column("load", "number", "load, in the unit that the protocol gives the exercise", example="80"),
        Column("repetitions", "whole", "full repetitions done", lowest=0, highest=60, example="10"),
    ),
    key=("client", "date", "exercise", "set"),
)

HEALTH = Table(
    "health",
    "something about a client's health that came up after the screening",
    (
        CLIENT,
        Column("date", "date", "day the client told of it", example="2026-02-03"),
        Column(
            "kind",
            "choice",
            "what it is",
            choices=NEWS_OF_HEALTH,
            example="illness or fever",
        ),
        Column(
            "settled_on",
            "date",
            "day on which the client was well again, or else cleared in writing by a licensed practitioner; "
            "until then no training and no test",
            required=False,
            example="2026-02-10",
        ),
        Column("judged_by", "code", "who settled it", required=False),
        Column("note", "text", "remarks", required=False),
    ),
    key=("client", "date", "kind"),
)

PAUSES = Table(
    "pauses",
    "one registered break of a client",
    (
        CLIENT,
        Column("first_day", "date", "first day of the pause", example="2026-02-16"),
        Column("last_day", "date", "last day of the pause", example="2026-02-27"),
        Column("recorded_on", "date", "day the pause was registered", required=False, example="2026-02-10"),
        Column("reason", "text", "why", required=False, example="holiday"),
    ),
    key=("client", "first_day"),
)

CLOSURES = Table(
    "closures",
    "one period in which the studio was closed for everybody",
    (
        Column("first_day", "date", "first day closed", example="2026-12-24"),
        Column("last_day", "date", "last day closed", example="2027-01-02"),
        Column("reason", "text", "why", required=False, example="EXAMPLE"),
    ),
    key=("first_day",),
)

DEPARTURES = Table(
    "departures",
    "one client who said that he or she stops, or was found to have stopped",
    (
        CLIENT,
        Column("date", "date", "day of the notice", example="2026-03-20"),
        Column("reason", "choice", "main reason", choices=REASONS_FOR_DEPARTURE, example="no reason given"),
        Column(
            "still_reachable",
            "yes_no",
            "may be invited to the remaining tests",
            required=False,
            example="yes",
        ),
        Column("recorded_on", "date", "day the row was written", required=False, example="2026-03-20"),
        Column("note", "text", "remarks", required=False),
    ),
)

HARMS = Table(
    "harms",
    "one harm to a client or a trainer",
    (
        Column(
            "client", "code", "client code; empty where a trainer was hurt", required=False, example="EXAMPLE"
        ),
        Column("trainer", "code", "trainer code, where a trainer was hurt", required=False),
        Column("date", "date", "day of onset", example="2026-01-21"),
        Column("kind", "text", "what it was, in a few words", example="muscle soreness"),
        Column("exercise", "code", "exercise, where one is to blame", required=False, example="leg_press"),
        Column(
            "partner_reps",
            "whole",
            "partner reps in the session before",
            required=False,
            lowest=0,
            highest=200,
        ),
        Column(
            "severity",
            "choice",
            "mild: trains on; moderate: session changed or missed; severe: needs professional care",
            choices=("mild", "moderate", "severe"),
            example="mild",
        ),
        Column(
            "serious",
            "yes_no",
            "death, danger to life, hospital, lasting disability or medically important",
            example="no",
        ),
        Column("expected", "yes_no", "ordinary soreness as described in the protocol", example="yes"),
        Column(
            "related",
            "choice",
            "related to the training",
            choices=("no", "possible", "probable"),
            example="probable",
        ),
        Column("action", "text", "what was done", required=False, example="lighter next session"),
        Column(
            "outcome",
            "text",
            "how it ended: gone, healed, recovered or cleared; in other words or with a doubt it is not over",
            required=False,
            example="gone after 2 days",
        ),
        Column("judged_by", "code", "who judged it", required=False, example="SP"),
    ),
)

ALLOCATION = Table(
    "allocation",
    "the arm of one client, for trials allocated elsewhere",
    (
        CLIENT,
        Column("arm", "code", "arm code of the protocol"),
        Column("date", "date", "day of allocation", required=False),
    ),
    key=("client",),
)

TABLES: tuple[Table, ...] = (
    SCREENING,
    CLIENTS,
    TRAINERS,
    STRENGTH,
    MEASUREMENTS,
    SESSIONS,
    SETS,
    HEALTH,
    PAUSES,
    CLOSURES,
    DEPARTURES,
    HARMS,
    ALLOCATION,
)
EXAMPLE_CODE = "EXAMPLE"  # what tells the example row of a new table from a record
PEOPLE_COLUMNS = frozenset({"client", "trainer", "assessor", "observer", "judged_by"})
PROTOCOL_COLUMNS = frozenset({"visit", "exercise", "outcome", "arm"})


def table(name: str) -> Table:
    """The table with this name.

    Examples
    --------
    >>> table("pauses").key
    ('client', 'first_day')
    """
    return next(entry for entry in TABLES if entry.name == name)
