"""Eight studios come to one answer, by command; then two of them cheat, in every way there is to be met."""

from __future__ import annotations

import copy
import json
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from studykit.cli import main
from studykit.errors import ArgumentError
from studykit.pooling.joining_list import JoiningList, told_line
from studykit.pooling.pool import Pooled, pooled
from studykit.pooling.studio_file import code_of, written_file
from studykit.protocol import local_time
from tests.pipeline.pooled_studios import (
    CLOSES,
    DUE,
    ENROLLED,
    LOCKED,
    OVER,
    Clock,
    Studio,
    agreed_protocol,
    settings_of,
)

Body = dict[str, Any]
Run = Callable[..., tuple[int, str, str]]
CLIENTS, NAMES = 24, tuple(f"S{place:02}" for place in range(1, 9))
CHEATS = NAMES[6:]


@dataclass
class Play:
    """The list before files were opened, every studio's file, and where they lie."""

    path: Path
    listed: JoiningList
    bodies: dict[str, Body]
    studios: dict[str, Studio]
    clock: Clock
    honest: Pooled

    def file(self, name: str) -> Path:
        return self.studios[name].folder / "results" / f"{name}_hand_in.json"


def done(*words: object) -> None:
    assert main([str(word) for word in words]) == 0


@pytest.fixture(scope="module")
def play(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Play]:
    """From the first lock to the day on which files are opened."""
    patch, clock = pytest.MonkeyPatch(), Clock()
    patch.setattr(local_time, "_now", clock)
    home, read = tmp_path_factory.mktemp("eight"), agreed_protocol(CLIENTS)
    path, clock.day = home / "list.txt", LOCKED
    studios = {name: Studio(home / name, read, clock, seed=place) for place, name in enumerate(NAMES)}
    for studio in studios.values():
        studio.lock()
    done("studios", "new", path, "--study", home / "S01", "--closes", CLOSES, "--due", DUE)
    for name in NAMES:
        words = ("--study", home / name, "--clients", CLIENTS, "--until", "2026-10-31")
        done("studios", "join", path, *words)
    clock.day = ENROLLED
    settings = settings_of(read)
    visits = tuple(replace(visit, missed=0.0) for visit in settings.visits)
    settings = replace(settings, visits=visits, missed_exercise=0.0)
    for name, studio in studios.items():
        studio.run(settings)
        done("studios", "note", path, "--study", home / name)
    clock.day, bodies = OVER, {}
    for name, studio in studios.items():
        done("note", studio.folder, "--what", "data_lock", "--reason", "all tests are in", "--by", "OW")
        done("hand-in", studio.folder, "--list", path, "--by", "OW", "--yes")
        bodies[name] = json.loads((studio.folder / "results" / f"{name}_hand_in.json").read_text())
        done("studios", "note", path, f"{name}: file {bodies[name]['code']}")
    listed = JoiningList.read(path.read_text(encoding="utf-8"))
    contents = [(f"{name}.json", written_file(bodies[name])) for name in NAMES if name not in CHEATS]
    yield Play(path, listed, bodies, studios, clock, pooled(listed, contents, day=DUE))
    patch.undo()


@pytest.fixture
def table(play: Play, tmp_path: Path) -> Path:
    """A copy of the list, to be written to."""
    play.clock.day = DUE
    return Path(shutil.copy(play.path, tmp_path / "list.txt"))


def test_eight_honest_studios_come_to_one_answer(play: Play, table: Path, run: Run) -> None:
    files = [play.file(name) for name in NAMES]
    code, out, _ = run("pool", table, *files)
    assert code == 0
    assert "8 of 8 studios on the joining list are in, with 192 clients." in out
    assert "In studios like these, " in out
    assert "In these 8 studios, " in out
    text = table.read_text(encoding="utf-8")
    assert text.count("\npooled\n") == 1
    # The same files again change nothing, in whatever order they come.
    assert run("pool", table, *reversed(files))[:2] == (0, out)
    assert table.read_text(encoding="utf-8") == text
    # One studio is drawn; it shows its folder, and the folder gives the file again.
    drawn = out.split("to show the folder to an outsider: ")[1].split(".")[0]
    assert drawn in NAMES
    code, out, _ = run("pool", table, play.file(drawn), "--verify", play.studios[drawn].folder)
    assert (code, out) == (0, f"Same: the folder gives the file of studio {drawn} again.\n")
    # Another studio's folder does not.
    other = next(name for name in NAMES if name != drawn)
    code, out, _ = run("pool", table, play.file(drawn), "--verify", play.studios[other].folder)
    assert code == 1
    assert out.startswith(f"Not the same: the folder does not give the file of studio {drawn}.")


