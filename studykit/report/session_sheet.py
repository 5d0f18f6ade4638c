"""The session sheet of one client and the page to take home: HTML for paper and phone.

Each page is one file without scripts and without anything from a network. Texts that come from people
are escaped by the templates.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from studykit.outcomes.session_plan import MESSAGE_HOURS, SessionPlan, effort_words, listed, stage_words
from studykit.protocol.cautions import STOP_SIGNS, Caution, Page, cautions_for
from studykit.protocol.types import Dose, Protocol
from studykit.records.schema import SESSIONS
from studykit.report.rendering import render_page, write_whole

_ABOUT_PARTNER_REPS = frozenset({"ramp_in", "trainer_sign_off"})
_ABOUT_SETS = _ABOUT_PARTNER_REPS | {"breathing"}
_SHOWN_ELSEWHERE = frozenset({"stop_signs", "breathing", "soreness_and_red_flags"})
_PLAIN_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
_DEVICE = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)", re.IGNORECASE)  # no file names on Windows
_BLANK_SETS = 4  # lines to write on where the protocol names no exercise
FOLDER = "sheets"


@dataclass(frozen=True, slots=True)
class LogField:
    """One field of the log: a column of records/sessions, with boxes to tick or a line to write on."""

    column: str
    label: str
    boxes: tuple[str, ...]
    hint: str = ""


@dataclass(frozen=True, slots=True)
class SetLine:
    """One line of records/sets to fill in, with what was done the last time beside it."""

    exercise: str
    unit: str
    last: str


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
        sets=set_lines(plan),
        fields=log_fields(plan),
        harms=protocol.harms,
        blinded=protocol.oversight.assessor_blinded,
        message_hours=MESSAGE_HOURS,
        stop=stop_lines(),
        named={code: _named(cautions, code) for code in sorted(_SHOWN_ELSEWHERE)},
        cautions=[
            caution
            for caution in cautions
            if caution.code not in _SHOWN_ELSEWHERE
            and (plan.planned or caution.code not in _ABOUT_PARTNER_REPS)
        ],
    )


def _render_no_training(plan: SessionPlan, protocol: Protocol, head: str) -> str:
    return render_page(
        "no_training.html.j2",
        head=head,
        plan=plan,
        decides=who_decides(plan.readiness.decides, protocol),
        stop_signs=STOP_SIGNS,
        stop=[pair for pair in stop_lines() if "set" not in pair[0].split()],
        cautions=[
            caution
            for caution in _cautions("session sheet", protocol)
            if caution is not STOP_SIGNS and caution.code not in _ABOUT_SETS
        ],
        harms=protocol.harms,
    )


def who_decides(decides: Iterable[str], protocol: Protocol) -> str:
    """Who is to be asked; the owner and the reviewer of harms with the codes that the protocol has."""
    roles = {"the reviewer of harms": protocol.roles.safety, "the owner": protocol.roles.sponsor}
    codes = ((who, roles.get(who, "")) for who in decides)
    return ", ".join(f"{who} ({code})" if code else who for who, code in codes)


def render_take_home(protocol: Protocol, *, head: str = "") -> str:
    """The page to take home as HTML text: red flags, and whom to call."""
    return render_page(
        "take_home.html.j2",
        head=head,
        study=protocol.study.title,
        cautions=_cautions("take-home page", protocol),
        harms=protocol.harms,
    )


def set_lines(plan: SessionPlan) -> tuple[SetLine, ...]:
    """A line for each exercise, with load and repetitions of the last session in which it was done."""
    lines = []
    for name, unit, last in plan.last_sets:
        told = "" if last is None else f"{last.load:g} {unit}, {last.repetitions:g} repetitions, {last.day}"
        lines.append(SetLine(name, unit, told.replace("nan", "?")))
    return tuple(lines) or (SetLine("", "", ""),) * _BLANK_SETS


def log_fields(plan: SessionPlan) -> tuple[LogField, ...]:
    """What is written down of the session: columns of records/sessions, none else."""
    ratings = tuple(str(number) for number in range(11))
    return (
        LogField("conventional_sets", "Conventional sets done", ()),
        LogField("limit_reached", "Taken to the limit", ("yes", "no")),
        *(
            _partner_fields(plan)
            if plan.allowed
            else (LogField("partner_reps", "Partner reps", ("0", "more: ____")),)
        ),
        LogField("effort", "Client says: effort", ratings, "how hard I tried"),
        LogField("discomfort", "Client says: discomfort", ratings, "how it felt"),
        LogField("take_home", "Page to take home given", ("yes", "no")),
    )


def _partner_fields(plan: SessionPlan) -> tuple[LogField, ...]:
    lowering = () if plan.dose is None else (f"all in {_span(plan.dose.lowering_seconds, 's')}",)
    done = "with the learning reps" if plan.stand_alone else f"at most {plan.cap} in a set"
    return (
        LogField("partner_reps", "Partner reps in all", (), done),
        LogField("partner_sets", "Sets with partner reps", ()),
        LogField("partner_sets_as_planned", "Of these as planned", ()),
        LogField("lowering", "Lowering time", (*lowering, *SESSIONS.column("lowering").choices[1:])),
        LogField("lifting", "Lifting phase", SESSIONS.column("lifting").choices),
        LogField("range_kept", "Range and ease-off kept", ("yes", "no")),
        LogField("end_code", "End", SESSIONS.column("end_code").choices),
    )


def dose_facts(plan: SessionPlan) -> tuple[tuple[str, str], ...]:
    """How the sets are done, as label and text."""
    dose = plan.dose
    if dose is None:
        return ()
    facts = []
    if not dose.stand_alone:
        facts.append(("Set", _conventional(dose, plan.repetitions_left)))
    rest = f"{plan.rest_hours:g} hours or more before the same muscles"
    if not plan.allowed:
        return (*facts, ("Rest", f"{rest} are trained again"))
    if not dose.stand_alone:
        facts.append(("Then, within", f"{dose.gap_seconds:g} seconds of the last machine repetition"))
    return (
        *facts,
        ("Lifting", f"{_span(dose.lifting_seconds, 'seconds')}; the trainer never stops it"),
        ("Lowering", f"{_span(dose.lowering_seconds, 'seconds')}; never held still, never dropped"),
        ("Path", f"first partner rep clearly easy, {_last_rep(plan)}; ease off before the end of the range"),
        ("Rest", f"{rest} get partner reps again{_early_words(plan, dose)}"),
        ("On", listed(plan.exercises)),
        *((("Never on", listed(plan.other_exercises)),) if plan.other_exercises else ()),
    )


def _last_rep(plan: SessionPlan) -> str:
    """How hard the partner reps become today; a limit is never contradicted."""
    if plan.stage is None or plan.stage.full:
        return "last one hardest"
    return f"none above effort {plan.stage.effort_limit} of 10"


def _early_words(plan: SessionPlan, dose: Dose) -> str:
    if plan.rest_hours <= dose.hours_between:
        return ""
    return f", in the first three weeks; {dose.hours_between:g} hours after that"


def _conventional(dose: Dose, left: int) -> str:
    low, high = dose.conventional_repetitions
    end = ", until the next lift cannot be finished in good form" if dose.to_limit else ", short of the limit"
    if left:
        reps = "repetition" if left == 1 else "repetitions"
        end = f", ended with {left} {reps} left: new to strength training (common practice, no source)"
    return f"{_range_of(low, high)} repetitions{end}"


def _range_of(low: float, high: float) -> str:
    return f"{low:g}" if low == high else f"{low:g}–{high:g}"


def _span(bounds: tuple[float, float], unit: str) -> str:
    return f"{_range_of(*bounds)} {unit}"


def stop_lines() -> tuple[tuple[str, str], ...]:
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
