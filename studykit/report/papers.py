"""The papers of a study before its first client: forms and pages to print, filled from the protocol.

The texts stand in ``protocols/papers/``, one file a paper; ``{section.key}`` in them is an entry of the
protocol, ``{*name}`` a list of several. Only these texts are looked through for such places, never what
people typed. What nobody has answered yet is left open on the paper, and named.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from studykit.protocol.cautions import cautions_for
from studykit.protocol.completion import is_answered
from studykit.protocol.types import Arm, Protocol
from studykit.report.rendering import render_page
from studykit.report.tables import Table, cells, to_html, words_column
from studykit.shipped import shipped_page

PAPERS = ("protocol", "consent", "screening", "test_day", "sign_off", "harm", "privacy")
DRAFT = "Draft: show it to two clients before you use it."
OPEN = "________ (not answered yet)"
SHOWN = ("paper", "date", "shown_to", "what_was_unclear", "what_changed")
_PLACE = re.compile(r"\{(\*?)([a-z_.]+)\}")
_TRIES = 4
_TEXTS = ("text", "list", "words", "ticks", "lines")


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a paper.

    Parameters
    ----------
    title : str
    text, list : tuple of str
        Sentences and points of our own, with entries of the protocol inside.
    words : tuple of str
        What the protocol says, in its own words.
    ticks, lines : tuple of str
        Questions with boxes, and lines to write on.
    items : Table or None
        The items of a reporting standard.
    """

    title: str
    text: tuple[str, ...] = ()
    list: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    ticks: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
    items: Table | None = None


@dataclass(frozen=True, slots=True)
class Paper:
    """One paper: its name, title, whom it is for (client, owner, trainer, tester) and its parts."""

    name: str
    title: str
    reader: str
    parts: tuple[Part, ...]


def papers_of(protocol: Protocol) -> tuple[Paper, ...]:
    """Every paper that the study needs; without partner reps nobody is signed off for them."""
    read = {name: tomllib.loads(shipped_page("protocols", f"papers/{name}.toml")) for name in PAPERS}
    told = _told(protocol, read["consent"]["chance"])
    return tuple(
        Paper(name, page["title"], page["reader"], tuple(_parts(name, page, protocol, told)))
        for name, page in read.items()
        if _holds(page, protocol)
    )


def render_paper(paper: Paper, protocol: Protocol, *, shown: Sequence[Mapping[str, str]] = ()) -> str:
    """One paper as HTML for print and screen.

    Parameters
    ----------
    shown : sequence of mappings
        Who was shown it, with the keys of `SHOWN`.
    """
    rows = [entry for entry in shown if entry["paper"] == paper.name]
    return render_page(
        "paper.html.j2", paper=paper, study=protocol.study, draft=DRAFT, table=to_html, shown=rows,
        blank=range(max(0, 2 - len(rows))),
    )  # fmt: skip


def open_questions(protocol: Protocol) -> tuple[str, ...]:
    """Items of SPIRIT 2025 that the protocol does not answer yet."""
    return tuple(item["item"] for item in _items() if not _answered(protocol, item["at"]))


def _holds(page: Mapping[str, Any], protocol: Protocol) -> bool:
    given = any(arm.dose and arm.dose.partner_reps_per_set for arm in protocol.arms)
    return page.get("when") != "partner reps" or given


def _parts(name: str, page: Mapping[str, Any], protocol: Protocol, told: Told) -> Iterator[Part]:
    for part in page["section"]:
        if _holds(part, protocol):
            text, points, words, ticks, lines = (told.fill(part.get(key, ())) for key in _TEXTS)
            yield Part(part["title"], text, points, words, ticks, lines)
    if name == "protocol":
        title = "SPIRIT 2025, item by item: where each stands, and which are open"
        yield Part(title, items=_spirit(protocol))


class Told:
    """What may stand in the places of a text: entries of the protocol by path, and what is made of them."""

    def __init__(self, protocol: Protocol, made: Mapping[str, Any]) -> None:
        self.protocol, self.made = protocol, made

    def fill(self, texts: Sequence[str]) -> tuple[str, ...]:
        """Every text with its places filled; a place of several gives several."""
        return tuple(line for text in texts for line in self._lines(text))

    def _lines(self, text: str) -> tuple[str, ...]:
        whole = _PLACE.fullmatch(text)
        if whole and whole[1]:
            return tuple(self.made[whole[2]])
        return (_PLACE.sub(lambda place: self._value(place[2]), text),)

    def _value(self, path: str) -> str:
        if path in self.made:
            return str(self.made[path])
        said = str(entry(self.protocol, path))
        return said if is_answered(said) and said != "None" else OPEN


def entry(protocol: Protocol, path: str) -> Any:
    """An entry of a protocol by its path, such as ``study.title``."""
    here: Any = protocol
    for key in path.split("."):
        here = getattr(here, key)
    return here


