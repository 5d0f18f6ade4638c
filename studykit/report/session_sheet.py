"""The session sheet of one client and the page to take home: HTML for paper and phone.

Each page is one file without scripts and without anything from a network. Texts that come from people
are escaped by the templates.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path

from studykit.outcomes.session_plan import MESSAGE_HOURS, SessionPlan, effort_words, listed, stage_words
from studykit.protocol.cautions import STATUS, STOP_SIGNS, Caution, Page, cautions_for
from studykit.protocol.types import Dose, Protocol
from studykit.records.schema import SESSIONS
from studykit.report.rendering import render_page, write_whole

_ABOUT_PARTNER_REPS = frozenset({"ramp_in", "trainer_sign_off"})
_ABOUT_SETS = _ABOUT_PARTNER_REPS | {"breathing"}
_SHOWN_ELSEWHERE = frozenset({"stop_signs", "breathing", "soreness_and_red_flags"})
_PLAIN_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
_DEVICE = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)", re.IGNORECASE)  # no file names on Windows
_CONVENTIONAL_SETS = 4  # lines to write on where the arm has no partner reps
FOLDER = "sheets"


@dataclass(frozen=True, slots=True)
class LogField:
    """One field of the log of a set: a question and boxes to tick, or a line to write on."""

    number: int
    label: str
    boxes: tuple[str, ...]
    hint: str = ""


def save_session_sheet(
    plan: SessionPlan, protocol: Protocol, folder: Path, *, head: str = ""
) -> tuple[Path, Path]:
    """Write the client's sheet and the page to take home.

    Parameters
    ----------
    plan : SessionPlan
    protocol : Protocol
    folder : Path
        Usually ``my_study/results``; made where it does not exist. Earlier sheets are replaced.
    head : str
        Number and code of the ledger's last entry, as a trace outside the folder.

    Returns
    -------
    (Path, Path)
        ``sheets/<client>.html`` and ``take_home.html``.

    Raises
    ------
    FolderError
        If a file stands where a folder is needed, or nothing can be written.
    """
    sheet, home = f"{FOLDER}/{sheet_name(plan.client)}", "take_home.html"
    write_whole(
        folder,
        {
            sheet: render_session_sheet(plan, protocol, head=head).encode("utf-8"),
            home: render_take_home(protocol, head=head).encode("utf-8"),
        },
    )
    return folder / sheet, folder / home


def sheet_name(client: str) -> str:
    """A file name for a client's sheet; a code that is no plain file name gives a digest of it.

    Examples
    --------
    >>> sheet_name("C014"), sheet_name("../C014")
    ('C014.html', 'client-6bbab4bce738b8fb.html')
    """
    if _PLAIN_CODE.fullmatch(client) and not _DEVICE.fullmatch(client):
        return f"{client}.html"
    return f"client-{hashlib.sha256(client.encode('utf-8')).hexdigest()[:16]}.html"


def render_session_sheet(plan: SessionPlan, protocol: Protocol, *, head: str = "") -> str:
    """The session sheet as HTML text; where the client is not ready, a page without anything to train by.

    Parameters
    ----------
    plan : SessionPlan
    protocol : Protocol
        For the question about harms, blinding and the local cautions.
    head : str
        A line about the ledger, at the end.
    """
    if not plan.readiness.ready:
        return _render_no_training(plan, protocol, head)
    cautions = _cautions("session sheet", protocol)
    return render_page(
        "session_sheet.html.j2",
        head=head,
        plan=plan,
        stage=stage_words(plan.stage) if plan.stage is not None else "",
        effort=effort_words(plan.stage) if plan.stage is not None else "",
        facts=dose_facts(plan),
        sets=range(1, log_sets(plan) + 1),
        fields=log_fields(plan),
        question=protocol.harms.question,
        blinded=protocol.oversight.assessor_blinded,
        message_hours=MESSAGE_HOURS,
        stop=_stop_lines(),
        named={code: _named(cautions, code) for code in sorted(_SHOWN_ELSEWHERE)},
        cautions=[
            caution
            for caution in cautions
            if caution.code not in _SHOWN_ELSEWHERE
            and (plan.planned or caution.code not in _ABOUT_PARTNER_REPS)
        ],
        status=STATUS,
    )


def _render_no_training(plan: SessionPlan, protocol: Protocol, head: str) -> str:
    return render_page(
        "no_training.html.j2",
        head=head,
        plan=plan,
        decides=_deciders(plan, protocol),
        stop_title=STOP_SIGNS.title,
        stop=[pair for pair in _stop_lines() if "set" not in pair[0].split()],
        cautions=[
            caution
            for caution in _cautions("session sheet", protocol)
            if caution is not STOP_SIGNS and caution.code not in _ABOUT_SETS
        ],
        status=STATUS,
    )


def _deciders(plan: SessionPlan, protocol: Protocol) -> str:
    """Who is to be asked; the owner and the reviewer of harms with the codes that the protocol has."""
    roles = {"the reviewer of harms": protocol.roles.safety, "the owner": protocol.roles.sponsor}
    asked = dict.fromkeys(who for reason in plan.readiness.reasons for who in reason.decides)
    codes = ((who, roles.get(who, "")) for who in asked)
    return ", ".join(f"{who} ({code})" if code else who for who, code in codes)


def render_take_home(protocol: Protocol, *, head: str = "") -> str:
    """The page to take home as HTML text: red flags, and whom to call."""
    return render_page(
        "take_home.html.j2",
        head=head,
        study=protocol.study.title,
        cautions=_cautions("take-home page", protocol),
        status=STATUS,
    )


def log_sets(plan: SessionPlan) -> int:
    """How many sets the log has room for."""
    return plan.exercises_today if plan.allowed else _CONVENTIONAL_SETS


def log_fields(plan: SessionPlan) -> tuple[LogField, ...]:
    """The six fields for a set with partner reps; for others the one that must be 0."""
    if not plan.allowed:
        return ()
    dose = plan.dose
    lowering = _span(dose.lowering_seconds, "s") if dose is not None else ""
    counts = tuple(str(number) for number in range(9))
    done = "after the learning reps" if plan.stand_alone else f"today at most {plan.cap}"
    ratings = tuple(str(number) for number in range(11))
    return (
        LogField(1, "Partner reps done", counts, done),
        LogField(2, "Lowering time", SESSIONS.column("lowering").choices, lowering),
        LogField(3, "Lifting phase", SESSIONS.column("lifting").choices),
        LogField(4, "Range and ease-off kept", ("yes", "no")),
        LogField(5, "Client says: effort", ratings, "how hard I tried"),
        LogField(5, "Client says: discomfort", ratings, "how it felt"),
        LogField(6, "End", SESSIONS.column("end_code").choices),
    )


def dose_facts(plan: SessionPlan) -> tuple[tuple[str, str], ...]:
    """How the sets are done, as label and text."""
    dose = plan.dose
    if dose is None:
        return ()
    facts = []
    if not dose.stand_alone:
        facts.append(("Set", _conventional(dose)))
    if not plan.allowed:
        return tuple(facts)
    if not dose.stand_alone:
        facts.append(("Then, within", f"{dose.gap_seconds:g} seconds of the last machine repetition"))
    return (
        *facts,
        ("Lifting", f"{_span(dose.lifting_seconds, 'seconds')}; the trainer never stops it"),
        ("Lowering", f"{_span(dose.lowering_seconds, 'seconds')}; never held still, never dropped"),
        ("Path", "first partner rep clearly easy, last one hardest; ease off before the end of the range"),
        ("Rest", f"{dose.hours_between:g} hours or more before the same muscles get partner reps again"),
        ("On", listed(plan.exercises)),
        *((("Never on", listed(plan.other_exercises)),) if plan.other_exercises else ()),
    )


def _conventional(dose: Dose) -> str:
    low, high = dose.conventional_repetitions
    end = ", until the next lift cannot be finished in good form" if dose.to_limit else ", short of the limit"
    return f"{_range_of(low, high)} repetitions{end}"


def _range_of(low: float, high: float) -> str:
    return f"{low:g}" if low == high else f"{low:g}–{high:g}"


def _span(bounds: tuple[float, float], unit: str) -> str:
    return f"{_range_of(*bounds)} {unit}"


def _stop_lines() -> tuple[tuple[str, str], ...]:
    """The stop signs as what to do and when, from the one text of the cautions.

    The text has the form "what to do: signs. What to do: signs."
    """
    sentences = re.split(r"(?<=\.) (?=[A-Z])", STOP_SIGNS.text)
    pairs = (sentence.rstrip(".").split(": ", 1) for sentence in sentences)
    return tuple((action, signs) for action, signs in pairs)


def _cautions(page: Page, protocol: Protocol) -> tuple[Caution, ...]:
    return cautions_for(page, protocol=protocol)


def _named(cautions: tuple[Caution, ...], code: str) -> Caution:
    return next(caution for caution in cautions if caution.code == code)
