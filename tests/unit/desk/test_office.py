"""The owner's pages: one draw, tables, copies, long work, phones, a new study; and the rules of all pages."""

from __future__ import annotations

import html
import re
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from studykit.desk import served
from studykit.desk.asking import Desk
from studykit.desk.pairing import Pairing
from studykit.desk.serving import is_private, open_address
from studykit.errors import ArgumentError, FolderError
from studykit.study import Study
from studykit.study.backup import back_up, restore
from tests.support.desk import Browser, a_desk
from tests.unit.report.test_accessibility import Rules as PageRules
from tests.unit.report.test_accessibility import contrast, inked

STATIC = Path(served.__file__).parent / "static"


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    made = a_desk(tmp_path_factory.mktemp("office") / "demo")
    yield made
    made.jobs.close()
    assert made.house is not None
    made.house.close()


@pytest.fixture(scope="module")
def owner(desk: Desk) -> Browser:
    return Browser(desk, "OW", phone=False)


def plain(page: str) -> str:
    return " ".join(html.unescape(re.sub("<[^>]+>", " ", page)).split())


def test_one_draw_and_nothing_is_drawn_by_looking(desk: Desk, owner: Browser) -> None:
    assert desk.house is not None
    given = {made.client for made in desk.house.state().now.allocations}
    again = owner.text(f"/enrol/{sorted(given)[0]}")
    assert "Nothing was drawn" in again
    code = re.findall(r'href="/enrol/\?client=(\w+)"', owner.text("/enrol"))[0]
    before = len(Study(desk.house.folder).entries())
    page = owner.text(f"/enrol/{code}")
    assert "Not now" in page  # the demo study is full: the words of `enrol` say why
    form = {"facts": "others", "draw": "yes"}
    assert owner.send(f"/enrol/{code}", form).status_code == 422
    assert len(Study(desk.house.folder).entries()) == before
    for who, phone in (("TE", True), ("T5", True), ("TE", False)):
        assert Browser(desk, who, phone=phone).get(f"/enrol/{code}").status_code == 403


def test_a_withdrawal_is_read_first_then_written_and_undone(desk: Desk, owner: Browser) -> None:
    assert desk.house is not None
    study, at = Study(desk.house.folder), "/client/C008/withdraw"
    before = len(study.entries())
    assert at in owner.text("/client/C008")
    told = plain(owner.send(at, {"what": "data", "reason": "none of your business"}).text)
    assert "tests and sessions of C008 are no longer used" in told
    assert len(study.entries()) == before
    assert "C008" in plain(owner.send(at, {"what": "data", "decide": "yes"}).text)
    assert [one.client for one in study.read().rows.withdrawn] == ["C008"]
    assert owner.send(at, {"what": "data", "decide": "yes"}).status_code == 422
    assert "It was a mistake: undo" in owner.text(at)
    owner.send(at, {"what": "slip", "decide": "yes"})
    assert not study.read().rows.withdrawn
    assert owner.send(at, {"what": "<b>"}).status_code == 422
    for who in ("TE", "T5"):
        assert Browser(desk, who, phone=True).get(at).status_code == 403


def test_a_new_study_waits_until_the_desk_is_free(desk: Desk, owner: Browser) -> None:
    page = owner.send("/new", {"design": "parallel", "go": "make", "folder": "another"}).text
    assert "one is at the desk already" in plain(page)
    assert not (desk.place / "another").exists()


def test_tables_are_filtered_saved_and_lead_to_their_entries(desk: Desk, owner: Browser) -> None:
    page = owner.text("/records/sessions?find=C002")
    assert "C002" in page
    assert ">C058<" not in page
    saved = owner.get("/records/harms?as=csv")
    assert saved.headers["content-disposition"] == 'attachment; filename="harms.csv"'
    assert saved.text.startswith("client,")
    found = re.findall(r'href="(/change/\w+/\w+)">open it', owner.text("/check"))
    assert found
    assert owner.get(found[0]).status_code == 200
    for who in ("TE", "RE"):
        assert "artner sets" not in Browser(desk, who, phone=False).text("/records/sessions")


def test_results_are_for_who_may_look_and_a_look_is_asked_about(desk: Desk, owner: Browser) -> None:
    assert desk.house is not None
    results = desk.house.folder / "results"
    results.mkdir(exist_ok=True)
    (results / "report.html").write_text("<html><head></head><body>SECRET RESULT</body></html>")
    assert "SECRET RESULT" in owner.text("/report")
    for who, phone in (("TE", False), ("RE", False), ("T5", False), ("SR", True), ("OW", True), ("T5", True)):
        seen = Browser(desk, who, phone=phone)
        assert "SECRET" not in seen.text("/report"), who
        assert seen.send("/begin-work/report", {"reason": "curious"}).status_code in (403, 422)


