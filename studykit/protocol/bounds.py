"""Sanity bounds for the dose and for what is assumed in planning.

The bounds of the dose are common practice or judgement, no source; those of the assumptions lie
around the published ranges that the ready protocol cites.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from studykit.errors import Finding
from studykit.protocol.base import Section
from studykit.protocol.lines import Path
from studykit.protocol.places import Places
from studykit.protocol.types import Assumption, Dose, Protocol
from studykit.protocol.usual import USUAL_ASSUMED, USUAL_ON_LOG, outside, usual_findings

_SHARES = (
    "retention_reference", "attended_of_planned", "delivered_as_planned", "contamination", "missed_tests",
    "pauses", "eligible_of_screened", "consented_of_eligible",
)  # fmt: skip
_DIVISORS = (
    "attended_of_planned",
    "eligible_of_screened",
    "consented_of_eligible",
)  # of none, nothing follows
_CORRELATIONS = ("correlation_baseline", "correlation_exercises", "correlation_limbs")
_TRAINER_SHARES = ("trainer_icc_strength", "trainer_icc_retention")
_POSSIBLE = {
    **dict.fromkeys(_SHARES, (0.0, 1.0)),
    **dict.fromkeys(_DIVISORS, (0.001, 1.0)),
    **dict.fromkeys(_CORRELATIONS, (-0.999, 0.999)),
    **dict.fromkeys(_TRAINER_SHARES, (0.0, 0.99)),
    **dict.fromkeys(("sd_score", "sd_gain"), (0.001, 100_000.0)),
    **dict.fromkeys(("measurement_sd", "trainer_by_arm_sd"), (0.0, 100_000.0)),
    **dict.fromkeys(("gain_reference", "effect_strength"), (-100_000.0, 100_000.0)),
    **dict.fromkeys(("attendance_spread", "trainer_size_variation"), (0.0, 10.0)),
    **dict.fromkeys(("extra_minutes", "talk_minutes"), (0.0, 1440.0)),
    "test_minutes": (0.1, 1440.0),
    "departure_shape": (0.1, 10.0),
    "effect_retention": (-100.0, 100.0),
    "sessions_per_week": (0.05, 50.0),
    "clients_per_month": (0.01, 10_000.0),
    "hour_cost": (0.0, 1e9),
}
"""Least and most of each assumption, and of its low and high."""
_POSSIBLE_ON_LOG = {
    **dict.fromkeys(("sd_score", "sd_gain"), (0.001, 3.0)),
    **dict.fromkeys(("measurement_sd", "trainer_by_arm_sd"), (0.0, 3.0)),
    "gain_reference": (-90.0, 1000.0),
    "effect_strength": (-30.0, 30.0),
}
"""The same where scores are compared as ratios: spreads of logarithms, gains and effects in per cent."""
_SHIFTS_ON_LOG = (-90.0, 1000.0)  # per cent; at -100 nothing is left, which has no logarithm

LEAST_PER_CENT = 0.5  # nobody changes what is done for less: a share is meant
_HARD_ALONE = 4  # hard reps after about eight to learn the set: common practice, no source


def bound_findings(protocol: Protocol, at: Places) -> Iterator[Finding]:
    """Numbers outside what is sensible (warn) or possible (stop)."""
    for number, arm in enumerate(protocol.arms):
        if arm.dose is not None:
            yield from _dose(arm.dose, ("arms", number, "dose"), at)
    yield from _partner_reps(protocol, at)
    for assumed in _assumed(protocol):
        yield from _possible(assumed, at)
        yield from _effects(assumed, at)
    if any(outcome.on_log_scale for outcome in protocol.outcomes):
        yield from _shifts(protocol, at)
    yield from _per_cent_or_share(protocol, at)
    yield from _trainers(protocol, at)
    yield from _people(protocol, at)
    yield from usual_findings(protocol, at)


def _dose(dose: Dose, path: Path, at: Places) -> Iterator[Finding]:
    low, high = dose.conventional_repetitions
    if low > high or low < 1:
        yield at.finding("stop", (*path, "conventional_repetitions"), expected="the lower number first",
                         got=f"[{low}, {high}]")  # fmt: skip
    for key, (fast, slow) in (
        ("lifting_seconds", dose.lifting_seconds),
        ("lowering_seconds", dose.lowering_seconds),
    ):
        if fast > slow or fast < 0.0:
            yield at.finding(
                "stop", (*path, key), expected="the shorter time first", got=f"[{fast:g}, {slow:g}]"
            )
    yield from _stand_alone(dose, path, at)
    if dose.partner_reps_per_set == 0:
        return
    if not dose.stand_alone and dose.partner_reps_per_set < 2:
        yield at.finding(
            "warn", (*path, "partner_reps_per_set"), expected="2 to 5 partner reps",
            got=str(dose.partner_reps_per_set), todo="One is hardly a difference between the arms.",
        )  # fmt: skip
    if dose.exercises_per_session < 1:
        yield at.finding("stop", (*path, "exercises_per_session"), expected="at least 1 with partner reps",
                         got=str(dose.exercises_per_session))  # fmt: skip
    yield from _ramp_in(dose, (*path, "ramp_in"), at)


def _stand_alone(dose: Dose, path: Path, at: Places) -> Iterator[Finding]:
    """Partner reps as a set of their own: there must be some, and few, since learning reps come before."""
    here: Path = (*path, "partner_reps_per_set")
    if dose.stand_alone and dose.partner_reps_per_set == 0:
        yield at.finding(
            "stop", here, got="0",
            expected="at least 1 where partner reps are a set of their own (stand_alone = true)",
        )  # fmt: skip
    elif dose.stand_alone and dose.partner_reps_per_set > _HARD_ALONE:
        yield at.finding(
            "warn", here, expected=f"at most {_HARD_ALONE} where they stand alone",
            got=str(dose.partner_reps_per_set),
            todo="About eight learning reps come before, so the set is long already.",
        )  # fmt: skip


def _ramp_in(dose: Dose, path: Path, at: Places) -> Iterator[Finding]:
    steps = dose.ramp_in
    if not steps or steps[-1].to_session < 3:
        yield at.finding(
            "warn", path, expected="a ramp-in over at least the first three sessions with partner reps",
            got="none" if not steps else f"one of {steps[-1].to_session}",
            todo="Unused muscles can be harmed by a full dose of lowering work.",
        )  # fmt: skip
    next_session, before = 1, 0
    for number, step in enumerate(steps):
        here: Path = (*path, number)
        if step.from_session != next_session or step.to_session < step.from_session:
            yield at.finding(
                "stop", here, expected=f"a step that begins with session {next_session}",
                got=f"sessions {step.from_session} to {step.to_session}",
                todo="Steps follow each other without a gap.",
            )  # fmt: skip
        if step.partner_reps > dose.partner_reps_per_set or step.exercises > dose.exercises_per_session:
            yield at.finding(
                "stop", here,
                expected=f"at most the full dose, {dose.partner_reps_per_set} partner reps on "
                f"{dose.exercises_per_session} exercises",
                got=f"{step.partner_reps} on {step.exercises}",
            )  # fmt: skip
        if step.partner_reps < before:
            yield at.finding("warn", here, expected="no fewer partner reps than the step before",
                             got=str(step.partner_reps))  # fmt: skip
        next_session, before = step.to_session + 1, step.partner_reps


def _partner_reps(protocol: Protocol, at: Places) -> Iterator[Finding]:
    given = {arm.code: arm.dose.partner_reps_per_set > 0 for arm in protocol.arms if arm.dose is not None}
    if any(given.values()) and not any(exercise.partner_reps for exercise in protocol.exercises):
        yield at.finding(
            "stop", ("exercises",), expected="an exercise with partner_reps = true", got="none",
            todo="An arm has partner reps; name the exercises that get them.",
        )  # fmt: skip
    if given.get(protocol.reference_arm.code):
        number = protocol.arms.index(protocol.reference_arm)
        yield at.finding(
            "warn", ("arms", number, "dose", "partner_reps_per_set"), expected="0 in the reference arm",
            got="more", todo="Check which arm is marked as the reference.",
        )  # fmt: skip


def _compares_ratios(protocol: Protocol) -> bool:
    """Whether what is assumed is on the log scale: it is about the first outcome that is measured."""
    measured = [outcome for outcome in protocol.outcomes_to_report if not outcome.tells_who_stays]
    return any(outcome.on_log_scale for outcome in measured[:1])


@dataclass(frozen=True, slots=True)
class _Assumed:
    """What is assumed in one place: under planning, or under an outcome."""

    path: Path
    section: Section
    logged: bool
    machines: int
    retention_reference: Assumption | None

    def of(self, key: str) -> Assumption | None:
        found: Assumption | None = getattr(self.section, key, None)
        return found


def _assumed(protocol: Protocol) -> Iterator[_Assumed]:
    planning = protocol.planning
    machines = max(len(outcome.tested_on) for outcome in protocol.outcomes)
    reference = planning.retention_reference
    yield _Assumed(("planning",), planning, _compares_ratios(protocol), machines, reference)
    for number, outcome in enumerate(protocol.outcomes):
        own = protocol.for_outcome(outcome).planning.retention_reference
        path: Path = ("outcomes", number, "assumptions")
        yield _Assumed(path, outcome.assumptions, outcome.on_log_scale, len(outcome.tested_on), own)


def _possible(assumed: _Assumed, at: Places) -> Iterator[Finding]:
    possible = _POSSIBLE | _POSSIBLE_ON_LOG if assumed.logged else dict(_POSSIBLE)
    usual = USUAL_ASSUMED | USUAL_ON_LOG if assumed.logged else USUAL_ASSUMED
    # Three or more scores cannot all be opposed to each other: their mean would vary less than not at all.
    possible["correlation_exercises"] = (-0.999 / max(1, assumed.machines - 1), 0.999)
    for key, (least, most) in possible.items():
        assumption = assumed.of(key)
        if assumption is None:
            continue
        path: Path = (*assumed.path, key)
        value = assumption.value
        low = value if assumption.low is None else assumption.low
        high = value if assumption.high is None else assumption.high
        beyond = [number for number in (value, low, high) if not least <= number <= most]
        if beyond:
            share = key in _SHARES
            span = f"a share between {least:g} and 1" if share else f"a number from {least:g} to {most:,.10g}"
            todo = "Write 15 per cent as 0.15." if share else ""
            yield at.finding("stop", path, expected=span, got=f"{beyond[0]:g}", todo=todo)
        elif not low <= value <= high:
            yield at.finding("stop", path, expected="low, value and high in this order",
                             got=f"{low:g}, {value:g}, {high:g}")  # fmt: skip
        elif key in usual:
            yield from outside(value, usual[key], path, at)


def _effects(assumed: _Assumed, at: Places) -> Iterator[Finding]:
    effect = assumed.of("effect_strength")
    if effect is not None and assumed.logged:
        path: Path = (*assumed.path, "effect_strength")
        if not -5.0 <= effect.value <= 10.0:
            yield at.finding(
                "warn", path, expected="-5 to 10 per cent", got=f"{effect.value:g}",
                todo="No comparison of two ways of training made so large a difference likely.",
            )  # fmt: skip
        elif 0.0 < abs(effect.value) < 0.5:
            yield at.finding("warn", path, expected="per cent, 2 for 2 per cent", got=f"{effect.value:g}")
    gain = assumed.of("effect_retention")
    if gain is None:
        return
    path = (*assumed.path, "effect_retention")
    reference = assumed.retention_reference
    known = reference is not None and 0.0 <= reference.value <= 1.0
    if known and reference is not None and not 0.0 <= reference.value + gain.value / 100.0 <= 1.0:
        yield at.finding(
            "stop", path, expected="points that keep the share retained between 0 and 1",
            got=f"{100.0 * reference.value:g} % and {gain.value:g} points",
        )  # fmt: skip
    elif abs(gain.value) > 15.0:
        yield at.finding(
            "warn", path, expected="at most 15 points", got=f"{gain.value:g}",
            todo="A whole programme of support gained 25 points; one technique is not likely to.",
        )  # fmt: skip
    elif 0.0 < abs(gain.value) < 0.5:
        yield at.finding("warn", path, expected="points, 2 for 2 points", got=f"{gain.value:g}")


def _shifts(protocol: Protocol, at: Places) -> Iterator[Finding]:
    least, most = _SHIFTS_ON_LOG
    for number, step in enumerate(protocol.analysis.delta_steps):
        if not least <= step <= most:
            yield at.finding(
                "stop", ("analysis", "delta_steps", number), got=f"{step:g}",
                expected=f"a shift from {least:g} to {most:g} per cent",
            )  # fmt: skip


def _per_cent_or_share(protocol: Protocol, at: Places) -> Iterator[Finding]:
    """Numbers that make sense only as a share where per cent are wanted, or the other way round."""
    for number, outcome in enumerate(protocol.outcomes):
        path: Path = ("outcomes", number, "smallest_worthwhile")
        value = outcome.smallest_worthwhile
        in_per_cent = outcome.tells_who_stays or outcome.on_log_scale
        if in_per_cent and value is not None and value < LEAST_PER_CENT and not at.says(path, "%"):
            yield at.finding(
                "stop", path, expected="per cent, 3 for 3 per cent", got=f"{value:g}",
                todo=f'Is {100 * value:g} meant? Write that; or "{value:g} %" if so little is meant.',
            )  # fmt: skip
    steps = protocol.analysis.delta_steps
    largest = max(map(abs, steps), default=0.0)
    if any(outcome.on_log_scale for outcome in protocol.outcomes) and 0.0 < largest < LEAST_PER_CENT:
        yield at.finding(
            "warn", ("analysis", "delta_steps"), expected="per cent, -5 for 5 per cent less",
            got=", ".join(f"{step:g}" for step in steps), todo="Are per cent meant?",
        )  # fmt: skip
    for number, rule in enumerate(protocol.pilot.rules):
        for key in ("go_on", "stop"):
            if rule.measure != "recruitment" and getattr(rule, key) > 1.0:
                yield at.finding(
                    "stop", ("pilot", "rules", number, key), expected="a share between 0 and 1",
                    got=f"{getattr(rule, key):g}", todo="Write 80 per cent as 0.8.",
                )  # fmt: skip


def _trainers(protocol: Protocol, at: Places) -> Iterator[Finding]:
    trainers, arms = protocol.planning.trainers, len(protocol.arms)
    path: Path = ("planning", "trainers")
    if protocol.is_external:
        return
    if protocol.trainers.deliver == "both arms":
        if trainers == 1:
            yield at.finding(
                "warn", path, expected="two or more trainers", got="1",
                todo="It works, but what is found holds for this one trainer only.",
            )  # fmt: skip
        return
    if trainers < 2 * arms:
        yield at.finding(
            "stop", path, expected=f"at least {2 * arms}, two for each arm", got=str(trainers),
            todo="With one trainer in an arm, trainer and method cannot be told apart; "
            "let trainers deliver both arms.",
        )  # fmt: skip
    elif trainers <= 4 * arms:
        yield at.finding(
            "warn", path, expected=f"more than {4 * arms} where each trainer delivers one arm",
            got=str(trainers), todo="So few trainers in each arm make the answer very uncertain.",
        )  # fmt: skip


def _people(protocol: Protocol, at: Places) -> Iterator[Finding]:
    if not protocol.oversight.assessor_blinded and not protocol.is_external:
        yield at.finding(
            "warn", ("oversight", "assessor_blinded"), expected="a tester who does not know the arm",
            got="false",
            todo="Cheering alone adds as much as any likely effect; the report says so at the top.",
        )  # fmt: skip
    if protocol.fidelity.partial_share > protocol.fidelity.good_share:
        yield at.finding(
            "stop", ("fidelity", "partial_share"),
            expected=f"at most good_share, {protocol.fidelity.good_share:g}",
            got=f"{protocol.fidelity.partial_share:g}",
        )  # fmt: skip
