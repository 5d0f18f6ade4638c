"""The owner's pages: enrol, tables and findings, audit, copies, papers, the lock, and long work."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

from starlette.responses import JSONResponse, Response

from studykit.desk.asking import Asked, Page
from studykit.desk.conduct import row_mark
from studykit.desk.jobs import Job
from studykit.desk.served import file_of, own_page
from studykit.errors import ArgumentError, Finding, StudykitError
from studykit.records.raw_table import csv_text, guarded
from studykit.records.schema import TABLES, table
from studykit.study.backup import back_up, restore
from studykit.study.enrolling import drawn_before, enrol, enrolment, need_ready
from studykit.study.entering import need_withdrawal, withdraw, withdrawal_words
from studykit.study.locking import amend, amendment_to_make, lock, protocol_to_lock, read_back
from studykit.study.papers import PAPERS, write_papers
from studykit.study.receipts import told_of
from studykit.study.snapshot import RESULTS, read_locked, read_study

_AT = re.compile(r"records/(\w+)\.csv(?:, row (\d+))?")
_MADE = re.compile(r"^(?:Page|Report): (.+)$", re.MULTILINE)
MOST_ROWS = 300


def office(asked: Asked) -> Response:
    """Everything that is not of the day."""
    now = asked.house.state().now
    results = now.folder / RESULTS
    return asked.show(
        "office.html.j2", locked=now.locked is not None, folder=str(now.folder),
        tables=[one.name for one in TABLES if (now.folder / "records" / f"{one.name}.csv").exists()
                and asked.viewer.may_read(one.name)],
        jobs=sorted(asked.desk.jobs.done.values(), key=lambda job: -job.number),
        plan=(results / "plan.html").is_file(), report=(results / "report.html").is_file(),
        may_look=asked.viewer.may("look"), papers=_papers(now.folder), draws=asked.viewer.may("draws"),
    )  # fmt: skip


def _papers(folder: Path) -> list[str]:
    return sorted(path.name for path in (folder / PAPERS).glob("*.html"))


# --- enrolment -----------------------------------------------------------------------------------


def choose_to_enrol(asked: Asked) -> Response:
    """Who could be enrolled: assessed, and without an arm."""
    now = asked.house.state().now
    given = {made.client for made in now.allocations}
    codes = [str(code) for code in now.records["screening"].columns["client"] if str(code) not in given]
    return asked.show("choose.html.j2", title="Enrol", to="/enrol/", clients=codes)


def enrol_one(asked: Asked) -> Response:
    """The facts read back, one question, one draw, the receipt; nothing is drawn by looking."""
    code, by = asked.path["code"], asked.viewer.code
    asked.house.carry()  # the draw's facts are those of the tables
    now, ledger = read_locked(asked.house.folder)
    before = drawn_before(now, code, by=by)
    if before is not None:
        return asked.tell(
            "This is the receipt again",
            f"Nothing was drawn: {before.client} has an arm already.",
            lines=before.text().splitlines(),
            links=((f"/client/{before.client}", before.client),),
        )
    facts = enrolment(now, code)
    if asked.post and asked.form.get("draw") == "yes":
        if asked.form.get("facts") != facts.text():
            raise ArgumentError(
                where="facts",
                expected="the facts that you read",
                got="others by now",
                todo="Read them again; nothing was drawn.",
            )
        made = enrol(now, ledger, code, by=by)
        entry = [one for one in ledger.read()[0] if one.kind == "allocation"][-1]
        return asked.tell(
            f"Enrolled: {made.client}",
            told_of(entry),
            links=((f"/client/{made.client}", made.client), ("/", "Today")),
        )
    against = ""
    try:
        need_ready(now, ledger, facts, by=by)
    except StudykitError as error:
        against = str(error)
    return asked.show(
        "enrol.html.j2",
        facts=facts.text(),
        code=facts.client,
        against=against,
        sealed=bool(now.protocol.sealed_list),
        missing=facts.missing,
    )


def take_back(asked: Asked) -> Response:
    """A client takes back touch, consent or data: what follows is read first, then written."""
    now, ledger = read_locked(asked.house.folder)
    code, what = asked.path["code"], asked.form.get("what", "")
    reason, words = " ".join(asked.form.get("reason", "").split())[:400], ""
    if asked.post:
        client, day = need_withdrawal(now, code, what=what, by=asked.viewer.code)
        if asked.form.get("decide") == "yes":
            made = withdraw(now, ledger, code, what=what, by=asked.viewer.code, reason=reason)
            links = ((f"/client/{client.client}", client.client), ("/", "Today"))
            return asked.tell(f"Written down: {client.client}", made.told, links=links)
        words = withdrawal_words(what, client.client, day)
    before = any(one.client == code and one.withdrawn for one in now.allocated)
    return asked.show("withdraw.html.j2", code=code, what=what, reason=reason, words=words, before=before)


# --- records and findings ------------------------------------------------------------------------


def records(asked: Asked) -> Response:
    """A table to look at and to filter."""
    name, find = asked.path["table"], asked.query.get("find", "").strip().casefold()
    if name not in [one.name for one in TABLES] or not asked.viewer.may_read(name):
        raise ArgumentError(where="records", expected="a table that you may read", got=repr(name[:40]))
    rows = [
        row
        for row in asked.house.rows(name, asked.protocol)
        if not find or any(find in text.casefold() for text in row.values())
    ]
    header = [one.name for one in table(name).columns]
    header += sorted({key for row in rows for key in row} - set(header))
    header = [key for key in header if any(key in row for row in rows)]
    if asked.query.get("as") == "csv":
        text = csv_text([header, *([guarded(row.get(key, "")) for key in header] for row in rows)])
        return Response(
            text, media_type="text/csv", headers={"content-disposition": f'attachment; filename="{name}.csv"'}
        )
    return asked.show(
        "records.html.j2",
        name=name,
        meaning=table(name).meaning,
        header=header,
        find=find,
        rows=[(row_mark(row), row) for row in rows[-MOST_ROWS:][::-1]],
        number=len(rows),
    )


def check(asked: Asked) -> Response:
    """What `check` finds, each with a way to the entry."""
    from studykit.study.checking import check as checked

    found = checked(asked.house.state().now)
    order = ("stop", "warn", "note")
    ranked = sorted(found.findings, key=lambda one: order.index(one.severity))
    lines = [(one.severity, str(one), _place(asked, one)) for one in ranked[:MOST_ROWS]]
    return asked.show("check.html.j2", text=found.text(), lines=lines, more=len(ranked) - len(lines))


def _place(asked: Asked, finding: Finding) -> str:
    """The address of the entry that a finding speaks of."""
    at = _AT.search(finding.where)
    if at is None or not asked.viewer.may_read(at[1]):
        return ""
    rows = asked.house.rows(at[1], asked.protocol)
    place = int(at[2] or 0) - 2  # the header is row 1
    return f"/change/{at[1]}/{row_mark(rows[place])}" if 0 <= place < len(rows) else f"/records/{at[1]}"


def audit(asked: Asked) -> Response:
    """What `audit` says."""
    from studykit.study.auditing import audit_folder

    found = audit_folder(asked.house.folder, by=asked.viewer.code)
    return asked.tell("Audit", found.summary(), links=(("/office", "Office"),))


# --- copies, papers, lock ------------------------------------------------------------------------


def copies(asked: Asked) -> Response:
    """A copy to a folder of one's choice, or a study made anew from one."""
    if not asked.post:
        return asked.show("copies.html.j2", place=str(asked.desk.place))
    place = asked.form.get("place", "").strip()
    if asked.form.get("do") == "restore":
        name = asked.form.get("name", "").strip()
        if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,60}", name):
            raise ArgumentError(
                where="name",
                expected="a name of letters, digits, - and _ for the new folder",
                got=repr(name[:60]),
                todo="Nothing was copied.",
            )
        made = restore(place, asked.desk.place / name, beside=asked.house.folder)
    else:
        made = back_up(asked.house.folder, place)
    return asked.tell("Copied", made.text(), links=(("/office", "Office"),))