def test_long_work_runs_outside_the_request_and_can_be_stopped(desk: Desk, owner: Browser) -> None:
    began = time.monotonic()
    page = owner.send("/begin-work/simulate", {})
    assert page.status_code == 200
    assert time.monotonic() - began < 20.0
    number = max(desk.jobs.done)
    assert desk.jobs.done[number].running
    assert owner.get(f"/job/{number}/state").json()["running"]
    assert "one piece of long work" in plain(owner.send("/begin-work/plan", {}).text)
    assert Browser(desk, "RE", phone=False).get(f"/job/{number}").status_code == 422
    assert "It was stopped" in owner.send(f"/job/{number}/stop", {}).text
    assert not desk.jobs.done[number].running


def test_a_copy_is_whole_and_an_old_one_is_told(desk: Desk, tmp_path: Path) -> None:
    assert desk.house is not None
    folder = desk.house.folder
    made = back_up(folder, tmp_path)
    assert made.entries == len(Study(folder).entries())
    assert Study(made.folder).audit().passed
    again = restore(made.folder, tmp_path / "again")
    assert (again.behind, (tmp_path / "again" / "journal.db").is_file()) == (0, True)
    ahead = tmp_path / "ahead"
    shutil.copytree(made.folder, ahead)
    client = Study(ahead).allocated()[0]
    other = "male" if client.factors["sex"] == "female" else "female"
    Study(ahead).correct(client.client, fact="sex", value=other, reason="slip", by="OW")
    old = restore(made.folder, tmp_path / "old", beside=ahead)
    assert old.behind == 1
    assert "IT IS OLD" in old.text()
    for place in ("", str(folder / "records"), str(tmp_path / "none")):
        with pytest.raises(FolderError):
            back_up(folder, place)
    with pytest.raises(FolderError):  # never over a study
        restore(made.folder, ahead)


# --- phones --------------------------------------------------------------------------------------


def test_a_phone_comes_in_once_by_qr_or_digits_and_is_ended(desk: Desk, owner: Browser) -> None:
    desk.open_address = "192.168.1.9:8642"
    page = owner.send("/phones/let-in", {"who": "T5", "hours": "today"}).text
    assert "<svg" in page
    digits = "".join(re.findall(r'class="digits">(\d{4}) (\d{4})<', page)[0])
    phone = Browser(desk)
    assert phone.client.get("/clients").status_code == 401
    assert phone.send("/pair", {"code": digits}).status_code == 200
    assert "T5" in phone.text("/clients")
    late = Browser(desk)
    assert late.send("/pair", {"code": digits}).status_code == 422  # used up
    number = re.findall(r'name="number" value="(\d+)"', owner.text("/phones"))[0]
    owner.send("/phones/end", {"number": number})
    assert phone.get("/clients").status_code == 401
    desk.open_address = ""


def test_codes_hold_five_minutes_once_and_cannot_be_guessed() -> None:
    pairing = Pairing()
    first, second = pairing.offer("T5", hours=16, now=0.0), pairing.offer("TE", hours=16, now=0.0)
    assert pairing.take(first.secret, now=10.0).who == "T5"
    with pytest.raises(ArgumentError, match="holds for 5 minutes and once"):
        pairing.take(first.secret, now=11.0)
    for at in range(5):
        with pytest.raises(ArgumentError, match="another one"):
            pairing.take("00000000", now=20.0 + at)
    with pytest.raises(ArgumentError, match="tries a minute"):
        pairing.take(second.digits, now=26.0)
    assert pairing.take(second.digits, now=90.0).who == "TE"
    third = pairing.offer("TE", hours=16, now=100.0)
    with pytest.raises(ArgumentError):
        pairing.take(third.secret, now=401.0)


def test_only_private_addresses_are_listened_on(desk: Desk) -> None:
    assert not is_private("0.0.0.0")  # never on all
    for address in ("8.8.8.8", "0.0.0.0", "127.0.0.1"):
        with pytest.raises(ArgumentError, match="private address"):
            open_address(desk, address)


# --- a new study ---------------------------------------------------------------------------------


