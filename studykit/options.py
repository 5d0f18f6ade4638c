"""What commands take: options as data, and how their words are read."""

from __future__ import annotations

import argparse
import datetime as dt
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studykit.errors import ArgumentError, sentence
from studykit.records.nearest import listed, nearest_known

if TYPE_CHECKING:
    from studykit.study.looking_back import Wish

METHODS = ("whole effect", "session clock", "landmark", "strategies from joining", "before and after")
TABLES = ("clients", "pauses", "departures", "closures", "trainers")


def option(*words: str, **settings: Any) -> tuple[tuple[str, ...], dict[str, Any]]:
    """One option: its words and its settings."""
    return words, settings


def day(text: str) -> dt.date:
    """A date from the command line."""
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"a date such as 2026-03-09 is wanted, not {text!r}") from None


def whole(text: str) -> int:
    """A whole number from 1 from the command line."""
    if not (text.isdecimal() and 1 <= int(text) <= 10_000):
        raise argparse.ArgumentTypeError(f"a whole number from 1 is wanted, not {text!r}")
    return int(text)


def trials(text: str) -> int:
    """A number of simulated studies from the command line."""
    if not (text.isdecimal() and 2 <= int(text) <= 10_000_000):
        raise argparse.ArgumentTypeError(f"a number of studies from 2 is wanted, not {text!r}")
    return int(text)


def workers(text: str) -> int | str:
    """How many processes, or the address of a Dask scheduler, from the command line."""
    if "://" in text:
        return text
    if not (text.isdecimal() and 1 <= int(text) <= 1000):
        raise argparse.ArgumentTypeError(
            f"a number of processes, or an address such as tcp://studio:8786, is wanted, not {text!r}"
        )
    return int(text)


def pair(text: str) -> tuple[str, str]:
    """A name and what it stands for, from the command line."""
    name, mark, value = text.partition("=")
    if not (mark and name.strip() and value.strip()):
        raise argparse.ArgumentTypeError(f"NAME=VALUE is wanted, not {text!r}")
    return name.strip(), value.strip()


