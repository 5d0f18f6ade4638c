"""Checklists beside CONSORT 2025: the extension for the design, exercise (CERT) and treatments (TIDieR).

CERT has 16 items in 19 parts (Slade et al. 2016) and TIDieR 12 (Hoffmann et al. 2014), held against the
papers. The extensions keep the numbers of CONSORT 2010: cluster (Campbell et al. 2012), within-person (Pandis
et al. 2017), pilot (Eldridge et al. 2016) and nonpharmacologic (Boutron et al. 2017) are held against the
papers as far as their items on methods, and from memory after that; crossover (Dwan et al. 2019) and
stepped-wedge (Hemming et al. 2018) are from memory. All are in our own words.
"""

from __future__ import annotations

from studykit.protocol.types import Protocol
from studykit.report.report_context import Reading
from studykit.report.reporting_items import Item, ask, from_protocol, here, if_there, items_table
from studykit.report.tables import Table

_FROM_MEMORY = (
    "Wording is ours. Numbers of items on results, and all for crossover and stepped-wedge trials, are from "
    "memory: hold them against the published checklist before you quote them."
)


def checklists(reading: Reading) -> tuple[Table, ...]:
    """What the extensions, CERT and TIDieR ask, with where each item is answered or what is missing."""
    protocol = reading.protocol
    if protocol is None:
        return ()
    found = [
        items_table(
            "items_nonpharmacologic",
            "The items of the CONSORT extension to nonpharmacologic treatments, which trainers deliver",
            _delivered(reading, protocol),
            _FROM_MEMORY,
        )
    ]
    named = [(protocol.design, _DESIGNS[protocol.design])] if protocol.design in _DESIGNS else []
    if protocol.study.framework == "pilot":
        named.append(("pilot", ("pilot trials", _PILOT)))
    found += [
        items_table(
            f"items_{code}",
            f"The items of the CONSORT extension to {what}",
            tuple(_answered(reading, protocol, *line) for line in lines),
            _FROM_MEMORY,
        )
        for code, (what, lines) in named
    ]
    exercise = items_table("items_cert", "The items of CERT, on exercise", _exercise(reading, protocol))
    treatment = items_table(
        "items_tidier", "The items of TIDieR, on treatments", _treatment(reading, protocol)
    )
    return (*found, exercise, treatment)


# --- extensions ----------------------------------------------------------------------------------

Line = tuple[str, str, str]
"""Number of the item, what it asks, and where it is answered: ``?`` and what is missing, ``key:`` a key."""

