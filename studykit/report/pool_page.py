"""The page of a pooling: the answer in two plain sentences, who is in and who is not, the forest."""

from __future__ import annotations

import math
from pathlib import Path

from studykit.pooling.joining_list import FEW
from studykit.pooling.pool import ENOUGH_FOR_ONE_MORE, ROUGH_BELOW, Pooled, PooledAnswer
from studykit.protocol.cautions import cautions_for
from studykit.report.document import (
    Block,
    Document,
    Picture,
    Section,
    paragraphs,
    pictures,
    render_document,
    tables,
)
from studykit.report.numbers import p_value, plural, points
from studykit.report.pool_figures import MOST_STUDIOS, draw_forest, forest_height, scale_of
from studykit.report.rendering import write_whole
from studykit.report.report_context import spaced
from studykit.report.saving import document_files, json_bytes
from studykit.report.style import WIDE, drawing_style, new_figure
from studykit.report.tables import Bracket, Quantity, Share, Table, cells, column, words_column
from studykit.results import FirstScreen, Interval, to_plain

PAGE = "pool.html"
# Measured by analysis/15_validity_pooling.py, 10,000 data sets a row; 5 of 100 are allowed.
CAUTIOUS = (
    "This interval is cautious: where studios did not differ at all it missed the truth in 0.7 of 100 "
    "simulated poolings of 5 studios and in 2.2 of 100 of 10; where they did, in 1.5 to 5.4."
)
_ZERO = "The studios showed no spread beyond chance; that does not mean that there is none."


def save_pool(pooled: Pooled, folder: Path) -> Path:
    """Write the page with its table and figure, and pool.json; gives the page's path."""
    document = pool_document(pooled)
    plain = to_plain({"studios": pooled.studios, "answers": pooled.answers, "spread": pooled.spread,
                      "left_out": pooled.left_out, "missing": [one.studio for one in pooled.missing],
                      "code": pooled.code, "drawn": pooled.drawn})  # fmt: skip
    files = {PAGE: render_document(document).encode("utf-8"), "pool.json": json_bytes(plain)}
    write_whole(folder, files | dict(document_files(document)))
    return folder / PAGE


def told(pooled: Pooled, answer: PooledAnswer) -> str:
    """Value and 95 % interval."""
    value, interval = answer.value, answer.confidence_interval()
    if pooled.presentation == "ratio":
        value, interval = math.exp(value), interval.transformed(math.exp)
    scale = scale_of(pooled)
    return f"{scale.text(value, signed=True)}, 95 % interval {scale.interval(interval)}"


def answer_sentences(pooled: Pooled) -> tuple[str, ...]:
    """What decides first, then the other; with fewer than five studios nothing is said of others."""
    head, number = pooled.listed.head, len(pooled.studios)
    compared, reference = spaced(head["compared"]), spaced(head["reference"])
    found = []
    for answer in pooled.answers[:2]:
        interval = answer.confidence_interval()
        whom = answer.name.replace("these studios", f"these {number} studios")
        if interval.contains(0.0):
            meant = "no difference in strength could be shown"
        else:
            side = "more" if interval.lower > 0.0 else "less"
            meant = f"{compared} gave {side} strength than {reference}"
        found.append(f"In {whom}, {meant}: {told(pooled, answer)}.")
    if pooled.listed.decides == "studios like these":
        found.reverse()
    if number < FEW:
        found.append(
            f"{number} studios cannot show how far the effect differs from studio to studio: nothing is said "
            "of other studios."
        )
    return tuple(found)


def who_sentences(pooled: Pooled) -> tuple[str, ...]:
    """Promised, handed in, missing, and left out with every reason."""
    listed, clients = pooled.listed.members, sum(one.allocated for one in pooled.studios)
    first = (
        f"{len(pooled.studios)} of {len(listed)} studios on the joining list are in, with {clients} clients."
    )
    out = [f"Left out: {item.file} ({item.studio or 'no studio'}): {'; '.join(item.reasons)}."
           for item in pooled.left_out]  # fmt: skip
    if not pooled.missing:
        return (first, *out)
    names = ", ".join(member.studio for member in pooled.missing[:20])
    promised = sum(member.clients for member in pooled.missing)
    lost = (
        f"No file in the pooling from {plural(len(pooled.missing), 'studio')}, which promised {promised} "
        f"clients: {names}. If they kept back poor results, the answer is too favourable."
    )
    return (first, lost, *_would_need(pooled), *out)


