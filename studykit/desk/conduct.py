"""The pages of the day: today, clients, and everything that is written down about a session or a client."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from starlette.responses import JSONResponse, Response

from studykit.desk.asking import Asked, Page
from studykit.desk.forms import Field, Typed, field_of, fields_of, typed_rows
from studykit.desk.served import own_page
from studykit.errors import ArgumentError, StudykitError
from studykit.outcomes.visit_day import VisitDay, visit_day
from studykit.protocol.cautions import STOP_SIGNS
from studykit.records.schema import TABLES, table
from studykit.records.typed_row import columns_of
from studykit.report.session_sheet import render_session_sheet, render_take_home, set_lines, stop_lines
from studykit.report.tester_sheet import render_tester_sheet
from studykit.study.journal import Entry, KeyReusedError, Kind, Row, utc_now
from studykit.study.rights import codes_of_roles
from studykit.study.session_sheets import as_planned, session_of
from studykit.study.traces import day_head

TITLES = {
    "harms": "A harm", "health": "News of health", "pauses": "A pause", "departures": "Somebody stops",
    "screening": "A person was assessed", "clients": "A new client", "trainers": "A trainer, or a sign-off",
    "closures": "The studio is closed", "measurements": "A measurement", "sets": "A conventional set",
    "strength": "A strength test", "sessions": "A session",
}  # fmt: skip
OF_A_CLIENT = ("harms", "health", "pauses", "departures")
OF_THE_OFFICE = ("screening", "clients", "trainers", "closures", "measurements")
_TELL_ARM = frozenset(
    {"partner_reps", "note", "arm_guess", "preference", "action"}
)  # perhaps, in other words
_BY_PAGE = frozenset({"entered_on", "recorded_on"})
_ATTEMPTS = 4


# --- today and clients ---------------------------------------------------------------------------


def home(asked: Asked) -> Response:
    """Today, as `today` says it; without a study, how to begin."""
    if asked.desk.house is None:
        return asked.show("begin.html.j2", place=str(asked.desk.place), found=_studies(asked))
    if not asked.viewer.phone and not asked.viewer.code:
        return asked.show("who.html.j2", codes=people(asked))
    state, seen = asked.state, asked.viewer
    day = None if state.day is None else state.day.seen_by(seen.knows)
    mine = _own_clients(asked)
    if day is not None and mine:  # own clients first
        day = replace(
            day,
            topics=tuple(
                replace(topic, lines=tuple(sorted(topic.lines, key=lambda line: line.who not in mine)))
                for topic in day.topics
            ),
        )
    return asked.show(
        "home.html.j2", day=day, trouble=state.trouble, clients=set(_clients(asked)), mine=mine,
        waits=_waits(asked), head=day_head(state.now) or "Nothing is locked yet.",
    )  # fmt: skip


def _studies(asked: Asked) -> list[str]:
    return sorted(path.parent.name for path in asked.desk.place.glob("*/protocol.toml"))


def people(asked: Asked) -> list[str]:
    """Codes of the protocol's roles and of the trainers."""
    trainers = [str(code) for code in asked.now.records["trainers"].columns["trainer"]]
    return list(dict.fromkeys((*codes_of_roles(asked.protocol), *trainers)))


def who(asked: Asked) -> Response:
    """Who sits at the laptop."""
    if asked.post:
        code = asked.form.get("code", "").strip()[:40]
        known = {one.casefold(): one for one in people(asked)}
        if known and code.casefold() not in known:
            raise ArgumentError(
                where="code",
                expected=f"one of {', '.join(known.values())}",
                got=repr(code),
                todo="A new person is added to [roles], or to the trainers, first.",
            )
        asked.house.journal.change_device(asked.viewer.device, who=known.get(code.casefold(), code))
        return asked.go("/")
    return asked.show("who.html.j2", codes=people(asked))


def _clients(asked: Asked) -> list[str]:
    """Everybody whom the tables know, own clients first."""
    records, mine = asked.now.records, _own_clients(asked)
    codes = [str(code) for name in ("clients", "screening") for code in records[name].columns["client"]]
    return sorted(dict.fromkeys(codes), key=lambda code: (code not in mine, code))


def _own_clients(asked: Asked) -> frozenset[str]:
    """Clients whom the viewer trains."""
    code = asked.viewer.code.casefold()
    return frozenset(
        one.client for one in asked.now.allocated if asked.now.trainer_now(one).casefold() == code
    )


def clients(asked: Asked) -> Response:
    """All clients, own first."""
    wanted = asked.query.get("find", "").strip().casefold()
    found = [code for code in _clients(asked) if wanted in code.casefold()]
    return asked.show("clients.html.j2", clients=found, mine=_own_clients(asked), find=wanted)


