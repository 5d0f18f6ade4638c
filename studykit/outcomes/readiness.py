"""Whether a client may train, or be tested, at all today, in whatever arm, and who decides where not.

The rule comes before the one that withholds partner reps (`studykit.outcomes.session_plan`), and says nothing
about them. It clears nobody: the records can only speak against training. Usual cautions, from memory.

What speaks against it: a harm that is severe, serious or a red flag by its kind and not said to be over;
a pregnancy, recorded anywhere, that no practitioner has cleared; clearance, consent or consent to touch that
is missing or taken back; an illness, a new medicine or condition, and whatever else stands in records/health,
until it is settled; a departure or pause for ill health; and a row on health that cannot be read.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from studykit.errors import Finding
from studykit.outcomes.client_day import ClientDay, client_day, same_code
from studykit.outcomes.delivery import plans_partner_reps
from studykit.outcomes.health_words import names_ill_health
from studykit.protocol.types import Protocol
from studykit.records.consistency import check_consistency
from studykit.records.record_tables import Allocated, Records
from studykit.records.schema import ILLNESS

Decider = Literal["a licensed practitioner", "the reviewer of harms", "the client", "the owner"]
PRACTITIONER: tuple[Decider, ...] = ("a licensed practitioner",)
TABLES_OF_HEALTH = ("harms", "health", "departures", "pauses")
_FIRST: Mapping[str, str] = MappingProxyType(
    {
        "a licensed practitioner": "a licensed practitioner clears the client in writing",
        "illness": "the client is well again",
        "the reviewer of harms": "the reviewer of harms agrees",
        "the client": "written consent is recorded",
        "touch": "touch is settled",
        "the owner": "records are corrected",
    }
)
"""What comes first, by who decides; where that person decides on several things, by the reason's code."""
_WITHIN = {"illness": "a licensed practitioner", "touch": "the client"}  # said together with the larger one


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
        return self.told("training")

    @property
    def decides(self) -> tuple[Decider, ...]:
        """Everybody who settles something."""
        return tuple(dict.fromkeys(who for reason in self.reasons for who in reason.decides))

    def told(self, what: str) -> str:
        """What comes before a ``training`` or a ``test``; it quotes no record and tells no arm."""
        asked = {
            who if reason.code not in _WITHIN else reason.code
            for reason in self.reasons
            for who in reason.decides
        }
        steps = [step for code, step in _FIRST.items() if code in asked and _WITHIN.get(code) not in asked]
        if not steps:
            return ""
        *others, last = steps
        return f"No {what} today before {', '.join(others)}{' and ' if others else ''}{last}."


def readiness(day: ClientDay, *, hands_on: bool = True) -> Readiness:
    """Whether the client may train or be tested on the day, in whatever arm.

    Parameters
    ----------
    day : ClientDay
        What the records say of the client.
    hands_on : bool
        Whether consent to touch is asked for: in a study in which some arm has partner reps.
    """
    touch = _touch_reasons(day) if hands_on else ()
    return Readiness((*_harm_reasons(day), *_health_reasons(day), *_screening_reasons(day), *touch))


def readiness_of(
    protocol: Protocol,
    records: Records,
    clients: Sequence[str],
    *,
    today: dt.date,
    allocated: Sequence[Allocated] = (),
) -> Mapping[str, Readiness]:
    """Whether each of these clients may train or be tested today; the records are checked once for all.

    It asks for no arm and tells none, so it may be shown to a blinded tester; its reasons quote the records,
    which can tell one: show those to who may know.

    Parameters
    ----------
    protocol : Protocol
        In force today.
    records : Records
    clients : sequence of str
        Codes as the records spell them; a client need not be allocated.
    today : date
    allocated : sequence of Allocated
        For what the records must agree with.

    Examples
    --------
    >>> from studykit.protocol.protocol_file import parse_protocol
    >>> from studykit.records.record_tables import records_of
    >>> from studykit.shipped import shipped
    >>> ready = parse_protocol((shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")).protocol
    >>> readiness_of(ready, records_of(), ["C001"], today=dt.date(2026, 3, 2))["C001"].sentence
    'No training today before a licensed practitioner clears the client in writing and written consent is \
recorded.'
    """
    doubt = doubtful(stops_in(protocol, records, allocated), records, TABLES_OF_HEALTH)
    days = {
        client: client_day(
            records,
            next(
                (entry for entry in allocated if same_code(entry.client, client)),
                Allocated(client, "", None, "", {}),
            ),
            trainer="",
            today=today,
            sign_off_days=protocol.trainers.sign_off_days,
            unread_row=str(doubt[0]) if doubt else "",
        )
        for client in clients
    }
    return {client: readiness(day, hands_on=has_hands_on(protocol)) for client, day in days.items()}


def has_hands_on(protocol: Protocol) -> bool:
    """Whether some arm of the study has partner reps, so that consent to touch is asked of everybody."""
    return any(plans_partner_reps(protocol, arm.code) for arm in protocol.arms)


def stops_in(protocol: Protocol, records: Records, allocated: Sequence[Allocated]) -> tuple[Finding, ...]:
    """What cannot be used as it stands, in any table."""
    found = (*records.findings, *check_consistency(records, protocol, allocated))
    return tuple(finding for finding in found if finding.severity == "stop")


def doubtful(stops: Sequence[Finding], records: Records, names: Sequence[str]) -> tuple[Finding, ...]:
    """Findings about one of these tables, or about a file that should bear its name."""
    return tuple(
        finding
        for finding in stops
        if any(
            finding.where.startswith(records[name].where) or finding.expected.endswith(f" {name}.csv")
            for name in names
        )
    )


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
    for news in day.news:
        ill = news.kind == ILLNESS
        first = "the client is well again" if ill else "a practitioner has cleared the client in writing"
        text = f"{news.where} says of {news.day}: {news.kind}, not settled by today. Once {first}, write the "
        yield Reason(
            "illness" if ill else "news",
            f"{text}day into settled_on.",
            ("the client",) if ill else PRACTITIONER,
        )
    if day.departed_on is not None and day.departed_for == "death":
        yield Reason("departure", f"The client's death on {day.departed_on} is recorded.", ("the owner",))
    elif day.departed_on is not None and names_ill_health(day.departed_for):
        yield Reason(
            "left ill", f"The client left for {day.departed_for} on {day.departed_on}.", PRACTITIONER
        )
    if day.paused_until is not None and names_ill_health(day.paused_for):
        text = f"A pause until {day.paused_until} is registered, with the reason: {day.paused_for}."
        yield Reason("paused ill", text, PRACTITIONER)


def _screening_reasons(day: ClientDay) -> Iterator[Reason]:
    if day.withdrawn_on is not None:
        text = (
            f"The client left the study on {day.withdrawn_on}: no session of the study, no test, no call. "
            "Training outside the study is between client and trainer."
        )
        yield Reason("withdrawn", text, ("the client",))
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


def _touch_reasons(day: ClientDay) -> Iterator[Reason]:
    if day.touch is None:
        text = "Consent to touch is not recorded: ask, and write it in records/screening, touch_consented."
        yield Reason("touch", text, ("the client",))
    elif not day.touch and not day.without_touch:
        text = (
            "The records say: no consent to touch. Nobody presses the client: agree on how to go on, and "
            "write in the note of records/screening: trains without touch."
        )
        yield Reason("touch", text, ("the client",))