def _would_need(pooled: Pooled) -> tuple[str, ...]:
    if pooled.missing_would_need is None:
        return ()
    need = pooled.missing_would_need
    shown = scale_of(pooled).text(math.exp(need) if pooled.presentation == "ratio" else need, signed=True)
    return (f"To bring these studios to no difference, the missing ones would have to show {shown}.",)


def notices(pooled: Pooled) -> tuple[str, ...]:
    """What has to be seen before anything else."""
    decides, has = pooled.listed.decides, {answer.name for answer in pooled.answers}
    found = (
        (pooled.listed.is_invented, "Invented studios: this page shows how a pooling looks, no result."),
        (pooled.is_early, f"A look before the day on which files are due, {pooled.listed.due}: no result."),
        (decides not in has, f"The list was to decide by {decides}; so few files do not give that answer."),
    )
    return tuple(text for is_so, text in found if is_so)


def pool_sentences(pooled: Pooled) -> tuple[str, ...]:
    """The whole pooling in plain sentences, for a terminal."""
    return (
        *notices(pooled), *answer_sentences(pooled), *_of_spread(pooled), *who_sentences(pooled),
        *_retention(pooled), *_drawn(pooled), f"Code of the pooled set: {pooled.code}.",
    )  # fmt: skip


def _of_spread(pooled: Pooled) -> tuple[str, ...]:
    if pooled.spread is None:
        return ()
    scale = scale_of(pooled)
    shown = scale.text(math.exp(pooled.spread) if pooled.presentation == "ratio" else pooled.spread)
    spread = f"Between studios the true effects spread by about {shown} (one standard deviation)."
    few = len(pooled.studios) < 2 * ENOUGH_FOR_ONE_MORE or pooled.spread == 0.0
    return (_ZERO if pooled.spread == 0.0 else spread, *((CAUTIOUS,) if few else ()))


def _retention(pooled: Pooled) -> tuple[str, ...]:
    if pooled.retention is None:
        return ()
    found, day = pooled.retention, pooled.listed.head["horizon"]
    scale = points(sum(sum(one.known) for one in pooled.studios))
    shown, interval = scale.text(found.value, signed=True), scale.interval(found.confidence_interval())
    first = (
        f"Still training at day {day}, in these {len(pooled.studios)} studios and within each: {shown}, "
        f"95 % interval {interval}."
    )
    if pooled.log_rank is None:
        return (first,)
    chi, p = pooled.log_rank
    return (first, f"Log-rank test over all days, within studios: chi-squared {chi:.2f}, {p_value(p)}.")


def _drawn(pooled: Pooled) -> tuple[str, ...]:
    names = ", ".join(pooled.drawn)
    first = f"Drawn by the code of the pooled set to show the folder to an outsider: {names}."
    return first, "The outsider runs: studykit pool LIST FILE --verify FOLDER."


def pool_document(pooled: Pooled) -> Document:
    """The pooling as values."""
    head = pooled.listed.head
    forest = (*pictures(_picture(pooled)), *tables(_table(pooled)))
    sections = (
        Section("who", "Who is in, and who is not", (Block("list", who_sentences(pooled)),)),
        Section("forest", "Studio by studio", forest, folded=False),
        Section("retention", "Who stayed", paragraphs(*_retention(pooled))),
        Section("harms", "Harms and delivery", tables(_harms(pooled))),
        Section("without", "Without any one studio", paragraphs(_without(pooled))),
        Section("openings", "Looks, amendments, reopenings", (Block("list", _openings(pooled)),)),
        Section("drawn", "A studio shows its folder", paragraphs(*_drawn(pooled))),
        Section("limits", "Limits", (Block("list", _LIMITS),)),
        Section("cautions", "Cautions", (Block("list", tuple(
            f"{item.title}. {item.text}" for item in cautions_for("report"))),)),
    )  # fmt: skip
    return Document(
        "Many studios, one answer",
        f"{spaced(head['compared'])} compared with {spaced(head['reference'])}, {head['outcome']} at "
        f"{spaced(head['visit'])}",
        (f"Code of the pooled set {pooled.code}.", f"Code of the joining list {pooled.listed.code}."),
        tuple(section for section in sections if section.blocks),
        "Written by studykit from the studios' files; only this page rounds. No medical advice.",
        _first(pooled),
    )