def _client(asked: Asked, code: str) -> str:
    """The client as the tables spell it."""
    known = {one.casefold(): one for one in _clients(asked)}
    if code.strip().casefold() not in known:
        raise ArgumentError(
            where="client",
            expected="a client of the tables clients or screening",
            got=repr(code[:40]),
            todo="Look the client up in the list of clients.",
        )
    return known[code.strip().casefold()]


def client(asked: Asked) -> Response:
    """One client: next test, pauses, harms and entries; no result, and no arm for who must not know."""
    code, seen = _client(asked, asked.path["code"]), asked.viewer
    knows, now = seen.knows(code), asked.now
    state, lines = asked.state, []
    if state.day is not None:
        for topic in state.day.seen_by(seen.knows).topics:
            lines += [(topic.title, line.text) for line in topic.lines if line.who == code]
    tables = [
        (one.name, TITLES.get(one.name, one.name), list(_rows_of_client(asked, one.name, code)))
        for one in TABLES if one.name in TITLES and (knows or seen.may_read(one.name))
    ]  # fmt: skip
    trained = {one.client: now.trainer_now(one) for one in now.allocated}
    return asked.show(
        "client.html.j2",
        code=code,
        lines=lines,
        tables=[part for part in tables if part[2]],
        knows=knows,
        visit=_visit(asked, code),
        trainer=trained.get(code, ""),
        allocated=code in trained,
        waits=_waits(asked),
        blind=seen.blind,
    )


def _rows_of_client(asked: Asked, name: str, code: str) -> Iterator[tuple[str, dict[str, str]]]:
    """The rows of a client that a viewer may read, the latest first: address and cells."""
    open_ = asked.viewer.knows(code) or asked.viewer.sees_arms
    for cells in reversed(asked.house.rows(name, asked.protocol)):
        if cells.get("client", "").casefold() == code.casefold():
            shown = {key: text for key, text in cells.items()
                     if key != "client" and (open_ or key not in _TELL_ARM)}  # fmt: skip
            yield row_mark(cells), shown


def row_mark(cells: Mapping[str, str]) -> str:
    """The address of a row: a digest of what it says."""
    return hashlib.sha256(json.dumps(sorted(cells.items())).encode()).hexdigest()[:32]


def _visit(asked: Asked, code: str) -> VisitDay | None:
    try:
        return visit_day(asked.protocol, asked.now.records, client=code, allocated=asked.now.allocated,
                         today=asked.now.today)  # fmt: skip
    except StudykitError:
        return None  # the protocol tests no strength


def _waits(asked: Asked) -> list[tuple[int, str]]:
    """What could not be carried into the tables, and why: of entries that the viewer made, or may read."""
    waits = asked.house.waits
    if not waits:
        return []
    mine = {entry.position: entry for entry in asked.house.journal.entries() if _may_see(asked, entry)}
    return [(position, why) for (position, _), why in waits.items() if position in mine]


def _may_see(asked: Asked, entry: Entry) -> bool:
    seen = asked.viewer
    return entry.who.casefold() == seen.code.casefold() or (
        not seen.blind and all(seen.may_read(row.table) for row in entry.changed)
    )


def sheet(asked: Asked) -> Response:
    """Today's session sheet of a client, as `sheet` writes it."""
    code = _client(asked, asked.path["code"])
    _need_arm(asked, code)
    plan = session_of(asked.now, code, by=asked.viewer.code)
    return own_page(render_session_sheet(plan, asked.protocol, head=day_head(asked.now)))


def _need_arm(asked: Asked, code: str) -> None:
    if not asked.viewer.knows(code):
        raise ArgumentError(
            where="sheet", expected="the client's own trainer, or somebody who may know the arms",
            got=asked.viewer.code or "nobody", todo="Ask the client's trainer or the owner.",
        )  # fmt: skip


def test_sheet(asked: Asked) -> Response:
    """The tester's sheet, which tells no arm."""
    code = _client(asked, asked.path["code"])
    day = visit_day(asked.protocol, asked.now.records, client=code, allocated=asked.now.allocated,
                    today=asked.now.today)  # fmt: skip
    return own_page(render_tester_sheet(day, asked.protocol))


def take_home(asked: Asked) -> Response:
    """The page to take home."""
    return own_page(render_take_home(asked.protocol))


# --- writing down --------------------------------------------------------------------------------


def log_session(asked: Asked) -> Response:
    """A session: as planned with one tap, or what was different."""
    if asked.post:
        return _keep(asked, ("sessions", "sets"), log_session_page)
    return log_session_page(asked, {}, {})