_CLUSTER: tuple[Line, ...] = (
    ("1a", "title says that trainers were drawn", "title and the line below it"),
    ("2a", "why clusters", "? say why trainers, and not clients, were drawn"),
    ("3a", "what a cluster is, and how the design applies to it", "Methods"),
    ("4a", "who could be a cluster", "key:eligibility.trainers"),
    ("5", "whether the treatment is of the cluster, the client or both", "Methods: arms"),
    ("6a", "whether outcomes are of the cluster or the client", "Methods: each outcome is of the client"),
    ("7a", "size with clusters, their size and correlation within", "the planning page"),
    ("8b", "restriction of the draw over clusters", "Methods"),
    ("9", "concealment at the level of the cluster", "Methods: all trainers in one recorded act"),
    ("10a", "who made the sequence, enrolled and assigned clusters", "Methods; roles stand in the protocol"),
    ("10b", "how clients were chosen from clusters", "Methods: whether clients were listed beforehand"),
    ("10c", "from whom consent was sought, before or after the draw", "key:ethics.consent"),
    ("12a", "how clustering was taken into account", "Methods, and below each table"),
    ("13a", "clusters and clients at each stage", "Flow of clients"),
    ("15", "baseline of clients and clusters", "Before allocation; of trainers only their numbers"),
    ("16", "clusters in each analysis", "Flow of clients: trainers an arm"),
    ("17a", "the correlation within clusters, with each outcome", "spread of each model"),
    ("21", "to which clusters it generalises", "Limits"),
)
_CROSSOVER: tuple[Line, ...] = (
    ("1a", "title says crossover", "title and the line below it"),
    ("2a", "why a crossover", "? say why clients met both arms, one after the other"),
    ("3a", "sequences, length of periods, wash-out and carry-over", "Methods"),
    ("5", "each treatment with its time and order", "Methods"),
    ("7a", "size with the correlation within a client", "the planning page"),
    ("8b", "that the sequence is what was drawn", "Methods"),
    ("12a", "analysis within clients, with periods", "Methods, and below each table"),
    ("13a", "clients by sequence and period", "Flow of clients"),
    ("15", "baseline by sequence", "Before allocation"),
    ("16", "clients in each analysis, with both periods or one", "Flow of clients; clients used"),
    ("17a", "difference within clients, and results by period", "the section of each outcome"),
    ("19", "harms by treatment received and period", "Harms: by what was allocated"),
    ("20", "limits, with carry-over", "Methods: carry-over; Limits"),
)
_WITHIN: tuple[Line, ...] = (
    ("1a", "title says that sides of a person were compared", "title and the line below it"),
    ("2a", "why within a person", "? say why two sides of a client were compared"),
    ("3a", "which sides, at once or in turn", "Methods"),
    ("4a", "who could take part, and which sides", "key:eligibility"),
    ("5", "treatment of each side, and what may pass to the other", "Methods: carry-over"),
    ("6a", "outcomes of sides and of persons", "Methods"),
    ("7a", "size with the correlation between sides", "the planning page"),
    ("8a", "how the side was drawn", "Methods"),
    ("12a", "analysis of pairs", "Methods, and below each table"),
    ("13a", "persons and sides at each stage", "Flow of clients: persons; each has two sides"),
    ("15", "baseline of persons and sides", "Before allocation"),
    ("16", "pairs in each analysis", "clients used, beside every estimate"),
    ("17a", "difference within pairs", "the section of each outcome"),
    ("19", "harms of each side and of the person", "Harms"),
    ("20", "limits, with what passes to the other side", "Methods: carry-over; Limits"),
)
_STEPPED: tuple[Line, ...] = (
    ("1a", "title says stepped-wedge", "title and the line below it"),
    ("2a", "why clusters, and why steps", "? say why the method was rolled out in steps"),
    ("3a", "clusters, sequences, periods, same or new clients in each", "Methods"),
    ("3b", "changes after the start, dates of steps as they came", "Changes and looks"),
    ("5", "each condition, and the time of change", "Methods"),
    ("7a", "size with clusters, steps and correlations", "the planning page"),
    ("8b", "restriction of the draw of sequences", "Methods"),
    ("10b", "how clients came to the measurement, before or after the draw", "Methods"),
    ("10c", "consent", "key:ethics.consent"),
    ("12a", "analysis with time and clusters", "Methods, and below each table"),
    ("13a", "clusters and clients by sequence and period", "Flow of clients: by sequence"),
    ("14a", "dates of each step", "? give the day on which each trainer changed"),
    ("15", "baseline by sequence", "Before allocation"),
    ("16", "clusters and clients in each analysis", "Flow of clients; clients used"),
    ("17a", "effect with time accounted for, and correlations", "the section of each outcome"),
    ("19", "harms under each condition", "Harms"),
    ("20", "limits", "Limits"),
)
_PILOT: tuple[Line, ...] = (
    ("1a", "title says pilot", "title and the line below it"),
    ("2b", "what the pilot was to find out", "Methods: the question"),
    ("4c", "how clients were found and agreed", "key:ethics.consent"),
    ("6a", "measures of each aim", "What the pilot says; the protocol's rules"),
    ("6c", "rules for going on, fixed beforehand", "What the pilot says"),
    ("7a", "why this size", "the planning page"),
    ("13a", "numbers approached, screened and willing", "Flow of clients"),
    ("17a", "results of each aim with intervals", "What the pilot says"),
    ("22a", "whether and how to go on", "What the pilot says"),
    ("26", "review by an ethics board", "key:ethics.reference"),
)
_DESIGNS: dict[str, tuple[str, tuple[Line, ...]]] = {
    "trainers": ("cluster trials", _CLUSTER),
    "crossover": ("crossover trials", _CROSSOVER),
    "limbs": ("within-person trials", _WITHIN),
    "stepped": ("stepped-wedge trials", _STEPPED),
}


def _answered(reading: Reading, protocol: Protocol, item: str, asks: str, where: str) -> Item:
    del reading
    if where.startswith("? "):
        return ask(item, asks, where.removeprefix("? "))
    if where.startswith("key:"):
        key = where.removeprefix("key:")
        return from_protocol(item, asks, _told(protocol, key), key)
    if where == "the planning page" and protocol.is_external:
        return ask(item, asks, "the trial was allocated elsewhere; tell it from its own protocol")
    return here(item, asks, where)


def _told(protocol: Protocol, key: str) -> str:
    """The words of a key; what nobody wrote is a default of the program, and no fact about the trial."""
    section, _, name = key.partition(".")
    if section not in protocol.model_fields_set:
        return ""
    found = getattr(protocol, section)
    texts = getattr(found, name) if name else (*found.clients, *found.exclusions)
    return texts if isinstance(texts, str) else "; ".join(texts)


def _delivered(reading: Reading, protocol: Protocol) -> tuple[Item, ...]:
    competency = _told(protocol, "trainers.competency")
    delivery = reading.results.delivery
    return (
        from_protocol("4a", "which trainers could deliver", _told(protocol, "eligibility.trainers"),
                      "eligibility.trainers"),
        _arms("5", "each treatment, with what was done in the other arm", protocol),
        from_protocol("5a", "parts, order and tailoring", _progression(protocol), "arms.dose.progression"),
        from_protocol("5b", "how delivery was made the same for all", competency, "trainers.competency"),
        if_there(delivery, "5c", "how keeping to it was judged, of trainers", "Delivery: fidelity",
                 "no session records"),
        if_there(delivery, "5d", "how keeping to it was judged, of clients", "Delivery: sessions attended",
                 "no session records"),
        ask("7a", "whether clustering by trainer was in the size",
            "tell it from the planning page, key planning.trainer_icc_strength of the protocol"),
        here("10", "how trainers came to the arms", "Methods, allocation"),
        from_protocol("11a", "who knew the arm", _told(protocol, "oversight.blinding"), "oversight.blinding"),
        here("12a", "how clustering by trainer was taken into account", "Methods, and below each table"),
        if_there(delivery, "13", "trainers in each arm, and clients of each", "Flow of clients",
                 "no session records"),
        here("15", "trainers described", "Flow of clients gives their number; describe them further"),
        here("21", "to whom, and to which trainers, it generalises", "Limits"),
    )  # fmt: skip


