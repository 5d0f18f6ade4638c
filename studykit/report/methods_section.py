"""A methods section that a student can adapt: made from the protocol and from what was done."""

from __future__ import annotations

from studykit.outcomes.boundaries import planned_boundaries
from studykit.protocol.types import (
    Arm,
    BiasedCoin,
    Minimisation,
    PermutedBlocks,
    Protocol,
    Simple,
    TrainersTogether,
)
from studykit.report.kind_report import report_of
from studykit.report.numbers import GAP, level, number
from studykit.report.report_context import Reading, spaced, whole


def design_line(reading: Reading) -> str:
    """A few words on the design, beginning with whether it is randomised."""
    word = "Randomised" if reading.results.randomised else "Non-randomised"
    arms = len(reading.arms)
    design = _design_words(reading.protocol) if reading.protocol else f"{arms} arms"
    pilot = (
        "; a pilot" if reading.protocol is not None and reading.protocol.study.framework == "pilot" else ""
    )
    return f"{word} comparison of {arms} arms ({design}{pilot})"


def _design_words(protocol: Protocol) -> str:
    """The design; how a trial allocated elsewhere drew its clients is not known here."""
    words = protocol.plan.words
    return words.elsewhere if protocol.is_external and words.elsewhere else words.title


def _ratio(protocol: Protocol) -> str:
    """The allocation ratio, where it was decided here or is stated."""
    arms = [protocol.arm(code) for code in protocol.arm_codes]
    if protocol.is_external and not any("ratio" in arm.model_fields_set for arm in arms):
        return ""
    return f", ratio {':'.join(str(arm.ratio) for arm in arms)}"


def methods_paragraphs(reading: Reading) -> tuple[str, ...]:
    """Design, arms, outcomes, analysis: one paragraph each."""
    protocol = reading.protocol
    if protocol is None:
        return ()
    found = {item.code: item for item in reading.results.outcomes}
    return (
        _design(reading, protocol),
        _arms(protocol),
        *(
            report_of(outcome).methods(reading, outcome, found.get(outcome.code))
            for outcome in protocol.outcomes
        ),
        _analysis(protocol),
        _software(reading),
    )


def _design(reading: Reading, protocol: Protocol) -> str:
    study = protocol.study
    sentences = [f"{design_line(reading)}{_ratio(protocol)}."]
    if study.setting:
        sentences.append(f"Setting: {whole(study.setting)}")
    if study.population:
        sentences.append(f"Population: {whole(study.population)}")
    sentences.append(f"Question: {study.question}")
    return " ".join((*sentences, *_periods(protocol), *_allocation(protocol)))


def _periods(protocol: Protocol) -> tuple[str, ...]:
    """The periods, and what is thought of carry-over, where a client gets both arms."""
    if not protocol.plan.within:
        return ()
    days = [f"days {period.first_day} to {period.last_day}" for period in protocol.periods]
    told = protocol.study.carry_over
    periods = f"Periods, from allocation: {'; '.join(days)}." if days else ""
    return tuple(text for text in (periods, f"Carry-over: {whole(told)}" if told else "") if text)


def _allocation(protocol: Protocol) -> tuple[str, ...]:
    if protocol.is_external:
        told = getattr(protocol.allocation, "description", "")
        return (f"Allocation: {whole(told)}",) if told else ()
    if isinstance(protocol.allocation, TrainersTogether):
        return (_trainers_together(protocol.allocation, within=bool(protocol.plan.within)),)
    if protocol.sealed_list:
        text = (
            f"Clients were allocated one at a time {allocation_words(protocol)}. An outsider drew the list "
            "beforehand from the entropy of the operating system and put its slips into numbered opaque "
            "envelopes; codes of all slips were published at the lock. After eligibility, consent and "
            "baseline test were recorded, the ledger gave the client the next number of the stratum, and "
            "only then was its envelope opened; every opened slip was compared with its code."
        )
        return (text,)
    text = (
        f"Clients were allocated one at a time {allocation_words(protocol)}; each arm was drawn from the "
        "entropy of the operating system after eligibility, consent and baseline test were recorded, and "
        "written to an append-only ledger."
    )
    return (text,)


def _trainers_together(plan: TrainersTogether, *, within: bool) -> str:
    listed = (
        "Clients were listed with their trainers beforehand"
        if plan.clients_listed
        else "Clients were not all listed beforehand"
    )
    balanced = ", ".join(spaced(code) for code in plan.covariates)
    kept = (
        f"among the splits that balanced {balanced} best ({100 * plan.kept_share:g} in 100 of all, at least "
        f"{plan.kept_at_least})"
        if balanced
        else "among all splits into arms of equal size"
    )
    goes = "went over to the other arm with the trainer" if within else "got the arm of the trainer"
    return (
        f"Trainers, and not clients, were allocated, all in one recorded act: one split was drawn {kept}, "
        "from the entropy of the operating system, and written to an append-only ledger with its measure of "
        f"balance, the number kept and the one drawn. {listed}; every client {goes}."
    )


