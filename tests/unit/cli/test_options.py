"""What is typed on the command line becomes values, at the exact limits, or one message."""

from __future__ import annotations

import argparse
import datetime as dt
from pathlib import Path

import pytest

from studykit import options
from studykit.errors import ArgumentError
from studykit.study import looking_back


@pytest.mark.parametrize(
    ("read", "text", "value"),
    [
        (options.whole, "1", 1),
        (options.whole, "10000", 10_000),
        (options.trials, "2", 2),
        (options.trials, "10000000", 10_000_000),
        (options.workers, "1", 1),
        (options.workers, "1000", 1000),
        (options.workers, "tcp://studio:8786", "tcp://studio:8786"),
        (options.day, "2026-03-09", dt.date(2026, 3, 9)),
        (options.pair, " client = Member=No ", ("client", "Member=No")),
    ],
)
def test_what_fits_is_read(read, text, value) -> None:
    assert read(text) == value


@pytest.mark.parametrize(
    ("read", "text", "words"),
    [
        (options.whole, "0", "a whole number from 1 is wanted, not '0'"),
        (options.whole, "10001", "a whole number from 1"),
        (options.whole, "-3", "a whole number from 1"),
        (options.whole, "2.5", "a whole number from 1"),
        (options.trials, "1", "a number of studies from 2 is wanted, not '1'"),
        (options.trials, "10000001", "a number of studies from 2"),
        (options.trials, "many", "a number of studies from 2"),
        (options.workers, "0", "a number of processes, or an address"),
        (options.workers, "1001", "a number of processes, or an address"),
        (options.day, "09.03.2026", "a date such as 2026-03-09 is wanted, not '09.03.2026'"),
        (options.pair, "client", "NAME=VALUE is wanted, not 'client'"),
        (options.pair, "=Member", "NAME=VALUE"),
        (options.pair, "client= ", "NAME=VALUE"),
    ],
)
def test_what_does_not_fit_is_refused_in_words(read, text, words) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match=words):
        read(text)


def wish(*words: str) -> looking_back.Wish:
    parser = argparse.ArgumentParser()
    for names, settings in options.LOOK_BACK:
        parser.add_argument(*names, **settings)
    return options.look_back_wish(parser.parse_args(words))


def test_everything_that_is_said_of_an_export_arrives(tmp_path: Path) -> None:
    said = wish(
        "export.csv", "--column", "client=Member", "--column", "date=Visit", "--status", "ok=attended",
        "--date-order", "day", "--clients", "people.csv", "--adopted", "T1=never", "--fact", "goal",
        "--exported-on", "2026-03-09", "--horizon", "90", "--lead", "landmark", "--landmark", "28",
        "--landmark", "70", "--weeks-to-begin", "6", "--absence", "35", "--bootstrap", "200",
        "--out", "there", "--recode", "--study", "mine", "--by", "OW",
    )  # fmt: skip
    assert said.file == Path("export.csv")
    assert said.said.columns == {"client": "Member", "date": "Visit"}
    assert said.said.statuses == {"ok": "attended"}
    assert said.said.tables == {"clients": "people.csv"}
    assert said.said.adopted == {"T1": "never"}
    assert (said.said.date_order, said.said.extracted_on, said.said.facts) == ("day", "2026-03-09", ("goal",))
    assert (said.out, said.recode, said.study, said.by) == (Path("there"), True, Path("mine"), "OW")
    assert said.options == {
        "horizon": 90, "lead": "landmark", "landmarks": (28, 70), "grace_weeks": 6, "absence_days": 35,
        "bootstrap": 200,
    }  # fmt: skip


def test_what_is_not_said_keeps_its_default() -> None:
    said = wish("export.csv")
    assert said.options == {"horizon": 182, "grace_weeks": 4, "absence_days": 28}
    assert (said.out, said.recode, said.study, said.by, said.said.extracted_on) == (None, False, None, "", "")


@pytest.mark.parametrize(("words", "got"), [((), "neither"), (("export.csv", "--demo"), "both")])
def test_one_export_is_looked_back_at(words: tuple[str, ...], got: str) -> None:
    with pytest.raises(ArgumentError, match=f"or --demo; found {got}"):
        wish(*words)
