"""Make a protocol from a ready one: a few plain questions, and the answers put in their places.

The ready protocol's comments stay where they are.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import tomlkit
from tomlkit import TOMLDocument

from studykit.errors import ArgumentError
from studykit.protocol.first_questions import Question, code_of

_QUESTIONS: tuple[Question, ...] = (
    Question(
        "title", "Title of the study",
        "Conventional sets with and without partner reps: protocol of a randomised studio comparison", "text",
    ),
    Question("setting", "The studio in a few words", "one coached studio with weight-stack machines", "text"),
    Question("time_zone", "Time zone of the studio, as continent and city", "", "zone"),
    Question("owner", "Code of the person who answers for the study (no name)", "OW", "code"),
    Question("clients", "How many clients can take part, in both arms together", "40", "whole"),
    Question("trainers", "How many trainers will train them", "3", "whole"),
    Question(
        "machines", "Machines that are trained and tested, separated by commas",
        "leg press, chest press, seated row, leg curl", "list",
    ),
    Question("unit", "What the weight stacks are marked in", "kg", "choice", ("kg", "lb", "plates")),
    Question(
        "experience", "Are most clients novices at machine training, or trained", "novice", "choice",
        ("novice", "trained"),
    ),
    Question("horizon_weeks", "After how many weeks should a client count as staying or not", "26", "whole"),
    Question(
        "retained_percent", "Of 100 clients, how many still train with you after that time", "70", "share"
    ),
    Question(
        "ethics", "Has an independent ethics review answered", "needed", "choice",
        ("needed", "approved", "not needed"),
    ),
    Question(
        "ethics_answer", "Its reference, or the reason why none is needed (- if still open)", "-", "text"
    ),
)  # fmt: skip


_ON_RETENTION = frozenset({"horizon_weeks", "retained_percent"})


def questions(text: str) -> tuple[Question, ...]:
    """The questions that a ready protocol begins with, in the order in which they are asked.

    Parameters
    ----------
    text : str
        The ready protocol; what it says is what an empty answer takes.

    Examples
    --------
    >>> from studykit.shipped import shipped
    >>> ready = (shipped("protocols") / "trainers.toml").read_text(encoding="utf-8")
    >>> [question.default for question in questions(ready) if question.key in ("clients", "trainers")]
    ['96', '12']
    """
    document = tomlkit.parse(text)
    said = _said(document)
    kinds = {table["kind"] for table in _tables(document, "outcomes")}
    return tuple(
        replace(_wording(question, document), default=said.get(question.key, question.default))
        for question in _QUESTIONS
        if "retention" in kinds or question.key not in _ON_RETENTION
    )


def _wording(question: Question, document: Any) -> Question:
    """The machines of a design with two sides are named once; each side becomes an exercise of its own."""
    if question.key == "machines" and _has_sides(document):
        return replace(question, wording="One-limb machines that are trained and tested, separated by commas")
    return question


def _has_sides(document: Any) -> bool:
    return any("side" in table for table in _tables(document, "exercises"))


def _tables(document: Any, key: str) -> Any:
    return document[key]


def _said(document: Any) -> dict[str, str]:
    """What a ready protocol says where the questions are about its own design."""
    planning = document["planning"]
    return {
        "title": str(document["study"]["title"]),
        "setting": str(document["study"]["setting"]),
        "time_zone": str(document["study"]["time_zone"]),
        "clients": str(planning["clients"]),
        "trainers": str(planning["trainers"]),
        "machines": ", ".join(_machine_names(document)),
    }


def _machine_names(document: Any) -> list[str]:
    """Each machine once, also where its two sides are exercises of their own."""
    names = (str(table["name"]).removesuffix(_side_of(table)) for table in document["exercises"])
    return list(dict.fromkeys(names))


def _side_of(table: Any) -> str:
    return f", {table['side']}" if "side" in table else ""


def fill_template(text: str, answers: Mapping[str, str], *, today: dt.date | None = None) -> str:
    """Put answers into a ready protocol.

    Parameters
    ----------
    text : str
        The ready protocol.
    answers : mapping of str to str
        By key of the questions; what is not answered stays as the ready protocol says.
    today : date, optional
        Becomes the protocol's date.

    Returns
    -------
    str
        TOML with the comments of ``text``.

    Raises
    ------
    ArgumentError
        If an answer cannot be used, or belongs to no question.

    Examples
    --------
    >>> from studykit.shipped import shipped
    >>> ready = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")
    >>> "clients = 55         # in both arms together" in fill_template(ready, {"clients": "55"})
    True
    """
    document = tomlkit.parse(text)
    asked = questions(text)
    known = {question.key: question for question in asked}
    for key in answers:
        if key not in known:
            raise ArgumentError(where="answers", expected=f"keys among {', '.join(known)}", got=key)
    for question in asked:
        answer = answers.get(question.key, question.default).strip()
        if question.key in answers and answer != question.default:
            _PLACES[question.key](document, question.read(answer))
    if today is not None:
        _set(document, ("study", "date"), today)
    return tomlkit.dumps(document)


def _set(document: Any, path: tuple[str, ...], value: Any) -> None:
    """Change one value; the comment behind it stays."""
    here = document
    for key in path[:-1]:
        here = here[key]
    item = tomlkit.item(value)
    old = here[path[-1]]
    if hasattr(old, "trivia"):
        item.trivia.comment_ws, item.trivia.comment = old.trivia.comment_ws, old.trivia.comment
    here[path[-1]] = item


def _outcome(document: TOMLDocument, kind: str) -> Any:
    outcomes: Any = document["outcomes"]
    return next(table for table in outcomes if table["kind"] == kind)


def _owner(document: TOMLDocument, code: str) -> None:
    for role in ("sponsor", "allocation", "analysis"):
        _set(document, ("roles", role), code)


def _machines(document: TOMLDocument, names: list[str]) -> None:
    """Keep the ready protocol's machines that are named again, with their steps; add the others."""
    listed: Any = document["exercises"]
    old = {table["code"]: dict(table) for table in listed}
    step = min(table["stack_step"] for table in old.values())
    last = listed[len(listed) - 1]  # comments that follow the list hang on its last table
    wanted = [
        old.get(values["code"]) or {**dict(last), **values, "stack_step": step}
        for name in names
        for values in _exercises_of(name, sides=_has_sides(document))
    ]
    for number in range(len(listed) - 2, -1, -1):
        del listed[number]
    for number, values in enumerate(wanted):
        table = last
        if number < len(wanted) - 1:
            table = tomlkit.table()
            listed.insert(number, table)
        for key, value in values.items():
            table[key] = value
        if table is not last:
            table.add(tomlkit.nl())
    _name_machines(document, [values["code"] for values in wanted], len(names))