def allocation_words(protocol: Protocol) -> str:
    """The method of allocation and its settings, as the end of a sentence; empty where it was elsewhere."""
    plan = protocol.allocation
    strata = " and ".join(spaced(code) for code in plan.strata)
    within = f" within strata of {strata}" if strata else ""
    if isinstance(plan, PermutedBlocks):
        sizes = " or ".join(str(size) for size in plan.block_sizes)
        return f"by permuted blocks of random size ({sizes}){within}"
    if isinstance(plan, Minimisation):
        return _minimisation_words(plan)
    if isinstance(plan, BiasedCoin):
        return f"by a biased coin{within}: the arm behind had a chance of {plan.chance:g}"
    return "by simple draws" if isinstance(plan, Simple) else ""


def _minimisation_words(plan: Minimisation) -> str:
    weights = plan.weights or (1,) * len(plan.strata)
    parts = [f"{spaced(code)} (weight {weight})" for code, weight in zip(plan.strata, weights, strict=True)]
    parts += [f"the whole study (weight {plan.overall})"] if plan.overall else []
    measured = {
        "range": "the range of the arms' numbers",
        "variance": "the variance of the arms' numbers",
        "total": "the number already in the arm",
    }[plan.distance]
    return (
        f"by minimisation over {', '.join(parts)} by {measured}: the arm that balanced best had a chance "
        f"of {plan.chance:g}, and among equals one was preferred by chance"
    )


def _arms(protocol: Protocol) -> str:
    parts = [_arm(protocol.arm(code)) for code in protocol.arm_codes]
    return f"Arms. {'; '.join(parts)}."


def _arm(arm: Arm) -> str:
    text = f"{arm.name}: {arm.description.rstrip('. ')}" if arm.description else arm.name
    if arm.dose is None:
        return text
    low, high = arm.dose.conventional_repetitions
    parts = [f"{low} to {high} repetitions{' to the limit' if arm.dose.to_limit else ''}"]
    if arm.dose.partner_reps_per_set:
        slow = arm.dose.lowering_seconds
        parts.append(
            f"then {arm.dose.partner_reps_per_set} partner reps with {slow[0]:g} to {slow[1]:g} s of "
            f"lowering, in {arm.dose.exercises_per_session} exercises a session"
        )
    return f"{text} ({', '.join(parts)})"


def _analysis(protocol: Protocol) -> str:
    rules = protocol.analysis
    judged = (
        "one outcome is confirmatory"
        if rules.multiplicity == "one primary"
        else "primary outcomes are judged together by Holm's procedure"
    )
    alpha = number(100 * rules.alpha, 1).removesuffix(".0")
    covariates = ", ".join(
        spaced(code) for code in (*(item.code for item in protocol.strata), *rules.adjust_for)
    )
    shown = level(rules.confidence_level)
    sentences = [
        "Every client is in both arms; each score counts for the arm that the draw gave to its period or "
        "side, whatever was received."
        if protocol.plan.within
        else "Clients were analysed in the arm they were allocated to, whatever they received.",
        f"Intervals are at the {shown} level; {judged}, with a two-sided type I error of {alpha}{GAP}%.",
        f"Comparisons are adjusted for {covariates}." if covariates else "",
        _looks(protocol),
        "Rules that were changed after the lock of the protocol are listed under changes and looks.",
    ]
    return " ".join(sentence for sentence in sentences if sentence)


def _looks(protocol: Protocol) -> str:
    """Planned looks before the end, with the level that each has."""
    if not protocol.oversight.planned_looks:
        return ""
    *early, last = planned_boundaries(protocol)
    shown = ", ".join(
        f"{number(100 * look.fraction, 0)}{GAP}% of the tests (level {number(100 * look.level, 2)}{GAP}%)"
        for look in early
    )
    return (
        f"Looks at results by arm were planned at {shown}, by alpha spending (Lan & DeMets 1983), which "
        f"leaves {number(100 * last.level, 2)}{GAP}% for the end."
    )


def _software(reading: Reading) -> str:
    versions = ", ".join(f"{name} {version}" for name, version in reading.results.provenance.versions)
    seed = reading.results.provenance.seed
    return f"Software: {versions}." + (f" Seed of simulated steps: {seed}." if seed is not None else "")