# --- exercise and treatment ----------------------------------------------------------------------


def _arms(item: str, asks: str, protocol: Protocol) -> Item:
    if any(arm.dose is not None or arm.description for arm in protocol.arms):
        return here(item, asks, "Methods: arms; the whole dose stands in the protocol")
    return ask(item, asks, "write it in the protocol, key arms")


def _progression(protocol: Protocol) -> str:
    told = [
        f"{arm.name}: {arm.dose.progression}" for arm in protocol.arms if arm.dose and arm.dose.progression
    ]
    return "; ".join(told)


def _ramp(protocol: Protocol) -> str:
    steps = [
        f"{arm.name}, sessions {step.from_session} to {step.to_session}: {step.partner_reps} partner reps in "
        f"{step.exercises} exercises, effort to {step.effort_limit} of 10"
        for arm in protocol.arms
        if arm.dose
        for step in arm.dose.ramp_in
    ]
    return "; ".join(steps)


def _machines(protocol: Protocol) -> str:
    return ", ".join(
        f"{item.name} (steps of {item.stack_step:g} {item.unit})" if item.stack_step else item.name
        for item in protocol.exercises
    )


_NOT_HELD = "the protocol has no place for it: say it in your own words, or that there was none"


def _exercise(reading: Reading, protocol: Protocol) -> tuple[Item, ...]:
    """CERT: 16 items in 19 parts."""
    delivery, harms = reading.results.delivery, reading.results.harms
    no_sessions = "no session records"
    return (
        from_protocol("1", "equipment", _machines(protocol), "exercises"),
        from_protocol("2", "who taught, with training", _told(protocol, "trainers.competency"),
                      "trainers.competency"),
        ask("3", "alone or in a group", "say whether each trainer trained one client at a time"),
        ask("4", "supervised or not", "say whether a trainer stood by at every set"),
        if_there(delivery, "5", "how keeping to it was measured", "Delivery", no_sessions),
        ask("6", "what was done to motivate", _NOT_HELD),
        from_protocol("7a", "rule for going up", _progression(protocol), "arms.dose.progression"),
        from_protocol("7b", "how it went up", _progression(protocol), "arms.dose.progression"),
        _arms("8", "each exercise, so that it can be repeated", protocol),
        ask("9", "part done at home", _NOT_HELD),
        ask("10", "parts that are no exercise", _NOT_HELD),
        if_there(harms, "11", "harms during exercise", "Harms", "no records of harms"),
        from_protocol("12", "where", protocol.study.setting, "study.setting"),
        _arms("13", "sets, repetitions, load, length and number of sessions", protocol),
        from_protocol("14a", "the same for all, or fitted to each", _progression(protocol),
                      "arms.dose.progression"),
        from_protocol("14b", "how it was fitted", _progression(protocol), "arms.dose.progression"),
        from_protocol("15", "rule for the level to start at", _ramp(protocol), "arms.dose.ramp_in"),
        if_there(delivery, "16a", "how delivery was judged", "Delivery: fidelity; key fidelity", no_sessions),
        if_there(delivery, "16b", "how far it was delivered as the protocol says", "Delivery", no_sessions),
    )  # fmt: skip


def _treatment(reading: Reading, protocol: Protocol) -> tuple[Item, ...]:
    """TIDieR: 12 items."""
    delivery = reading.results.delivery
    changed = "Changes and looks" if reading.amendments else "Changes and looks: none"
    return (
        here("1", "name", "Methods: arms"),
        from_protocol("2", "why it should work", protocol.study.background, "study.background"),
        from_protocol("3", "what: material", _machines(protocol), "exercises"),
        _arms("4", "what: steps", protocol),
        from_protocol("5", "who provided, with training", _told(protocol, "trainers.competency"),
                      "trainers.competency"),
        ask("6", "how: face to face, one to one or in a group",
            "say whether each trainer trained one client at a time"),
        from_protocol("7", "where", protocol.study.setting, "study.setting"),
        _arms("8", "when and how much", protocol),
        from_protocol("9", "tailoring", _progression(protocol), "arms.dose.progression"),
        here("10", "changes on the way", changed),
        from_protocol("11", "how delivery was planned and judged", _told(protocol, "trainers.competency"),
                      "trainers.competency"),
        if_there(delivery, "12", "how it was delivered", "Delivery", "no session records"),
    )  # fmt: skip
