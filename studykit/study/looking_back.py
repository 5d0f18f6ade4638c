"""A whole look back from a file: what the export does not say is asked or refused, then answered and saved.

Answers about the export are kept beside the results, so that they are given once.
"""

from __future__ import annotations

import datetime as dt
import json
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from studykit.errors import ArgumentError, DataError, DesignError, Finding, FolderError
from studykit.protocol.local_time import studio_day
from studykit.shipped import shipped
from studykit.study.folder import made_whole, study_folder, versions
from studykit.study.rights import refuse_unknown
from studykit.study.said_of_records import Said as Said
from studykit.study.snapshot import read_study

if TYPE_CHECKING:
    from studykit.allocation.entries import Entry
    from studykit.lookback.export_columns import Placed
    from studykit.lookback.export_tables import Opened
    from studykit.lookback.log import AttendanceLog
    from studykit.lookback.look_back_results import LookBack
    from studykit.report.lookback_tables import EarlierLook

SAID = "answers.json"
LOOKS = "looks.json"  # what earlier looks gave, so that a later one shows it
RECORDS_LOOKED_AT = "attendance records looked at"
FORMAT = 1


class Asking(Protocol):
    """Somebody at a keyboard."""

    def say(self, text: str) -> None:
        """Show a line."""

    def confirm(self, question: str) -> bool:
        """A plain yes or no."""

    def ask(self, question: str, *, default: str = "", choices: Sequence[str] = ()) -> str:
        """One answer."""


