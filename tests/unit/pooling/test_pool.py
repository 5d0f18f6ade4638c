"""Files against the list: every refusal in its sentence, every note, and what the pooled answers are."""

from __future__ import annotations

import copy
import datetime as dt
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import studykit as sk
from studykit.errors import ArgumentError, DesignError, FolderError
from studykit.pooling.joining_list import JoiningList
from studykit.pooling.pool import Pooled, pooled
from studykit.pooling.statistics import studios_like_these, these_studios
from studykit.pooling.studio_file import code_of, read_studio_file, written_file
from studykit.shipped import shipped
from synthetic_data.invented_studios import invented_code, invented_studios, written_studios

LISTED, BODIES = invented_studios(6)
Body = dict[str, Any]


def contents(bodies: dict[str, Body]) -> list[tuple[str, bytes]]:
    return [(f"{name}.json", written_file(body)) for name, body in bodies.items()]


def with_cheat(change: Callable[[Body], object], *, told: bool = True, studio: str = "S03") -> Pooled:
    """A pooling in which one studio wrote another file, and told its code in time."""
    bodies = copy.deepcopy(BODIES)
    change(bodies[studio])
    listed = LISTED
    if told:
        file = {"day": "2026-12-02", "studio": studio, "file": code_of(bodies[studio])}
        listed = LISTED.added("file", file)
    return pooled(listed, contents(bodies))


def put(*path: str, value: Any) -> Callable[[Body], object]:
    def change(body: Body) -> None:
        for name in path[:-1]:
            body = body[name]
        body[path[-1]] = value(body[path[-1]]) if callable(value) else value

    return change


def fewer_clients(body: Body) -> None:
    arm = body["arms"]["conventional"]
    arm["allocated"] -= 2
    arm["known"] -= 2
    arm["received"] -= 2
    arm["not_tested"] = {}


def begun_again(body: Body) -> None:
    body["ledger"]["first"] = body["ledger"]["codes"]["1"] = invented_code("another")


def few_tested(body: Body) -> None:
    arm = body["arms"]["partner_reps"]
    arm["not_tested"] = {"other reasons": arm["allocated"] - 4}
    arm["tested"] = 4


CHEATS: dict[str, tuple[Callable[[Body], object], str]] = {
    "another protocol": (put("protocol", value="b" * 64), "another protocol, or another version of it"),
    "dropped": (fewer_clients, "clients in its flow, 45 drawn in its ledger"),
    "restarted": (begun_again, "entry 1 of its ledger is not the one that was told at the time"),
    "entry later": (put("ledger", "codes", "3", value="a" * 64), "entry 3 of its ledger is not the one"),
    "cut": (put("ledger", "entries", value=2), "the ledger was begun again, or cut"),
    "audit": (put("ledger", "audit", value="not passed"), "its own audit did not pass"),
    "too sure": (put("strength", "error", value=0.004), "an error of 0.004 does not go with 21 and 20"),
    "too wide": (put("strength", "error", value=0.4), "an error of 0.4 does not go with"),
    "freedom": (put("strength", "freedom", value=9000.0), "9000 degrees of freedom do not go with 45"),
    "none free": (put("strength", "freedom", value=0.5), "0.5 degrees of freedom do not go with"),
    "few": (few_tested, "fewer than 5 tested clients in an arm"),
    "not adding up": (put("arms", "conventional", "tested", value=9), "do not add up to allocated"),
    "retained": (put("arms", "conventional", "retained", value=99), "impossible numbers of clients"),
    "harms": (put("arms", "partner_reps", "serious", value=50), "impossible numbers of harms"),
    "sessions": (put("arms", "partner_reps", "attended", value=9999), "impossible numbers of sessions"),
    "log-rank": (put("retention", "log_rank", value=[1.0, 60.0]), "a log-rank variance that does not go"),
    "outcome": (put("strength", "visit", value="week_6"), "other arms, another outcome, visit or scale"),
    "scale": (put("strength", "scale", value="as_measured"), "other arms, another outcome, visit or scale"),
    "horizon": (put("retention", "day", value=90), "retention at another day than the list says"),
    "not on the list": (put("studio", value="S99"), "this studio is not on the joining list"),
}  # fmt: skip


