"""The parts of a protocol that say how the study is run: delivery, harms, looks before the end, cautions."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from studykit.protocol.base import Count, Days, Many, Repetitions, Section, Share, Text


class Fidelity(Section):
    """What counts as delivered as planned."""

    rep_tolerance: Repetitions = 1
    good_share: Share = 0.8
    partial_share: Share = 0.6


class Harms(Section):
    """How harms are asked about, graded and acted on."""

    question: str = "Since your last session, has anything hurt, worried you or kept you from training?"
    asked: Literal["every session", "spontaneous"] = "every session"
    soreness_hours: Count = 72
    soreness_score: int = Field(5, ge=0, le=10)
    pause_serious_related: int = Field(1, ge=1, le=1000)
    pause_severe_in_arm: int = Field(2, ge=1, le=1000)
    pause_moderate_share: Share = 0.15
    pause_moderate_least: int = Field(
        1,
        ge=1,
        le=1000,
        description="clients of an arm with a moderate harm or worse before their share counts",
    )
    reviewer: str = Field("", description="the person of roles.safety where this is empty")
    emergency_number: str = Field(
        "", description="the number to call in an emergency, as dialled at the studio"
    )
    first_aider: str = Field(
        "", description="who gives first aid while clients train or are tested; a code or a role"
    )
    defibrillator: str = Field("", description="where the nearest defibrillator hangs, or that there is none")


class Oversight(Section):
    """Looks at results by arm before the end."""

    planned_looks: int = Field(0, ge=0, le=20)
    look_rule: str = Field("", description="who looks, who decides, and what is done if a boundary is passed")
    look_fractions: Annotated[tuple[Annotated[float, Field(ge=0.01, le=0.99)], ...], Many] = Field(
        (), description="share of the final tests seen at each planned look, rising; empty for even spacing"
    )
    look_spending: Literal["obrien-fleming", "pocock", "power"] = Field(
        "obrien-fleming", description="how the type I error is spent: little early, evenly, or by a power"
    )
    spending_exponent: float = Field(
        3.0, ge=0.1, le=10.0, description='exponent where look_spending = "power"; 1 spends evenly'
    )
    entry_delay_days: Days = Field(14, description="entries later than this are marked")
    assessor_blinded: bool = True
    blinding: str = ""


class Cautions(Section):
    """Local cautions, printed after the usual ones."""

    local: Annotated[tuple[Text, ...], Many] = ()
