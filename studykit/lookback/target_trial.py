"""The trial one would want, set beside what attendance records give (Hernán & Robins 2016)."""

from __future__ import annotations

from studykit.lookback.episodes import Episodes
from studykit.lookback.log import UNKNOWN_DAY, AttendanceLog
from studykit.lookback.results import TrialRow


def target_trial(log: AttendanceLog, episodes: Episodes, *, horizon: int) -> tuple[TrialRow, ...]:
    """Part by part, from who takes part to what must be true."""
    weeks, days = horizon // 7, episodes.rule.absence_days
    facts = ", ".join(fact.name for fact in log.facts)
    pauses = "and registered pauses " if log.pauses.client.size else ""
    marks = "a mark of partner reps in each session" if log.marked else "no mark of partner reps"
    notice = " Notice given is recorded, too." if (log.notice != UNKNOWN_DAY).any() else ""
    return (
        TrialRow(
            "Who takes part",
            "New clients who agree to either way of training and are fit for both",
            f"Everybody with a joining date: {int(episodes.new.sum())} who joined within the records and "
            f"{int((~episodes.new).sum())} existing members, who enter late. Fitness for partner reps is "
            "not known.",
        ),
        TrialRow(
            "What is compared",
            "Conventional sets with partner reps, done as a protocol says, with conventional sets only",
            f"Whatever trainers did: {marks}, not how hard, how many or how well.",
        ),
        TrialRow(
            "Who decides",
            "Chance, concealed until the client is enrolled",
            "Trainers and clients, for reasons that may bear on staying. Adjustment reaches only what is "
            f"recorded: attendance, time since joining, season, trainer{', ' + facts if facts else ''}.",
        ),
        TrialRow(
            "Time zero",
            "The day of allocation",
            "Joining; for existing members the day on which the records can first tell that they "
            "still train. "
            "Partner reps count from the session at which they begin, never before.",
        ),
        TrialRow(
            "Follow-up",
            f"{weeks} weeks, and {days} days more to judge the last absence",
            f"To the end of the records; the last {days} countable days only judge what came before. "
            "Clients who "
            "joined late are followed for less.",
        ),
        TrialRow(
            "Outcome",
            f"Still training after {weeks} weeks, by the same rule for everybody",
            f"The same rule: left when {days} days without attendance have passed, closures "
            f"{pauses}not counted."
            f"{notice}",
        ),
        TrialRow(
            "What is estimated",
            "The difference made by being offered partner reps",
            "How leaving went together with partner reps, among clients alike in what is recorded",
        ),
        TrialRow(
            "What must be true",
            "That nobody is lost from view",
            "That, among clients alike in what is recorded, beginning partner reps had nothing to do with "
            "staying for any other reason; that records of sessions and marks are complete",
        ),
    )
