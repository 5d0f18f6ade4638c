"""Every row once, own retention, alarms, exploratory answers: what stands around the comparison."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.lookback.answer_sentences import account_sentences, alarm, ending_sentence, headline, summary
from studykit.lookback.episodes import follow_clients, session_facts
from studykit.lookback.log import AttendanceLog
from studykit.lookback.look_back import came_back, is_doubtful, look_back
from studykit.lookback.look_back_results import Account, LookBack
from studykit.lookback.session_clock import sessions_at_risk
from studykit.results import RowCount, to_plain
from synthetic_data.simulated_studio import StudioTruth, simulated_log


@pytest.fixture(scope="module")
def log() -> AttendanceLog:
    return simulated_log(StudioTruth(clients=220, starting=0.03, hazard_ratio=0.6), 5)


@pytest.fixture(scope="module")
def look(log: AttendanceLog) -> LookBack:
    return look_back(log, bootstrap=0)


def test_every_step_begins_with_what_the_step_before_left(log: AttendanceLog, look: LookBack) -> None:
    account = look.account
    assert account is not None
    assert account.rows.used == account.sessions.supplied == len(log.session_day)
    judged = dict(account.answers)
    assert judged["Session by session (partner reps begun)"].supplied == account.sessions.used
    plain = to_plain(look)
    assert plain["account"]["rows"]["used"] == len(log.session_day)
    assert plain["verdict"]["kind"] == look.verdict.kind
    assert f"{account.sessions.used} of them are of clients who can be followed" in " ".join(
        account_sentences(account)
    )


@pytest.mark.parametrize(("followed", "judged"), [(9, 7), (8, 8), (10, 8)])
def test_sums_that_do_not_fit_are_an_error(followed: int, judged: int) -> None:
    rows = RowCount(12, 9, (("cancelled or not kept", 3),))
    sessions = RowCount(followed, 8, (("not followed", followed - 8),), "sessions")
    with pytest.raises(ArgumentError, match="account of the rows"):
        Account(rows, sessions, (("lead", RowCount(judged, judged, (), "sessions")),))


def test_cancelled_bookings_are_no_sessions(log: AttendanceLog) -> None:
    told = dataclasses.replace(
        log, rows=RowCount(len(log.session_day) + 7, len(log.session_day) + 4, (("no date", 3),))
    )
    account = look_back(told, bootstrap=0).account
    assert account is not None
    assert account.rows.left_out == (("no date", 3), ("cancelled or not kept", 4))


def test_months_and_quarters_are_those_of_the_log(log: AttendanceLog, look: LookBack) -> None:
    months = {item.month: item for item in look.own.months}
    of_log = log.session_day.astype("datetime64[D]").astype("datetime64[M]").astype(str)
    for month in ("1970-01", "1970-09", "1971-04"):
        assert months[month].training == len(set(log.session_client[of_log == month].tolist()))
    assert sum(item.joined for item in look.own.months) == look.new_clients
    assert 0 < sum(item.left for item in look.own.months) <= look.events
    assert [curve.label for curve in look.own.by_quarter][-1] == "joined 1971 quarter 2"


def test_alarms_come_before_any_headline(look: LookBack) -> None:
    for changed, told in (
        ({"events": look.clients}, f"Every one of the {look.clients} clients counts as having left"),
        ({"events": 0}, f"Not one of the {look.clients} clients counts as having left"),
        (
            {"returned": look.events // 2 + 1},
            f"of the {look.events} clients who count as having left came again",
        ),
    ):
        doubtful = dataclasses.replace(look, **changed)
        assert told in alarm(doubtful)
        assert headline(doubtful).startswith(alarm(doubtful))
    assert alarm(dataclasses.replace(look, returned=look.events // 2)) == ""


def test_departures_that_are_mostly_undone_make_every_number_doubtful(log: AttendanceLog) -> None:
    """Everybody stays away for five weeks once: the departures are holidays."""
    moved = log.session_day + np.where(log.session_day > 200 + log.session_client % 40, 35, 0)
    away = dataclasses.replace(log, session_day=moved, last_day=int(moved.max()))
    episodes = follow_clients(away)
    returned = came_back(away, episodes)
    assert returned > episodes.event.sum() / 2
    assert is_doubtful(episodes, returned)
    found = look_back(away, bootstrap=0)
    assert found.verdict.kind == "cannot tell"
    assert any(
        str(item).startswith("look back, departures") for item in found.findings if item.severity == "stop"
    )


def test_the_end_that_is_used_is_told_and_compared(look: LookBack) -> None:
    assert look.ending is not None
    told = f"{look.ending.sessions} sessions in their last 28 days; usually {look.ending.usual:.0f}."
    assert told in ending_sentence(look)
    assert " ".join(summary(look).split()).index(told) < " ".join(summary(look).split()).index(
        look.verdict.words
    )


# --- who had begun before anybody wrote it down ----------------------------------------------------


def test_members_from_before_count_from_their_first_mark_only(log: AttendanceLog) -> None:
    episodes = follow_clients(log)
    facts = session_facts(log, episodes)
    before = (episodes.joined < log.first_day)[episodes.episode]
    risk = sessions_at_risk(episodes, facts)
    assert not (before[risk.place] & ~risk.exposed).any()
    assert (before[risk.place] & risk.exposed).any()
    reasons = dict(risk.rows.left_out)
    expected = int((episodes.judged & before & ~facts.begun).sum())
    assert reasons["there before marks were made, so that partner reps may have begun before"] == expected > 0
    told = dataclasses.replace(log, practice_from=log.first_day)
    assert session_facts(told, episodes).settled.all()
    assert sessions_at_risk(episodes, facts, "done").rows.used == int(episodes.judged.sum())


def test_marks_that_begin_later_than_the_records_are_when_members_from_before_end(log: AttendanceLog) -> None:
    late = np.where(log.session_day < 120, -1, log.session_partner_reps)
    shorter = dataclasses.replace(log, session_partner_reps=late)
    episodes = follow_clients(shorter)
    settled = session_facts(shorter, episodes).settled
    began_unseen = (episodes.joined < 120)[episodes.episode]
    facts = session_facts(shorter, episodes)
    assert (settled == facts.begun)[began_unseen].all()
    assert settled[~began_unseen].all()


# --- by how often, and early ----------------------------------------------------------------------


def test_by_how_often_and_in_the_first_weeks_is_exploratory(look: LookBack) -> None:
    assert [answer.variant for answer in look.exploratory] == [
        "partner reps in some sessions", "partner reps in most sessions", "partner reps begun, first 90 days",
    ]  # fmt: skip
    assert not {answer.variant for answer in look.exploratory} & {
        answer.variant for answer in look.answers if answer.method != "session clock"
    }
    assert all(answer.hazard_ratio for answer in look.exploratory[1:])


def test_frequency_is_that_of_the_four_weeks_up_to_each_session(log: AttendanceLog) -> None:
    episodes = follow_clients(log)
    facts = session_facts(log, episodes)
    some, most = (sessions_at_risk(episodes, facts, kind) for kind in ("some", "most"))
    for risk, wanted in ((some, lambda share: share <= 0.5), (most, lambda share: share > 0.5)):
        for place in np.random.default_rng(3).choice(risk.place, 40, replace=False).tolist():
            own = (episodes.episode == episodes.episode[place]) & (episodes.day <= episodes.day[place])
            own &= episodes.day >= episodes.day[place] - 28
            share = facts.done[own].mean()
            exposed = bool(risk.exposed[np.searchsorted(risk.place, place)])
            assert exposed == (share > 0)
            assert not exposed or wanted(share)
    early = sessions_at_risk(episodes, facts, "begun, first 90 days")
    assert episodes.day[early.place].max() <= 90


# --- words ----------------------------------------------------------------------------------------


def long_sentences(text: str, most: int = 25) -> list[str]:
    """Sentences of more words; numbers and brackets count as words."""
    sentences = re.split(r"(?<=[.!?:])\s+", " ".join(text.split()))
    return [one for one in sentences if len(re.findall(r"\w[\w.%'/-]*", one)) > most]


def test_no_sentence_is_longer_than_25_words(look: LookBack) -> None:
    text = re.sub(
        r"Of \d+ rows.*?named in advance", "", summary(look), count=1, flags=re.DOTALL
    )  # the account
    text = re.sub(r"(Adjusted for|Taken into account:)[^.]*\.", "", text)  # lists
    assert long_sentences(text.replace("\n\n", ". ").replace("  - ", ". ")) == []


def test_every_method_has_its_technical_name_once(look: LookBack) -> None:
    words = " ".join(answer.method_in_words for answer in look.answers)
    for name in ("Discrete-time hazard model", "Landmark analysis",
                 "Target trial emulation by cloning, censoring and weighting"):  # fmt: skip
        assert name in words
