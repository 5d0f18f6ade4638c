"""Before there is a study: the demo study, one that is here, or a new one by steps, its plan beside it."""

from __future__ import annotations

import re

from starlette.responses import HTMLResponse, Response

from studykit.desk.asking import Asked, Page
from studykit.desk.house import House
from studykit.desk.pairing import until
from studykit.errors import ArgumentError, StudykitError
from studykit.planning.plan import plan_study
from studykit.planning.plan_text import plan_text
from studykit.study import Study, designs, questions
from studykit.study.folder import filled_in, study_folder

_FOLDER = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,60}")
_GROUP = 3  # questions on one screen


def _open(asked: Asked, study: Study) -> Response:
    """Put a study at the desk, and let this browser stay."""
    if asked.desk.house is not None:
        raise ArgumentError(
            where="desk",
            expected="no study at the desk yet",
            got="one",
            todo="Close the desk, and start it with the other study.",
        )
    house = House.open(study.folder)
    house.journal.admit("", asked.secret, phone=False, until=until(16))
    asked.desk.house = house
    return asked.go("/")


def demo(asked: Asked) -> Response:
    """The demo study, copied once."""
    return _open(asked, Study.demo(asked.desk.place / "demo_study")[0])


def open_one(asked: Asked) -> Response:
    """A study that lies here."""
    name = asked.form.get("folder", "")
    if name not in {path.parent.name for path in asked.desk.place.glob("*/protocol.toml")}:
        raise ArgumentError(where="study", expected="a study of this folder", got=repr(name[:60]))
    return _open(asked, Study(study_folder(asked.desk.place / name)))


def new(asked: Asked) -> Response:
    """The questions of a new study, a few on a screen; answers stay as one goes back and forth."""
    design = asked.form.get("design", asked.query.get("design", ""))
    if design not in designs():
        return asked.show("new_design.html.j2", designs=designs())
    asked_ones = questions(design)
    answers = {one.key: asked.form.get(one.key, one.default).strip() for one in asked_ones}
    steps = -(-len(asked_ones) // _GROUP)
    step = _step(asked.form.get("step", "0"), steps)
    go, troubles = asked.form.get("go", ""), {}
    shown = asked_ones[step * _GROUP : (step + 1) * _GROUP]
    if go in ("on", "make"):
        for one in shown if go == "on" else asked_ones:
            try:
                one.read(answers[one.key])
            except ArgumentError as wrong:
                troubles[one.key] = f"expected {wrong.expected}; found {wrong.got}."
    name = asked.form.get("folder", "my_study").strip()
    if go == "make" and not troubles:
        if not _FOLDER.fullmatch(name):
            troubles["folder"] = "expected a name of letters, digits, - and _."
        elif asked.desk.house is not None:
            troubles["folder"] = "close the desk and start it without a study: one is at the desk already."
        else:
            study, _ = Study.start(asked.desk.place / name, design=design, answers=answers)
            return _open(asked, study)
    if not troubles:
        step = step + 1 if go == "on" else max(0, step - 1) if go == "back" else step
    last = step >= steps
    return asked.show(
        "new.html.j2",
        status=422 if troubles else 200,
        design=design,
        step=step,
        steps=steps,
        last=last,
        questions=asked_ones[step * _GROUP : (step + 1) * _GROUP],
        every=asked_ones,
        answers=answers,
        troubles=troubles,
        folder=name,
        beside=told_plan(design, answers),
    )


def _step(text: str, steps: int) -> int:
    return min(int(text), steps) if text.isdecimal() and len(text) < 4 else 0


def beside(asked: Asked) -> Response:
    """What the answers so far do to the plan, for the page's script."""
    design = asked.form.get("design", "")
    if design not in designs():
        raise ArgumentError(where="design", expected=", ".join(designs()), got=repr(design[:40]))
    answers = {one.key: asked.form.get(one.key, one.default).strip() for one in questions(design)}
    page = asked.show("beside.html.j2", beside=told_plan(design, answers))
    return HTMLResponse(bytes(page.body))


def told_plan(design: str, answers: dict[str, str]) -> list[str]:
    """The plan of the answers as `plan` says it; or why there is none yet."""
    try:
        read = filled_in(design, answers)
        return plan_text(plan_study(read.protocol)).splitlines()
    except StudykitError as error:
        return [str(error)]


PAGES = (
    Page("/begin/demo", "office", demo, post=True, alone=True),
    Page("/begin/open", "office", open_one, post=True, alone=True),
    Page("/new", "office", new, post=True, alone=True),
    Page("/new/plan", "office", beside, post=True, alone=True),
)