@pytest.mark.parametrize("name", CHEATS)
def test_a_file_that_does_not_fit_is_left_out_with_its_reason(name: str) -> None:
    change, words = CHEATS[name]
    found = with_cheat(change)
    (left,) = found.left_out
    assert left.file == "S03.json"
    assert words in "; ".join(left.reasons)
    assert [studio.name for studio in found.studios] == ["S01", "S02", "S04", "S05", "S06"]
    assert [member.studio for member in found.missing] == ["S03"]


def test_the_reasons_of_an_honest_file_are_none() -> None:
    assert with_cheat(copy.copy).left_out == ()


def test_a_file_whose_code_was_not_told_in_time_is_left_out() -> None:
    other = put("strength", "estimate", value=0.09)
    assert "it is not the file whose code was told" in with_cheat(other, told=False).left_out[0].reasons[0]
    opened = LISTED.added("looked", {"day": "2026-12-03", "files": 5, "set": "e" * 64, "reason": "why not"})
    late = opened.added("file", {"day": "2026-12-04", "studio": "S03", "file": BODIES["S03"]["code"]})
    found = pooled(late, contents(BODIES))
    assert found.left_out[0].reasons == ("the code of its file was told after files had been opened",)
    blocks = [block for block in LISTED.blocks if block[1].get("file") != BODIES["S03"]["code"]]
    untold = JoiningList.begun(LISTED.head)
    for kind, told, _ in blocks[1:]:
        untold = untold.added(kind, told)
    assert "not told to the list before" in pooled(untold, contents(BODIES)).left_out[0].reasons[0]


def test_clients_told_of_earlier_must_still_be_there() -> None:
    told = {
        "day": "2026-05-01",
        "studio": "S03",
        "entry": 40,
        "head": invented_code("S03", 40),
        "clients": 50,
    }
    (left,) = pooled(LISTED.added("noted", told), contents(BODIES)).left_out
    assert left.reasons == ("45 clients, 50 told to the list before: some were dropped",)


def test_an_invented_study_is_left_out_of_a_real_list() -> None:
    real = JoiningList.begun({**LISTED.head, "invented": "no"})
    for kind, told, _ in LISTED.blocks[1:]:
        real = real.added(kind, told)
    with pytest.raises(ArgumentError, match=r"found 0 \(S01.json: made from an invented study; S02"):
        pooled(real, contents(BODIES))


def test_a_protocol_that_the_keeper_lists_as_the_same_is_taken() -> None:
    change = put("protocol", value="b" * 64)
    bodies = copy.deepcopy(BODIES)
    change(bodies["S03"])
    listed = LISTED.added(
        "same protocol", {"day": "2026-02-02", "protocol": "b" * 64, "reason": "a typing slip"}
    )
    listed = listed.added("file", {"day": "2026-12-02", "studio": "S03", "file": code_of(bodies["S03"])})
    assert pooled(listed, contents(bodies)).left_out == ()


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda raw: raw.replace(b'"estimate": ', b'"estimate": 1'), "its code does not fit"),
        (lambda raw: raw[:900], "not a studio's file, or cut off"),
        (lambda raw: b"PK\x03\x04" + raw, "not a studio's file, or cut off"),
        (lambda _: b"[1, 2]", "it holds no code of its own"),
        (lambda _: b"[" * 100_000, "not a studio's file, or cut off"),
        (lambda _: b" " * 300_000, "far too long for a studio's file"),
        (lambda raw: raw.replace(b'"format": 1', b'"format": 1, "format": 1'), "not a studio's file"),
        (lambda raw: raw.replace(b'"looks": 0', b'"looks": NaN'), "not a studio's file"),
    ],
)
def test_what_is_no_file_is_left_out(spoil: Callable[[bytes], bytes], words: str) -> None:
    files = [(name, spoil(raw) if name == "S02.json" else raw) for name, raw in contents(BODIES)]
    (left,) = pooled(LISTED, files).left_out
    assert words in left.reasons[0]
    assert left.studio == ""


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (put("arms", "conventional", "tested", value=-3), "arms, conventional, tested"),
        (put("arms", "conventional", "tested", value=3.5), "arms, conventional, tested"),
        (put("strength", "error", value=0.0), "strength, error"),
        (put("strength", "error", value=True), "strength, error"),
        (put("again", value="x" * 500), "again"),
        (put("software", value={"<script>" * 20: "1"}), "software"),
        (put("ledger", "first", value="12"), "ledger, first"),
        (put("reference", value="partner_reps"), "the two arms compared are not among its arms"),
        (put("studio", value="S\u200b1"), "a hidden character"),
        (lambda body: body.update(trainer="T1"), "trainer: Extra"),
    ],
)
def test_a_file_of_another_form_is_refused_with_the_place(
    change: Callable[[Body], object], words: str
) -> None:
    body = copy.deepcopy(BODIES["S01"])
    change(body)
    with pytest.raises(ArgumentError, match="expected the file of a studio") as refused:
        read_studio_file(written_file(body), where="S01.json")
    assert words in str(refused.value)