def log_session_page(asked: Asked, values: Mapping[str, str], troubles: Mapping[str, str]) -> Response:
    """The form of a session."""
    code = _chosen(asked, values)
    if not code:
        return asked.show("choose.html.j2", title="Log a session", to="/log/session", clients=_clients(asked))
    plan, planned, lines = None, {}, []
    if asked.viewer.knows(code):
        plan = session_of(asked.now, code, by=asked.viewer.code)
        planned = as_planned(asked.now, plan) if plan.readiness.ready else {}
        lines = list(set_lines(plan))
    columns = {column.name: column for column in columns_of(table("sessions"), asked.protocol)}

    def field(name: str) -> Field:
        place = f"sessions.0.{name}"
        return field_of(columns[name], place, value=values.get(place, ""), trouble=troubles.get(place, ""))

    sets = [(f"sets.{at}", exercise.code, line) for at, (exercise, line) in
            enumerate(zip(asked.protocol.exercises, lines, strict=False))]  # fmt: skip
    different = (
        "conventional_sets",
        "limit_reached",
        "partner_reps",
        "partner_sets",
        "partner_sets_as_planned",
        "lowering",
        "lifting",
        "range_kept",
        "end_code",
        "take_home",
    )
    trained = {one.client: asked.now.trainer_now(one) for one in asked.now.allocated}
    own = asked.viewer.code if asked.viewer.code in _trainers(asked) else trained.get(code, "")
    return asked.show(
        "log_session.html.j2", status=422 if troubles else 200, code=code, plan=plan, planned=planned,
        sets=sets, field=field, different=different, values=values, troubles=troubles, trainer=own,
        trainers=_trainers(asked), today=asked.now.today.isoformat(), harms=asked.protocol.harms,
        **_safety(),
    )  # fmt: skip


def _safety() -> dict[str, Any]:
    """The stop signs, from their one text."""
    return {"stop_signs": STOP_SIGNS, "stop": stop_lines()}


def _trainers(asked: Asked) -> list[str]:
    return [str(code) for code in asked.now.records["trainers"].columns["trainer"]]


def _chosen(asked: Asked, values: Mapping[str, str]) -> str:
    code = values.get("all.client", "") or asked.query.get("client", "")
    return _client(asked, code) if code.strip() else ""


def log_test(asked: Asked) -> Response:
    """A strength test, by somebody who does not know the arm."""
    if asked.post:
        return _keep(asked, ("strength",), log_test_page)
    return log_test_page(asked, {}, {})


def log_test_page(asked: Asked, values: Mapping[str, str], troubles: Mapping[str, str]) -> Response:
    """The form of a strength test."""
    code = _chosen(asked, values)
    if not code:
        return asked.show("choose.html.j2", title="A strength test", to="/log/test", clients=_clients(asked))
    day = visit_day(asked.protocol, asked.now.records, client=code, allocated=asked.now.allocated,
                    today=asked.now.today)  # fmt: skip
    codes = {exercise.name: exercise.code for exercise in asked.protocol.exercises}
    tests, line = [], 0
    for test in day.tests:
        exercises = []
        for exercise, unit in test.exercises:
            exercises.append((exercise, codes.get(exercise, exercise), unit, range(line, line + _ATTEMPTS)))
            line += _ATTEMPTS
        tests.append((test, exercises))
    nearest = next((one.code for one in asked.protocol.visits if one.name == day.visit), "")
    blinded = asked.protocol.oversight.assessor_blinded
    return asked.show(
        "log_test.html.j2", status=422 if troubles else 200, code=code, day=day, tests=tests, values=values,
        troubles=troubles, visits=[(one.code, one.name) for one in asked.protocol.visits], nearest=nearest,
        today=asked.now.today.isoformat(), blinded=blinded, harms=asked.protocol.harms,
        arms=[arm.code for arm in asked.protocol.arms], **_safety(),
    )  # fmt: skip


def log_table(asked: Asked) -> Response:
    """One row of a table, by a form that follows from its schema."""
    name = asked.path["table"]
    office = asked.viewer.may("office") or asked.viewer.may("draws")
    if name not in (*OF_A_CLIENT, *(OF_THE_OFFICE if office else ())):
        raise ArgumentError(where="form", expected="one of the forms of the desk", got=repr(name[:40]))
    if asked.post:
        return _keep(asked, (name,), log_table_page)
    return log_table_page(asked, {}, {})