_EXPORT = option("file", nargs="?", metavar="FILE", type=Path, help="the attendance export, CSV or XLSX")
_DEMO = option("--demo", action="store_true", help="copy an invented export to demo_attendance and use it")
_COLUMN = option(
    "--column",
    action="append",
    default=[],
    type=pair,
    metavar="OURS=THEIRS",
    help='name of a column in the export, such as client=Member or date="Visit date"; or none',
)
_SHEET = option(
    "--sheet",
    action="append",
    default=[],
    metavar="NAME",
    help="sheet of a workbook with sessions, where that is not clear; once for each",
)
_STATUS = option(
    "--status",
    action="append",
    default=[],
    type=pair,
    metavar="WORD=MEANING",
    help='what a status means: attended, cancelled, "no show" or booked',
)
_MARK = option(
    "--mark",
    action="append",
    default=[],
    type=pair,
    metavar="WORD=MEANING",
    help="what a word on partner reps means: yes, no or unknown",
)
_GAP = option(
    "--gap",
    action="append",
    default=[],
    type=pair,
    metavar="FIRST..LAST=WHY",
    help="days without any session: closed, missing (not exported) or empty (open, and nobody came)",
)
_HEADER = option("--header-row", type=whole, default=0, metavar="N", help="row with the names of the columns")
_PRACTICE = option(
    "--practice-from", type=day, metavar="DATE", help="day on which anybody first worked with partner reps"
)
_AGAIN = option(
    "--again",
    default="",
    choices=("planned", "not planned"),
    help="was looking again at longer records planned?",
)
_DATE_ORDER = option(
    "--date-order", default="", choices=("day", "month"), help="which comes first in dates such as 03/04/2025"
)
_FURTHER = tuple(
    option(f"--{name}", type=Path, metavar="FILE", help=f"further table: {meaning}")
    for name, meaning in zip(
        TABLES,
        (
            "client, joined_on, and facts known at joining",
            "client, first_day, last_day",
            "client, date",
            "first_day, last_day of the studio",
            "trainer, adopted_on",
        ),
        strict=True,
    )
)
_ADOPTED = option(
    "--adopted",
    action="append",
    default=[],
    type=pair,
    metavar="TRAINER=DATE",
    help="day from which a trainer worked with partner reps, or never",
)
_KNOWN_FACT = option(
    "--fact",
    action="append",
    default=[],
    metavar="NAME",
    help="column of the clients' table that was known at joining (default: all that can be)",
)
_EXPORTED = option("--exported-on", type=day, metavar="DATE", help="day on which the records were exported")
_HORIZON = option("--horizon", type=whole, default=182, metavar="DAYS", help="days (default: 182)")
_LEAD = option(
    "--lead",
    choices=METHODS,
    help="the answer that leads, named before the file is opened (default: the whole effect, or session by "
    "session where too few clients joined within the records)",
)
_BOOTSTRAP = option(
    "--bootstrap",
    type=whole,
    metavar="N",
    help="resamples of clients (default: as many as needed up to 2,000 clients, none above)",
)
_LANDMARKS = option(
    "--landmark",
    action="append",
    default=[],
    type=whole,
    metavar="DAY",
    help="a fixed day to compare from, ascending (default: 28, 56 and 84)",
)
_GRACE = option(
    "--weeks-to-begin",
    type=whole,
    default=4,
    metavar="W",
    help="weeks within which new clients begin partner reps, or do not (default: 4)",
)
_ABSENCE = option(
    "--absence",
    type=whole,
    default=28,
    metavar="DAYS",
    help="days away that count as having left (default: 28)",
)
_OUT = option("--out", type=Path, metavar="FOLDER", help="for the results (default: beside the file)")
_RECODE = option(
    "--recode", action="store_true", help="write a copy with codes for names, and a key to keep elsewhere"
)
_IN_STUDY = option("--study", type=Path, metavar="STUDY", help="log the look in this study's ledger")
_LOOKER = option("--by", default="", metavar="CODE", help="who looks, for the ledger")
LOOK_BACK = (
    _EXPORT, _DEMO, _SHEET, _HEADER, _COLUMN, _STATUS, _MARK, _DATE_ORDER, _GAP, _PRACTICE, _AGAIN,
    *_FURTHER, _ADOPTED, _KNOWN_FACT, _EXPORTED,
    _HORIZON, _LEAD, _LANDMARKS, _GRACE, _ABSENCE, _BOOTSTRAP, _OUT, _RECODE, _IN_STUDY, _LOOKER,
)  # fmt: skip


SIMULATING = (
    option(
        "--from-records",
        type=Path,
        metavar="FOLDER",
        help="take spread, correlations and retention from records of your own",
    ),
    option("--simulate", action="store_true", help="try the plan out on simulated studies as well"),
    option(
        "--trials",
        type=trials,
        default=500,
        metavar="N",
        help="simulated studies of this size (default: 500)",
    ),
    option("--seed", type=whole, default=1, metavar="N", help="of the simulation (default: 1)"),
    option(
        "--workers", type=workers, default=1, metavar="N", help="processes, or a Dask scheduler's address"
    ),
)


def look_back_wish(arguments: argparse.Namespace) -> Wish:
    """What a look back is asked to do, from its options.

    Raises
    ------
    ArgumentError
        If no export is named, or an export and the invented one.
    FolderError
        If the invented export cannot be copied.
    """
    from studykit.study.looking_back import Said, Wish, demo_export

    if arguments.demo == (arguments.file is not None):
        raise ArgumentError(
            where="lookback", expected="the FILE of an attendance export, or --demo",
            got="both" if arguments.demo else "neither", todo="Give one of them.",
        )  # fmt: skip
    file, tables = demo_export(Path("demo_attendance")) if arguments.demo else (arguments.file, {})
    tables |= {name: str(path) for name in TABLES if (path := getattr(arguments, name)) is not None}
    said = Said(
        columns=dict(arguments.column),
        statuses=dict(arguments.status),
        marks=dict(arguments.mark),
        gaps=dict(arguments.gap),
        practice_from="" if arguments.practice_from is None else arguments.practice_from.isoformat(),
        again=arguments.again,
        header_row=arguments.header_row,
        tables=tables,
        adopted=dict(arguments.adopted),
        date_order=arguments.date_order,
        extracted_on="" if arguments.exported_on is None else arguments.exported_on.isoformat(),
        facts=tuple(arguments.fact),
        sheets=tuple(arguments.sheet),
    )
    return Wish(
        file, said, out=arguments.out, recode=arguments.recode, study=arguments.study,
        by=arguments.by, options=_look_back_options(arguments),
    )  # fmt: skip