def _exercises_of(name: str, *, sides: bool) -> list[dict[str, str]]:
    """One machine as one exercise, or as one for each side."""
    code = code_of(name)
    if not sides:
        return [{"code": code, "name": name}]
    return [
        {"code": f"{code}_{side}", "name": f"{name}, {side}", "side": side, "pair": code}
        for side in ("left", "right")
    ]


def _name_machines(document: TOMLDocument, codes: list[str], machines: int) -> None:
    """The same machines in the outcome, its estimand and the dose."""
    _set(_outcome(document, "continuous"), ("exercises",), codes)
    arms: Any = document["arms"]
    dose = arms[1]["dose"]
    if machines < dose["exercises_per_session"]:
        _set(dose, ("exercises_per_session",), machines)
        for step in dose["ramp_in"]:
            step["exercises"] = min(step["exercises"], machines)


def _unit(document: TOMLDocument, unit: str) -> None:
    step = {"lb": 5.0, "plates": 1.0, "kg": 2.5}[unit]
    listed: Any = document["exercises"]
    for table in listed:
        _set(table, ("unit",), unit)
        _set(table, ("stack_step",), step)
    _set(_outcome(document, "continuous"), ("unit",), unit)


def _experience(document: TOMLDocument, answer: str) -> None:
    if answer == "trained":
        for key, value, low, high in (("gain_reference", 5.0, 0.0, 15.0), ("sd_gain", 0.08, 0.05, 0.12)):
            for name, number in (("value", value), ("low", low), ("high", high)):
                _set(document, ("planning", key, name), number)
            _set(document, ("planning", key, "source"), "judgement for experienced clients")
            _set(document, ("planning", key, "evidence"), "weak")
        _set(document, ("planning", "correlation_baseline", "value"), 0.94)


def _horizon(document: TOMLDocument, weeks: int) -> None:
    _set(_outcome(document, "retention"), ("horizon_day",), 7 * weeks)


def _retained(document: TOMLDocument, share: float) -> None:
    _set(document, ("planning", "retention_reference", "value"), share)
    planning: Any = document["planning"]
    table = planning["retention_reference"]
    _set(table, ("low",), min(table["low"], share))
    _set(table, ("high",), max(table["high"], share))


def _ethics_answer(document: TOMLDocument, answer: str) -> None:
    ethics: Any = document["ethics"]
    place = {"approved": "reference", "not needed": "reason"}.get(ethics["review"])
    if place is not None:
        _set(ethics, (place,), answer)


def _at(*path: str) -> Callable[[TOMLDocument, Any], None]:
    return lambda document, value: _set(document, path, value)


_PLACES: dict[str, Callable[[TOMLDocument, Any], None]] = {
    "title": _at("study", "title"),
    "setting": _at("study", "setting"),
    "time_zone": _at("study", "time_zone"),
    "owner": _owner,
    "clients": _at("planning", "clients"),
    "trainers": _at("planning", "trainers"),
    "machines": _machines,
    "unit": _unit,
    "experience": _experience,
    "horizon_weeks": _horizon,
    "retained_percent": _retained,
    "ethics": _at("ethics", "review"),
    "ethics_answer": _ethics_answer,
}
