"""The text for a registry and the analysis plan, from the protocol, before anybody has been measured.

Items of the plan are those of Gamble et al. 2017 (JAMA 318:2337), 32 by number; the fields of the registry
those that the World Health Organization asks of every register (Trial Registration Data Set, version 1.3.1,
24 items). Numbers and fields are from memory of the published lists, in our own words.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from studykit.outcomes.results import FlowResult, Provenance, StudyResults
from studykit.protocol.protocol_file import ReadProtocol
from studykit.protocol.types import Protocol
from studykit.report.document import Block, Section, paragraphs, tables
from studykit.report.kind_report import report_of
from studykit.report.methods_section import allocation_words, methods_paragraphs
from studykit.report.numbers import level, plural
from studykit.report.planned_analyses import planned_analyses
from studykit.report.report_context import Reading
from studykit.report.reporting_items import Item, ask, from_protocol, here, items_table
from studykit.report.tables import Table, cells, words_column
from studykit.writeup.manuscript import Part
from studykit.writeup.references import citing_sentence, sources_of
from studykit.writeup.write_up import write_document

DOCUMENT = "before_the_data.docx"
_PLAN = "Analysis plan"
_MEMORY = "Numbers are from memory of the published list, in our own words: hold them against it."


def write_before_data(
    read: ReadProtocol, folder: Path, *, versions: Mapping[str, str], locked: bool, allocated: int
) -> Path:
    """Write both texts as one Word document; the same protocol gives the same bytes.

    Parameters
    ----------
    read : ReadProtocol
    folder : Path
    versions : mapping of str to str
        Of the programs that will analyse.
    locked : bool
        Whether the protocol's text is in the ledger.
    allocated : int
        Clients allocated when this is written.

    Returns
    -------
    Path
    """
    protocol = read.protocol
    reading = Reading(_nothing_yet(read, versions), protocol, manuscript=True)
    state = "its text is locked in the ledger" if locked else "it is not locked, and can still change"
    when = (
        "Nobody had been allocated when this was written."
        if not allocated
        else f"When this was written {plural(allocated, 'client')} had been allocated: what is decided only "
        "now was not decided before the data."
    )
    told = f"Protocol version {protocol.study.version}, code {read.digest[:12]}; {state}. {when}"
    methods = (*methods_paragraphs(reading), _models(protocol))
    sources = citing_sentence(sources_of(methods))
    plan = (*paragraphs(*methods, sources), *tables(_planned(reading)))
    lines = _items(protocol)
    open_lines = tuple(
        f"Item {line.item} ({line.asks}): {line.where}." for line in lines if line.state == "to be supplied"
    )
    listed = tables(items_table("plan_items", "The items of an analysis plan, by number", lines, _MEMORY))
    items = (*listed, *((Block("list", open_lines),) if open_lines else ()))
    parts = (
        Part("Registration", (Section("state", "", paragraphs(told)),
                              Section("register", "For the register", tables(_register(protocol, reading))))),
        Part(_PLAN, (Section("plan", "", plan), Section("plan-items", "Item by item", items))),
    )  # fmt: skip
    made_at = f"{protocol.study.date.isoformat()}T00:00:00"
    return write_document(protocol.study.title, "", parts, made_at, folder, name=DOCUMENT)


def _nothing_yet(read: ReadProtocol, versions: Mapping[str, str]) -> StudyResults:
    """The results of a study in which nothing has happened."""
    protocol, never = read.protocol, np.datetime64("NaT")
    return StudyResults(
        title=protocol.study.title,
        arms=tuple((code, protocol.arm(code).name) for code in protocol.arm_codes),
        comparison=(protocol.comparison_arm.code, protocol.reference_arm.code),
        confidence_level=protocol.analysis.confidence_level, randomised=not protocol.is_external, outcomes=(),
        harms=None, delivery=None, flow=FlowResult(None, (), 0, (), never, never, never), baseline=(),
        decisions=(), assessor_blind=(), remarks=(), findings=(),
        provenance=Provenance(read.digest, protocol.study.version, "", (), tuple(versions.items()), None, ""),
    )  # fmt: skip


def _models(protocol: Protocol) -> str:
    """What fits each outcome; the terms that depend on the records are worked out when there are some."""
    models = ((outcome.name, report_of(outcome).model(protocol, outcome)) for outcome in protocol.outcomes)
    told = [f"{name}: {model}" for name, model in models if model]
    if not told:
        return ""
    return (
        f"Models. {'; '.join(told)}. The program and its versions above fix the rest; what it does with "
        "records of this protocol can be seen on simulated ones before there are any."
    )


def _planned(reading: Reading) -> Table:
    rows = tuple(cells(line.what, line.role) for line in planned_analyses(reading))
    columns = (words_column("planned in the protocol"), words_column("role"))
    return Table("planned", "What is planned", columns, rows)


def _register(protocol: Protocol, reading: Reading) -> Table:
    """Field by field; what the protocol does not say is asked for by its key."""
    study, eligibility = protocol.study, protocol.eligibility
    who = (f"at least {eligibility.minimum_age} years", *eligibility.clients)
    primary = [f"{item.name}, {_when(reading, item)}" for item in protocol.outcomes if item.role == "primary"]
    other = [item.name for item in protocol.outcomes if item.role != "primary"]
    arms = [f"{arm.name}: {arm.description}".rstrip(": ") for arm in protocol.arms]
    design = f"{protocol.plan.words.title}; {allocation_words(protocol)}".rstrip("; ")
    fields = (
        ("register and number", study.registration, "study.registration"),
        ("money", study.funding, "study.funding"),
        ("who answers for it", protocol.roles.sponsor, "roles.sponsor"),
        ("scientific title", study.title, "study.title"),
        ("what is asked", study.question, "study.question"),
        ("summary", study.summary, "study.summary"),
        ("where", study.setting, "study.setting"),
        ("treatments", "; ".join(arms), "arms"),
        ("who can take part", "; ".join(who) if eligibility.clients else "", "eligibility.clients"),
        ("who cannot", "; ".join(eligibility.exclusions), "eligibility.exclusions"),
        ("kind of study", design, "allocation"),
        ("clients", str(protocol.planning.clients), "planning.clients"),
        ("primary outcome", "; ".join(primary), "outcomes"),
        ("other outcomes", "; ".join(other) or "none", "outcomes"),
        ("ethics review", protocol.ethics.reference or protocol.ethics.reason, "ethics.reference"),
        ("sharing of data", study.sharing, "study.sharing"),
    )  # fmt: skip
    rows = tuple(
        cells(name, value or f"to be supplied: write it in the protocol, key {key}")
        for name, value, key in fields
    )
    columns = (words_column("field"), words_column("entry"))
    note = "Contacts, countries and dates of recruitment stand in no protocol: the register asks for them."
    return Table("register", "What a register asks", columns, rows, (note,))


def _when(reading: Reading, outcome: object) -> str:
    visit = getattr(outcome, "primary_visit", "")
    return reading.when(visit) if visit else f"on day {getattr(outcome, 'horizon_day', '')}"


def _items(protocol: Protocol) -> tuple[Item, ...]:
    """The 32 items of an analysis plan, in their parts."""
    return (*_head(protocol), *_principles(protocol), *_analysis(protocol))


def _head(protocol: Protocol) -> tuple[Item, ...]:
    study = protocol.study
    roles = "; ".join(f"{name}: {code}" for name, code in protocol.roles if code)
    looks = protocol.oversight.planned_looks
    return (
        here("1a", "title", study.title),
        from_protocol("1b", "registration", study.registration, "study.registration"),
        here("2", "version of the plan, with date", f"{study.version}, {study.date.isoformat()}"),
        here("3", "version of the protocol", f"{study.version}; its code stands under Registration"),
        here("4", "changes of the plan", "amendments after the lock are in the ledger, with reasons"),
        from_protocol("5", "who does what", roles, "roles"),
        ask("6", "signatures", "who wrote, who analyses and who answers for the study sign this document"),
        from_protocol("7", "background", study.background, "study.background"),
        here("8", "objectives", study.question),
        here("9", "design", _PLAN),
        here("10", "allocation", _PLAN),
        _size(protocol),
        here("12", "framework", study.framework),
        here("13a", "looks before the end", f"{looks} planned" if looks else "none planned"),
        here("13b", "levels of looks", _PLAN if looks else "none, since none is planned"),
        from_protocol("13c", "rule for stopping", protocol.oversight.look_rule, "oversight.look_rule")
        if looks else here("13c", "rule for stopping", "none, since no look is planned"),
        here("14", "when the final analysis is done", "once the follow-up of every client has ended"),
        here("15", "when outcomes are measured",
             "; ".join(f"{visit.name}: day {visit.day}, {visit.window[0]} to +{visit.window[1]}"
                       for visit in protocol.visits) or _PLAN),
    )  # fmt: skip


def _size(protocol: Protocol) -> Item:
    asks = "how the size was chosen"
    if protocol.is_external:
        return ask("11", asks, "the trial was allocated elsewhere; tell it from its own protocol")
    return here("11", asks, f"{protocol.planning.clients} clients; the planning page gives the reasons")


def _principles(protocol: Protocol) -> tuple[Item, ...]:
    rules, fidelity = protocol.analysis, protocol.fidelity
    told = (*protocol.eligibility.clients, *protocol.eligibility.exclusions)
    return (
        here("16", "level of significance", f"{rules.alpha:g}, two-sided"),
        here("17", "several outcomes", rules.multiplicity),
        here("18", "intervals", level(rules.confidence_level)),
        here("19a", "what counts as keeping to it",
             f"repetitions within {fidelity.rep_tolerance} of the rule; good from {fidelity.good_share:g}, "
             f"partial from {fidelity.partial_share:g} of the sets"),
        here("19b", "how that is shown", "delivery by arm, as allocated"),
        here("19c", "deviations from the protocol", "counted by the program, by arm"),
        here("20", "who is analysed", _PLAN),
        here("21", "screening", "the flow of clients counts who was assessed"),
        from_protocol("22", "who can take part", "; ".join(told), "eligibility"),
        here("23", "recruitment", "flow of clients"),
        here("24", "leaving the study", "flow of clients, with reasons; strategies stand in the plan"),
        here("25", "baseline", "described by arm, not tested"),
    )  # fmt: skip


def _methods_item(protocol: Protocol) -> Item:
    """Where trainers are drawn, what compares shares depends on how many there are."""
    other = [item.name for item in protocol.outcomes if item.kind != "continuous"]
    if other and protocol.plan.unit != "client":
        what = f"say how {', '.join(other)} is compared over trainers; a report of simulated records names it"
        return ask("27a", "methods", what)
    return here("27a", "methods", f"{_PLAN}: models")


def _analysis(protocol: Protocol) -> tuple[Item, ...]:
    named = "; ".join(f"{item.name} ({item.role}, {item.unit if hasattr(item, 'unit') else 'share'})"
                      for item in protocol.outcomes)  # fmt: skip
    covariates = (*(item.code for item in protocol.strata), *protocol.analysis.adjust_for)
    procedures = "; ".join(told for item in protocol.outcomes if (told := getattr(item, "procedure", "")))
    assumed = "; ".join(
        item.estimand.missing_data
        for item in protocol.outcomes
        if item.estimand and item.estimand.missing_data
    )
    return (
        here("26a", "outcomes, with when they are measured", named),
        from_protocol("26b", "how they are measured", procedures, "outcomes.procedure"),
        here("26c", "what is worked out from them", _PLAN),
        _methods_item(protocol),
        here("27b", "what it is adjusted for", ", ".join(covariates) or "nothing"),
        here("27c", "checks of the model", "residuals, and the result without each client and trainer"),
        here(
            "27d", "if the model fails", "the fallback of the program, named in the report where it is used"
        ),
        here("27e", "sensitivity", "other assumptions on what is missing; see what is planned"),
        here("27f", "subgroups", "none"),
        from_protocol("28", "missing data", assumed, "outcomes.estimand.missing_data"),
        here("29", "further analyses", "see what is planned"),
        here("30", "harms", f"by arm, people and events; asked about: {protocol.harms.asked}"),
        here("31", "programs", _PLAN),
        here("32", "references", "References"),
    )
