"""The desk in a real browser: a phone whose network is cut, two phones, an owner who begins, small screens.

Without Chromium these skip, and say so; where STUDYKIT_BROWSER is set (as `.ci/run` does) they fail instead.
"""

from __future__ import annotations

import os
import shutil
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from studykit.desk.asking import Desk
from studykit.desk.pairing import until
from studykit.desk.serving import free_port, make_app, make_desk, server
from studykit.study import Study

CHROMIUM = os.environ.get("STUDYKIT_BROWSER") or shutil.which("chromium") or ""
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
         "--disable-sync", "--no-first-run"]  # fmt: skip
PHONE = {"width": 390, "height": 844}
CUT = "() => document.querySelector('#main h1').textContent === 'Kept on this device'"


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    if not CHROMIUM or not Path(CHROMIUM).exists():
        why = "no Chromium here: set STUDYKIT_BROWSER to its path"
        (pytest.fail if "STUDYKIT_BROWSER" in os.environ else pytest.skip)(why)
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with playwright.sync_playwright() as running:
        browser = running.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


class Served:
    """A desk that really listens."""

    def __init__(self, place: Path, folder: Path | None, port: int) -> None:
        self.desk: Desk = make_desk(place, folder, port=port)
        self.server = server(make_app(self.desk), address="127.0.0.1", port=port)
        self.base = f"http://127.0.0.1:{port}"
        self.thread = threading.Thread(target=self.server.run, daemon=True)
        self.thread.start()

    def phone(self, browser: Any, who: str) -> Any:
        """A phone that was let in."""
        assert self.desk.house is not None
        secret = f"secret-of-{who}-{time.monotonic()}"
        self.desk.house.journal.admit(who, secret, phone=True, until=until(1))
        context = browser.new_context(viewport=PHONE)
        context.add_cookies([{"name": self.desk.cookie, "value": secret, "url": self.base}])
        page = context.new_page()
        page.set_default_timeout(60_000)
        return page

    def close(self) -> None:
        self.server.should_exit = True
        self.thread.join(timeout=20)
        if self.desk.house is not None:
            self.desk.house.close()


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("browser") / "demo"
    Study.demo(folder)
    made = Served(folder.parent, folder, free_port(8850))
    yield made
    made.close()


def entered(served: Served, table: str, **cells: str) -> int:
    """How often a row stands in a table, after everything was carried."""
    assert served.desk.house is not None
    served.desk.house.carry()
    rows = served.desk.house.rows(table, served.desk.house.state().now.protocol)
    return sum(cells.items() <= row.items() for row in rows)


def test_a_session_a_test_and_a_harm_with_the_network_cut(chromium: Any, served: Served) -> None:
    page = served.phone(chromium, "T5")
    context = page.context
    taps = 0
    page.goto(f"{served.base}/client/C002")
    page.get_by_role("link", name="Log a session").click()
    page.wait_for_selector("text=Session of C002")
    context.set_offline(True)
    for name in ("sessions.0.status", "sessions.0.effort", "sessions.0.discomfort", "hurt"):
        page.locator(f'input[name="{name}"]').first.check(force=True)
        taps += 1
    page.get_by_role("button", name="Save").click()
    page.wait_for_function(CUT)
    assert taps + 1 + 2 <= 9  # with the client and the form chosen
    assert "1 waiting" in page.locator("#queue").inner_text()
    context.set_offline(False)
    page.goto(f"{served.base}/log/harms?client=C002")
    page.fill('[name="harms.0.kind"]', "sore <b>elbow</b>")
    for name, word in (("severity", "mild"), ("serious", "no"), ("expected", "yes"), ("related", "possible")):
        page.locator(f'input[name="harms.0.{name}"][value="{word}"]').check(force=True)
    context.set_offline(True)
    page.get_by_role("button", name="Save").click()
    page.wait_for_function(CUT)
    context.set_offline(False)
    page.goto(f"{served.base}/log/test?client=C002")
    page.fill('[name="strength.0.load"]', "91")
    page.fill('[name="strength.0.repetitions"]', "7")
    page.locator('input[name="all.assessor_blind"][value="no"]').check(force=True)
    context.set_offline(True)
    page.get_by_role("button", name="Save").click()
    page.wait_for_function(CUT)
    context.set_offline(False)
    page.goto(f"{served.base}/mine")
    page.wait_for_selector("text=Nothing waits.")
    assert entered(served, "sessions", client="C002", effort="0", entered_on=served_day(served)) == 1
    assert entered(served, "harms", client="C002", kind="sore <b>elbow</b>") == 1
    assert entered(served, "strength", client="C002", load="91", repetitions="7") == 1
    assert page.evaluate("JSON.parse(localStorage.getItem('desk.queue')).length") == 0
    context.close()


def served_day(served: Served) -> str:
    assert served.desk.house is not None
    return served.desk.house.state().now.today.isoformat()