def papers(asked: Asked) -> Response:
    """Write the papers for before the first client."""
    written = write_papers(asked.house.state().now)
    links = [(f"/papers/{path.name}", path.stem.replace("_", " ")) for path in written.pages]
    return asked.tell("Papers to print", written.text(), links=(*links, ("/office", "Office")))


def paper(asked: Asked) -> Response:
    """One paper."""
    return _file(asked.house.folder / PAPERS, asked.path["path"])


def plan_page(asked: Asked) -> Response:
    """The plan as it was last written."""
    return _file(asked.house.folder / RESULTS, "plan.html")


def report_page(asked: Asked) -> Response:
    """The report as it was last written; for those who may look."""
    return _file(asked.house.folder / RESULTS, "report.html")


def _file(folder: Path, name: str) -> Response:
    answer = file_of(folder, name)
    if answer is None:
        raise ArgumentError(
            where="page",
            expected="a page that was made",
            got=repr(name[:60]),
            todo="Make it first, from the office.",
        )
    return answer


def lock_it(asked: Asked) -> Response:
    """Read back what is decided; then the lock."""
    now, ledger = read_study(asked.house.folder)
    local, by = asked.form.get("local") == "yes", asked.viewer.code
    if asked.post and asked.form.get("decide") == "yes":
        lock(now, ledger, by=by, folder_is_local=local)
        entry = read_study(asked.house.folder)[0].entries[-1]
        return asked.tell("Locked", told_of(entry), links=(("/office", "Office"),))
    against = ""
    try:
        protocol_to_lock(now, by=by, folder_is_local=local)
    except StudykitError as error:  # whatever stands against it is told, with the rest
        against = str(error)
    lines, findings = read_back(now)
    return asked.show(
        "lock.html.j2", lines=lines, findings=[str(one) for one in findings], against=against, amending=False
    )