def test_a_second_file_of_a_studio_is_left_out() -> None:
    files = contents(BODIES)
    found = pooled(LISTED, [*files, ("copy.json", files[0][1])])
    assert found.left_out[0].reasons == ("a second file of this studio, the same file",)
    assert len(found.studios) == 6


def test_the_order_of_files_is_without_effect() -> None:
    files = contents(BODIES)
    one, other = pooled(LISTED, files), pooled(LISTED, files[::-1])
    assert (one.answers, one.code, one.drawn, one.studios) == (
        other.answers,
        other.code,
        other.drawn,
        other.studios,
    )


def test_the_answers_are_those_of_the_statistics() -> None:
    found = pooled(LISTED, contents(BODIES))
    names = ("estimate", "error", "freedom")
    values, errors, freedoms = ([body["strength"][name] for body in BODIES.values()] for name in names)
    tested = [sum(arm["tested"] for arm in body["arms"].values()) for body in BODIES.values()]
    assert found["these studios"].value == pytest.approx(
        these_studios(values, errors, freedoms, tested).value
    )
    like, spread = studios_like_these(values, errors)
    assert found["studios like these"].estimate == like
    assert found.spread == spread
    without = these_studios(values[1:], errors[1:], freedoms[1:], tested[1:])
    assert found.without[0].name == "without S01"
    assert found.without[0].estimate.standard_error == pytest.approx(without.standard_error)
    assert found.without[0].estimate.degrees_of_freedom == pytest.approx(without.degrees_of_freedom)
    kept = [
        [body["arms"][arm]["retained"] for arm in ("conventional", "partner_reps")]
        for body in BODIES.values()
    ]
    known = [
        [body["arms"][arm]["known"] for arm in ("conventional", "partner_reps")] for body in BODIES.values()
    ]
    difference = sk.retention.risk_difference(sk.retention.StratifiedCounts(kept, known))
    assert found.retention.value == difference.value
    assert found.retention.confidence_interval() == difference.confidence_interval()
    distance, variance = (
        sum(body["retention"]["log_rank"][part] for body in BODIES.values()) for part in (0, 1)
    )
    assert found.log_rank[0] == pytest.approx(distance**2 / variance)


@pytest.mark.parametrize(
    ("number", "names"),
    [
        (2, ["these studios"]),
        (4, ["these studios"]),
        (5, ["these studios", "studios like these"]),
        (9, ["these studios", "studios like these"]),
        (10, ["these studios", "studios like these", "one further studio"]),
    ],
)
def test_what_is_said_depends_on_the_number_of_studios(number: int, names: list[str]) -> None:
    listed, bodies = invented_studios(number)
    found = pooled(listed, contents(bodies))
    assert [answer.name for answer in found.answers] == names
    with pytest.raises(DesignError, match="expected one of these studios"):
        found["all studios"]


def test_what_the_missing_studios_would_have_to_show() -> None:
    listed, bodies = invented_studios(6)
    found = pooled(listed, contents({name: bodies[name] for name in ("S01", "S02", "S04", "S06")}))
    assert [member.studio for member in found.missing] == ["S03", "S05"]
    here = sum(sum(one.tested) for one in found.studios)
    share = here / sum(one.allocated for one in found.studios)
    absent = sum(member.clients for member in found.missing) * share
    assert here * found["these studios"].value + absent * found.missing_would_need == pytest.approx(
        0.0, abs=1e-12
    )


