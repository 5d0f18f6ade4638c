"""Where a report answers the items of the public reporting standard for randomised trials.

The items are those of CONSORT 2025 (Hopewell et al. 2025, 30 items in 42 lines), in our own words. Every
line is answered, or says what is missing and who can supply it, or says why it does not apply: a bare
"not applicable" is no answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from studykit.protocol.types import Protocol
from studykit.report.report_context import Reading
from studykit.report.tables import Table, cells, words_column

State = Literal["in this report", "in the protocol", "to be supplied", "does not apply"]


@dataclass(frozen=True, slots=True)
class Item:
    """One line of the completion table."""

    item: str
    asks: str
    state: State
    where: str


def completion(reading: Reading) -> tuple[Item, ...]:
    """All 42 lines."""
    protocol = reading.protocol
    if protocol is None:
        return ()
    return (
        *_opening(reading, protocol),
        *_methods(reading, protocol),
        *_conduct(protocol),
        *_results(reading),
    )


def items_table(code: str, caption: str, lines: Sequence[Item], *notes: str) -> Table:
    """The completion table of a checklist."""
    rows = tuple(cells(line.item, line.asks, line.state, line.where) for line in lines)
    columns = (
        words_column("item"),
        words_column("what it asks"),
        words_column("state"),
        words_column("where, or what is missing"),
    )
    return Table(code, caption, columns, rows, notes)


def from_protocol(item: str, asks: str, value: str, key: str) -> Item:
    """Answered by a text of the protocol, or to be written there under its key."""
    if value:
        return Item(item, asks, "in the protocol", value)
    return Item(item, asks, "to be supplied", f"write it in the protocol, key {key}")


def here(item: str, asks: str, where: str) -> Item:
    """Answered in this report, and where."""
    return Item(item, asks, "in this report", where)


def _opening(reading: Reading, protocol: Protocol) -> tuple[Item, ...]:
    study = protocol.study
    title = "title and the line below it"
    if not reading.results.randomised:
        title += "; the report says non-randomised, since no verified draws exist"
    return (
        here("1a", "title tells how the arms came about", title),
        here("1b", "structured summary", "Answers"),
        from_protocol("2", "registration", study.registration, "study.registration"),
        here(
            "3",
            "where protocol and analysis plan are found",
            "Provenance: version and hash of the locked protocol",
        ),
        from_protocol("4", "sharing of data and code", study.sharing, "study.sharing"),
        from_protocol("5a", "funding", study.funding, "study.funding"),
        from_protocol("5b", "interests of those who report", study.interests, "study.interests"),
        from_protocol("6", "background, with earlier evidence", study.background, "study.background"),
        here("7", "objectives", f"Methods: {study.question}"),
    )


def _methods(reading: Reading, protocol: Protocol) -> tuple[Item, ...]:
    study, eligibility = protocol.study, protocol.eligibility
    told = (f"at least {eligibility.minimum_age} years", *eligibility.clients, *eligibility.exclusions)
    # What nobody wrote into the protocol is a default of the program, and no fact about the trial.
    clients = "; ".join(told) if "eligibility" in protocol.model_fields_set else ""
    changes = "Changes and looks" if reading.amendments else "Changes and looks: none"
    return (
        from_protocol("8", "involvement of clients and trainers", study.involvement, "study.involvement"),
        here("9", "design and allocation ratio", "Methods"),
        here("10", "changes after the start", changes),
        from_protocol("11", "setting", study.setting, "study.setting"),
        from_protocol("12a", "who could take part", clients, "eligibility"),
        from_protocol(
            "12b", "which trainers could deliver", "; ".join(eligibility.trainers), "eligibility.trainers"
        ),
        _arms(protocol),
        here("14", "outcomes, with how and when measured", "Methods; definitions stand above each table"),
        if_there(
            reading.results.harms,
            "15",
            "how harms were defined and asked about",
            "Harms",
            "harms were not recorded",
        ),
        _size(protocol),
        here("16b", "interim looks and rules for stopping", "Changes and looks"),
    )


def _arms(protocol: Protocol) -> Item:
    asks = "what each arm was, in enough detail to repeat it"
    if any(arm.dose is not None for arm in protocol.arms):
        return here("13", asks, "Methods; the whole dose stands in the protocol")
    if all(arm.description for arm in protocol.arms):
        return here("13", asks, "Methods")
    return ask("13", asks, "write it in the protocol, key arms, description")


def _size(protocol: Protocol) -> Item:
    asks = "how the size was chosen"
    if protocol.is_external:
        return ask("16a", asks, "the trial was allocated elsewhere; tell it from its own protocol")
    return here("16a", asks, "Planned and done: planned and allocated clients; the planning page")


def _blinded(protocol: Protocol) -> Item:
    asks = "who did not know the arm"
    if "oversight" not in protocol.model_fields_set:
        return ask("20a", asks, "write it in the protocol, key oversight")
    blinded = "nobody"
    if protocol.oversight.assessor_blinded:
        blinded = "the assessor was not to know the arm; clients and trainers knew it"
    return here("20a", asks, f"{blinded}; counts stand under Answers")


def _analysed(reading: Reading) -> Item:
    names = [outcome.name for outcome in reading.results.outcomes]
    return here("26", "numbers analysed, estimates and intervals", "; ".join(names))


def _conduct(protocol: Protocol) -> tuple[Item, ...]:
    oversight = protocol.oversight
    return (
        *_allocation(protocol),
        _blinded(protocol),
        from_protocol("20b", "how that was done", oversight.blinding, "oversight.blinding"),
        here("21a", "statistical methods", "Methods, and below each table"),
        here("21b", "who is in each analysis", "Flow of clients; clients used stand beside every estimate"),
        here("21c", "how missing data were handled", "Methods; Who was measured; sensitivity rows"),
        here("21d", "further analyses", "Planned and done"),
    )


def _allocation(protocol: Protocol) -> tuple[Item, ...]:
    asked = (
        ("17a", "who made the sequence, and how"),
        ("17b", "kind of allocation and restrictions"),
        ("18", "concealment"),
        ("19", "could those who enrol see the sequence"),
    )
    if protocol.is_external:
        told = getattr(protocol.allocation, "description", "")
        return tuple(from_protocol(item, asks, told, "allocation.description") for item, asks in asked)
    if protocol.draws_trainers:
        answers = (
            "drawn by the program from operating-system entropy, all trainers in one recorded act",
            "Methods: trainers as clusters, the balance wanted, how many splits were kept",
            "Methods: whether clients were listed before the trainers were drawn",
            "the trainers' arms are known once drawn; who recruits afterwards must not know them",
        )
        return tuple(here(item, asks, answer) for (item, asks), answer in zip(asked, answers, strict=True))
    if protocol.sealed_list:
        answers = (
            "a list drawn by an outsider from operating-system entropy on another machine",
            f"Methods: {protocol.allocation.method}, its settings and strata",
            "Methods: numbered opaque envelopes, opened in logged order; their codes published at the lock",
            "no: slips were sealed, and each number was given to a client before its envelope was opened",
        )
        return tuple(here(item, asks, answer) for (item, asks), answer in zip(asked, answers, strict=True))
    answers = (
        "drawn by the program from operating-system entropy, one client at a time, and recorded",
        f"Methods: {protocol.allocation.method}, its settings and strata",
        "Methods: each draw is made when the client is enrolled; no list exists that could be read",
        "nobody can see a future allocation, since none exists before it is drawn",
    )
    return tuple(here(item, asks, answer) for (item, asks), answer in zip(asked, answers, strict=True))


def _results(reading: Reading) -> tuple[Item, ...]:
    return (
        here("22a", "numbers at each stage", "Flow of clients"),
        here("22b", "losses and exclusions, with reasons", "Flow of clients"),
        here("23a", "dates of recruitment and follow-up", "below the flow of clients"),
        ask("23b", "why the trial ended", "a person must say whether it ended as the protocol foresaw"),
        if_there(reading.results.delivery, "24a", "what was delivered", "Delivery", "no session records"),
        ask("24b", "other training and care", "not recorded by the session log; ask the trainers"),
        here("25", "baseline table", "Before allocation"),
        _analysed(reading),
        if_there(reading.results.harms, "27", "harms", "Harms", "no records of harms"),
        _further(reading),
        here("29", "interpretation", "Answers; the discussion against earlier evidence is the author's"),
        here("30", "limitations", "Limits"),
    )


def ask(item: str, asks: str, what: str) -> Item:
    """Nobody has answered it, and what would."""
    return Item(item, asks, "to be supplied", what)


def if_there(found: object | None, item: str, asks: str, where: str, otherwise: str) -> Item:
    """Answered in this report where there is something, else what is missing."""
    return here(item, asks, where) if found is not None else ask(item, asks, otherwise)


def _further(reading: Reading) -> Item:
    asks = "further analyses, planned or exploratory"
    if any(outcome.primary.role == "exploratory" for outcome in reading.results.outcomes):
        return here("28", asks, "rows marked exploratory")
    return Item("28", asks, "does not apply", "none beyond the rows marked sensitivity and supporting")