def _told(protocol: Protocol, chance: Mapping[str, str]) -> Told:
    doses = [arm.dose for arm in protocol.arms if arm.dose is not None and arm.dose.partner_reps_per_set]
    ratio = " to ".join(str(arm.ratio) for arm in protocol.arms)
    days = ", ".join(f"day {visit.day}" for visit in (*protocol.baseline_visits, *protocol.follow_up_visits))
    rules = protocol.eligibility
    made = {
        "chance": chance.get(protocol.design, chance["parallel"]),
        "odds": f"The chances are {'even' if ratio == '1 to 1' else f'{ratio}, as listed below'}.",
        "ways": [_way(arm) for arm in protocol.arms],
        "weeks": -(-protocol.last_day // 7),
        "test_days": days or "none",
        "lifting": _seconds(doses[0].lifting_seconds) if doses else "",
        "lowering": _seconds(doses[0].lowering_seconds) if doses else "",
        "arms": [f"{arm.name}: {arm.description}" for arm in protocol.arms],
        "clients": rules.clients,
        "exclusions": rules.exclusions,
        "trainers": rules.trainers,
        "outcomes": [f"{outcome.name} ({outcome.role} result)" for outcome in protocol.outcomes_by_role],
        "procedures": [text for outcome in protocol.outcomes if (text := getattr(outcome, "procedure", ""))],
        "tries": [
            f"{exercise.name}, try {number}: load in {exercise.unit}, reps, done (yes or no)"
            for exercise in protocol.exercises
            for number in range(1, _TRIES + 1)
        ],
        "cautions": [
            f"{caution.title}. {caution.text}" for caution in cautions_for("protocol", protocol=protocol)
        ],
    }  # fmt: skip
    return Told(protocol, made)


def _way(arm: Arm) -> str:
    """How an arm trains, in short words for a client."""
    dose = arm.dose
    if dose is None:
        return arm.name
    low, high = dose.conventional_repetitions
    sets = f"{arm.name}: {low} to {high} reps a set, {'to' if dose.to_limit else 'short of'} your limit."
    if dose.stand_alone:
        sets = f"{arm.name}: sets of partner reps alone, light ones first to learn them."
    if not dose.partner_reps_per_set:
        return f"{sets} No partner reps."
    after = f"Then at most {dose.partner_reps_per_set} partner reps, on at most {dose.exercises_per_session} "
    return f"{sets} {after}machines a day. In the first sessions they are fewer and lighter."


def _seconds(bounds: tuple[float, float]) -> str:
    low, high = bounds
    return f"{low:g} seconds" if low == high else f"{low:g} to {high:g} seconds"


# --- the reporting standard -------------------------------------------------------------------------


def _items() -> list[dict[str, Any]]:
    items: list[dict[str, Any]] = tomllib.loads(shipped_page("protocols", "papers/spirit_2025.toml"))["items"]
    return items


def _spirit(protocol: Protocol) -> Table:
    rows = []
    for item in _items():
        where = "; ".join(filter(None, (", ".join(item["at"]).replace("_", " "), item.get("where", ""))))
        rows.append(cells(item["item"], item["asks"], _state(protocol, item["at"]), where))
    columns = (
        words_column("item"),
        words_column("what it asks"),
        words_column("state"),
        words_column("where"),
    )
    return Table("spirit_2025", "The items of SPIRIT 2025, in our own words", columns, tuple(rows))


def _state(protocol: Protocol, paths: Sequence[str]) -> str:
    return "answered" if _answered(protocol, paths) else "open"


def _answered(protocol: Protocol, paths: Sequence[str]) -> bool:
    looked_up = (
        _LOOKED_UP[path](protocol) if path in _LOOKED_UP else _is_said(entry(protocol, path))
        for path in paths
    )  # fmt: skip
    return all(looked_up)


def _is_said(value: Any) -> bool:
    if isinstance(value, str):
        return is_answered(value)
    return value is not None and value != ()


_LOOKED_UP: Mapping[str, Callable[[Protocol], bool]] = {
    "arms": lambda given: all(_is_said(arm.description) for arm in given.arms),
    "barred": lambda given: all(arm.dose is not None and _is_said(arm.dose.barred) for arm in given.arms),
    "recruitment": lambda given: given.planning.clients_per_month is not None,
    "procedures": lambda given: all(_is_said(getattr(each, "procedure", "said")) for each in given.outcomes),
    "strategies": lambda given: all(each.estimand is not None for each in given.outcomes),
    "missing_data": lambda given: all(
        each.estimand is not None and _is_said(each.estimand.missing_data) for each in given.outcomes
    ),
    "look_rule": lambda given: not given.oversight.planned_looks or _is_said(given.oversight.look_rule),
    "review": lambda given: given.ethics.review != "needed",
}
"""Items that several entries answer together."""