def _look_back_options(arguments: argparse.Namespace) -> dict[str, Any]:
    """What the analysis is told; what was not said keeps its default."""
    said = {
        "horizon": arguments.horizon,
        "lead": arguments.lead,
        "landmarks": tuple(arguments.landmark),
        "grace_weeks": arguments.weeks_to_begin,
        "absence_days": arguments.absence,
        "bootstrap": arguments.bootstrap,
    }
    return {name: value for name, value in said.items() if value not in (None, ())}


# --- words that are no command or option ---

_USAGE: tuple[tuple[str, str], ...] = (
    (r"the following arguments are required: (.*)", "expected {0} as well; found nothing there."),
    (r"argument (.*): expected .*arguments?", "expected something after {0}; found nothing."),
    (r"argument (.*): invalid (?:int|whole) value: '(.*)'", "{0}: expected a whole number; found {1}."),
    (r"argument (.*): invalid float value: '(.*)'", "{0}: expected a number; found {1}."),
    (r"ambiguous option: (\S+) could match (.*)", "expected one option; found {0}, which may be {1}."),
)


def usage_trouble(message: str) -> str:
    """What the reader of the command line says, in the words of every other message.

    Examples
    --------
    >>> usage_trouble("argument COMMAND: invalid choice: 'enroll' (choose from 'enrol', 'report')")
    'expected a command; found enroll. Is enrol meant?'
    """
    if choice := re.fullmatch(r"argument (.*): invalid choice: '?(.*?)'? \(choose from (.*)\)", message):
        known = [word.strip(" '") for word in choice[3].split(",")]
        near = nearest_known(choice[2], known)
        name, meant = choice[1], f" Is {near} meant?" if near else ""
        expected = "a command" if name == "COMMAND" and near else f"{name}, {listed(known, most=len(known))}"
        return f"expected {expected}; found {choice[2]}.{meant}"
    for pattern, words in _USAGE:
        if found := re.fullmatch(pattern, message):
            return words.format(*found.groups())
    return sentence(message)


def unknown_trouble(words: Sequence[str], known: Sequence[str]) -> str:
    """What is said of words that a command does not take.

    Examples
    --------
    >>> unknown_trouble(["--resaon", "x"], ["--reason"]), unknown_trouble(["C002"], [])
    ('there is no option --resaon. Is --reason meant?', 'found C002, one word too many.')
    """
    option = next((word for word in words if word.startswith("-")), "")
    if not option:
        many = "one word" if len(words) == 1 else f"{len(words)} words"
        return f"found {' '.join(words)}, {many} too many."
    near = nearest_known(option.partition("=")[0].lstrip("-"), [word.lstrip("-") for word in known])
    return f"there is no option {option}.{f' Is --{near} meant?' if near else ''}"


# --- of the other commands ---

