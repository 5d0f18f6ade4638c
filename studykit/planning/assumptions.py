"""The numbers that a plan stands on, each with its source and the strength of its evidence."""

from __future__ import annotations

from dataclasses import dataclass

from studykit.errors import ArgumentError, DesignError
from studykit.protocol.outcome import OutcomeSection
from studykit.protocol.types import Assumption, Evidence, Protocol
from studykit.trial.models import DeliveryModel

_OWN = "default of studykit; the protocol does not state it"

# Values and plausible ranges for log loads (per cent for gains and effects); most are derived from
# abstracts, some are judgement: the ready protocol names the sources.
_TYPICAL: tuple[tuple[str, float, float, float, Evidence], ...] = (
    ("sd_score", 0.25, 0.15, 0.35, "moderate"),
    ("correlation_baseline", 0.88, 0.75, 0.95, "weak"),
    ("correlation_exercises", 0.4, 0.2, 0.7, "judgement"),
    ("effect_strength", 2.0, -2.0, 6.0, "weak"),
    ("trainer_icc_strength", 0.02, 0.0, 0.06, "weak"),
    ("trainer_by_arm_sd", 0.02, 0.0, 0.05, "weak"),
    ("retention_reference", 0.70, 0.40, 0.90, "weak"),
    ("departure_shape", 0.85, 0.7, 1.1, "moderate"),
    ("effect_retention", 2.0, -5.0, 8.0, "weak"),
    ("trainer_icc_retention", 0.05, 0.0, 0.13, "weak"),
    ("delivered_as_planned", 0.80, 0.50, 0.95, "judgement"),
    ("contamination", 0.10, 0.05, 0.33, "weak"),
    ("missed_tests", 0.15, 0.05, 0.30, "moderate"),
    ("attended_of_planned", 0.76, 0.40, 0.90, "moderate"),
    ("sessions_per_week", 2.0, 1.0, 3.0, "judgement"),
    ("clients_per_month", 4.0, 2.0, 8.0, "judgement"),
    ("eligible_of_screened", 0.60, 0.40, 0.90, "weak"),
    ("consented_of_eligible", 0.50, 0.20, 0.80, "judgement"),
    ("talk_minutes", 30.0, 20.0, 60.0, "judgement"),
    ("trainer_size_variation", 0.3, 0.0, 0.7, "judgement"),
    ("correlation_limbs", 0.7, 0.5, 0.9, "judgement"),
    ("attendance_spread", 0.3, 0.2, 0.5, "judgement"),
)
DEFAULTS: dict[str, Assumption] = {
    key: Assumption(value=value, low=low, high=high, source=_OWN, evidence=evidence)
    for key, value, low, high, evidence in _TYPICAL
}

USUAL_HORIZON = 182  # days


MEANINGS: dict[str, str] = {
    "sd_score": "spread of scores between clients",
    "correlation_baseline": "correlation of a client's tests before and after",
    "correlation_exercises": "correlation between exercises, the test before accounted for",
    "effect_strength": "difference in strength between the arms",
    "trainer_icc_strength": "share of the spread of strength between trainers",
    "trainer_by_arm_sd": "how much the difference varies between trainers",
    "retention_reference": "share still training at the horizon in the reference arm",
    "departure_shape": "shape of the retention curve (below 1: most leave early)",
    "effect_retention": "difference in retention, percentage points",
    "trainer_icc_retention": "share of the spread of retention between trainers",
    "delivered_as_planned": "sets with partner reps delivered as planned",
    "contamination": "reference clients who get partner reps all the same",
    "missed_tests": "tests missed by clients who still come",
    "attended_of_planned": "planned sessions that are attended",
    "sessions_per_week": "planned sessions of a client in a week",
    "clients_per_month": "clients who join in a month, in all arms",
    "eligible_of_screened": "people asked who may join",
    "consented_of_eligible": "those who may join and agree to",
    "talk_minutes": "minutes to explain, ask and record, a client",
    "test_minutes": "minutes of one test visit",
    "extra_minutes": "minutes that partner reps add to a session",
    "hour_cost": "cost of one hour of a trainer",
    "trainer_size_variation": "spread of the trainers' numbers of clients, as a share of the mean",
    "correlation_limbs": "correlation of a client's two limbs, tests before accounted for",
    "attendance_spread": "spread of how often clients come, as a share of the mean",
}
_OF_ANY = {
    "effect_strength": "difference between the arms",
    "trainer_icc_strength": "share of the spread between trainers",
}
_IN_UNIT = ("sd_score", "effect_strength", "trainer_by_arm_sd")  # no default fits an unknown unit


@dataclass(frozen=True, slots=True)
class UsedAssumption:
    """One number that a plan used.

    Parameters
    ----------
    key, meaning : str
        Its key in the protocol, and what it says.
    value, low, high : float
        Taken, and the plausible range.
    source : str
    evidence : {"strong", "moderate", "weak", "judgement"}
    outcome : str
        Code of the only outcome that it is about, where it stands under that one; else empty.
    """

    key: str
    meaning: str
    value: float
    low: float
    high: float
    source: str
    evidence: Evidence
    outcome: str = ""

    @property
    def is_weak(self) -> bool:
        """Whether it rests on weak evidence or on judgement only."""
        return self.evidence in ("weak", "judgement")