@pytest.mark.parametrize(
    ("change", "note"),
    [
        (put("strength", "estimate", value=0.30), "an effect of more than six errors: ask before use"),
        (put("ledger", "looks", value=2), "2 early looks"),
        (put("ledger", "reopened", value=1), "1 reopenings of the records"),
        (put("strength", "fallback", value=True), "analysed by the protocol's second method"),
        (put("again", value="a column was swapped"), "handed in again: a column was swapped"),
    ],
)
def test_what_is_noted_of_a_file_that_is_in(change: Callable[[Body], object], note: str) -> None:
    found = with_cheat(change)
    assert note in found.studios[2].notes
    assert "2 codes of files were told; the last one counts" in found.studios[2].notes
    assert found.studios[1].notes == ()


def test_few_of_the_promised_and_uneven_losses_are_noted() -> None:
    def lose(body: Body) -> None:
        arm = body["arms"]["conventional"]
        arm["tested"] -= 8
        arm["not_tested"] = {"other reasons": 10}

    assert "not tested: 43 % and 9 %" in with_cheat(lose).studios[2].notes
    listed, bodies = JoiningList.begun(LISTED.head), BODIES
    for kind, told, _ in LISTED.blocks[1:]:
        listed = listed.added(kind, {**told, "clients": 80} if kind == "joined" else told)
    assert "45 of 80 promised clients" in pooled(listed, contents(bodies)).studios[2].notes


# --- opening files: once, on the day, by everybody -------------------------------------------------


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, content in written_studios(LISTED, BODIES).items():
        (tmp_path / name).write_bytes(content)
    return tmp_path


def test_nobody_opens_files_while_others_can_join(folder: Path) -> None:
    with pytest.raises(DesignError, match="a list that is closed, after 2026-01-31; found 2026-01-31"):
        sk.pool(folder / "joining_list.txt", folder.glob("S*.json"), today=dt.date(2026, 1, 31))


def test_before_the_day_it_is_a_look_and_needs_a_reason(folder: Path) -> None:
    call = (folder / "joining_list.txt", sorted(folder.glob("S*.json")))
    with pytest.raises(DesignError, match="one pooling, on 2026-12-15 or later"):
        sk.pool(*call, today=dt.date(2026, 12, 14))
    assert sk.pool(*call, today=dt.date(2026, 12, 14), reason="a safety board asked").is_early
    assert not sk.pool(*call, today=dt.date(2026, 12, 15)).is_early


def test_another_set_after_the_pooling_needs_a_reason(folder: Path) -> None:
    files, path = sorted(folder.glob("S*.json")), folder / "joining_list.txt"
    day = dt.date(2026, 12, 16)
    first = sk.pool(path, files, today=day)
    opened = first.listed.added("pooled", {"day": day, "files": 6, "set": first.code, "reason": ""})
    path.write_text(opened.text(), encoding="utf-8")
    assert sk.pool(path, files, today=day).code == first.code
    with pytest.raises(DesignError, match="another set of files than was opened before"):
        sk.pool(path, files[1:], today=day)
    assert len(sk.pool(path, files[1:], today=day, reason="S01 withdrew").studios) == 5


def test_results_become_frames(folder: Path) -> None:
    found = sk.pool(folder / "joining_list.txt", folder.glob("S*.json"), today=dt.date(2026, 12, 15))
    frame = sk.to_frame(found.studios)
    assert list(frame["name"]) == list(BODIES)
    assert frame["value"].tolist() == [body["strength"]["estimate"] for body in BODIES.values()]
    answers = sk.to_frame(found.answers)
    assert math.isclose(answers["upper"][0], found["these studios"].confidence_interval().upper)


def test_a_list_or_file_that_is_not_there(folder: Path) -> None:
    with pytest.raises(FolderError, match="expected a file that can be read"):
        sk.pool(folder / "none.txt", [])
    with pytest.raises(
        ArgumentError, match=r"expected files of two studios or more .* found 0 \(no file left out\)"
    ):
        sk.pool(folder / "joining_list.txt", [], today=dt.date(2026, 12, 15))


def test_the_shipped_studios_are_those_that_are_made() -> None:
    for name, content in written_studios(*invented_studios()).items():
        assert (shipped("synthetic_data") / "pool" / name).read_bytes() == content
    assert len(content) < 2_100
    held = json.loads(content)
    assert {"studio", "ledger", "arms", "strength", "retention"} < set(held)