def test_an_answer_that_is_cut_off_leaves_one_entry(chromium: Any, served: Served) -> None:
    page = served.phone(chromium, "T5")
    cuts = {"left": 2}

    def cut(route: Any) -> None:
        if route.request.method == "POST" and cuts["left"]:
            cuts["left"] -= 1
            route.fetch()  # the laptop has written it
            route.abort()  # and the phone never hears of it
        else:
            route.continue_()

    page.route("**/log/**", cut)
    page.goto(f"{served.base}/log/pauses?client=C002")
    page.fill('[name="pauses.0.first_day"]', "2027-01-04")
    page.fill('[name="pauses.0.last_day"]', "2027-01-08")
    page.get_by_role("button", name="Save").click()
    page.wait_for_function(CUT)
    other = page.context.new_page()  # a second tab sends what waits, too
    other.goto(f"{served.base}/mine")
    other.wait_for_selector("text=Nothing waits.", timeout=90_000)
    assert cuts["left"] < 2
    assert entered(served, "pauses", client="C002", first_day="2027-01-04") == 1
    page.context.close()


def test_two_phones_at_once(chromium: Any, served: Served) -> None:
    phones = [served.phone(chromium, who) for who in ("T5", "TE")]
    for number, page in enumerate(phones):
        page.goto(f"{served.base}/log/health?client=C002")
        page.fill('[name="health.0.date"]', f"2026-11-0{number + 1}")
        page.locator(
            'select[name="health.0.kind"], input[name="health.0.kind"][value="new medicine"]'
        ).first.check(force=True)
    for page in phones:
        page.get_by_role("button", name="Save").click()
    for page in phones:
        page.wait_for_selector("text=Saved: C002")
        page.context.close()
    for number in (1, 2):
        assert entered(served, "health", client="C002", date=f"2026-11-0{number}", kind="new medicine") == 1


def test_enrolment_is_refused_offline_and_the_other_forms_open(chromium: Any, served: Served) -> None:
    page = served.phone(chromium, "OW")
    page.goto(f"{served.base}/quick")
    page.goto(f"{served.base}/enrol/C002")
    assert page.locator("form[data-queue]").count() == 0  # nothing of it can ever wait on the phone
    page.goto(f"{served.base}/")
    page.wait_for_timeout(500)
    page.context.set_offline(True)
    page.wait_for_selector("text=The laptop cannot be reached.", timeout=30_000)
    with pytest.raises(Exception, match="ERR_INTERNET_DISCONNECTED"):
        page.goto(f"{served.base}/enrol")
    page = page.context.new_page()
    page.goto(f"{served.base}/quick")
    assert "Nobody can be enrolled meanwhile" in page.inner_text("main")
    page.context.close()


def test_an_owner_begins_with_the_demo_study(chromium: Any, tmp_path: Path) -> None:
    made = Served(tmp_path, None, free_port(8870))
    page = chromium.new_context(viewport={"width": 1200, "height": 900}).new_page()
    page.set_default_timeout(60_000)
    troubles: list[str] = []
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("console", lambda told: troubles.append(told.text) if "Policy" in told.text else None)
    page.goto(f"{made.base}/enter/{made.desk.pairing.start}")
    page.get_by_role("button", name="Open the demo study").click()
    page.get_by_role("button", name="OW", exact=True).click()
    page.wait_for_selector("text=May train today")
    page.goto(f"{made.base}/client/C002/sheet")
    assert page.evaluate("getComputedStyle(document.querySelector('.verdict')).borderTopWidth") == "3px"
    assert troubles == []
    page.context.close()
    made.close()


WIDE = (
    "/", "/clients", "/client/C002", "/log/session?client=C002", "/log/test?client=C002", "/log/harms",
    "/quick", "/mine", "/office", "/records/sessions", "/check", "/audit", "/copies", "/receipts",
    "/lock", "/phones", "/phone-trouble", "/new?design=parallel", "/client/C002/sheet",
    "/client/C002/test", "/take-home",
)  # fmt: skip


def test_every_page_reflows_at_320_pixels(chromium: Any, served: Served) -> None:
    assert served.desk.house is not None
    secret = "of-the-laptop"
    served.desk.house.journal.admit("OW", secret, phone=False, until=until(1))
    context = chromium.new_context(viewport={"width": 320, "height": 800})
    context.add_cookies([{"name": served.desk.cookie, "value": secret, "url": served.base}])
    page = context.new_page()
    page.set_default_timeout(60_000)
    wide = {}
    for address in WIDE:
        page.goto(served.base + address)
        over = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        small = page.evaluate(
            "[...document.querySelectorAll('main button, main .button, nav a')].map((one) => "
            "one.getBoundingClientRect().height).filter((high) => high && high < 47.5).length"
        )
        if over > 0 or small:
            wide[address] = (over, small)
    assert wide == {}
    context.close()
