"""The day at the desk: what is written down arrives as it was meant, and no role sees what it may not."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from studykit.desk.asking import Desk
from studykit.desk.serving import PAGES, make_desk
from studykit.errors import FolderError
from studykit.study import Study
from tests.support.desk import HOST, ORIGIN, Browser, a_desk

OWN, OTHER = "C002", "C058"  # of T5, and of another trainer


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    made = a_desk(tmp_path_factory.mktemp("desk") / "demo")
    yield made
    assert made.house is not None
    made.house.close()


@pytest.fixture(scope="module")
def owner(desk: Desk) -> Browser:
    return Browser(desk, "OW", phone=False)


def last_row(desk: Desk, name: str) -> dict[str, str]:
    assert desk.house is not None
    assert desk.house.carry() == {}
    return desk.house.rows(name, desk.house.state().now.protocol)[-1]


# --- who sees what -------------------------------------------------------------------------------


TABLES = ("harms", "sessions", "strength", "clients")


def addresses(code: str) -> list[str]:
    """Every address of the desk, of one client and of tables that tell and do not tell an arm."""
    found = []
    for page in PAGES:
        for table in TABLES if "{table}" in page.path else ("",):
            filled = page.path.replace("{code}", code).replace("{table}", table).replace("{secret}", "x")
            filled = (
                filled.replace("{position:int}", "1").replace("{number:int}", "1").replace("{row}", "0" * 32)
            )
            found.append(filled.replace("{path:path}", "report.html") + f"?client={code}")
    return found


@pytest.mark.parametrize(("who", "code"), [("TE", OWN), ("RE", OWN), ("T5", OTHER)])
def test_no_address_tells_an_arm_to_who_may_not_know_it(who: str, code: str, desk: Desk) -> None:
    assert desk.house is not None
    now = desk.house.state().now
    assert {one.client: now.trainer_now(one) for one in now.allocated}[code] != who
    told = [arm.name for arm in now.protocol.arms]
    told += ["all in range", "some short", "no partner reps for", "no partner reps today", "partner sets"]
    seen, pages = Browser(desk, who), 0
    for address in addresses(code):
        if address.startswith("/quick"):
            continue  # forms without a client, for any session
        page = html.unescape(seen.text(address)).replace(now.protocol.study.title, "").casefold()
        if (
            who == "T5" and f"/client/{OWN}".casefold() in page
        ):  # a list with own clients: the line of the other one
            page = next((part for part in page.split("<li") if f"/client/{code}".casefold() in part), "")
        words = ["no partner reps today", "planned."] if address.startswith("/log/session") else told
        assert not [word for word in words if word.casefold() in page], address  # a form names what it asks
        pages += 1
    assert pages >= len(PAGES) - 1
    assert told[0] in Browser(desk, "OW").text(f"/client/{code}/sheet")  # it is there to be told


def test_the_rows_of_sessions_are_only_for_who_may_know_the_arm(desk: Desk, owner: Browser) -> None:
    shown = re.findall(r'href="(/change/sessions/\w+)"', owner.text(f"/client/{OWN}"))
    assert len(shown) > 20
    assert owner.get(shown[0]).status_code == 200
    assert "Partner sets as planned" in owner.text(shown[0])
    assert Browser(desk, "T5").get(shown[0]).status_code == 200
    for who in ("TE", "RE", "T1"):
        answer = Browser(desk, who).get(shown[0])
        assert answer.status_code == 422
        assert "artner sets" not in answer.text
        assert "/change/sessions/" not in Browser(desk, who).text(f"/client/{OWN}")
    assert "artner reps</legend>" not in Browser(desk, "TE").text("/log/harms")
    assert Browser(desk, "TE").get("/log/session").status_code == 403
    assert Browser(desk, "TE").get(f"/client/{OWN}/sheet").status_code == 403
    assert Browser(desk, "T1").get(f"/client/{OWN}/sheet").status_code == 422
    assert Browser(desk, "T5").get(f"/client/{OWN}/sheet").status_code == 200


def test_a_trainer_sees_own_clients_first(desk: Desk) -> None:
    codes = re.findall(r'href="/client/(\w+)">', Browser(desk, "T5").text("/clients"))
    assert desk.house is not None
    now = desk.house.state().now
    mine = {one.client for one in now.allocated if now.trainer_now(one) == "T5"}
    assert set(codes[: len(mine)]) == mine
    assert len(codes) > len(mine)


@pytest.mark.parametrize("address", ["/client/C002", "/log/session", "/mine", "/who", "/done/1", "/quick"])
def test_nobody_gets_in_without_being_let_in(address: str, desk: Desk) -> None:
    stranger = Browser(desk)
    answer = stranger.get(address)
    assert answer.status_code == 401
    assert "Log a session" not in answer.text
    stranger.client.cookies.set(desk.cookie, "guessed")
    assert stranger.get(address).status_code == 401


# --- what comes in -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"host": "evil.example:8642"}, 421), ({"host": "127.0.0.1"}, 421), ({"host": f"{HOST}."}, 421),
        ({"host": "127.0.0.1:8642@evil.example"}, 421), ({"x-forwarded-host": "evil.example"}, 200),
    ],
)  # fmt: skip
def test_only_own_names(headers: dict[str, str], status: int, owner: Browser) -> None:
    assert owner.get("/ping", headers=headers).status_code == status


@pytest.mark.parametrize(
    "origin", [None, "null", "http://evil.example", "https://" + HOST, "http://127.0.0.1:1"]
)
def test_only_own_origin(origin: str | None, owner: Browser, desk: Desk) -> None:
    form = {"token": desk.token(owner.secret), "code": "T1"}
    headers = {} if origin is None else {"origin": origin}
    assert owner.client.post("/who", data=form, headers=headers).status_code == 403
    assert owner.client.put("/who", data=form, headers=ORIGIN).status_code == 405


def test_a_form_needs_its_token_and_an_entry_its_key(owner: Browser, desk: Desk) -> None:
    form = owner.form(f"/log/harms?client={OWN}") | {"harms.0.kind": "x"}
    for token in ("", "0" * 32, desk.token("another")):
        answer = owner.client.post("/log/harms", data=form | {"token": token}, headers=ORIGIN)
        assert answer.status_code == 403
        assert "Nothing was written" in html.unescape(answer.text)
    assert (
        owner.client.post("/log/harms", data=form, headers=ORIGIN | {"idempotency-key": "short"}).status_code
        == 422
    )


def test_large_bodies_are_refused_before_they_are_read(owner: Browser) -> None:
    big = {"content-type": "application/x-www-form-urlencoded"} | ORIGIN
    assert owner.client.post("/who", content=b"a=" + b"b" * 300_000, headers=big).status_code == 413
    assert (
        owner.client.post("/who", content=b"", headers=big | {"content-length": "100000000"}).status_code
        == 413
    )
    parts = (b"x" * 10_000 for _ in range(30))
    assert owner.client.post("/who", content=parts, headers=big).status_code == 413
    assert (
        owner.client.post("/who", content="&".join(f"a{n}=" for n in range(3000)), headers=big).status_code
        == 413
    )


STRANGE = (
    "/static/../serving.py", "/static/%2e%2e/serving.py", "/client/..%2f..%2fetc/sheet",
    "/papers/..%2fledger.db", "/papers/../protocol.toml", "/change/..%2fledger/x", "/done/0",
    "/done/99999999", "/records/..%2f..%2fx",
    "/job/99", "/job/99/made",
)  # fmt: skip


@pytest.mark.parametrize("path", STRANGE)
def test_paths_lead_nowhere(path: str, owner: Browser) -> None:
    answer = owner.get(path)
    assert answer.status_code in (404, 422, 405)
    assert "import" not in answer.text


def test_every_answer_is_shut_in(owner: Browser) -> None:
    for address in ("/", "/log/session", "/ping", "/nothing", "/static/desk.js"):
        headers = owner.get(address).headers
        assert "default-src 'self'" in headers["content-security-policy"]
        assert (
            headers["referrer-policy"] == "same-origin"
        )  # with no-referrer, own forms would send Origin: null
        assert headers["x-content-type-options"] == "nosniff"
    sheet = owner.get(f"/client/{OWN}/sheet").headers["content-security-policy"]
    assert "sandbox" in sheet
    assert "'unsafe-inline'" not in sheet.split("script-src")[1]


# --- what is written down ------------------------------------------------------------------------


def test_a_session_as_planned_is_five_taps_and_one_row(desk: Desk) -> None:
    trainer = Browser(desk, "T5")
    form = trainer.form(f"/log/session?client={OWN}")
    planned = {
        name.removeprefix("planned.sessions.0."): text for name, text in form.items() if "planned." in name
    }
    assert planned["status"] == "attended"
    taps = {
        "sessions.0.status": "as planned",
        "sessions.0.effort": "8",
        "sessions.0.discomfort": "4",
        "hurt": "no",
    }
    answer = trainer.send("/log/session", form | taps | {"all.date": "2026-11-30", "all.trainer": "T5"})
    assert answer.status_code == 200
    assert "Saved: C002" in answer.text
    row = last_row(desk, "sessions")
    assert {name: row[name] for name in planned} == planned
    assert (row["effort"], row["harm_asked"], row["trainer"], row["client"]) == ("8", "yes", "T5", OWN)
    again = trainer.send("/log/session", form | taps | {"all.date": "2026-11-30", "all.trainer": "T5"})
    assert "Saved: C002" in again.text  # sent twice, kept once
    assert desk.house is not None
    assert [one.cells["date"] for e in desk.house.journal.entries() for one in e.changed].count(
        "2026-11-30"
    ) == 1


def test_what_differs_from_the_plan_is_kept_and_a_harm_follows(desk: Desk, owner: Browser) -> None:
    form = owner.form(f"/log/session?client={OWN}") | {"all.date": "2026-11-29", "hurt": "yes"}
    form |= {"sessions.0.status": "as planned", "sessions.0.conventional_sets": "3", "sets.0.load": "82,5",
             "sets.0.repetitions": "9", "sets.1.load": ""}  # fmt: skip
    answer = owner.send("/log/session", form)
    assert f"/log/harms?client={OWN}&amp;date=2026-11-29" in answer.text
    row = last_row(desk, "sessions")
    assert row["conventional_sets"] == "3"
    assert (last_row(desk, "sets")["load"], last_row(desk, "sets")["exercise"]) == ("82.5", "leg_press")


def test_what_is_wrong_stands_beside_its_field_and_nothing_is_lost(owner: Browser) -> None:
    form = owner.form(f"/log/harms?client={OWN}") | {
        "harms.0.kind": "<b>sore</b>",
        "harms.0.date": "31/31/2026",
    }
    answer = owner.send("/log/harms", form)
    assert answer.status_code == 422
    assert "<title>Error: " in answer.text
    assert "&lt;b&gt;sore&lt;/b&gt;" in answer.text
    assert "<b>sore" not in answer.text
    summary, page = answer.text.split("</section>", 1)
    for name in ("date", "severity", "serious"):
        assert f'href="#harms-0-{name}"' in summary
        assert f'id="harms-0-{name}-trouble"' in page


def test_a_strength_test_is_a_row_for_each_attempt(desk: Desk) -> None:
    tester = Browser(desk, "TE")
    form = tester.form(f"/log/test?client={OWN}") | {"all.visit": "week_12", "all.date": "2026-11-30"}
    form |= {"strength.0.load": "80", "strength.0.repetitions": "10", "strength.0.success": "yes",
             "strength.5.load": "40", "strength.5.repetitions": "9", "all.assessor_blind": "yes",
             "all.arm_guess": "unsure"}  # fmt: skip
    assert tester.send("/log/test", form).status_code == 200
    assert desk.house is not None
    desk.house.carry()
    first, second = desk.house.rows("strength", desk.house.state().now.protocol)[-2:]
    assert (first["exercise"], first["load"], first["success"]) == ("leg_press", "80", "yes")
    assert (second["exercise"], second["load"]) == ("chest_press", "40")
    assert first["assessor"] == second["assessor"] == "TE"
    assert first["arm_guess"] == "unsure"
    empty = tester.send("/log/test", tester.form(f"/log/test?client={OWN}"))
    assert empty.status_code == 422
    assert "nothing was typed" in empty.text


def test_a_serious_harm_says_what_to_do_now_and_whom_to_tell(owner: Browser) -> None:
    form = owner.form(f"/log/harms?client={OWN}") | {
        "harms.0.kind": "fainted", "harms.0.severity": "severe", "harms.0.serious": "yes",
        "harms.0.expected": "no", "harms.0.related": "possible",
    }  # fmt: skip
    page = owner.send("/log/harms", form).text
    assert "Emergency number" in page
    assert "No training for C002" in page
    assert "(OW)" in page
    assert "(SR)" in page
    before = owner.text("/log/harms")
    assert before.index("Emergency number") < before.index("<form")


def test_a_row_is_corrected_with_a_reason_and_the_old_one_stays_in_the_journal(
    desk: Desk, owner: Browser
) -> None:
    form = owner.form(f"/log/pauses?client={OWN}")
    form |= {"pauses.0.first_day": "2026-10-01", "pauses.0.last_day": "2026-10-05"}
    owner.send("/log/pauses", form)
    assert last_row(desk, "pauses")["last_day"] == "2026-10-05"
    address = re.findall(r'href="(/change/pauses/\w+)"', owner.text(f"/client/{OWN}"))[0]
    changed = owner.form(address) | {
        "pauses.0.client": OWN, "pauses.0.first_day": "2026-10-01", "pauses.0.last_day": "2026-10-09",
    }  # fmt: skip
    assert owner.send(address, changed).status_code == 422  # no reason
    assert owner.send(address, changed | {"reason": "misread"}).status_code == 200
    assert last_row(desk, "pauses")["last_day"] == "2026-10-09"
    assert desk.house is not None
    kept = desk.house.journal.entries()[-1]
    assert (kept.kind, kept.reason, kept.who) == ("correction", "misread", "OW")
    assert kept.old is not None
    assert kept.old.cells["last_day"] == "2026-10-05"
    gone = re.findall(r'href="(/change/pauses/\w+)"', owner.text(f"/client/{OWN}"))[0]
    assert "Taken out" in owner.send(gone, owner.form(gone) | {"remove": "yes", "reason": "no pause"}).text
    assert last_row(desk, "pauses").get("last_day") != "2026-10-09"


def test_the_script_gets_201_then_200_then_422(owner: Browser) -> None:
    key = {"idempotency-key": "ab" * 16}
    form = {"health.0.client": OWN, "health.0.date": "2026-11-30", "health.0.kind": "new medicine"}
    first = owner.send("/log/health", form, headers=key)
    assert (first.status_code, owner.send("/log/health", form, headers=key).status_code) == (201, 200)
    other = owner.send("/log/health", form | {"health.0.kind": "pregnancy"}, headers=key)
    assert other.status_code == 422
    assert "used before" in other.json()["text"]
    wrong = owner.send(
        "/log/health", form | {"health.0.client": "C999"}, headers={"idempotency-key": "cd" * 16}
    )
    assert wrong.status_code == 422
    assert "expected a client of the study" in wrong.json()["text"]


def test_one_desk_for_a_study(desk: Desk) -> None:
    assert desk.house is not None
    with pytest.raises(FolderError, match="runs already"):
        make_desk(desk.place, desk.house.folder)


def test_the_laptop_comes_in_once(tmp_path: Path) -> None:
    made = a_desk(tmp_path / "demo")
    assert made.house is not None
    start = f"/enter/{made.pairing.start}"
    laptop = Browser(made)
    assert "Who are you?" in laptop.text(start)
    assert Browser(made).get(start).status_code == 403
    assert laptop.get("/clients").status_code == 200
    made.house.close()
    assert Study.open(tmp_path / "demo").audit().passed