class Assumptions:
    """The planning values of a protocol, with defaults; remembers which ones were used.

    Parameters
    ----------
    protocol : Protocol
    outcome : OutcomeSection, optional
        Whose numbers are meant; by default what stands under planning.
    used : dict, optional
        What is remembered, where several outcomes of one plan remember together: by outcome and key, the
        meaning and the number.
    """

    def __init__(
        self,
        protocol: Protocol,
        outcome: OutcomeSection | None = None,
        *,
        used: dict[tuple[str, str], tuple[str, Assumption]] | None = None,
    ) -> None:
        view = protocol if outcome is None else protocol.for_outcome(outcome)
        self._planning = view.planning
        self._in_unit = outcome is not None and not outcome.on_log_scale
        further = outcome is not None and not protocol.is_first_of_kind(outcome)
        self._outcome = outcome if further else None
        self._used = used if used is not None else {}

    def assumption(self, key: str) -> Assumption:
        """The assumption with this key, the protocol's own or the default."""
        found: Assumption | None = getattr(self._planning, key)
        if found is None and self._in_unit and key in _IN_UNIT:
            if key == "sd_score":
                raise DesignError(
                    where="protocol, planning, sd_score",
                    expected="the spread of the outcome between clients, in its unit",
                    got="nothing",
                    todo="Add it, with its source: without it no width can be planned.",
                )
            found = Assumption(value=0.0, source=_OWN, evidence="judgement")
        if found is None and key == "correlation_baseline" and self._planning.sd_gain is not None:
            found = self._from_gain(self._planning.sd_gain)
        return self._remember(key, found or DEFAULTS[key])

    def value(self, key: str) -> float:
        """The number taken for a key."""
        return self.assumption(key).value

    def stated(self, key: str) -> float | None:
        """The protocol's own number for a key that has no default, else ``None``."""
        found: Assumption | None = getattr(self._planning, key)
        return None if found is None else self._remember(key, found).value

    def value_or(self, key: str, otherwise: Assumption) -> float:
        """The protocol's own number for a key, else one that the rest of the protocol gives."""
        own = self.stated(key)
        return self._remember(key, otherwise).value if own is None else own

    def _from_gain(self, sd_gain: Assumption) -> Assumption:
        """1 - (spread of gains)² / (2 spread of scores²), for equal spreads before and after."""
        spread = self.assumption("sd_score").value
        value = max(min(1.0 - sd_gain.value**2 / (2.0 * spread**2), 0.99), -0.99)
        return Assumption(value=value, source=f"from sd_gain: {sd_gain.source}", evidence=sd_gain.evidence)

    def _remember(self, key: str, found: Assumption) -> Assumption:
        own = self._outcome is not None and key in type(self._outcome.assumptions).model_fields
        if own and self._outcome is not None:
            meaning = f"{_OF_ANY.get(key, MEANINGS[key])}: {self._outcome.name}"
            self._used[self._outcome.code, key] = meaning, found
        else:
            self._used["", key] = MEANINGS[key], found
        return found

    @property
    def used(self) -> tuple[UsedAssumption, ...]:
        """What was used so far, in order of first use."""
        return tuple(
            UsedAssumption(
                key,
                meaning,
                found.value,
                *found.ends,
                found.source,
                found.evidence,
                outcome,
            )
            for (outcome, key), (meaning, found) in self._used.items()
        )


def dilution(assumptions: Assumptions, *, declared: str) -> float:
    """What is left of an effect: all of it as offered; delivered minus contaminated under full delivery."""
    if declared == "as offered":
        return 1.0
    return assumptions.value("delivered_as_planned") - assumptions.value("contamination")


def spread_by_delivery(assumptions: Assumptions) -> tuple[float, float]:
    """Variance between clients that the arms gain from an effect of one, in reference and compared arm.

    A client of the compared arm gets the effect in the share of sets delivered, which differs by client;
    some reference clients get all of it. Both make clients differ more, the larger the effect is. With shares
    :math:`d` (beta, concentration :math:`q`) and :math:`c` the effect that is found is :math:`d - c` of the
    full one, so that the variances are :math:`c (1 - c)` and :math:`d (1 - d) / (q + 1)`, over
    :math:`(d - c)^2`.

    Raises
    ------
    DesignError
        If nothing is left of the contrast between the arms.
    """
    delivered, leaked = assumptions.value("delivered_as_planned"), assumptions.value("contamination")
    kept = delivered - leaked
    if kept <= 0.05:
        raise DesignError(
            where="protocol, planning",
            expected="more sets delivered as planned than reference clients who get partner reps",
            got=f"a difference of {100.0 * kept:.0f} per cent of full delivery",
            todo="With so little contrast between the arms no study can answer.",
        )
    unequal = delivered * (1.0 - delivered) / (DeliveryModel().delivered_concentration + 1.0)
    return leaked * (1.0 - leaked) / kept**2, unequal / kept**2


def share_still_there(protocol: Protocol, assumptions: Assumptions, *, day: int) -> float:
    """Share of clients who still train on a day.

    All of them where the protocol has no outcome that tells and states no share either; a stated share
    without an outcome is one at the usual horizon.
    """
    horizon = max((outcome.horizon for outcome in protocol.outcomes if outcome.tells_who_stays), default=0)
    if day <= 0 or (not horizon and protocol.planning.retention_reference is None):
        return 1.0
    horizon = horizon or USUAL_HORIZON
    part = (day / horizon) ** assumptions.value("departure_shape")
    stay = assumptions.value("retention_reference")
    if not 0.0 <= stay <= 1.0:
        raise ArgumentError(
            where="retention_reference", expected="a share between 0 and 1", got=f"{stay:g}",
            todo="Correct the value or its range.",
        )  # fmt: skip
    return float(stay**part)