def _first(pooled: Pooled) -> FirstScreen:
    """The answer that decides and the other, what to do, how sure it is."""
    decides = f"What decides was fixed when the list closed: {pooled.listed.decides}."
    names = ", ".join(pooled.drawn)
    shown = not _decisive(pooled).confidence_interval().contains(0.0)
    do = "Weigh it against harms and who stayed, below." if shown else (
        "Nothing here says to change what you do; a wide interval does not say that the arms are alike."
    )  # fmt: skip
    return FirstScreen(
        " ".join(answer_sentences(pooled)),
        f"{do} Before anybody relies on it, let {names} show the folder, as below.",
        " ".join((*_of_spread(pooled), decides)),
        notices(pooled),
    )


def _decisive(pooled: Pooled) -> PooledAnswer:
    """The answer that was to decide; these studios where so few files do not give it."""
    return next((one for one in pooled.answers if one.name == pooled.listed.decides), pooled.answers[0])


_LIMITS = (
    "A code is no signature: it shows that a file was changed, not that its numbers are true.",
    "A plausible lie can be seen only by who is shown the folder.",
    "Retention is compared within these studios; nothing is said of retention in others.",
    f"One further studio: from {ENOUGH_FOR_ONE_MORE} studios on, and rough below {ROUGH_BELOW}.",
)


def _picture(pooled: Pooled) -> Picture:
    with drawing_style():
        figure, ax = new_figure(WIDE, forest_height(pooled))
        draw_forest(pooled, ax)
    caption = (
        "Squares: studios, larger with more tested clients. Filled diamond: these studios. Open diamond: "
        "studios like these. Dotted: one further studio. 95 % intervals."
    )
    if len(pooled.studios) > MOST_STUDIOS:
        caption += f" More than {MOST_STUDIOS} studios: each stands in the table only."
    return Picture("forest", caption, figure)


def _table(pooled: Pooled) -> Table:
    scale, ratio = scale_of(pooled), pooled.presentation == "ratio"

    def turned(interval: Interval) -> Interval:
        return interval.transformed(math.exp) if ratio else interval

    rows = tuple(
        cells(
            one.name, f"{one.allocated} of {one.promised}", f"{one.tested[0]} and {one.tested[1]}",
            Quantity(math.exp(one.value) if ratio else one.value, scale, signed=True),
            Bracket(turned(one.confidence_interval()), scale), Share(one.retained[0], one.known[0]),
            Share(one.retained[1], one.known[1]),
        )
        for one in pooled.studios
    )  # fmt: skip
    columns = (
        words_column("studio"), column("clients of promised"), column("tested, reference and compared"),
        column("difference in strength", "difference", "unit"), column("95 % interval", "lower", "upper"),
        column("stayed, reference", "stayed", "known"), column("stayed, compared", "stayed ", "known "),
    )  # fmt: skip
    return Table("pool_studios", "What each studio handed in", columns, rows)


def _harms(pooled: Pooled) -> Table:
    rows = tuple(
        cells(one.name, *(f"{one.hurt[arm]} ({one.serious[arm]})" for arm in (0, 1)),
              Share(one.attended[0], one.booked[0]), Share(one.attended[1], one.booked[1]),
              Share(one.with_partner_reps, one.attended[1]))
        for one in pooled.studios
    )  # fmt: skip
    columns = (
        words_column("studio"), column("clients hurt (serious), reference"),
        column("clients hurt (serious), compared"), column("sessions attended, reference", "came", "booked"),
        column("sessions attended, compared", "came ", "booked "),
        column("of these with partner reps", "with", "of"),
    )  # fmt: skip
    return Table("pool_harms", "Harms and delivery, studio by studio", columns, rows)


def _without(pooled: Pooled) -> str:
    if not pooled.without:
        return ""
    ranked = sorted(pooled.without, key=lambda answer: answer.value)
    return (
        f"Left out one at a time, these studios give from {told(pooled, ranked[0])} ({ranked[0].name}) to "
        f"{told(pooled, ranked[-1])} ({ranked[-1].name})."
    )


def _openings(pooled: Pooled) -> tuple[str, ...]:
    found = [
        f"{one.day}: files {'pooled' if one.kind == 'pooled' else 'looked at'}, {one.files} in, set "
        f"{one.code[:12]}{f'; {one.reason}' if one.reason else ''}."
        for one in pooled.listed.openings
    ]
    found += [f"{one.name}: {note}." for one in pooled.studios for note in one.notes]
    same = pooled.listed.same_protocols.items()
    found += [f"Protocol {digest[:12]} is listed as the same: {reason}." for digest, reason in same]
    return tuple(found) or ("None.",)
