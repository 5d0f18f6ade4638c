"""The usual cautions, each with the pages it must stand on.

Usual cautions, from memory; check them against current local guidance before relying on them.
They never clear a client to train.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from studykit.protocol.types import Protocol

Page = Literal["protocol", "consent", "session sheet", "take-home page", "report"]
STATUS = "usual cautions, written from memory; local rules and the doctor's word come first"


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution.

    Parameters
    ----------
    code : str
        Its name in the program.
    title : str
        A few words to print above it.
    text : str
        What is printed, whole sentences.
    pages : tuple of str
        The pages on which it must stand.
    partner_reps_only : bool
        Whether it is about partner reps alone.
    """

    code: str
    title: str
    text: str
    pages: tuple[Page, ...]
    partner_reps_only: bool = False


NOT_MEDICAL_ADVICE = Caution(
    "not_medical_advice",
    "No medical advice",
    "This is no medical advice and gives no clearance to train. Local law, the insurer's terms, the "
    "professional code and the decision of a licensed practitioner come before everything printed here.",
    ("protocol", "consent", "session sheet", "take-home page", "report"),
)
SCREENING = Caution(
    "screening",
    "Screening before consent",
    "Sets taken to the limit and partner reps are vigorous exercise. Before consent every client "
    "answers a current published readiness questionnaire; known or suspected disease of heart, vessels,"
    " kidneys or metabolism, symptoms, high blood pressure, pregnancy, recent surgery or injury of a "
    "joint in use, muscle disease, earlier muscle breakdown after exercise, or medicines that thin the "
    "blood or weaken muscle need a licensed practitioner's written clearance first. At each session ask"
    " about illness, fever, heat, pregnancy, new medicines and soreness; who is ill, feverish or overheated "
    "does not train that day.",
    ("protocol", "consent"),
)
STOP_SIGNS = Caution(
    "stop_signs",
    "Stop signs",
    "Stop at once and call for help: pain or pressure in the chest, faintness, sudden headache, change "
    "of vision, unusual breathlessness, irregular heartbeat. End the exercise and note it: sharp pain, "
    "pain in a joint or along a nerve, a pop, giving way. End the set: breath held in spite of the cue,"
    " form or range lost twice, sudden loss of force, the trainer overpowered or losing footing, the "
    "agreed word or hand tap.",
    ("protocol", "consent", "session sheet"),
)
BREATHING = Caution(
    "breathing",
    "Breathing",
    "Breathe out while lifting, keep the face relaxed, never hold the breath: straining against a "
    "closed throat drives blood pressure very high. A lighter load does not remove this; stopping "
    "earlier does.",
    ("protocol", "consent", "session sheet"),
)
SORENESS_AND_RED_FLAGS = Caution(
    "soreness_and_red_flags",
    "Soreness and red flags",
    "Soreness one to three days after new lowering work is expected and usually passes. Within about five"
    " days after a session, severe or worsening pain, marked swelling, weakness, a limb that cannot be "
    "straightened, dark urine (like tea or cola) or feeling ill need medical care on the same day, no "
    "training, and a note to the studio.",
    ("protocol", "consent", "session sheet", "take-home page"),
)
RAMP_IN = Caution(
    "ramp_in",
    "Ramp-in",
    "The first sessions with partner reps stay few, light and on few exercises, also after six weeks "
    "away. Nobody gets full effort before three sessions and two weeks.",
    ("protocol", "session sheet"),
    partner_reps_only=True,
)
TRAINER_SIGN_OFF = Caution(
    "trainer_sign_off",
    "Trainer's sign-off",
    "Partner reps are given only by a trainer who has practised with a colleague and has been signed "
    "off by an observer. Without practice the sign-off lapses, and with it the partner reps.",
    ("protocol", "session sheet", "report"),
    partner_reps_only=True,
)
SMALL_STUDY = Caution(
    "small_study",
    "A small study",
    "A study of this size can rule out neither a benefit nor a harm that lies inside its intervals, and"
    " says next to nothing about rare harms: with no event among n clients, up to about 3 in n may "
    "still have it.",
    ("protocol", "report"),
)

USUAL_CAUTIONS: tuple[Caution, ...] = (
    NOT_MEDICAL_ADVICE,
    SCREENING,
    STOP_SIGNS,
    BREATHING,
    RAMP_IN,
    SORENESS_AND_RED_FLAGS,
    TRAINER_SIGN_OFF,
    SMALL_STUDY,
)


def cautions_for(page: Page, *, protocol: Protocol | None = None) -> tuple[Caution, ...]:
    """What must be printed on one page, the study's local cautions last.

    Cautions on partner reps are left out where no arm of ``protocol`` has any.

    Examples
    --------
    >>> [caution.code for caution in cautions_for("take-home page")]
    ['not_medical_advice', 'soreness_and_red_flags']
    """
    local = () if protocol is None else protocol.cautions.local
    given = protocol is None or any(arm.dose and arm.dose.partner_reps_per_set for arm in protocol.arms)
    usual = tuple(
        caution
        for caution in USUAL_CAUTIONS
        if page in caution.pages and (given or not caution.partner_reps_only)
    )
    return (*usual, *(Caution("local", "Local caution", text, (page,)) for text in local))