FOLDER = option("folder", type=Path, metavar="FOLDER", help="the new study's folder")
DESK_STUDY = option(
    "desk_study",
    nargs="?",
    default="",
    metavar="STUDY",
    help="the study's folder; without it, the one study that is here",
)
PORT = option(
    "--port", type=whole, default=8642, metavar="NUMBER", help="where the desk listens (default 8642)"
)
PHONES = option("--phones", action="store_true", help="let phones in the studio's own network reach the desk")
SHORTCUT = option("--shortcut", action="store_true", help="only write a file to double-click next time")
NO_BROWSER = option("--no-browser", action="store_true", help="open no browser; the address is printed")
DEMO_FOLDER = option(
    "folder", nargs="?", type=Path, default=Path("demo_study"), metavar="FOLDER", help="default: demo_study"
)
STUDY = option("study", metavar="STUDY", type=Path, help="the study's folder")
CLIENT = option("client", metavar="CLIENT", help="client code")
EACH_CLIENT = option("client", nargs="+", metavar="CLIENT", help="client codes, one or more")
WHAT = option(
    "--what",
    required=True,
    choices=("moved", "clock", "unblinding", "data_lock", "reopening", "remark"),
    help="moved: this machine is the study's home now; clock: the last entry's time was wrong",
)
WHY = option("--reason", required=True, metavar="TEXT", help="why")
OF_CLIENT = option(
    "--client", dest="client_code", default="", metavar="CODE", help="whose arm is told, at an unblinding"
)
TAKEN_BACK = option(
    "--what",
    required=True,
    choices=("touch", "consent", "data", "slip"),
    help="what the client takes back; slip: what was written before was a mistake",
)
SAID_WHY = option("--reason", default="", metavar="TEXT", help="if the client gave one; nobody has to")
SAID_ON = option("--date", type=day, metavar="DATE", help="the day on which it was said (default: today)")
LEAVING = option("trainer", metavar="TRAINER", help="code of the trainer who leaves")
TAKES_OVER = option(
    "--to", dest="to_trainer", required=True, metavar="CODE", help="the trainer who takes the clients over"
)
SOME_CLIENTS = option(
    "--client", dest="of_clients", action="append", default=[], metavar="CODE",
    help="only this client, once for each (default: all, and the trainer leaves)",
)  # fmt: skip
LOCAL = option(
    "--folder-is-local", action="store_true", help="the folder is not synchronised, though it looks so"
)
WHO = option("--by", default="", metavar="CODE", help="your code; the tester is told no arm")
BY = option(
    "--by",
    default=None,
    metavar="CODE",
    help="your code, as in the protocol's roles (asked where it is left out)",
)
YES = option("--yes", action="store_true", help="do not ask before going on")
DESIGN = option("--design", default="parallel", metavar="NAME", help="ready protocol (default: parallel)")
DEFAULTS = option("--defaults", action="store_true", help="ask nothing, take every default")
CLIENTS = option("--clients", type=int, metavar="N", help="clients in all arms (default: the protocol's)")
PILOT = option("--pilot", action="store_true", help="plan a pilot study first, with its progression rules")
WHY_CHANGED = option("--reason", required=True, metavar="TEXT", help="why the protocol changes")
FACT = option("--fact", required=True, metavar="NAME", help="the fact that was mistyped")
VALUE = option("--value", required=True, metavar="TEXT", help="what it should have been")
WHY_CORRECTED = option("--reason", required=True, metavar="TEXT", help="how the slip was found")
RECEIPT = option(
    "--receipt",
    action="append",
    default=[],
    type=Path,
    metavar="FILE",
    help="a receipt, a sheet, a mail, or a folder of them, kept elsewhere",
)
KEPT = option(
    "--kept", action="append", default=[], metavar="CODE", help="an entry and its code, kept elsewhere"
)
LIST = option("--list", type=Path, metavar="FILE", help="kept.json of the outsider, after the last client")
SLIP = option("--slip", default="", metavar="WORD", help="word on the opened slip of a sealed list")
TO = option(
    "--to", required=True, type=Path, metavar="FOLDER", help="a new folder outside the study's folder"
)
SLIPS = option("--slips", type=whole, metavar="N", help="slips in each stratum")
ORDER = option(
    "--date-order", default="", choices=("day", "month"),
    help="keep for all records which comes first in dates such as 03/04/2026",
)  # fmt: skip
DATE = option("--date", type=day, metavar="DATE", help="day of the session (default: today)")
TRAINER = option(
    "--trainer", default="", metavar="CODE", help="who trains that day, if not the usual trainer"
)
TEST = option("--test", action="store_true", help="the sheet for a day of strength tests; it tells no arm")
LOOK_BY = option("--look-by", default="", metavar="CODE", help="who looks before the end of follow-up")
LOOK_REASON = option("--look-reason", default="", metavar="TEXT", help="why")
WRITE_UP = option(
    "--write-up", action="store_true", help="a Word document for a thesis too, with its tables and figures"
)
TEXT_FILE = option("file", metavar="FILE", type=Path, help="your text: .docx, .md, .tex or .txt")
RANDOMISED = option(
    "--randomised", default="", choices=("yes", "no"),
    help="did chance decide who was in which arm? By default the text itself says so, or not",
)  # fmt: skip
PART = option("part", nargs="?", default="", metavar="PART", help="a word of its heading (default: all)")
JSON = option("--json", action="store_true", help="answer as JSON")