@dataclass(frozen=True, slots=True)
class LookBackDone:
    """What a look back left behind.

    Parameters
    ----------
    look : LookBack
    log : AttendanceLog
    page : Path
    notices : tuple of str
        What a person must be told beside the answer: files replaced, copies written.
    tally_sheet : Path or None
    """

    look: LookBack
    log: AttendanceLog
    page: Path
    notices: tuple[str, ...]
    tally_sheet: Path | None

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Of reading and of the analysis, each once, the gravest first."""
        order = {"stop": 0, "warn": 1, "note": 2}
        both = dict.fromkeys((*self.log.findings, *self.look.findings))
        return tuple(sorted(both, key=lambda finding: order[finding.severity]))

    @property
    def needs_attention(self) -> bool:
        """Whether something was not understood."""
        return any(finding.severity == "stop" for finding in self.findings)

    def plain(self) -> dict[str, Any]:
        """The look back for programs, with its page, and the findings of reading and analysis together."""
        from studykit.results import to_plain

        return {
            **to_plain(self.look),
            "findings": to_plain(self.findings),
            "rows_of_the_export": to_plain(self.log.rows),
            "page": str(self.page),
        }


@dataclass(frozen=True, slots=True)
class Wish:
    """What is to be done.

    Parameters
    ----------
    file : Path
    said : Said
    out : Path or None
        By default a folder beside the file.
    recode : bool
        Write a copy with codes where names stand in the export, and go on with it.
    study, by : Path or None, str
        A study in whose ledger the look is logged, and who looks.
    options : mapping of str to value
        For `studykit.lookback.look_back.look_back`.
    """

    file: Path
    said: Said = field(default_factory=Said)
    out: Path | None = None
    recode: bool = False
    study: Path | None = None
    by: str = ""
    options: Mapping[str, Any] = field(default_factory=dict)

    @property
    def absence_days(self) -> int:
        """Days away that count as having left."""
        from studykit.retention.clock import FOUR_WEEKS

        return int(self.options.get("absence_days", FOUR_WEEKS.absence_days))

    @property
    def folder(self) -> Path:
        """Where the results go."""
        return self.out or self.file.with_name(f"{self.file.stem}_lookback")


def look_back_from(
    wish: Wish, *, asking: Asking | None = None, step: Callable[[str], None] = lambda _what: None
) -> LookBackDone:
    """Read, ask what is not clear, analyse, save.

    Parameters
    ----------
    wish : Wish
    asking : Asking, optional
        Without anybody to ask, what is not clear is refused.
    step : callable
        Told what begins.

    Raises
    ------
    DataError
        If the export is not clear and nobody can be asked, or cannot be used.
    FolderError
        If a file cannot be read, or something is in the way of the results.
    """
    from studykit.lookback.look_back import look_back

    log_here = _ledger_wanted(wish)
    notices = list(_in_the_way(wish.folder))
    said = wish.said.over(_earlier(wish.folder, notices))
    if asking is None:  # else questions would stand in the middle of a line
        step("reading the export")
    log, said, more = _read(wish, said, asking)
    if (
        asking is not None
        and not said.again
        and any(one.last_day < _last(log) for one in _looks(wish.folder))
    ):
        asked = "These records were looked at before. Was looking again planned then?"
        said = replace(said, again=asking.ask(asked, choices=("planned", "not planned")))
    notices += more
    step("comparing")
    try:
        look = look_back(log, **wish.options)
    except DesignError as error:  # what was noticed in the records is most likely the reason
        raise DataError([
            Finding("stop", error.where, error.expected, error.got, error.todo), *log.findings,
        ]) from None  # fmt: skip
    step("writing the page")
    page, tally = _save(wish, look, log, said, log_here)
    return LookBackDone(look, log, page, tuple(notices), tally)


def demo_export(folder: Path) -> tuple[Path, dict[str, str]]:
    """Copy the invented export; gives the attendance file and the further tables.

    Raises
    ------
    FolderError
        If something else is in the way.
    """
    source = shipped("synthetic_data") / "attendance"
    names = ("export.csv", "clients.csv")
    if not folder.exists():
        with made_whole(folder) as making:
            for name in names:
                shutil.copyfile(source / name, making / name)
    elif not all(
        (folder / name).is_file() and (folder / name).read_bytes() == (source / name).read_bytes()
        for name in names
    ):
        raise FolderError(
            where=str(folder), expected="a free name", got="something else of that name",
            todo="Move it away, or look back at your own export: studykit lookback FILE.",
        )  # fmt: skip
    return folder / "export.csv", {"clients": str(folder / "clients.csv")}


# --- reading -------------------------------------------------------------------------------------


def _read(wish: Wish, said: Said, asking: Asking | None) -> tuple[AttendanceLog, Said, list[str]]:
    from studykit.lookback.export_tables import open_attendance, with_what_was_left_out
    from studykit.lookback.identity import named_columns, write_recoded

    notices: list[str] = []
    opened, said = _opened(wish.file, said, asking)
    placed, said = _settle_columns(opened, said, asking)
    named = named_columns(opened, placed)
    if named and (wish.recode or (asking is not None and _offer_codes(asking, named))):
        copies, key = write_recoded(opened, placed, wish.file)
        notices.append(
            f"Codes stand for the names in {', '.join(path.name for path in copies.values())}. The key is "
            f"{key.name}: keep it elsewhere, and use the copies from now on."
        )
        tables = {name: str(path) for name, path in copies.items() if name != "sessions"}
        said = replace(said, columns={}, tables=tables)
        opened = with_what_was_left_out(open_attendance(copies["sessions"], tables=dict(tables)), opened)
        placed, said = _settle_columns(opened, said, None)
    log, said = _understood(opened, placed, said, asking, wish.absence_days)
    return log, said, notices


def _opened(file: Path, said: Said, asking: Asking | None) -> tuple[Opened, Said]:
    """The tables; in a terminal the sheets with sessions are asked for where they are not clear."""
    from studykit.lookback.export_tables import SheetDoubt, open_attendance

    try:
        return open_attendance(
            file, tables=dict(said.tables), sheets=said.sheets, header=said.header_row
        ), said  # fmt: skip
    except SheetDoubt as doubt:
        if asking is None:
            raise
        asking.say(str(doubt))
        sheets = tuple(
            title for title in doubt.titles if asking.confirm(f"Does sheet {title!r} hold sessions?")
        )
        if not sheets or sheets == said.sheets:
            raise
        return _opened(file, replace(said, sheets=sheets), asking)


def _offer_codes(asking: Asking, named: Sequence[Finding]) -> bool:
    for finding in named:
        asking.say(str(finding))
    return asking.confirm("Write a copy with codes and a separate key, and go on with the copy?")


def _settle_columns(opened: Opened, said: Said, asking: Asking | None) -> tuple[Placed, Said]:
    """Columns as said, exact ones, and guesses that somebody confirms."""
    from studykit.lookback.export_columns import place_columns, refuse_guesses
    from studykit.lookback.wanted_columns import UNUSED

    placed = place_columns(opened, said.columns)
    if asking is not None and (placed.guesses or placed.missing):
        answers = {key: asking.ask(f"Which column is {key}?", choices=names) for key, names in placed.asked}
        for guess in placed.guesses:
            question = f"{guess.where}: is {guess.header!r} the column {guess.key} ({guess.wanted.meaning})?"
            answers[guess.key] = guess.header if asking.confirm(question) else UNUSED
        said = replace(said, columns={**said.columns, **answers})
        placed = place_columns(opened, said.columns)
    refuse_guesses(placed)
    return placed, said


def _understood(
    opened: Opened, placed: Placed, said: Said, asking: Asking | None, absence_days: int
) -> tuple[AttendanceLog, Said]:
    """The log; in a terminal the order of dates, words for states and days of adoption are asked for."""
    from studykit.lookback.episodes import marks_since
    from studykit.lookback.log import UNKNOWN_DAY

    if asking is not None:
        said = _ask_order(opened, placed, said, asking)
        said = _ask_words(opened, placed, said, asking)
    log = _log(opened, placed, said, absence_days)
    if asking is not None:
        log, said = _ask_silences(opened, placed, log, said, asking, absence_days)
        older = (log.joined != UNKNOWN_DAY) & (log.joined < marks_since(log))
        if log.marked and log.practice_from == UNKNOWN_DAY and not said.practice_from and older.any():
            said = replace(said, practice_from=_ask_practice(log, asking))
            log = _log(opened, placed, said, absence_days)
    unmarked = not log.marked and log.trainers and not said.adopted and (log.adopted < 0).all()
    if asking is not None and unmarked:
        said = replace(said, adopted=_ask_adoption(log, asking))
        log = _log(opened, placed, said, absence_days)
    return log, said


def _log(opened: Opened, placed: Placed, said: Said, absence_days: int) -> AttendanceLog:
    from studykit.lookback.attendance_reading import ReadingSettings, parse_attendance

    settings = ReadingSettings(
        statuses=dict(said.statuses),
        marks=dict(said.marks),
        gaps={_span(text): why for text, why in said.gaps.items()},
        practice_from=_day(said.practice_from, "the day from which anybody worked with partner reps")
        if said.practice_from not in ("", NOT_KNOWN)
        else None,
        facts=said.facts or None,
        extracted_on=_day(said.extracted_on, "the day of the export") if said.extracted_on else None,
        absence_days=absence_days,
    )
    adopted = {
        trainer: "never" if day == "never" else _day(day, f"the day on which {trainer} began")
        for trainer, day in said.adopted.items()
    }
    return parse_attendance(
        opened, placed, date_order=said.date_order or None,
        adopted=adopted, settings=settings,  # type: ignore[arg-type]
    )  # fmt: skip


def _day(text: str, what: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise ArgumentError(
            where=what, expected="a date such as 2026-03-09", got=repr(text), todo="Write it so."
        ) from None


def _span(text: str) -> tuple[int, int]:
    """First and last day of a stretch written as FIRST..LAST."""
    from studykit.lookback.log import day_number

    first, _, last = text.partition("..")
    what = "a stretch without sessions, FIRST..LAST"
    begin, end = day_number(_day(first, what)), day_number(_day(last or first, what))
    if end < begin:
        raise ArgumentError(where=what, expected="the first day before the last", got=repr(text))
    return begin, end


def _ask_silences(
    opened: Opened, placed: Placed, log: AttendanceLog, said: Said, asking: Asking, absence_days: int
) -> tuple[AttendanceLog, Said]:
    """Ask about stretches in which nobody trained, until none is left that would make departures."""
    from studykit.lookback.log import day_of
    from studykit.lookback.silence import WHYS, silence_doubt

    while (doubt := silence_doubt(log, absence_days)) is not None:
        first, last = map(day_of, doubt.spans[0])
        if doubt.thin:
            asking.say(f"Sessions thin out after {first - dt.timedelta(days=1)}.")
            ends = asking.ask("On which day do the records end?", default=str(first - dt.timedelta(days=1)))
            if ends == said.extracted_on:
                return log, said
            said = replace(said, extracted_on=ends)
        else:
            why = asking.ask(
                f"No session from {first} to {last}. Was the studio closed, are they missing from the "
                "export, or was it open and empty?", choices=WHYS,
            )  # fmt: skip
            said = replace(said, gaps={**said.gaps, f"{first}..{last}": why})
        log = _log(opened, placed, said, absence_days)
    return log, said


def _ask_practice(log: AttendanceLog, asking: Asking) -> str:
    from studykit.lookback.log import day_of

    return asking.ask(
        f"The records begin on {day_of(log.first_day)}. On which day did anybody here first work with "
        f"partner reps? (YYYY-MM-DD, or {NOT_KNOWN})", default=NOT_KNOWN,
    )  # fmt: skip


def _ask_order(opened: Opened, placed: Placed, said: Said, asking: Asking) -> Said:
    from studykit.lookback.date_orders import DATE_ORDERS, parse_dates

    index = placed.places["sessions"]["date"]
    table = opened.tables["sessions"]
    try:
        parse_dates(table.columns[index], table.header[index], _order(said.date_order))
    except DataError as error:
        asking.say(str(error))
        return replace(said, date_order=asking.ask("How are dates written?", choices=DATE_ORDERS))
    return said


def _order(text: str) -> Any:
    return {"day": "day first", "month": "month first"}.get(text, text) or None


def _ask_words(opened: Opened, placed: Placed, said: Said, asking: Asking) -> Said:
    """What words for the state of a booking and for partner reps mean, each once, with its count."""
    from studykit.lookback.layout import NOTES
    from studykit.lookback.parsing import MARKS, STATES, parse_marks, parse_states
    from studykit.lookback.wanted_columns import plain_name

    table, places = opened.tables["sessions"], placed.places["sessions"]
    answers = {"status": dict(said.statuses), "partner_reps": dict(said.marks)}
    for name, meanings in (("status", (*STATES, NOT_KNOWN)), ("partner_reps", tuple(MARKS))):
        if name not in places:
            continue
        column = table.columns[places[name]]
        if name == "status":
            open_words = parse_states(column, said.statuses) == 0
        else:
            notes = plain_name(table.header[places[name]]) in NOTES
            open_words = parse_marks(column, said.marks, notes=notes).unexplained
        rows = np.bincount(column.place, minlength=len(column.texts))
        words = [place for place in np.flatnonzero(open_words).tolist() if column.texts[place]]
        for place in sorted(words, key=lambda place: -rows[place])[:_MOST_WORDS]:
            word = column.texts[place]
            asked = f"{rows[place]} rows have {word!r} under {table.header[places[name]]}. What does it mean?"
            meaning = asking.ask(asked, choices=meanings)
            if meaning != NOT_KNOWN:
                answers[name][word] = meaning
    return replace(said, statuses=answers["status"], marks=answers["partner_reps"])


NOT_KNOWN = "not known"
_MOST_WORDS = 12


def _ask_adoption(log: AttendanceLog, asking: Asking) -> dict[str, str]:
    asking.say(
        "The export does not say at which sessions partner reps were done. With the day on which each "
        "trainer began to work with them, months before and after can be set side by side."
    )
    found: dict[str, str] = {}
    for trainer in log.trainers:
        answer = asking.ask(
            f"From which day did {trainer} work with partner reps? (YYYY-MM-DD, never, or not known)",
            default=NOT_KNOWN,
        )
        if answer != NOT_KNOWN:
            found[trainer] = answer
    return found


# --- results -------------------------------------------------------------------------------------


def _in_the_way(folder: Path) -> tuple[str, ...]:
    """What stands in the folder already: an earlier look back is replaced and said, others are refused."""
    from studykit.report.saving import LOOK_BACK_PAGE

    if not folder.exists():
        return ()
    if not folder.is_dir() or (any(folder.iterdir()) and not (folder / LOOK_BACK_PAGE).is_file()):
        raise FolderError(
            where=str(folder), expected="a free name for the results", got="something else of that name",
            todo="Give another: --out FOLDER.",
        )  # fmt: skip
    return (f"The earlier look back in {folder} is replaced.",) if any(folder.iterdir()) else ()


def _earlier(folder: Path, notices: list[str]) -> Said:
    """What was said of this export before."""
    path = folder / SAID
    if not path.is_file():
        return Said()
    try:
        plain = json.loads(path.read_text(encoding="utf-8"))
        fields = {name: plain[name] for name in Said.__slots__ if name in plain}
        said = Said(**fields | {name: tuple(fields.get(name, ())) for name in ("facts", "sheets")})
        newer = plain.get("format", FORMAT) > FORMAT
    except (OSError, ValueError, TypeError, AttributeError):
        said, newer = Said(), True
    if newer:
        raise FolderError(
            where=str(path), expected="the answers given to an earlier look back", got="something else",
            todo="Move the file away; the questions are asked again.",
        )  # fmt: skip
    if said != Said():
        notices.append(f"Answers given before are used again: {path}.")
    return said


def _save(
    wish: Wish, look: LookBack, log: AttendanceLog, said: Said, log_here: Callable[[LookBack], str]
) -> tuple[Path, Path | None]:
    from studykit.report.lookback_page import LookBackReading
    from studykit.report.lookback_tables import this_look
    from studykit.report.rendering import write_whole
    from studykit.report.saving import save_look_back
    from studykit.report.tally_sheet import tally_files
    from studykit.results import to_plain

    today = studio_day().isoformat()
    earlier = tuple(one for one in _looks(wish.folder) if one.last_day < _last(log))
    reading = LookBackReading(
        look, log, today, versions(), said.lines(), log_here(look), earlier, said.again
    )  # fmt: skip
    page = save_look_back(reading, wish.folder)
    plain = {"format": FORMAT, **{name: getattr(said, name) for name in Said.__slots__}}
    extra = {SAID: (json.dumps(plain, indent=1, ensure_ascii=False) + "\n").encode("utf-8")}
    extra[LOOKS] = (json.dumps(to_plain((*earlier, this_look(look, today))), indent=1) + "\n").encode()
    if not log.marked:
        extra |= tally_files(log.trainers)
    write_whole(wish.folder, extra)
    return page, None if log.marked else wish.folder / "tally.html"


def _last(log: AttendanceLog) -> str:
    from studykit.lookback.log import day_of

    return str(day_of(log.last_day))


def _looks(folder: Path) -> tuple[EarlierLook, ...]:
    """Earlier looks whose results stood in this folder; what cannot be read is no look."""
    from studykit.report.lookback_tables import EarlierLook

    try:
        return tuple(EarlierLook(**one) for one in json.loads((folder / LOOKS).read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return ()


def _ledger_wanted(wish: Wish) -> Callable[[LookBack], str]:
    """How the look is logged in a study's ledger; checked before anything is looked at."""
    if wish.study is None:
        return lambda _look: ""
    from studykit.lookback.answer_sentences import for_the_protocol

    now, ledger = read_study(study_folder(wish.study))
    if ledger is None:
        return lambda _look: ""
    if not wish.by:
        raise ArgumentError(
            where="lookback", expected="--by CODE, who looks", got="none", todo="The look is logged."
        )
    refuse_unknown(wish.by, now.protocol, trainers=now.trainer_codes)

    def log_look(look: LookBack) -> str:
        told = for_the_protocol(look, now.today.isoformat())
        entry = ledger.append("note", {"what": RECORDS_LOOKED_AT, "told": told}, by=wish.by)
        return f"the ledger of {now.folder.name}, entry {entry.position}"

    return log_look


def told_of_records(entries: Sequence[Entry]) -> tuple[str, ...]:
    """What the entries of a ledger tell of attendance records that were looked at."""
    return tuple(
        str(entry.body["told"])
        for entry in entries
        if entry.kind == "note" and entry.body.get("what") == RECORDS_LOOKED_AT
    )
