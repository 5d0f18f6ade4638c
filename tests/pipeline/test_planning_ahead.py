"""The owner plans from own records and tries the plan out on simulated studies, by command."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from studykit.cli import main
from studykit.study import Study


@pytest.fixture
def run(capsys):
    def call(*words):
        try:
            code = main([str(word) for word in words])
        except SystemExit as stop:  # argparse ends this way
            code = int(stop.code or 0)
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    return call


@pytest.fixture
def mine(tmp_path) -> Path:
    return Study.create(tmp_path / "mine").folder


@pytest.mark.slow
def test_the_quick_answer_first_then_the_simulated_one(mine, run) -> None:
    code, out, _ = run("plan", mine, "--clients", "20", "--simulate", "--trials", "60")
    assert code == 0
    assert out.index("What to do.") < out.index("Tried out: the study simulated")
    assert "In brackets: the range that holds the true share" in out
    assert "60 studies of 20 clients" in out
    page = (mine / "results" / "plan.html").read_text(encoding="utf-8")
    assert "Tried out: the study simulated" in page
    saved = json.loads((mine / "results" / "plan.json").read_text(encoding="utf-8"))
    assert saved["simulated"]["study"]["trials"] == 60


def test_figures_from_an_earlier_study(mine, tmp_path, run) -> None:
    earlier = Study.demo(tmp_path / "earlier")[0].folder
    code, out, _ = run("plan", mine, "--from-records", earlier, "--json")
    assert code == 0
    answer = json.loads(out)
    sources = {item["key"]: item["source"] for item in answer["assumptions"]}
    assert sources["sd_score"].startswith("your own records, earlier (")
    assert sources["retention_reference"].startswith("your own records, earlier (")
    bare = run("plan", mine, "--from-records", earlier / "records", "--json")[1]
    again = {item["key"]: item["value"] for item in json.loads(bare)["assumptions"]}
    assert again["sd_score"] == next(
        item["value"] for item in answer["assumptions"] if item["key"] == "sd_score"
    )


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--from-records", "nowhere"), "expected a folder with record tables"),
        (("--simulate", "--workers", "none"), "a number of processes, or an address"),
        (("--simulate", "--trials", "1"), "a number of studies from 2"),
    ],
)
def test_mistakes_are_told_in_one_message(mine, run, words, message) -> None:
    code, _, err = run("plan", mine, *words)
    assert code == 2
    assert message in err


def test_an_empty_folder_of_records_is_refused(mine, run) -> None:
    code, _, err = run("plan", mine, "--from-records", mine)
    assert code == 2
    assert "clients.csv" in err


class Stopping:
    """Progress during which somebody presses Ctrl-C, once the first batch of the planned study is done."""

    def stage(self, _name):
        def tell(done, expected):
            if done < expected:
                raise KeyboardInterrupt

        return tell


def test_ctrl_c_keeps_what_is_done(mine, run, monkeypatch) -> None:
    """Code 0, the answer says how far it came, the page holds what was done and nothing that was not."""
    monkeypatch.setattr("studykit.commands.TrialProgress", Stopping)
    code, out, _ = run("plan", mine, "--clients", "40", "--simulate", "--trials", "400")
    assert code == 0
    assert "The work was stopped early: 93 of 400 studies" in out
    assert "of studies (simulated:" not in out
    assert "The work was stopped early" in (mine / "results" / "plan.html").read_text(encoding="utf-8")