def amend_it(asked: Asked) -> Response:
    """What a changed protocol changes, and for whom; then the amendment."""
    now, ledger = read_locked(asked.house.folder)
    reason = " ".join(asked.form.get("reason", "").split())[:400]
    effects = amendment_to_make(now, by=asked.viewer.code)
    if asked.post and asked.form.get("decide") == "yes":
        if not reason:
            raise ArgumentError(
                where="reason", expected="why it is changed", got="nothing", todo="Nothing was amended."
            )
        amend(now, ledger, reason=reason, by=asked.viewer.code)
        entry = read_study(asked.house.folder)[0].entries[-1]
        return asked.tell("Amended", told_of(entry), links=(("/office", "Office"),))
    return asked.show(
        "lock.html.j2",
        lines=effects.text().splitlines(),
        findings=[],
        amending=True,
        against="" if effects.changed else "The file says what is in force: change it first.",
    )


# --- long work -----------------------------------------------------------------------------------


def begin_job(asked: Asked) -> Response:
    """Begin long work; before an early look it is asked, and the look is counted."""
    from studykit.study.analysing import look_question

    kind, folder, by = asked.path["kind"], asked.house.folder, asked.viewer.code
    words = {"plan": ["plan", folder.name], "simulate": ["plan", folder.name, "--simulate"]}.get(kind, [])
    title = {
        "plan": "The plan",
        "simulate": "The plan, tried out on simulated studies",
        "report": "The report",
        "lookback": "Looking back",
    }.get(kind, "")
    if not title:
        raise ArgumentError(where="work", expected="plan, simulate, report or lookback", got=repr(kind[:20]))
    if kind == "report":
        if not asked.viewer.may("look"):
            raise ArgumentError(
                where="report", expected="somebody who may see results by arm", got=by or "nobody"
            )
        question, reason = look_question(asked.house.state().now), asked.form.get("reason", "").strip()[:400]
        if question and not reason:
            return asked.show("look.html.j2", question=question)
        words = [
            "report",
            folder.name,
            *(["--yes", "--look-by", by, "--look-reason", reason] if question else []),
        ]
    if kind == "lookback":
        path = asked.form.get("file", "").strip()
        order = asked.form.get("order", "")
        if not path:
            return asked.show("lookback.html.j2", place=str(asked.desk.place))
        words = [
            "lookback",
            str(Path(path).expanduser()),
            *(["--date-order", order] if order in ("day", "month") else []),
        ]
        if path.startswith("-"):
            raise ArgumentError(where="file", expected="the path of a file", got=repr(path[:80]))
    job = asked.desk.jobs.begin(words, title=title, page=shlex.join(words), by=by, cwd=folder.parent)
    return asked.go(f"/job/{job.number}")


def _job(asked: Asked) -> Job:
    found = asked.desk.jobs.done.get(int(asked.path["number"]))
    if found is None or (found.by.casefold() != asked.viewer.code.casefold()):
        raise ArgumentError(
            where="work", expected="work that you began at this desk", got=asked.path["number"]
        )
    return found


def job_page(asked: Asked) -> Response:
    """Progress of long work, or what came of it."""
    job = _job(asked)
    return asked.show("job.html.j2", job=job, made=not job.running and bool(_MADE.search(job.text)))


def job_state(asked: Asked) -> Response:
    """The same for the page's script."""
    job = _job(asked)
    return JSONResponse({"running": job.running, "progress": (job.lines or ["it has begun"])[-1]})


def job_stop(asked: Asked) -> Response:
    """Stop it."""
    _job(asked).stop()
    return asked.go(f"/job/{asked.path['number']}")


def job_made(asked: Asked) -> Response:
    """The page that it made."""
    job = _job(asked)
    made = _MADE.findall(job.text)
    path = (asked.house.folder.parent / made[-1]) if made and not job.running else None
    if path is None or path.suffix != ".html" or not path.is_file():
        raise ArgumentError(where="page", expected="a page that was made", got="none yet")
    return own_page(path.read_text(encoding="utf-8"))


def ledger_copy(asked: Asked) -> Response:
    """The receipts, to be kept elsewhere."""
    entries = read_study(asked.house.folder)[0].entries
    shown = [told_of(entry) for entry in entries if entry.kind != "allocation" or asked.viewer.sees_arms]
    return asked.tell("Receipts", "\n\n".join(filter(None, shown)), links=(("/office", "Office"),))


PAGES = (
    Page("/office", "office", office),
    Page("/enrol", "draws", choose_to_enrol),
    Page("/enrol/{code}", "draws", enrol_one, post=True),
    Page("/client/{code}/withdraw", "office", take_back, post=True),
    Page("/records/{table}", "office", records),
    Page("/check", "office", check),
    Page("/audit", "office", audit),
    Page("/copies", "office", copies, post=True),
    Page("/papers", "office", papers, post=True),
    Page("/papers/{path:path}", "office", paper),
    Page("/receipts", "office", ledger_copy),
    Page("/lock", "office", lock_it, post=True),
    Page("/amend", "office", amend_it, post=True),
    Page("/plan", "office", plan_page),
    Page("/report", "look", report_page),
    Page("/begin-work/{kind}", "office", begin_job, post=True),
    Page("/job/{number:int}", "office", job_page),
    Page("/job/{number:int}/state", "office", job_state),
    Page("/job/{number:int}/stop", "office", job_stop, post=True),
    Page("/job/{number:int}/made", "office", job_made),
)
