"""Reading an attendance export: every row understood, or left out with a finding that names it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np

from studykit.errors import ArgumentError, DataError, Finding
from studykit.lookback.date_orders import DATE_ORDERS, DateOrder
from studykit.lookback.export_columns import Placed, place_columns, refuse_guesses
from studykit.lookback.export_tables import Opened, open_attendance
from studykit.lookback.identity import refuse_names
from studykit.lookback.log import (
    NEVER,
    UNKNOWN,
    UNKNOWN_DAY,
    AttendanceLog,
    ClientFact,
    Integers,
    Spans,
    day_number,
    day_of,
    no_spans,
)
from studykit.lookback.parsing import (
    ATTENDED,
    MARKS,
    STATES,
    Codes,
    RowFilter,
    in_rows,
    parse_codes,
)
from studykit.lookback.people import (
    after_departure,
    client_facts,
    inside_pauses,
    joined_in_rows,
    joining_days,
    parse_closures,
    parse_departures,
    parse_pauses,
)
from studykit.lookback.sessions import (
    EndOfRecords,
    SessionRows,
    before_joining,
    one_a_day,
    parse_sessions,
)
from studykit.lookback.silence import WHYS, end_of_records
from studykit.lookback.wanted_columns import SESSIONS
from studykit.protocol.local_time import studio_day
from studykit.records.nearest import listed
from studykit.results import frozen_array
from studykit.retention.clock import FOUR_WEEKS

Adopted = dt.date | Literal["never"]


@dataclass(frozen=True, slots=True)
class ReadingSettings:
    """What an export does not say by itself.

    Parameters
    ----------
    statuses : mapping of str to str
        Words of the export for ``attended``, ``cancelled``, ``no show`` and ``booked``.
    marks : mapping of str to str
        Words for partner reps: ``yes``, ``no`` or ``unknown``.
    facts : tuple of str, or None
        Columns of the clients' table that were known when each client joined; by default all that can be.
    extracted_on : date, optional
        Day on which the records were exported: the end of what they can tell.
    today : date, optional
        For finding sessions in the future; by default the day of the machine.
    most_left_out : float
        Share of rows that may stay unused because they were not understood.
    absence_days : int
        Days without attendance that make a departure: sessions after a silence of as many are looked at.
    gaps : mapping of (int, int) to str
        Stretches without any session: ``closed``, ``missing`` (not exported) or ``empty``.
    practice_from : date, optional
        Day from which anybody worked with partner reps.
    """

    statuses: Mapping[str, str] = field(default_factory=dict)
    marks: Mapping[str, str] = field(default_factory=dict)
    facts: tuple[str, ...] | None = None
    extracted_on: dt.date | None = None
    today: dt.date | None = None
    most_left_out: float = 0.1
    absence_days: int = FOUR_WEEKS.absence_days
    gaps: Mapping[tuple[int, int], str] = field(default_factory=dict)
    practice_from: dt.date | None = None

    def __post_init__(self) -> None:
        for where, said, known in (
            ("statuses", self.statuses, STATES), ("marks", self.marks, MARKS), ("gaps", self.gaps, WHYS),
        ):  # fmt: skip
            unknown = sorted({str(meaning) for meaning in said.values()} - set(known))
            if unknown:
                raise ArgumentError(
                    where=where, expected=f"words for {', '.join(known)}", got=", ".join(unknown)
                )

    @property
    def last_possible(self) -> int:
        """The last day on which a session can have been attended."""
        return day_number(self.extracted_on or self.today or studio_day())


def read_attendance(
    path: str | Path,
    *,
    columns: Mapping[str, str] | None = None,
    date_order: str | None = None,
    tables: Mapping[str, str | Path] | None = None,
    adopted: Mapping[str, Adopted] | None = None,
    settings: ReadingSettings | None = None,
    sheets: Sequence[str] = (),
    header: int = 0,
) -> AttendanceLog:
    r"""Read a studio's attendance export.

    Parameters
    ----------
    path : str or Path
        CSV or XLSX with one row per attended or booked session: ``client`` and ``date``, and where there
        are any ``trainer``, ``status`` and ``partner_reps`` (yes or no, or how many).
    columns : mapping of str to str, optional
        Where the export uses other names: ``{"client": "Member"}``; for further tables
        ``{"clients.joined_on": "Start"}``; ``"none"`` where a column that looks like it is another thing.
    date_order : {"day first", "month first"}, optional
        Needed where dates such as 03/04/2025 do not tell by themselves.
    tables : mapping of str to path, optional
        Further files: ``clients`` (joining dates and facts at entry), ``pauses``, ``departures``,
        ``closures``, ``trainers`` (day on which each adopted partner reps). Or sheets of these names.
    adopted : mapping of str to date or "never", optional
        The same for trainers, by hand.
    settings : ReadingSettings, optional
    sheets : sequence of str
        Sheets of a workbook with sessions, where that is not clear; all are read together.
    header : int
        Row with the names of the columns, where that is not clear.

    Returns
    -------
    AttendanceLog
        Its ``findings`` name every row that was not understood; nothing is computed from such rows.

    Raises
    ------
    DataError
        If columns or the order of dates are not settled, if people's names stand where codes are wanted,
        or if too many rows are not understood.
    FolderError
        If a file cannot be read.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     export = Path(folder) / "export.csv"
    ...     _ = export.write_text("Member,date,partner_reps\nC01,2025-03-04,yes\nC01,2025-03-07,no\n")
    ...     log = read_attendance(export, columns={"client": "Member"})
    >>> log.clients, log.session_partner_reps.tolist(), str(log.rows)
    (('C01',), [1, 0], '2 of 2 rows used')
    """
    opened = open_attendance(path, tables=tables, sheets=sheets, header=header)
    placed = place_columns(opened, columns)
    refuse_guesses(placed)
    return parse_attendance(opened, placed, date_order=date_order, adopted=adopted, settings=settings)


def parse_attendance(
    opened: Opened,
    placed: Placed,
    *,
    date_order: str | None = None,
    adopted: Mapping[str, Adopted] | None = None,
    settings: ReadingSettings | None = None,
) -> AttendanceLog:
    """The log of files that were taken apart and whose columns are settled; see `read_attendance`."""
    chosen, order = settings or ReadingSettings(), _order(date_order)
    refuse_names(opened, placed)
    reading = _Reading(opened, placed, chosen, order)
    return reading.log(adopted or {})


def _order(text: str | None) -> DateOrder | None:
    for order in DATE_ORDERS:
        if text in (order, order.split(" ", maxsplit=1)[0]):
            return order
    if text is None:
        return None
    raise ArgumentError(where="date_order", expected=" or ".join(DATE_ORDERS), got=repr(text))


class _Reading:
    """The tables of one export, understood one after the other; each step only adds."""

    def __init__(
        self, opened: Opened, placed: Placed, settings: ReadingSettings, order: DateOrder | None
    ) -> None:
        self.opened, self.settings = opened, settings
        self.findings: list[Finding] = [*opened.findings, *placed.unused]
        self.row_filters = {
            name: RowFilter(table, placed.places[name], order, self.findings)
            for name, table in opened.tables.items()
        }
        self.clients = self._codes("client", ("clients", SESSIONS, "pauses", "departures"))
        self.trainers = self._codes("trainer", (SESSIONS, "trainers"))
        self.closures = self._closures()

    def _codes(self, column: str, tables: Sequence[str]) -> dict[str, Codes]:
        names = [name for name in tables if column in self.row_filters.get(name, ())]
        found = dict(
            zip(names, parse_codes([self.row_filters[name].column(column) for name in names]), strict=True)
        )
        for name, codes in found.items():
            if codes.respelt:
                text, code = codes.respelt[0]
                more = f", and {len(codes.respelt) - 1} more" if len(codes.respelt) > 1 else ""
                self.findings.append(
                    Finding("note", f"{self.opened.tables[name].where}, column {column}", code,
                            f"{text}{more}", "They were taken as one.")
                )  # fmt: skip
        return found

    def log(self, adopted: Mapping[str, Adopted]) -> AttendanceLog:
        """Everything brought together."""
        row_filter, since = self.row_filters[SESSIONS], self._adopted(adopted)
        rows = self._sessions(row_filter, since)
        joined = before_joining(row_filter, rows, self._joined(rows.client))
        one = one_a_day(row_filter, rows)
        came = one[rows.state[one] == ATTENDED]
        self._refuse_too_many(row_filter, len(came))
        self._refuse_unexplained(row_filter, rows)
        client, day = rows.client[came], rows.day[came]
        notice = after_departure(row_filter, client=client, day=day, rows=came, notice=self._notice())
        pauses = inside_pauses(row_filter, client=client, day=day, rows=came, pauses=self._pauses())
        people = np.unique(client)
        missed = one[(rows.state[one] != ATTENDED) & np.isin(rows.client[one], people)]
        self._without_sessions(people)
        moved = np.full(len(joined), UNKNOWN, dtype=np.int64)
        moved[people] = np.arange(len(people))
        facts = self._facts(people)
        return AttendanceLog(
            clients=tuple(self.clients[SESSIONS].codes[place] for place in people),
            trainers=self._trainer_codes(),
            session_client=frozen_array(moved[client], np.int64),
            session_day=frozen_array(day, np.int64),
            session_trainer=frozen_array(rows.trainer[came], np.int64),
            session_partner_reps=frozen_array(rows.mark[came], np.int64),
            missed_client=frozen_array(moved[rows.client[missed]], np.int64),
            missed_day=frozen_array(rows.day[missed], np.int64),
            joined=frozen_array(joined[people], np.int64),
            notice=frozen_array(notice[people], np.int64),
            pauses=_of_clients(pauses, moved),
            closures=self.closures,
            facts=facts,
            adopted=frozen_array(np.where(since == NEVER, UNKNOWN_DAY, since), np.int64),
            marked=rows.marked,
            first_day=int(day.min()),
            last_day=self._last_day(day),
            rows=row_filter.count(),
            findings=self._all_findings(),
            source=self.opened.source,
            noticed=tuple(item for each in self.row_filters.values() for item in each.noticed),
            hashes=self.opened.hashes,
            practice_from=self._practice(since),
            empty=tuple(span for span, why in self.settings.gaps.items() if why == "empty"),
        )

    def _practice(self, since: Integers) -> int:
        """Day from which anybody worked with partner reps: as said, or the first adoption of all."""
        if self.settings.practice_from is not None:
            return day_number(self.settings.practice_from)
        known = len(since) > 0 and bool((since != UNKNOWN_DAY).all()) and bool((since != NEVER).any())
        return int(since.min()) if known else UNKNOWN_DAY

    def _sessions(self, row_filter: RowFilter, since: Integers) -> SessionRows:
        return parse_sessions(
            row_filter, clients=self.clients[SESSIONS], trainers=self.trainers.get(SESSIONS),
            said_states=self.settings.statuses, said_marks=self.settings.marks,
            end=EndOfRecords(
                self.settings.last_possible, self.settings.extracted_on is not None,
                self.closures, self.settings.absence_days,
            ),
            since=since,
        )  # fmt: skip

    def _joined(self, of_rows: Integers) -> Integers:
        number = len(self.clients[SESSIONS].codes)
        row_filter = self.row_filters.get("clients")
        if row_filter is None or "joined_on" not in row_filter:
            row_filter = self.row_filters[SESSIONS]  # perhaps the export itself repeats them in every row
            return joined_in_rows(row_filter, of_rows, row_filter.days("joined_on", needed=False), number)
        client = row_filter.codes("client", self.clients["clients"])
        days = row_filter.days("joined_on", needed=False)
        late = days > self.settings.last_possible
        row_filter.notice(late, "a joining date in the future", "joined_on", severity="stop",
                          expected="a day that is past", todo="Correct it; it is not used.")  # fmt: skip
        return joining_days(row_filter, client, np.where(late, UNKNOWN_DAY, days), number)

    def _facts(self, people: Integers) -> tuple[ClientFact, ...]:
        if "clients" not in self.row_filters:
            return ()
        row_filter, number = self.row_filters["clients"], len(self.clients[SESSIONS].codes)
        client = in_rows(row_filter.column("client"), self.clients["clients"].place)
        facts = client_facts(row_filter, client, number, self.settings.facts)
        return tuple(ClientFact(fact.name, fact.levels, frozen_array(fact.level[people])) for fact in facts)

    def _pauses(self) -> Spans:
        if "pauses" not in self.row_filters:
            return no_spans()
        return parse_pauses(self.row_filters["pauses"], self.clients["pauses"])

    def _notice(self) -> Integers:
        if "departures" not in self.row_filters:
            return np.full(len(self.clients[SESSIONS].codes), UNKNOWN_DAY, dtype=np.int64)
        return parse_departures(self.row_filters["departures"], self.clients["departures"])

    def _closures(self) -> tuple[tuple[int, int], ...]:
        listed = parse_closures(self.row_filters["closures"]) if "closures" in self.row_filters else ()
        silent = (span for span, why in self.settings.gaps.items() if why != "empty")
        return tuple(sorted({*listed, *silent}))

    def _trainer_codes(self) -> tuple[str, ...]:
        return next(iter(self.trainers.values())).codes if self.trainers else ()

    def _adopted(self, said: Mapping[str, Adopted]) -> Integers:
        """Day from which each trainer worked with partner reps, or `NEVER`: by table, then by hand."""
        codes = self._trainer_codes()
        adopted = np.full(len(codes), UNKNOWN_DAY, dtype=np.int64)
        if "trainers" in self.row_filters:
            row_filter = self.row_filters["trainers"]
            trainer = in_rows(row_filter.column("trainer"), self.trainers["trainers"].place)
            days = row_filter.days("adopted_on", needed=True)
            adopted[trainer[row_filter.kept]] = days[row_filter.kept]
        for code, day in said.items():
            if code not in codes:
                raise ArgumentError(
                    where="adopted", expected=f"a trainer of the records: {listed(codes)}", got=repr(code),
                    todo="Check the spelling.",
                )  # fmt: skip
            adopted[codes.index(code)] = NEVER if isinstance(day, str) else day_number(day)
        return adopted

    def _last_day(self, day: Integers) -> int:
        """Where the records end, which is told."""
        said, last = self.settings.extracted_on, int(day.max())
        ends = last
        if said is not None:
            ends = end_of_records(day, self.closures, day_number(said), self.settings.absence_days)
        if said is None or ends < day_number(said):
            self.findings.append(
                Finding(
                    "note" if said is None else "warn", self.opened.source,
                    "the day on which the records were exported",
                    "none stated" if said is None else f"{said}, longer after the last session than ever",
                    f"They were taken to end with the last session, {day_of(last)}.",
                )
            )  # fmt: skip
        return ends

    def _without_sessions(self, people: Integers) -> None:
        """Clients whom the further tables name and who attended no session of the records."""
        codes = self.clients[SESSIONS].codes
        named = sorted(set(range(len(codes))) - set(people.tolist()))
        if named:
            shown = ", ".join(codes[place] for place in named[:3])
            self.findings.append(
                Finding("note", self.opened.source, "at least one attended session of every client",
                        f"none of {plural_clients(len(named))} ({shown}{', …' if len(named) > 3 else ''})",
                        "They are not counted: nobody can say from when.")
            )  # fmt: skip

    def _refuse_too_many(self, row_filter: RowFilter, attended: int) -> None:
        """Refuse records of which too much was not understood for an answer to mean anything."""
        lost = sum(len(item.rows) for item in row_filter.noticed if not item.used and item.severity == "stop")
        count = row_filter.count()
        if attended and lost <= self.settings.most_left_out * count.supplied:
            return
        if not count.supplied:
            raise DataError(
                [
                    Finding(
                        "stop",
                        self.opened.source,
                        "a row for each session",
                        "the header only",
                        "Export it again.",
                    )
                ]
            )
        share = Finding(
            "stop", self.opened.source,
            f"at most {100 * self.settings.most_left_out:g} % of the rows not understood"
            if attended else "attended sessions",
            f"{lost} of {count.supplied} rows" if attended else "none",
            "Mend them first; an answer from the rest would mean little.",
        )  # fmt: skip
        raise DataError([share, *(item.finding() for item in row_filter.noticed)])

    def _refuse_unexplained(self, row_filter: RowFilter, rows: SessionRows) -> None:
        """Refuse marks of which too many are words that nobody explained."""
        if rows.unexplained > self.settings.most_left_out * rows.marks:
            share = Finding(
                "stop", self.opened.source,
                f"at most {100 * self.settings.most_left_out:g} % of the marks of partner reps unexplained",
                f"{rows.unexplained} of {rows.marks}", "Say what the words mean, as follows.",
            )  # fmt: skip
            told = [item.finding() for item in row_filter.noticed if "nobody explained" in item.reason]
            raise DataError([share, *told])

    def _all_findings(self) -> tuple[Finding, ...]:
        """Gravest first; those on rows in the order in which rows were looked at."""
        noticed = [item.finding() for row_filter in self.row_filters.values() for item in row_filter.noticed]
        order = {"stop": 0, "warn": 1, "note": 2}
        return tuple(sorted([*noticed, *self.findings], key=lambda finding: order[finding.severity]))


def plural_clients(number: int) -> str:
    """A count of clients."""
    return f"{number} client{'' if number == 1 else 's'}"


def _of_clients(spans: Spans, moved: Integers) -> Spans:
    """Spans of the clients that are left, by their new index."""
    client = moved[spans.client] if len(spans.client) else spans.client
    kept = client != UNKNOWN
    columns = (client, spans.first, spans.last, spans.recorded)
    return Spans(*(frozen_array(values[kept], np.int64) for values in columns))