def changed_afterwards(body: Body) -> bytes:
    """A number in the file, and nothing else."""
    content = written_file(body).decode("utf-8")
    return content.replace(f'"estimate": {body["strength"]["estimate"]}', '"estimate": 0.0999').encode(
        "utf-8"
    )


def begun_again(body: Body) -> None:
    body["ledger"]["codes"]["1"] = body["ledger"]["first"] = "a" * 64


def clients_dropped(body: Body) -> None:
    arm = body["arms"]["conventional"]
    for name in ("allocated", "received", "known"):
        arm[name] -= 1
    arm["retained"] = min(arm["retained"], arm["known"])
    arm["tested"] = arm["allocated"] - sum(arm["not_tested"].values())


def ledger_cut(body: Body) -> None:
    clients_dropped(body)
    body["ledger"]["allocated"] -= 1
    body["ledger"]["entries"] = 9


def other_protocol(body: Body) -> None:
    body["protocol"] = "b" * 64


def too_sure(body: Body) -> None:
    body["strength"]["error"] = 0.003


def impossible(body: Body) -> None:
    body["arms"]["partner_reps"]["retained"] = 90


def made_up(body: Body) -> None:
    body["ledger"]["simulated"] = True


def not_audited(body: Body) -> None:
    body["ledger"]["audit"] = "not passed"


def of_nobody(body: Body) -> None:
    body["studio"] = f"X{body['studio'][1:]}"


# How a file is falsified, its code made anew and told in time; and what the pooling says of it.
FALSE: dict[str, tuple[Callable[[Body], None], str]] = {
    "begun again": (begun_again, "entry 1 of its ledger is not the one that was told at the time"),
    "dropped": (clients_dropped, "23 clients in its flow, 24 drawn in its ledger"),
    "cut": (ledger_cut, "23 clients, 24 told to the list before: some were dropped"),
    "wrong protocol": (other_protocol, "another protocol, or another version of it"),
    "too sure": (too_sure, "an error of 0.003 does not go with"),
    "impossible": (impossible, "partner_reps: impossible numbers of clients"),
    "invented": (made_up, "made from an invented study"),
    "audit": (not_audited, "its own audit did not pass"),
    "no such studio": (of_nobody, "this studio is not on the joining list"),
}


def six_are_left(found: Pooled, play: Play, sentence: str) -> None:
    """Both cheats are out, with this reason, and the six others say what they say without them."""
    assert [item.file for item in found.left_out] == [f"{name}.json" for name in CHEATS]
    assert all(any(sentence in why for why in item.reasons) for item in found.left_out)
    assert [one.studio for one in found.missing] == list(CHEATS)
    assert found.code == play.honest.code
    assert [one.value for one in found.answers] == [one.value for one in play.honest.answers]
    assert found.missing_would_need is not None


@pytest.mark.parametrize("way", FALSE)
def test_two_false_files_of_every_kind_are_left_out(way: str, play: Play) -> None:
    falsify, sentence = FALSE[way]
    bodies, listed = copy.deepcopy(play.bodies), play.listed
    for name in CHEATS:
        falsify(bodies[name])
        listed = listed.added("file", {"day": OVER, "studio": name, "file": code_of(bodies[name])})
    contents = [(f"{name}.json", written_file(bodies[name])) for name in NAMES]
    six_are_left(pooled(listed, contents, day=DUE), play, sentence)


def test_files_changed_on_the_way_are_left_out(play: Play) -> None:
    contents = [
        (f"{name}.json", (changed_afterwards if name in CHEATS else written_file)(play.bodies[name]))
        for name in NAMES
    ]
    assert contents[-1][1] != written_file(play.bodies["S08"])
    six_are_left(pooled(play.listed, contents, day=DUE), play, "changed after it was written, or cut off")