def log_table_page(asked: Asked, values: Mapping[str, str], troubles: Mapping[str, str]) -> Response:
    """The form of a row."""
    name = asked.path["table"]
    given = {f"{name}.0.{key}": text for key, text in asked.query.items()}
    given.setdefault(f"{name}.0.date", asked.now.today.isoformat())
    fields = fields_of(
        name, asked.protocol, values=values or given, troubles=troubles, people=_people(asked),
        without=_hidden(asked, "") if name in OF_A_CLIENT else _BY_PAGE,
    )  # fmt: skip
    return asked.show(
        "log_table.html.j2", status=422 if troubles else 200, name=name, title=TITLES[name], fields=fields,
        meaning=table(name).meaning, today=asked.now.today.isoformat(), to=f"/log/{name}", reason=None,
        values=values, troubles=troubles, harms=asked.protocol.harms, **_safety(),
    )  # fmt: skip


def _hidden(asked: Asked, code: str) -> frozenset[str]:
    """Columns that the page fills by itself, and those that tell an arm to who must not know it."""
    return _BY_PAGE if asked.viewer.knows(code) or not asked.viewer.blind else _BY_PAGE | {"partner_reps"}


def _people(asked: Asked) -> dict[str, list[str]]:
    codes = people(asked)
    return {"client": _clients(asked), "trainer": _trainers(asked), "assessor": codes, "observer": codes,
            "judged_by": codes}  # fmt: skip


def _keep(asked: Asked, tables: Sequence[str], again: Any) -> Response:
    """Keep what was typed as an entry; or the same page again, with what is wrong beside its field."""
    form = dict(asked.form)
    today = asked.now.today.isoformat()
    for name in ("entered_on", "recorded_on"):
        form.setdefault(f"all.{name}", today)
    typed = typed_rows(form, tables, asked.protocol)
    troubles = dict(typed.troubles)
    known = {one.casefold() for one in _clients(asked)}
    for at, row in enumerate(typed.rows):
        code = row.cells.get("client", "")
        if code and row.table not in ("screening", "clients") and code.casefold() not in known:
            place = "all.client" if "all.client" in form else f"{row.table}.{at}.client"
            troubles.setdefault(place, f"expected a client of the study; found {code}. Check the code.")
    if troubles:
        if asked.key:
            return JSONResponse(
                {
                    "told": "Not written yet",
                    "text": "\n".join(
                        f"{name.rpartition('.')[2].replace('_', ' ')}: {text}"
                        for name, text in troubles.items()
                    ),
                },
                422,
            )
        response: Response = again(asked, form, troubles)
        return response
    return keep_entry(asked, typed, hurt=form.get("hurt") == "yes")


def keep_entry(
    asked: Asked, typed: Typed, *, kind: Kind = "row", old: Row | None = None, reason: str = "",
    hurt: bool = False,
) -> Response:  # fmt: skip
    """Put an entry into the journal: 201 the first time, 200 the same again, 422 for another one."""
    seen = asked.viewer
    made = asked.form.get("made_at", "")[:40] or utc_now()
    key = asked.key or asked.form.get("key", "")
    if len(key) != 32:
        raise ArgumentError(
            where="entry", expected="the form's own key", got="none", todo="Open the form anew."
        )
    device = str(seen.device) if seen.phone else "laptop"
    entry = Entry(kind, seen.code, device, made, utc_now(), typed.rows, key, old, reason)
    try:
        position, new = asked.house.enter(entry)
    except KeyReusedError as error:
        return asked.tell("Not written", str(error), status=422)
    if asked.key:
        return JSONResponse({"position": position, "go": f"/done/{position}{'?hurt=yes' if hurt else ''}"},
                            201 if new else 200)  # fmt: skip
    return asked.go(f"/done/{position}{'?hurt=yes' if hurt else ''}")


def done(asked: Asked) -> Response:
    """What was written down, and what comes next."""
    position = int(asked.path["position"])
    found = asked.house.journal.entries(after=position - 1)[:1]
    entry = next((one for one in found if one.position == position and _may_see(asked, one)), None)
    if entry is None:
        raise ArgumentError(where="entry", expected="an entry that you made", got=str(position))
    row = entry.changed[0]
    hurt = asked.query.get("hurt") == "yes"
    grave = row.table == "harms" and (
        row.cells.get("serious") == "yes" or row.cells.get("severity") == "severe"
    )
    return asked.show(
        "done.html.j2", entry=entry, title=TITLES[row.table], code=row.cells.get("client", ""), hurt=hurt,
        grave=grave, row=row, harms=asked.protocol.harms, safety=asked.protocol.roles.safety,
        owner=asked.protocol.roles.sponsor,
    )  # fmt: skip


