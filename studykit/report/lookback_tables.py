"""Tables of a look back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from studykit.lookback.answer_sentences import answer_label, lead_mark, number_sentence, taken_into_account
from studykit.lookback.log import UNKNOWN, UNKNOWN_DAY, AttendanceLog, day_of, row_list
from studykit.lookback.look_back_results import Account, Answer, Association, LookBack
from studykit.report.lookback_figures import OF_100
from studykit.report.numbers import RATIO, STANDARDISED, Scale, number
from studykit.report.tables import (
    NOTHING,
    Bracket,
    Cell,
    Probability,
    Quantity,
    Share,
    Table,
    cells,
    column,
    words_column,
)
from studykit.results import Interval

_VALUE = Scale("", 2)


_NUMBERS = (
    column("clients of 100 more who stayed", "more of 100"),
    column("its interval", "more lower", "more upper"),
    column("hazard ratio"),
    column("interval of the ratio", "ratio lower", "ratio upper"),
)


def answers_table(look: LookBack) -> Table | None:
    """Every answer with its numbers; p-values stand here only."""
    given = [answer for answer in look.answers if not answer.refused]
    if not given:
        return None
    columns = (
        words_column("answer"),
        column("clients"),
        column("departures"),
        *_NUMBERS,
        column("p"),
        words_column("taken into account"),
    )
    level = next((100 * item.interval.confidence_level for item in map(_any, given) if item), 95.0)
    note = (
        f"Intervals at {level:g} %. The answers ask different questions and are not averaged. p is against "
        "equal departures and decides nothing."
    )
    rows = tuple(_answer_row(look, answer) for answer in given)
    return Table("lookback_answers", "Every answer in numbers", columns, rows, (note,))


def _any(answer: Answer) -> Association | None:
    return answer.risk_difference or answer.hazard_ratio


def _answer_row(look: LookBack, answer: Answer) -> tuple[Cell, ...]:
    main = _any(answer)
    return cells(
        f"{answer_label(answer)}{lead_mark(look, answer)}",
        answer.clients,
        answer.events,
        *_more(answer.risk_difference),
        *_ratio(answer.hazard_ratio),
        NOTHING if main is None else Probability(main.p_value),
        ", ".join(taken_into_account(answer)) or "nothing",
    )


def _more(found: Association | None) -> tuple[Cell, Cell]:
    if found is None:
        return NOTHING, NOTHING
    ends = found.interval
    turned = Interval(ends.upper, ends.lower, ends.confidence_level, ends.method)
    bare = Scale("", OF_100.decimals, OF_100.factor)
    return Quantity(found.value, bare, signed=True), Bracket(turned, bare)


def _ratio(found: Association | None) -> tuple[Cell, Cell]:
    if found is None:
        return NOTHING, NOTHING
    return Quantity(found.value, RATIO), Bracket(found.interval, RATIO)


def exploratory_table(look: LookBack) -> Table | None:
    """Answers that nobody named in advance; ratios only."""
    rows = tuple(
        cells(answer.variant, f"{answer.estimand.split('?')[0]}?", answer.events,
              *_ratio(answer.hazard_ratio), answer.refused)
        for answer in look.exploratory
    )  # fmt: skip
    columns = (
        words_column("exploratory"), words_column("question"), column("departures"), column("hazard ratio"),
        column("interval of the ratio", "ratio lower", "ratio upper"), words_column("why none"),
    )  # fmt: skip
    return Table("lookback_exploratory", "Exploratory, not named in advance", columns, rows) if rows else None


def account_table(account: Account) -> Table:
    """From the rows of the file to what each answer judges; what is left out adds up."""
    steps = (
        ("rows of the file that are attended sessions", account.rows),
        ("of clients who can be followed", account.sessions),
        *((f"judged by: {name}", count) for name, count in account.answers),
    )
    rows = tuple(
        cells(what, f"{count.used} of {count.supplied} {count.unit}",
              "; ".join(f"{number}: {reason}" for reason, number in count.left_out if number) or "none")
        for what, count in steps
    )  # fmt: skip
    columns = (words_column("step"), words_column("how many"), words_column("left out, and why"))
    return Table("lookback_account", "From the rows of the file to the answers", columns, rows)


def months_table(look: LookBack) -> Table | None:
    """Who joined, left and trained, month by month."""
    rows = tuple(cells(item.month, item.joined, item.left, item.training) for item in look.own.months)
    columns = (
        words_column("month"), column("joined"), column("last session before leaving"), column("trained"),
    )  # fmt: skip
    note = f"Departures can be known up to {day_of(look.cut_day)}; later months show none yet."
    return Table("lookback_months", "Clients month by month", columns, rows, (note,)) if rows else None


@dataclass(frozen=True, slots=True)
class EarlierLook:
    """What one look at the records gave, for a later one.

    Parameters
    ----------
    made_on, last_day, verdict, number : str
    clients, departures : int
    """

    made_on: str
    last_day: str
    clients: int
    departures: int
    verdict: str
    number: str


def this_look(look: LookBack, made_on: str) -> EarlierLook:
    """What is kept of a look."""
    return EarlierLook(
        made_on, str(day_of(look.last_day)), look.clients, look.events, look.verdict.words,
        number_sentence(look),
    )  # fmt: skip


def looks_table(looks: Sequence[EarlierLook]) -> Table:
    """Every look at records of this studio, the latest last."""
    rows = tuple(
        cells(one.made_on, one.last_day, one.clients, one.departures, one.verdict, one.number)
        for one in looks
    )
    columns = (
        words_column("looked at on"), words_column("records to"), column("clients"), column("departures"),
        words_column("verdict"), words_column("number"),
    )  # fmt: skip
    return Table("lookback_looks", "Looks at these records", columns, rows)


def checks_table(look: LookBack) -> Table | None:
    """What to look at before an answer is believed."""
    rows = tuple(
        cells(answer_label(answer), what, Quantity(value, Scale("", 0 if float(value).is_integer() else 2)))
        for answer in look.answers
        for what, value in answer.checks
    )
    columns = (words_column("answer"), words_column("what to look at"), column("value"))
    return Table("lookback_checks", "Before an answer is believed", columns, rows) if rows else None


def sensitivity_table(look: LookBack) -> Table | None:
    """What another choice would have given."""
    rows = tuple(
        cells(
            item.choice,
            *_more(None if item.answer is None else item.answer.risk_difference),
            *_ratio(None if item.answer is None else item.answer.hazard_ratio),
        )
        for item in look.sensitivity
    )
    columns = (
        words_column("another choice"),
        *_NUMBERS,
    )
    caption = "Had another choice been made"
    return Table("lookback_sensitivity", caption, columns, rows) if rows else None


def negative_controls_table(look: LookBack) -> Table | None:
    """Comparisons that partner reps cannot have moved."""
    rows = tuple(
        cells(item.what, *_ratio(item.association), item.refused or item.reading)
        for item in look.negative_controls
    )
    columns = (
        words_column("what is compared"),
        column("ratio"),
        column("its interval", "ratio lower", "ratio upper"),
        words_column("how to read it"),
    )
    caption = "Comparisons that partner reps cannot have moved: they should stand near 1"
    return Table("lookback_negative_controls", caption, columns, rows) if rows else None


def target_trial_table(look: LookBack) -> Table | None:
    """The trial one would want, and what the records give in its place."""
    rows = tuple(cells(row.part, row.wanted, row.records_give) for row in look.target_trial)
    columns = (
        words_column("part"),
        words_column("the randomised trial one would want"),
        words_column("what these records give"),
    )
    caption = "The trial that was not run, and what stands in its place"
    return Table("target_trial", caption, columns, rows) if rows else None


def person_days_table(look: LookBack) -> Table | None:
    """How many client-days the naive comparison puts on the wrong side."""
    naive = look.naive
    if naive is None or not naive.person_days:
        return None
    row = cells(
        "days before a client's first partner reps, counted as days with them",
        Share(naive.person_days_reclassified, naive.person_days),
    )
    columns = (
        words_column("client-days"),
        column("of all client-days", "reclassified", "client-days in all"),
    )
    return Table("person_days", "What the obvious comparison counts wrongly", columns, (row,))


def balance_table(look: LookBack) -> Table | None:
    """How the groups differed before time zero; described, never tested."""
    if not look.balance:
        return None
    weighted = any(math.isfinite(item.after_weighting) for item in look.balance)
    rows = tuple(
        cells(
            item.fact,
            Quantity(item.with_partner_reps, _VALUE),
            Quantity(item.without, _VALUE),
            Quantity(item.standardised_difference, STANDARDISED, signed=True),
            *((_known(item.after_weighting),) if weighted else ()),
        )
        for item in look.balance
    )
    columns = (
        words_column("before time zero"),
        column("with partner reps"),
        column("without"),
        column("distance, in standard deviations", "distance"),
        *((column("the same after weighting", "distance after weighting"),) if weighted else ()),
    )
    note = "Shares or means. A distance above 0.1 either way is worth a thought; nothing is tested."
    return Table("lookback_balance", "How the groups differed", columns, rows, (note,))


def _known(value: float) -> Cell:
    return Quantity(value, STANDARDISED, signed=True) if math.isfinite(value) else NOTHING


def bias_table(look: LookBack) -> Table | None:
    """What the estimate would be, had a supposed cause been recorded."""
    bound = look.bound
    if bound is None or not bound.bias_table:
        return None
    per_cent = Scale("%", 0, 100.0)
    rows = tuple(
        cells(
            f"{number(row.risk_ratio_of_cause, 1)} times as many clients with it leave",
            Quantity(row.share_with, per_cent),
            Quantity(row.share_without, per_cent),
            Quantity(row.corrected_ratio, RATIO),
        )
        for row in bound.bias_table
    )
    columns = (
        words_column("supposed trait, not recorded"),
        column("has it, with partner reps", "share with", "unit"),
        column("has it, without", "share without", "unit "),
        column("ratio of risks would be", "corrected ratio"),
    )
    caption = f"One unrecorded trait: what would become of the ratio of risks, {number(bound.ratio, 2)}"
    return Table("lookback_bias", caption, columns, rows)


def records_table(log: AttendanceLog) -> Table:
    """What the records are, and what they do not hold."""
    known = int((log.session_partner_reps != UNKNOWN).sum())
    rows = (
        cells("days covered", f"{day_of(log.first_day)} to {day_of(log.last_day)}"),
        cells("attended sessions", len(log.session_day)),
        cells("bookings cancelled or not kept", len(log.missed_day)),
        cells("trainers, by code", len(log.trainers)),
        cells("sessions that say whether partner reps were done", Share(known, len(log.session_day))),
        cells("clients with a joining date", Share(int((log.joined != UNKNOWN_DAY).sum()), len(log.clients))),
        cells("registered pauses", len(log.pauses.client)),
        cells("periods of closure", len(log.closures)),
        cells("departures told by clients", int((log.notice != UNKNOWN_DAY).sum())),
        cells("facts at joining", ", ".join(fact.name for fact in log.facts) or "none"),
        cells("changes of prices, booking or billing", "not in the records; who knows of any should say so"),
    )
    columns = (words_column("the records"), words_column("what they hold"))
    return Table("lookback_records", "What the records are", columns, rows)


def rows_table(log: AttendanceLog) -> Table | None:
    """Every kind of row that was left out or looked at twice."""
    if not log.noticed:
        return None
    rows = tuple(
        cells(
            item.reason,
            len(item.rows),
            "counted" if item.used else "left out",
            f"{item.where}, {row_list(item.rows)}",
            item.todo,
        )
        for item in log.noticed
    )
    columns = (
        words_column("what was noticed"),
        column("rows"),
        words_column("in the analysis"),
        words_column("where"),
        words_column("what to do"),
    )
    note = "The file tables/noticed_rows.csv names every single row."
    return Table("lookback_rows", "Rows of the export that need a look", columns, rows, (note,))
