"""The same question in another design, from the same assumptions: what that design's own plan would say."""

from __future__ import annotations

from functools import lru_cache

from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.planning.assumptions import USUAL_HORIZON, Assumptions, share_still_there
from studykit.planning.interim import level_of
from studykit.planning.strength import StrengthModel, strength_model
from studykit.protocol.designs import DESIGNS
from studykit.protocol.reading import read_protocol
from studykit.protocol.types import Assumption, Protocol
from studykit.shipped import shipped


@lru_cache
def _ready(design: str) -> Protocol:
    return read_protocol(shipped("protocols") / f"{design}.toml").protocol


def in_design(protocol: Protocol, outcome: ContinuousOutcome, design: str) -> Protocol:
    """The ready protocol of a design with this protocol's assumptions, outcome and rules of decision.

    Parameters
    ----------
    protocol : Protocol
    outcome : ContinuousOutcome
        The only outcome there; its test is the ready protocol's.
    design : str
        Name of a ready protocol.

    Notes
    -----
    Machines stay as they are but where sides of the body are compared: there they are the ready protocol's.
    Leaving is restated for the horizon that goes without saying in a protocol without a retention outcome.
    """
    ready = _ready(design)
    theirs = ready.continuous_outcomes[0]
    by_sides = "sides" in (DESIGNS[design].within, protocol.plan.within)
    there = share_still_there(protocol, Assumptions(protocol), day=USUAL_HORIZON)
    kept = Assumption(value=there, source="the protocol's own, at the usual horizon")
    meant = outcome.model_copy(
        update={
            "primary_visit": theirs.primary_visit,
            "exercises": theirs.exercises if by_sides else outcome.exercises,
        }
    )
    rules = {name: getattr(protocol.analysis, name) for name in ("confidence_level", "alpha")}
    return ready.model_copy(
        update={
            "outcomes": (meant,),
            "exercises": ready.exercises if by_sides else protocol.exercises,
            "planning": protocol.planning.model_copy(update={"retention_reference": kept}),
            "analysis": ready.analysis.model_copy(update=rules),
            "oversight": protocol.oversight,
        }
    )


def model_of(protocol: Protocol, outcome: ContinuousOutcome | None = None) -> StrengthModel:
    """The comparison as the protocol's own plan has it; its first continuous outcome, or a changed one.

    Raises
    ------
    DesignError
        As `strength_model`.
    """
    meant = protocol.continuous_outcomes[0] if outcome is None else outcome
    return strength_model(protocol, meant, Assumptions(protocol, scale=meant.scale), alpha=level_of(protocol))