def change(asked: Asked) -> Response:
    """Correct a row or take it out, with a reason; the old one stays in the journal."""
    name, mark = asked.path["table"], asked.path["row"]
    cells = next((one for one in asked.house.rows(name, asked.protocol) if row_mark(one) == mark), None) \
        if name in TITLES else None  # fmt: skip
    code = "" if cells is None else cells.get("client", "")
    if cells is None or not (asked.viewer.knows(code) or asked.viewer.may_read(name)):
        raise ArgumentError(where=name[:40], expected="the row as it stands", got="another one by now",
                            todo="Open the table or the client's page anew.")  # fmt: skip
    hidden = _TELL_ARM if asked.viewer.blind and name != "strength" else frozenset()
    if not asked.post:
        return _change_page(asked, name, {f"{name}.0.{key}": text for key, text in cells.items()}, {}, hidden)
    reason = " ".join(asked.form.get("reason", "").split())[:400]
    if not reason:
        return _change_page(
            asked, name, asked.form, {"reason": "expected why it is changed. Write it."}, hidden
        )
    old = Row(name, cells)
    if asked.form.get("remove") == "yes":
        return keep_entry(asked, Typed((), {}), kind="removal", old=old, reason=reason)
    kept = {f"{name}.0.{key}": text for key, text in cells.items() if key in hidden | _BY_PAGE}
    typed = typed_rows(dict(asked.form) | kept, (name,), asked.protocol)
    if typed.troubles:
        return _change_page(asked, name, asked.form, typed.troubles, hidden)
    if typed.rows[0].mark == old.mark:
        return _change_page(asked, name, asked.form, {"reason": "nothing was changed yet."}, hidden)
    return keep_entry(asked, typed, kind="correction", old=old, reason=reason)


def _change_page(asked: Asked, name: str, values: Mapping[str, str], troubles: Mapping[str, str],
                 hidden: frozenset[str]) -> Response:  # fmt: skip
    fields = fields_of(name, asked.protocol, values=values, troubles=troubles, people=_people(asked),
                       without=hidden | _BY_PAGE)  # fmt: skip
    return asked.show(
        "log_table.html.j2", status=422 if troubles else 200, name=name, title=f"Correct: {TITLES[name]}",
        fields=fields, meaning=table(name).meaning, today="", to=asked.address, values=values,
        reason=values.get("reason", ""), troubles=troubles, harms=asked.protocol.harms, **_safety(),
    )  # fmt: skip


def quick(asked: Asked) -> Response:
    """The forms that work while the laptop cannot be reached; the phone keeps this page."""
    return asked.show("quick.html.j2", clients=_clients(asked), today=asked.now.today.isoformat(),
                      visits=[(one.code, one.name) for one in asked.protocol.visits],
                      exercises=[(one.code, one.name, one.unit) for one in asked.protocol.exercises],
                      blind=asked.viewer.blind, harms=asked.protocol.harms, trainer=asked.viewer.code
                      if asked.viewer.code in _trainers(asked) else "", field_of=field_of,
                      columns={(name, one.name): one for name in ("sessions", "harms", "strength")
                               for one in columns_of(table(name), asked.protocol)}, **_safety(),
                      headers={"cache-control": "private, max-age=43200"})  # fmt: skip


def mine(asked: Asked) -> Response:
    """What this person entered lately, what waits for the tables, and what waits on this device."""
    entries = [
        one for one in asked.house.journal.entries() if one.who.casefold() == asked.viewer.code.casefold()
    ]
    return asked.show("mine.html.j2", entries=entries[::-1][:50], waits=dict(_waits(asked)), titles=TITLES)


def ping(asked: Asked) -> Response:
    """Whether the laptop can be reached, and its clock."""
    return JSONResponse({"time": utc_now(), "known": bool(asked.viewer.device)})


PAGES = (
    Page("/", "nobody", lambda asked: home(asked) if asked.viewer.may("somebody") else asked.go("/pair"),
         alone=True),
    Page("/who", "office", who, post=True),
    Page("/clients", "somebody", clients),
    Page("/client/{code}", "somebody", client),
    Page("/client/{code}/sheet", "not blind", sheet),
    Page("/client/{code}/test", "somebody", test_sheet),
    Page("/take-home", "somebody", take_home),
    Page("/log/session", "not blind", log_session, post=True),
    Page("/log/test", "somebody", log_test, post=True),
    Page("/log/{table}", "somebody", log_table, post=True),
    Page("/change/{table}/{row}", "somebody", change, post=True),
    Page("/done/{position:int}", "somebody", done),
    Page("/quick", "somebody", quick),
    Page("/mine", "somebody", mine),
    Page("/ping", "nobody", ping, alone=True),
)  # fmt: skip
