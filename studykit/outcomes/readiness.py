"""Whether a client may train at all today, in either arm, and who decides where that is in doubt.

The rule comes before the one that withholds partner reps, and says nothing about them. It clears nobody:
the records can only speak against training. Usual cautions, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from studykit.outcomes.client_day import ClientDay
from studykit.outcomes.health_words import names_ill_health

Decider = Literal["a licensed practitioner", "the reviewer of harms", "the client", "the owner"]
PRACTITIONER: tuple[Decider, ...] = ("a licensed practitioner",)
_FIRST: Mapping[Decider, str] = MappingProxyType(
    {
        "a licensed practitioner": "a licensed practitioner clears the client in writing",
        "the reviewer of harms": "the reviewer of harms agrees",
        "the client": "written consent is recorded",
        "the owner": "records are corrected",
    }
)


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason against training today.

    Parameters
    ----------
    code : str
        Its name for programs.
    text : str
        What the records say, and what is to be written down once it is settled.
    decides : tuple of str
        Who settles it.
    """

    code: str
    text: str
    decides: tuple[Decider, ...]


@dataclass(frozen=True, slots=True)
class Readiness:
    """Whether a client may train today, as far as the records tell.

    Parameters
    ----------
    reasons : tuple of Reason
        Every reason against it; empty where there is none.
    """

    reasons: tuple[Reason, ...]

    @property
    def ready(self) -> bool:
        """Whether nothing speaks against training."""
        return not self.reasons

    @property
    def sentence(self) -> str:
        """What comes before training, in one sentence; empty where nothing does.

        Examples
        --------
        >>> Readiness((Reason("consent", "No consent is recorded.", ("the client",)),)).sentence
        'No training today before written consent is recorded.'
        """
        asked = {decider for reason in self.reasons for decider in reason.decides}
        steps = [step for decider, step in _FIRST.items() if decider in asked]
        if not steps:
            return ""
        *others, last = steps
        return f"No training today before {', '.join(others)}{' and ' if others else ''}{last}."


def readiness(day: ClientDay) -> Readiness:
    """Whether the client may train on the day, in whatever arm."""
    return Readiness((*_harm_reasons(day), *_health_reasons(day), *_screening_reasons(day)))


def _harm_reasons(day: ClientDay) -> Iterator[Reason]:
    for harm in day.open_harms:
        if harm.grave:
            said = f'its outcome is "{harm.outcome}"' if harm.outcome else "it has no recorded end"
            yield Reason(
                "harm",
                f"A {harm.words} is not said to be over: {said}. Once both agree, write so in its row of "
                "records/harms, such as: recovered, cleared 2026-03-02.",
                (*PRACTITIONER, "the reviewer of harms"),
            )
    if day.unread_row:
        text = f"A row that might be this client's cannot be used as it stands: {day.unread_row}"
        yield Reason("records", text, ("the owner",))


def _health_reasons(day: ClientDay) -> Iterator[Reason]:
    for note in day.pregnancies:
        if not note.cleared:
            yield Reason(
                "pregnancy",
                f"The records speak of a pregnancy ({note.where}: {note.text}): ask before training. Once a "
                "practitioner has cleared the client, write so there, such as: cleared 2026-03-02.",
                PRACTITIONER,
            )
    if day.departed_on is not None and day.departed_for == "death":
        yield Reason("departure", f"The client's death on {day.departed_on} is recorded.", ("the owner",))
    elif day.departed_on is not None and names_ill_health(day.departed_for):
        yield Reason("illness", f"The client left for {day.departed_for} on {day.departed_on}.", PRACTITIONER)
    if day.paused_until is not None and names_ill_health(day.paused_for):
        text = f"A pause until {day.paused_until} is registered, with the reason: {day.paused_for}."
        yield Reason("illness", text, PRACTITIONER)


def _screening_reasons(day: ClientDay) -> Iterator[Reason]:
    if day.clearance == "no":
        yield Reason("clearance", "The records say: not cleared for vigorous exercise.", PRACTITIONER)
    elif not day.clearance:
        text = "No row of records/screening that can be read gives clearance for vigorous exercise."
        yield Reason("clearance", text, PRACTITIONER)
    if day.eligible is False:
        yield Reason("eligibility", "The records say: does not meet the protocol's criteria.", PRACTITIONER)
    if not day.consented:
        said = (
            "No row of records/screening that can be read gives written consent up to today."
            if day.consented is None
            else "The records say: no written consent to the study."
        )
        yield Reason("consent", said, ("the client",))
