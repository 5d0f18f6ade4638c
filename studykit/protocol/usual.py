"""What each number of a protocol usually is: whatever lies beyond is asked about, since slips look like it.

The ranges are common practice or judgement, no source, save those of assumptions, which lie around the
published ranges that the ready protocol cites. What is impossible is refused elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from studykit.errors import Finding
from studykit.protocol.base import Section
from studykit.protocol.lines import Path
from studykit.protocol.places import Places
from studykit.protocol.types import Assumption, Protocol

Range = tuple[float, float]
USUAL: Mapping[str, Mapping[str, Range]] = {
    "Eligibility": {"minimum_age": (18, 65)},
    "RampStep": {
        "from_session": (1, 20), "to_session": (1, 20), "partner_reps": (1, 5), "effort_limit": (3, 8),
        "exercises": (1, 3),
    },
    "Dose": {
        "conventional_repetitions": (6, 15), "partner_reps_per_set": (0, 5), "exercises_per_session": (0, 3),
        "gap_seconds": (0, 20), "lifting_seconds": (1, 6), "lowering_seconds": (3, 6),
        "hours_between": (48, 168),
    },
    "Arm": {"ratio": (1, 3)},
    "Exercise": {"stack_step": (0.5, 50)},
    "Trainers": {"sign_off_days": (7, 60)},
    "Period": {"first_day": (0, 364), "last_day": (20, 730)},
    "Visit": {"day": (-60, 730), "window": (-28, 28)},
    "PermutedBlocks": {"block_sizes": (2, 12)},
    "Minimisation": {"weights": (1, 5), "overall": (0, 5), "chance": (0.7, 0.95)},
    "BiasedCoin": {"chance": (0.6, 0.9)},
    "TrainersTogether": {"weights": (1, 5), "kept_share": (0.05, 1.0), "kept_at_least": (20, 1000)},
    "Analysis": {
        "confidence_level": (0.9, 0.99), "alpha": (0.01, 0.1), "composite_below_clients": (12, 120),
        "trainer_random_from": (3, 10), "delta_steps": (-50, 50), "minimum_at_risk": (3, 20),
    },
    "Fidelity": {"rep_tolerance": (0, 2), "good_share": (0.6, 0.95), "partial_share": (0.4, 0.9)},
    "Harms": {
        "soreness_hours": (48, 96), "soreness_score": (3, 6), "pause_serious_related": (1, 1),
        "pause_severe_in_arm": (1, 3), "pause_moderate_share": (0.05, 0.25), "pause_moderate_least": (1, 5),
    },
    "Oversight": {
        "planned_looks": (0, 4), "look_fractions": (0.1, 0.9), "spending_exponent": (1, 5),
        "entry_delay_days": (1, 30),
    },
    "Planning": {"clients": (12, 1000), "trainers": (1, 100), "power": (0.7, 0.95)},
    "Pilot": {"clients": (8, 60), "months": (2, 18)},
    "ProgressionRule": {"go_on": (0.1, 50), "stop": (0.05, 50)},
    "LoadAtRepetitions": {"repetitions": (3, 15)},
    "EstimatedMaximum": {"most_repetitions": (3, 10)},
    "ContinuousOutcome": {"smallest_worthwhile": (1, 15)},
    "RetentionOutcome": {
        "horizon_day": (56, 730), "absence_days": (14, 56), "sensitivity_absence_days": (28, 112),
        "pause_cap_days": (0, 56), "pause_total_days": (0, 112), "smallest_worthwhile": (1, 25),
    },
}  # fmt: skip
"""By section and entry; of a list, for each of its numbers."""
USUAL_ASSUMED: dict[str, Range] = {
    "correlation_baseline": (0.6, 0.97), "correlation_exercises": (0.0, 0.9),
    "correlation_limbs": (0.0, 0.95),
    "trainer_icc_strength": (0.0, 0.15), "trainer_icc_retention": (0.0, 0.15),
    "retention_reference": (0.15, 0.98), "departure_shape": (0.5, 1.5), "attended_of_planned": (0.4, 1.0),
    "delivered_as_planned": (0.3, 1.0), "contamination": (0.0, 0.4), "missed_tests": (0.0, 0.5),
    "pauses": (0.0, 0.5), "sessions_per_week": (0.5, 5.0), "clients_per_month": (0.5, 100.0),
    "eligible_of_screened": (0.1, 1.0), "consented_of_eligible": (0.1, 1.0), "test_minutes": (5.0, 180.0),
    "extra_minutes": (0.0, 60.0), "talk_minutes": (2.0, 180.0), "attendance_spread": (0.0, 1.0),
    "trainer_size_variation": (0.0, 1.5),
}  # fmt: skip
"""Of assumptions; effects have rules of their own, and the cost of an hour depends on the money."""
USUAL_ON_LOG: dict[str, Range] = {
    "sd_score": (0.1, 0.6), "measurement_sd": (0.01, 0.15), "sd_gain": (0.03, 0.3),
    "gain_reference": (0.0, 60.0), "trainer_by_arm_sd": (0.0, 0.1),
}  # fmt: skip
"""The same where scores are compared as ratios; in another unit nobody knows what is usual."""
_WHY = {
    "minimum_age": "Minors need a review of their own.",
    "partner_reps_per_set": "More than 5 only as a stated variant.",
    "exercises_per_session": "More means much soreness.",
    "gap_seconds": "Later, the client has rested.",
    "lifting_seconds": "Longer is held still.",
    "lowering_seconds": "Shorter is a collapse, longer is held still.",
    "hours_between": "Soreness and lost strength from lowering work last for days.",
    "pause_serious_related": "One serious harm is reason enough to stop and look.",
    "clients": "With so few, take it as a trial run of the procedures; with very many, check the number.",
}
_ASK = "Is it a slip? Check it against your own records or practice."


def usual_findings(protocol: Protocol, at: Places) -> Iterator[Finding]:
    """Every number that is possible and unusual; nothing of a trial that was run elsewhere."""
    if not protocol.is_external:
        yield from _unusual(protocol, (), at)


def _unusual(section: Section, path: Path, at: Places) -> Iterator[Finding]:
    usual = USUAL.get(type(section).__name__, {})
    for key in type(section).model_fields:
        value = getattr(section, key)
        here: Path = (*path, key)
        if isinstance(value, Section) and not isinstance(value, Assumption):
            yield from _unusual(value, here, at)
        elif isinstance(value, tuple) and value and isinstance(value[0], Section):
            for number, inner in enumerate(value):
                yield from _unusual(inner, (*here, number), at)
        elif key in usual and not (key == "smallest_worthwhile" and _in_own_unit(section)):
            yield from outside(value, usual[key], here, at)


def outside(value: Any, usual: Range, path: Path, at: Places) -> Iterator[Finding]:
    """A warning where a number, or one of several, lies outside its usual range."""
    least, most = usual
    numbers = [number for number in (value if isinstance(value, tuple) else (value,)) if number is not None]
    if not all(least <= number <= most for number in numbers):
        span = f"{least:g} to {most:g}" if least < most else f"{least:g}"
        yield at.finding(
            "warn", path, expected=f"{span}, as is usual",
            got=" to ".join(f"{number:g}" for number in numbers),
            todo=_WHY.get(str(path[-1]), _ASK),
        )  # fmt: skip


def _in_own_unit(section: Section) -> bool:
    return getattr(section, "scale", "log") != "log"
