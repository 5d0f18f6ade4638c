"""The usual cautions, each with its mark and the pages it must stand on.

The mark says where a caution comes from: a source, common practice, or memory. Check them against current
local guidance before relying on them. They never clear a client to train.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from studykit.protocol.types import Protocol

Page = Literal["protocol", "consent", "session sheet", "test sheet", "take-home page", "tally", "report"]
About = Literal["any study", "training", "partner reps"]


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
    mark : str
        Where it comes from: a source, common practice, or memory.
    pages : tuple of str
        The pages on which it must stand.
    about : str
        What a study must have for it to be printed.
    """

    code: str
    title: str
    text: str
    mark: str
    pages: tuple[Page, ...]
    about: About = "training"

    @property
    def words(self) -> str:
        """Title, text and mark in one line."""
        return f"{self.title}. {self.text} ({self.mark}.)"


NOT_MEDICAL_ADVICE = Caution(
    "not_medical_advice",
    "No medical advice",
    "This is no medical advice and gives no clearance to train. Local law, the insurer's terms, the "
    "professional code and the decision of a licensed practitioner come before everything printed here.",
    "common practice",
    ("protocol", "consent", "session sheet", "test sheet", "take-home page", "tally", "report"),
    about="any study",
)
SCREENING = Caution(
    "screening",
    "Screening before consent",
    "Sets taken to the limit and partner reps are vigorous exercise. Before consent every client "
    "answers a current published readiness questionnaire. Some need a licensed practitioner's written "
    "clearance first: with known or suspected disease of heart, vessels, kidneys or metabolism, symptoms, or "
    "high blood pressure. So do those with pregnancy, recent surgery or injury of a joint in use, muscle "
    "disease, or earlier muscle breakdown after exercise. So do those with medicines that thin the blood or "
    "weaken muscle. At each session ask about illness, fever, heat, pregnancy, new medicines and soreness; "
    "who is ill, feverish or overheated does not train that day.",
    "from memory; that intended intensity decides on referral: Riebe et al. 2015, Med Sci Sports Exerc",
    ("protocol", "consent", "tally", "report"),
)
STOP_SIGNS = Caution(
    "stop_signs",
    "Stop signs",
    "Stop at once and call for help: pain or pressure in the chest, faintness, sudden headache, change "
    "of vision, unusual breathlessness, irregular heartbeat. End the exercise and note it: sharp pain, "
    "pain in a joint or along a nerve, a pop, giving way. End the set: breath held in spite of the cue,"
    " form or range lost twice, sudden loss of force. End the set too: the trainer overpowered or losing "
    "footing, the agreed word or hand tap.",
    "from memory",
    ("protocol", "consent", "session sheet", "test sheet", "tally", "report"),
)
BREATHING = Caution(
    "breathing",
    "Breathing",
    "Breathe out while lifting, keep the face relaxed, never hold the breath: straining against a "
    "closed throat drives blood pressure very high. A lighter load does not remove this; stopping "
    "earlier does.",
    "sources: MacDougall et al. 1985, doi 10.1152/jappl.1985.58.3.785; Nery et al. 2010, Clinics",
    ("protocol", "consent", "session sheet", "test sheet", "tally", "report"),
)
SORENESS_AND_RED_FLAGS = Caution(
    "soreness_and_red_flags",
    "Soreness and red flags",
    "Soreness one to three days after new lowering work is expected and usually passes. Some signs "
    "within about five days after a session may mean exertional rhabdomyolysis, a breakdown of muscle that "
    "can hurt the kidneys. Look for dark urine (like tea or cola) or little urine, marked swelling, pain "
    "beyond what was done or getting worse. Look as well for weakness, a limb that cannot be straightened, "
    "feeling ill. They need medical care on the same day, no training, and a note to the studio.",
    "signs from memory; cases after trainers' sessions: Springer & Clarkson 2003, "
    "doi 10.1249/01.MSS.0000084428.51143.8C",
    ("protocol", "consent", "session sheet", "test sheet", "take-home page", "tally", "report"),
)
RAMP_IN = Caution(
    "ramp_in",
    "Ramp-in",
    "The first sessions with partner reps stay few, light and on few exercises, also after six weeks "
    "away. Nobody gets full effort before three sessions and two weeks.",
    "judgement; that one session protects for weeks: Cleary et al. 2002, J Athl Train 37:32",
    ("protocol", "session sheet", "report"),
    about="partner reps",
)
TRAINER_SIGN_OFF = Caution(
    "trainer_sign_off",
    "Trainer's sign-off",
    "Partner reps are given only by a trainer who has practised with a colleague and has been signed "
    "off by an observer. Without practice the sign-off lapses, and with it the partner reps.",
    "common practice",
    ("protocol", "session sheet", "report"),
    about="partner reps",
)
SMALL_STUDY = Caution(
    "small_study",
    "A small study",
    "A study of this size can rule out neither a benefit nor a harm that lies inside its intervals, and"
    " says next to nothing about rare harms: with no event among n clients, up to about 3 in n may "
    "still have it.",
    "arithmetic: the upper 95 % bound of 0 in n",
    ("protocol", "report"),
    about="any study",
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

    Cautions on training, or on partner reps, are left out where no arm of ``protocol`` has any.

    Examples
    --------
    >>> [caution.code for caution in cautions_for("take-home page")]
    ['not_medical_advice', 'soreness_and_red_flags']
    """
    local = () if protocol is None else protocol.cautions.local
    doses = () if protocol is None else [arm.dose for arm in protocol.arms if arm.dose is not None]
    has = {
        "any study": True,
        "training": protocol is None or bool(doses),
        "partner reps": protocol is None or any(dose.partner_reps_per_set for dose in doses),
    }
    usual = (caution for caution in USUAL_CAUTIONS if page in caution.pages and has[caution.about])
    return (*usual, *(Caution("local", "Local caution", text, "the studio's own", (page,)) for text in local))
