"""The page of a look back: pictures first, then what they can carry, then how they came about.

There is no place on it for an effect: the records know no allocation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from studykit.lookback.answer_sentences import (
    CANNOT_CONCLUDE,
    NOT_DECIDED,
    TITLE,
    alarm,
    answer_label,
    answer_sentences,
    bound_sentence,
    can_conclude,
    counted,
    ending_sentence,
    for_the_protocol,
    headline,
    lead_answer,
    lead_mark,
    naive_sentences,
    number_sentence,
    period_sentence,
    retained_sentence,
    would_mislead,
)
from studykit.lookback.log import AttendanceLog
from studykit.lookback.look_back_results import Answer, Curve, LookBack
from studykit.protocol.cautions import cautions_for
from studykit.report.document import (
    Block,
    Document,
    FirstScreen,
    Picture,
    Section,
    paragraphs,
    pictures,
    render_document,
    tables,
)
from studykit.report.interval_rows import rows_needed
from studykit.report.lookback_figures import (
    balance_height,
    difference_rows,
    draw_answers,
    draw_balance,
    draw_out_of_100,
    draw_staying,
    ratio_rows,
)
from studykit.report.lookback_tables import (
    EarlierLook,
    account_table,
    answers_table,
    balance_table,
    bias_table,
    checks_table,
    exploratory_table,
    looks_table,
    months_table,
    negative_controls_table,
    person_days_table,
    records_table,
    rows_table,
    sensitivity_table,
    target_trial_table,
    this_look,
)
from studykit.report.style import LOOKS, WIDE, drawing_style, new_figure
from studykit.report.tables import Table, cells, words_column

WITH, WITHOUT = "with partner reps", "without"
PLANNING = "planning.toml"  # saved beside the page


@dataclass(frozen=True, slots=True)
class LookBackReading:
    """A look back with what is needed to write it.

    Parameters
    ----------
    look : LookBack
    log : AttendanceLog
    made_on : str
        Day of the look, for the protocol of a later study.
    versions : mapping of str to str
    said : tuple of (str, str)
        What was stated of the export: names of columns, order of dates, words for states.
    logged_in : str
        Where the look was logged; empty where no study was given.
    earlier : tuple of EarlierLook
        Looks at shorter records, the first one first.
    again : str
        ``planned`` or ``not planned``, as stated of this further look.
    """

    look: LookBack
    log: AttendanceLog
    made_on: str
    versions: Mapping[str, str] = field(default_factory=dict)
    said: tuple[tuple[str, str], ...] = ()
    logged_in: str = ""
    earlier: tuple[EarlierLook, ...] = ()
    again: str = ""


def render_look_back(reading: LookBackReading) -> str:
    """The look back as one HTML page that needs no network and no script."""
    return render_document(look_back_document(reading))


def look_back_document(reading: LookBackReading) -> Document:
    """The page as values."""
    look = reading.look
    sections = (
        _account(look),
        _earlier(reading),
        _everybody(look),
        _answers(look),
        _conclusions(look),
        _naive(look),
        _each_answer(look),
        _exploratory(look),
        _target_trial(look),
        _balance(look),
        _bound(look),
        _next(reading),
        _noticed(reading),
        _cautions(),
        _provenance(reading),
    )
    new = f"{look.new_clients} joined within the records, {look.existing_clients} before"
    facts = (
        period_sentence(look),
        *filter(None, [ending_sentence(look)]),
        f"{counted(look.clients, 'client')} ({new}), {counted(look.events, 'departure')}. {look.rows}.",
        NOT_DECIDED,
    )
    doubt = alarm(look)
    first = FirstScreen(
        means=f"{look.verdict.words} {retained_sentence(look)}",
        do=_what_to_do(look),
        sure=number_sentence(look),
        notices=(doubt,) if doubt else (),
    )
    return Document(
        TITLE,
        "Non-randomised: attendance records kept for business, looked at afterwards",
        facts,
        tuple(section for section in sections if section.blocks),
        "Written by studykit. Associations in one studio's records; not proof, and not medical advice.",
        first,
    )


def _what_to_do(look: LookBack) -> str:
    if alarm(look):
        return "Correct the records or say what is so, then look again."
    if look.why_none:
        return "Record partner reps at every session from now on; look again when half a year is recorded."
    return (
        "Change nothing because of this alone. Only a randomised study tells whether it is the partner reps. "
        "How large it has to be stands below."
    )


def _account(look: LookBack) -> Section:
    if look.account is None:
        return Section("account", "", ())
    return Section(
        "account", "Every row of the file, once", tables(account_table(look.account)), folded=False
    )


def _earlier(reading: LookBackReading) -> Section:
    if not reading.earlier:
        return Section("earlier", "", ())
    planned = {"planned": "Looking again was planned.", "not planned": "Looking again was not planned."}
    told = planned.get(reading.again, "Nobody said whether looking again was planned.")
    return Section(
        "earlier",
        "The earlier look beside this one",
        (*paragraphs(told + " Each further look is one more chance to find something by luck."),
         *tables(looks_table((*reading.earlier, this_look(reading.look, reading.made_on))))),
        folded=False,
    )  # fmt: skip


def _exploratory(look: LookBack) -> Section:
    if not look.exploratory:
        return Section("exploratory", "", ())
    told = (
        "Exploratory: nobody named these before the records were opened. They are for thinking, not deciding."
    )
    return Section(
        "exploratory",
        "Exploratory: by how often, and in the first 90 days",
        (*paragraphs(told), *tables(exploratory_table(look))),
    )


def reference_first(curves: tuple[Curve, ...]) -> tuple[Curve, ...]:
    """Clients without partner reps first, who are drawn as the reference arm is in trials."""
    return tuple(sorted(curves, key=lambda curve: not _is_reference(curve.label)))


def _is_reference(label: str) -> bool:
    text = label.casefold()
    return any(word in text for word in ("without", "never", "not ", "no partner", "none", "before"))


def _small(text: str) -> str:
    return text[:1].lower() + text[1:]


def _answers(look: LookBack) -> Section:
    lead = lead_answer(look)
    blocks: list[Block] = [Block("lead", headline(look))]
    blocks += pictures(_out_of_100(look, lead), _curves(look, lead))
    forest = tuple(picture for picture in _forest(look) if picture is not None)
    firsts = {answer.method: answer for answer in reversed(look.answers)}
    asks = tuple(
        f"{answer_label(answer)}: {answer.estimand.rstrip('.')}."
        for answer in look.answers
        if firsts[answer.method] is answer
    )
    if forest:
        blocks += [*pictures(*forest), Block("heading", "What each answer asks"), Block("list", asks)]
    return Section("answers", "In short", tuple(blocks), folded=False)


def _out_of_100(look: LookBack, lead: Answer | None) -> Picture | None:
    if lead is None or lead.refused or lead.out_of_100 is None:
        return None
    groups = []
    for name, stays, curve in zip((WITH, WITHOUT), lead.out_of_100, lead.curves, strict=False):
        if abs(100.0 * curve.share[-1] - stays) > 1.0 or curve.day[-1] < look.horizon:
            return None  # the curve is another quantity: without an interval there is no picture
        groups.append((name, stays, 100.0 * curve.lower[-1], 100.0 * curve.upper[-1]))
    if len(groups) != 2:
        return None
    with drawing_style():
        figure, ax = new_figure(WIDE, 2.75)
        draw_out_of_100(groups[::-1], ax, horizon=look.horizon)
    caption = f"Out of 100 clients: the answer named in advance, {_small(answer_label(lead))}."
    return Picture("lookback_out_of_100", caption, figure)


def _curves(look: LookBack, lead: Answer | None) -> Picture | None:
    if lead is None or lead.refused or not lead.curves:
        return None
    caption = "Clients still training, as the lead answer compares them. Bands are pointwise intervals."
    if len(lead.curves) == 2 and np.array_equal(lead.curves[0].at_risk, lead.curves[1].at_risk):
        caption += " Both lines stand for the same clients, so that the numbers at risk are the same."
    return _curves_picture("lookback_curves", caption, lead.curves, look.horizon)


def _curves_picture(code: str, caption: str, curves: tuple[Curve, ...], horizon: int) -> Picture:
    with drawing_style():
        figure, ax = new_figure(WIDE, 3.1 + 0.31 * len(curves))
        draw_staying(reference_first(curves), ax, horizon=horizon)
    return Picture(code, caption, figure)


def _forest(look: LookBack) -> tuple[Picture | None, Picture | None]:
    level = "Lines are intervals; the heavy one was named in advance. The answers ask different questions."
    found: list[Picture | None] = []
    for code, rows, what in (
        ("lookback_differences", difference_rows(look),
         f"Clients of 100 more or fewer who stayed by day {look.horizon}, with partner reps beside without."),
        ("lookback_ratios", ratio_rows(look),
         "Departures among those at risk, with partner reps beside without, in clients of these records."),
    ):  # fmt: skip
        if not rows:
            found.append(None)
            continue
        with drawing_style():
            figure, ax = new_figure(WIDE, 0.85 + 0.4 * rows_needed([row.label for row in rows]))
            draw_answers(look, ax, ratios=code == "lookback_ratios")
        found.append(Picture(code, f"{what} {level}", figure))
    return found[0], found[1]


def _conclusions(look: LookBack) -> Section:
    blocks = (
        Block("heading", "They can tell"),
        Block("list", can_conclude(look)),
        Block("heading", "They cannot tell"),
        Block("list", CANNOT_CONCLUDE),
        Block("heading", "They mislead if"),
        Block("list", would_mislead(look)),
    )
    return Section("conclude", "What these records can and cannot tell", blocks)


def _naive(look: LookBack) -> Section:
    if look.naive is None:
        return Section("naive", "", ())
    shown = _curves_picture(
        "lookback_naive",
        "The comparison that must not be made: clients who ever had partner reps beside those who never had.",
        look.naive.curves,
        look.horizon,
    ) if look.naive.curves else None  # fmt: skip
    lead = lead_answer(look)
    beside = (
        _curves_picture("lookback_proper", "The same clients, counted properly: the lead answer again.",
                        lead.curves, look.horizon)
        if lead is not None and lead.curves and shown is not None else None
    )  # fmt: skip
    blocks = (
        *paragraphs(*naive_sentences(look)),
        *pictures(shown, beside),
        *tables(person_days_table(look)),
    )
    return Section("naive", "Why the obvious comparison misleads", blocks)


def _each_answer(look: LookBack) -> Section:
    blocks: list[Block] = []
    lead = lead_answer(look)
    for place, answer in enumerate(look.answers):
        blocks.append(Block("heading", f"{answer_label(answer)}{lead_mark(look, answer)}"))
        blocks += paragraphs(*answer_sentences(answer, look.horizon), answer.method_in_words)
        if answer is not lead and answer.curves and not answer.refused:
            code = f"lookback_answer_{place + 1}"
            caption = f"{answer_label(answer)}: clients still training."
            blocks += pictures(_curves_picture(code, caption, answer.curves, look.horizon))
    blocks += tables(
        answers_table(look), sensitivity_table(look), negative_controls_table(look), checks_table(look)
    )
    return Section("each", "Each answer, and what it asks", tuple(blocks))


def _everybody(look: LookBack) -> Section:
    if not len(look.retention.day):
        return Section("everybody", "", ())
    caption = (
        "All clients. Those who had joined before the records began are counted from the day on which they "
        "could first be seen; the curve starts where 10 or more are at risk."
    )
    picture = _curves_picture("lookback_everybody", caption, (look.retention,), look.horizon)
    quarters = look.own.by_quarter[-len(LOOKS) :]
    by_quarter = (
        _curves_picture("lookback_quarters", "Clients still training, by quarter of joining, latest ones.",
                        quarters, look.horizon) if quarters else None
    )  # fmt: skip
    return Section(
        "everybody",
        "How long clients stay here",
        (*paragraphs(retained_sentence(look)), *pictures(picture, by_quarter), *tables(months_table(look))),
        folded=False,
    )


def _target_trial(look: LookBack) -> Section:
    return Section("target", "The trial that was not run", tables(target_trial_table(look)))


def _balance(look: LookBack) -> Section:
    if not look.balance:
        return Section("balance", "", ())
    with drawing_style():
        figure, ax = new_figure(WIDE, balance_height(look.balance))
        draw_balance(look.balance, ax)
    caption = "How far clients with and without partner reps lay apart before time zero."
    return Section(
        "balance",
        "How the clients differed to begin with",
        (*pictures(Picture("lookback_balance_plot", caption, figure)), *tables(balance_table(look))),
    )


def _bound(look: LookBack) -> Section:
    if look.bound is None:
        return Section("bound", "", ())
    blocks = (
        *paragraphs(
            f"The estimate stands at a ratio of risks of {look.bound.ratio:.2f} for clients leaving.",
            bound_sentence(look.bound),
            f"Taken {look.bound.method.rstrip('.')}; the bound is that of VanderWeele and Ding (2017).",
        ),
        *tables(bias_table(look)),
    )
    return Section("bound", "How strong an unrecorded reason would have to be", blocks)


def _next(reading: LookBackReading) -> Section:
    look = reading.look
    numbers = () if look.next_study is None else look.next_study.sentences
    where = "The numbers above go where planning values are asked for."
    if look.next_study is not None and look.next_study.assumptions:
        where = (
            f"The file {PLANNING} beside this page holds the numbers above as its protocol takes them: put "
            "its tables in place of those of the same names."
        )
    commands = (
        f"Make a study: studykit new my_study. {where}",
        "See what it can tell: studykit plan my_study. Then lock the protocol and have every arm drawn.",
        f"Put this into its protocol. {for_the_protocol(look, reading.made_on)}",
    )
    logged = f"This look was logged in {reading.logged_in}." if reading.logged_in else ""
    blocks = (
        *((Block("list", numbers),) if numbers else ()),
        Block("list", commands),
        *paragraphs(logged),
    )
    return Section("next", "How to find out: the randomised study next", blocks)


def _noticed(reading: LookBackReading) -> Section:
    in_table = {str(item.finding()) for item in reading.log.noticed}
    findings = dict.fromkeys(map(str, (*reading.look.findings, *reading.log.findings)))
    rest = tuple(finding for finding in findings if finding not in in_table)
    blocks = (
        *paragraphs(f"{reading.log.rows}."),
        *tables(records_table(reading.log), rows_table(reading.log)),
        *((Block("list", rest),) if rest else ()),
    )
    return Section("noticed", "The records, and what was noticed in them", blocks)


_OWN_CAUTIONS = (
    "These records were kept for business. Another use needs a legal ground and a word to the clients.",
    "Keep only what is needed, under codes; keep the key elsewhere.",
    "Trainers appear under their codes and are not compared with each other.",
)


def _cautions() -> Section:
    texts = tuple(caution.words for caution in cautions_for("report"))
    return Section("cautions", "Cautions", (Block("list", (*_OWN_CAUTIONS, *texts)),))


def _provenance(reading: LookBackReading) -> Section:
    rows = [
        cells("looked at on", reading.made_on),
        *(cells(f"SHA-256 of {name}", digest) for name, digest in reading.log.hashes),
        *(cells(what, said) for what, said in reading.said),
        *(cells(f"version of {name}", version) for name, version in reading.versions.items()),
    ]
    columns = (words_column("what"), words_column("value"))
    return Section(
        "provenance",
        "Provenance",
        tables(Table("lookback_provenance", "How it was made", columns, tuple(rows))),
    )