def test_a_new_study_by_steps_with_its_plan_beside(tmp_path: Path) -> None:
    made = a_desk(tmp_path / "x", demo=False)
    laptop = Browser(made)
    assert "No study is open" in laptop.text(f"/enter/{made.pairing.start}")
    laptop.secret = laptop.client.cookies[made.cookie]
    form = {"design": "parallel", "step": "0"}
    first = laptop.text("/new?design=parallel")
    assert "What it means" in plain(first)
    form |= {"title": "My own comparison"}
    on = laptop.send("/new", form | {"go": "on"}).text
    assert 'name="title" value="My own comparison"' in on  # kept while going on
    back = laptop.send("/new", form | {"step": "1", "go": "back"}).text
    assert 'value="My own comparison"' in back
    number = re.findall(r'name="(clients\w*)"', on)[0]
    some, many = (plain(laptop.send("/new/plan", form | {number: text}).text) for text in ("30", "200"))
    assert "with 30 clients" in some
    assert "with 200 clients" in many
    wrong = laptop.send("/new", form | {"step": "1", number: "many", "go": "on"})
    assert wrong.status_code == 422
    assert 'value="many"' in wrong.text
    assert laptop.send("/new", form | {"go": "make", "folder": "../out"}).status_code == 422
    answer = laptop.send("/new", form | {number: "30", "go": "make", "folder": "mine"})
    assert "Who are you?" in answer.text
    assert Study(tmp_path / "mine").protocol.study.title == "My own comparison"
    assert Study(tmp_path / "mine").protocol.planning.clients == 30
    assert made.house is not None
    made.house.close()


# --- pages that everybody can use ----------------------------------------------------------------


class Rules(PageRules):
    """What a page of the desk breaks beside these: labels and names, from WCAG 2.2 (1.3.1, 3.3.2, 4.1.2)."""

    def __init__(self, page: str) -> None:
        self.ids: list[str] = []
        self.needs: list[str] = []
        self.inside: list[str] = []
        super().__init__(page)
        self.broken += [f"id {one} twice" for one in set(self.ids) if self.ids.count(one) > 1]
        self.broken += [f"{one} is not there" for one in self.needs if one not in self.ids]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        super().handle_starttag(tag, attrs)
        told = {name: value or "" for name, value in attrs}
        self.ids += [told["id"]] if "id" in told else []
        self.needs += [told[name] for name in ("for", "aria-describedby", "list") if name in told]
        field = tag in ("input", "select") and told.get("type") != "hidden"
        if field and "id" not in told and "label" not in self.inside:
            self.broken.append(f"{told.get('name')} has no label")
        if told.get("type") == "radio" and "fieldset" not in self.inside:
            self.broken.append(f"{told.get('name')} has no legend")
        if any(name.startswith("on") or name == "style" for name in told):
            self.broken.append(f"{tag}: script or style in the page, which the policy refuses")
        if tag in ("label", "fieldset"):
            self.inside.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag in ("label", "fieldset"):
            self.inside.pop()


PLACES = (
    "/client/C002/withdraw",
    "/", "/who", "/clients", "/client/C002", "/log/session", "/log/session?client=C002",
    "/log/test?client=C002", "/log/harms?client=C002", "/log/health", "/log/pauses", "/log/departures",
    "/log/screening", "/log/clients", "/log/trainers", "/log/closures", "/quick", "/mine", "/office",
    "/enrol", "/records/sessions", "/check", "/audit", "/copies", "/receipts", "/lock", "/amend",
    "/phones", "/phone-trouble", "/pair", "/new", "/new?design=parallel", "/report/none",
    "/change/harms/0",
)  # fmt: skip


@pytest.mark.parametrize("place", PLACES)
def test_every_page_keeps_the_rules(place: str, owner: Browser) -> None:
    page = owner.text(place)
    if page.startswith("<!DOCTYPE"):
        assert Rules(page).broken == []
    else:
        assert place == "/report/none"


def test_the_style_sheet_has_contrast_large_targets_and_no_address(owner: Browser) -> None:
    sheet = (STATIC / "desk.css").read_text(encoding="utf-8")
    inks = inked(sheet)
    assert len(inks) > 8
    for selector, (ink, paper) in inks.items():
        assert contrast(ink, paper) >= 4.5, selector
    heights = [int(text) for text in re.findall(r"min-height: (\d+)px", sheet)]
    assert min(heights) >= 48
    for name in ("desk.css", "desk.js"):
        assert "//" not in re.sub(r"(?m)^\s*//.*$| // .*$", "", (STATIC / name).read_text(encoding="utf-8"))
