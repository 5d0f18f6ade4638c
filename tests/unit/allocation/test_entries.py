"""Canonical text, times, and the chain."""

import datetime as dt
import hashlib

import pytest

from studykit.allocation.entries import (
    canonical,
    check_chain,
    moment_text,
    next_entry,
    short_code,
    utc_moment,
)
from studykit.errors import ArgumentError

TIME = "2026-03-09T08:00:00.000Z"


def chain(number):
    entries = []
    for index in range(number):
        last = entries[-1] if entries else None
        entries.append(
            next_entry(last, kind="note", by="OW", entry_time=TIME, event_time=TIME, body={"n": index})
        )
    return entries


def test_canonical_text_does_not_depend_on_order():
    assert canonical({"b": 1, "a": [True, None, 1.5]}) == canonical({"a": [True, None, 1.5], "b": 1})
    assert canonical({"a": "é"}) == '{"a":"\\u00e9"}'


@pytest.mark.parametrize(
    "value", [{1: "a"}, {"a": float("nan")}, {"a": float("inf")}, {"a": {1, 2}}, dt.date.min]
)
def test_only_plain_values_are_written(value):
    with pytest.raises(ArgumentError, match="expected plain values"):
        canonical(value)


def test_the_code_can_be_computed_by_a_stranger():
    """SHA-256 of the canonical list: format, position, kind, by, both times, body text, code before."""
    entry = chain(1)[0]
    text = f'[1,1,"note","OW","{TIME}","{TIME}","{{\\"n\\":0}}","{"0" * 64}"]'  # what json.dumps writes
    assert entry.code == hashlib.sha256(text.encode("ascii")).hexdigest()
    assert short_code(entry.code).replace("-", "") == entry.code[:12]


def test_times_are_utc_and_come_back():
    moment = dt.datetime(2026, 7, 1, 1, 30, 0, 999_999, tzinfo=dt.timezone(dt.timedelta(hours=2)))
    assert moment_text(moment) == "2026-07-01T01:30:00.999+02:00"
    assert utc_moment(moment_text(moment)) == moment.replace(microsecond=999_000)
    with pytest.raises(ArgumentError, match="a time with its time zone"):
        moment_text(dt.datetime(2026, 7, 1))  # noqa: DTZ001 — that is the mistake


def test_a_whole_chain_has_no_findings():
    assert check_chain(chain(5)) == ()
    assert check_chain([]) == ()


@pytest.mark.parametrize(
    ("kind", "by", "message"), [("gossip", "OW", "kind: expected one of opening"), ("note", "", "by: ")]
)
def test_odd_entries_are_refused(kind, by, message):
    with pytest.raises(ArgumentError, match=message):
        next_entry(None, kind=kind, by=by, entry_time=TIME, event_time=TIME, body={})