def test_files_chosen_after_others_were_opened_are_left_out(play: Play) -> None:
    opened = {"day": DUE, "files": 6, "set": play.honest.code, "reason": ""}
    listed, bodies = play.listed.added("pooled", opened), copy.deepcopy(play.bodies)
    for name in CHEATS:
        bodies[name]["strength"]["estimate"] = 0.06
        listed = listed.added("file", {"day": DUE, "studio": name, "file": code_of(bodies[name])})
    contents = [(f"{name}.json", written_file(bodies[name])) for name in NAMES]
    found = pooled(listed, contents, day=DUE)
    six_are_left(found, play, "the code of its file was told after files had been opened")


def test_other_files_than_were_told_are_left_out(play: Play) -> None:
    bodies = copy.deepcopy(play.bodies)
    for name in CHEATS:
        bodies[name]["strength"]["estimate"] = 0.06
    contents = [(f"{name}.json", written_file(bodies[name])) for name in NAMES]
    six_are_left(pooled(play.listed, contents, day=DUE), play, "it is not the file whose code was told")


def test_two_who_hand_in_twice_count_once(play: Play) -> None:
    contents = [(f"{name}.json", written_file(play.bodies[name])) for name in NAMES]
    again = [(f"copy of {name}.json", written_file(play.bodies[name])) for name in CHEATS]
    once, twice = pooled(play.listed, contents, day=DUE), pooled(play.listed, contents + again, day=DUE)
    assert twice.code == once.code
    assert [(item.studio, item.reasons) for item in twice.left_out] == [
        (name, ("a second file of this studio, the same file",)) for name in CHEATS
    ]


def test_two_who_stay_silent_are_named(play: Play, table: Path, run: Run) -> None:
    code, out, _ = run("pool", table, *(play.file(name) for name in NAMES if name not in CHEATS))
    assert code == 0
    assert "No file in the pooling from 2 studios, which promised 48 clients: S07, S08." in out
    assert "the missing ones would have to show " in out


def test_nobody_joins_who_could_know_results(play: Play, table: Path, run: Run) -> None:
    words = ("studios", "join", table, "--study", play.studios["S07"].folder, "--clients", 20)
    code, _, err = run(*words, "--until", "2026-12-31")
    assert code == 2
    assert f"expected a list that is open until {CLOSES}; found {DUE}." in err
    # A list without the studio, and the clock put back: its first test is already due before it closes.
    fresh = JoiningList.begun({**play.listed.head, "closes": "2026-04-30"})
    table.write_text(fresh.text(), encoding="utf-8")
    play.clock.day = ENROLLED
    code, _, err = run(*words, "--until", "2026-12-31")
    assert code == 2
    assert "expected no test after allocation before the list closes; found one due on 2026-03-16." in err


def test_a_shorter_ledger_is_not_noted(play: Play) -> None:
    for name in CHEATS:
        line = f"{name}: entry 9 is {'c' * 64}, 7 clients"
        with pytest.raises(ArgumentError, match="a ledger that has grown since it was last told of"):
            play.listed.added(*told_line(line, OVER))


def test_a_ledger_drawn_anew_cannot_hand_in(play: Play, tmp_path: Path, table: Path, run: Run) -> None:
    again = replace(play.studios["S08"], folder=tmp_path / "S08", seed=80)
    play.clock.day = LOCKED
    again.lock()
    play.clock.day = OVER
    code, _, err = run("hand-in", again.folder, "--list", table, "--by", "OW", "--yes")
    assert code == 2
    assert "expected a studio of the list; found a ledger that is not on it. Is it the right list?" in err


def test_a_plausible_lie_is_seen_by_who_is_shown_the_folder(play: Play, table: Path, run: Run) -> None:
    listed = play.listed
    for name in CHEATS:
        body = copy.deepcopy(play.bodies[name])
        body["strength"]["estimate"] = round(body["strength"]["estimate"] + 0.02, 4)
        listed = listed.added("file", {"day": OVER, "studio": name, "file": code_of(body)})
        lie = table.parent / f"{name}.json"
        lie.write_bytes(written_file(body))
    contents = [(f"{name}.json", written_file(play.bodies[name])) for name in NAMES if name not in CHEATS]
    lies = [(f"{name}.json", (table.parent / f"{name}.json").read_bytes()) for name in CHEATS]
    assert pooled(listed, contents + lies, day=DUE).left_out == ()  # arithmetic cannot see it
    code, out, _ = run("pool", table, table.parent / "S08.json", "--verify", play.studios["S08"].folder)
    assert code == 1
    assert "- strength, estimate: " in out
