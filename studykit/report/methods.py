"""A methods section that a student can adapt: made from the protocol and from what was done."""

from __future__ import annotations

from studykit.protocol.types import (
    AsRecorded,
    ContinuousOutcome,
    EstimatedMaximum,
    LoadAtRepetitions,
    PermutedBlocks,
    Protocol,
)
from studykit.report.numbers import day_text, level, number
from studykit.report.reading import Reading

_DESIGNS = {
    "parallel": "parallel arms, clients allocated one by one",
    "trainers": "parallel arms, trainers allocated as clusters",
    "crossover": "two periods, the order allocated",
    "limbs": "limbs within a client",
    "stepped": "a stepped roll-out over trainers",
}


def design_line(reading: Reading) -> str:
    """The design in a few words, beginning with whether it is randomised."""
    word = "Randomised" if reading.results.randomised else "Non-randomised"
    arms = len(reading.arms)
    design = _DESIGNS[reading.protocol.design] if reading.protocol else f"{arms} arms"
    pilot = (
        "; a pilot" if reading.protocol is not None and reading.protocol.study.framework == "pilot" else ""
    )
    return f"{word} comparison of {arms} arms ({design}{pilot})"


def methods_paragraphs(reading: Reading) -> tuple[str, ...]:
    """Design, arms, outcomes, analysis: one paragraph each."""
    protocol = reading.protocol
    if protocol is None:
        return ()
    return (
        _design(reading, protocol),
        _arms(protocol),
        *(_outcome(reading, protocol, outcome) for outcome in protocol.continuous_outcomes),
        *_retention(reading, protocol),
        _analysis(reading, protocol),
        _software(reading),
    )


def _design(reading: Reading, protocol: Protocol) -> str:
    study = protocol.study
    ratio = ":".join(str(protocol.arm(code).ratio) for code in protocol.arm_codes)
    sentences = [f"{design_line(reading)}, ratio {ratio}."]
    if study.setting:
        sentences.append(f"Setting: {study.setting.rstrip('.')}.")
    if study.population:
        sentences.append(f"Population: {study.population.rstrip('.')}.")
    sentences.append(f"Question: {study.question}")
    if isinstance(protocol.allocation, PermutedBlocks):
        sizes = " or ".join(str(size) for size in protocol.allocation.block_sizes)
        strata = " and ".join(protocol.allocation.strata)
        within = f" within strata of {strata}" if strata else ""
        sentences.append(
            f"Clients were allocated one at a time by permuted blocks of random size ({sizes}){within}; each arm was "
            "drawn from the entropy of the operating system after eligibility, consent and baseline test were "
            "recorded, and written to an append-only ledger."
        )
    elif protocol.allocation.description:
        sentences.append(f"Allocation: {protocol.allocation.description.rstrip('.')}.")
    return " ".join(sentences)


def _arms(protocol: Protocol) -> str:
    parts = []
    for code in protocol.arm_codes:
        arm = protocol.arm(code)
        text = f"{arm.name}: {arm.description.rstrip('.')}" if arm.description else arm.name
        if arm.dose is not None:
            low, high = arm.dose.conventional_repetitions
            limit = " to the limit" if arm.dose.to_limit else ""
            text += f" ({low} to {high} repetitions{limit}"
            if arm.dose.partner_reps_per_set:
                slow = arm.dose.lowering_seconds
                text += (
                    f", then {arm.dose.partner_reps_per_set} partner reps with {slow[0]:g} to {slow[1]:g} s of lowering, in "
                    f"{arm.dose.exercises_per_session} exercises a session"
                )
            text += ")"
        parts.append(text)
    return f"Arms. {'; '.join(parts)}."


def _outcome(reading: Reading, protocol: Protocol, outcome: ContinuousOutcome) -> str:
    rule = outcome.score
    if isinstance(rule, LoadAtRepetitions):
        score = f"the heaviest load lifted {rule.repetitions} times"
    elif isinstance(rule, EstimatedMaximum):
        score = f"the one-repetition maximum estimated by the equation of {rule.equation.capitalize()}, from sets of at most {rule.most_repetitions} repetitions"
    else:
        assert isinstance(rule, AsRecorded)
        score = "the value recorded"
    exercises = ", ".join(protocol.exercise(code).name for code in outcome.exercises)
    over = f" over {exercises} with equal weights" if exercises else ""
    summary = "as the ratio of geometric means" if outcome.scale == "log" else "as the difference in means"
    found = next((item for item in reading.results.continuous if item.code == outcome.code), None)
    model = ""
    if found is not None:
        model = f" {found.model.rstrip('.')}."
        if found.fallback:
            model += f" The fallback named in the protocol was used: {found.fallback.rstrip('.')}."
    missing = ""
    if outcome.estimand is not None:
        missing = (
            f" Missing tests: {outcome.estimand.missing_data.rstrip('.')}."
            if outcome.estimand.missing_data
            else ""
        )
        leaves = outcome.estimand.strategies.leaves_studio
        missing += f" Leaving the studio before the test: {leaves} strategy." if leaves else ""
    return (
        f"Outcome: {outcome.name} ({outcome.role}), in {outcome.unit}: {score}{over}, at {reading.visit(outcome.primary_visit)}, "
        f"compared {summary}.{model}{missing}"
    )


def _retention(reading: Reading, protocol: Protocol) -> tuple[str, ...]:
    outcome, found = protocol.retention_outcome, reading.results.retention
    if outcome is None:
        return ()
    definition = f" {found.definition.rstrip('.')}." if found is not None else ""
    method = f" {found.primary.method.rstrip('.')}." if found is not None else ""
    return (
        f"Outcome: {outcome.name} ({outcome.role}), judged on {day_text(outcome.horizon_day)}.{definition} The share retained "
        f"is compared as a difference.{method}",
    )


def _analysis(reading: Reading, protocol: Protocol) -> str:
    rules = protocol.analysis
    multiplicity = (
        "one outcome is confirmatory"
        if rules.multiplicity == "one primary"
        else "primary outcomes are judged together by Holm's procedure"
    )
    covariates = ", ".join((*(stratum.code for stratum in protocol.strata), *rules.adjust_for))
    adjusted = f" Comparisons are adjusted for {covariates}." if covariates else ""
    return (
        f"Clients were analysed in the arm they were allocated to, whatever they received. Intervals are at the "
        f"{level(rules.confidence_level)} level; {multiplicity}, with a two-sided type I error of {number(100 * rules.alpha, 1).removesuffix('.0')} %."
        f"{adjusted} Every rule was fixed in the protocol before the results were seen by arm, or is listed under changes."
    )


def _software(reading: Reading) -> str:
    versions = ", ".join(f"{name} {version}" for name, version in reading.results.provenance.versions)
    seed = reading.results.provenance.seed
    return f"Software: {versions}." + (f" Seed of simulated steps: {seed}." if seed is not None else "")
