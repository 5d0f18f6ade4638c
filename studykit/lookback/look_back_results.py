"""What a look back gives: one wrong answer, shown to be wrong, and several proper ones.

Every answer has its own estimand; none is a causal effect, and none is pooled with another.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from studykit.errors import ArgumentError, Finding
from studykit.lookback.log import Floats, Integers
from studykit.lookback.verdict import Verdict, choose_verdict
from studykit.results import Interval, Result, RowCount

Method = Literal["whole effect", "session clock", "landmark", "strategies from joining", "before and after"]


@dataclass(frozen=True, slots=True)
class Association(Result):
    """A number with its interval, on the scale on which it is read.

    Parameters
    ----------
    value : float
        A hazard ratio, a ratio of odds, or a difference of shares.
    interval : Interval
    p_value : float
        Two-sided, against no difference.
    standard_error : float
        On the scale of the analysis: the logarithm for ratios.
    degrees_of_freedom : float
        Of the t distribution that made the interval; ``inf`` for a bootstrap interval.
    """

    value: float
    interval: Interval
    p_value: float
    standard_error: float
    degrees_of_freedom: float


@dataclass(frozen=True, slots=True, eq=False)
class Curve(Result):
    """Share still training, by day since time zero.

    Parameters
    ----------
    label : str
        Whose curve.
    day, share, lower, upper : ndarray of float, shape (k,)
    at_risk : ndarray of int, shape (k,)
    """

    label: str
    day: Floats
    share: Floats
    lower: Floats
    upper: Floats
    at_risk: Integers


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Answer(Result):
    """One proper way to ask, with its own estimand; without numbers where it is refused.

    Parameters
    ----------
    method : Method
    estimand : str
        What is compared with what, in whom, from when to when, in one sentence.
    hazard_ratio, risk_difference : Association or None
        The difference is partner reps minus without, in shares that left by the horizon.
    out_of_100 : tuple of float, or None
        Clients out of 100 still training at the horizon: with partner reps, without.
    curves : tuple of Curve
    clients, events : int
    unit : str
        What the rows of the analysis are, e.g. "sessions".
    rows : RowCount
    adjusted_for : tuple of str
    method_in_words : str
    checks : tuple of (str, float)
        What a reader should look at before believing it: largest weight, effective number of clients, …
    refused : str
        Why there is no number (too few events, say), empty otherwise.
    risk_ratio : Association or None
        Ratio of the shares that left by the horizon, with partner reps to without.
    variant : str
        Tells answers of one method apart, in a few words.
    """

    method: Method
    estimand: str
    hazard_ratio: Association | None = None
    risk_difference: Association | None = None
    out_of_100: tuple[float, float] | None = None
    curves: tuple[Curve, ...] = ()
    clients: int
    events: int
    unit: str
    rows: RowCount
    adjusted_for: tuple[str, ...] = ()
    method_in_words: str
    checks: tuple[tuple[str, float], ...] = ()
    refused: str = ""
    risk_ratio: Association | None = None
    variant: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Naive(Result):
    """The comparison that must not be made, made to show by how much it misleads.

    Parameters
    ----------
    hazard_ratio : Association or None
        "Ever had partner reps" against "never", from joining.
    person_days_reclassified : int
        Days counted as partner-rep days although nobody could yet know that there would be any.
    person_days : int
    curves : tuple of Curve
    why : str
    split_hazard_ratio : Association or None
        The same with the days before the first partner reps counted as days without.
    """

    hazard_ratio: Association | None
    person_days_reclassified: int
    person_days: int
    curves: tuple[Curve, ...]
    why: str
    split_hazard_ratio: Association | None = None


@dataclass(frozen=True, slots=True)
class Balance(Result):
    """How the two groups differed before time zero.

    Parameters
    ----------
    fact : str
    with_partner_reps, without : float
        Share or mean in each group.
    standardised_difference : float
    after_weighting : float
        The same under the weights; ``nan`` where no weights were used.
    """

    fact: str
    with_partner_reps: float
    without: float
    standardised_difference: float
    after_weighting: float = float("nan")


@dataclass(frozen=True, slots=True)
class BiasRow(Result):
    """What the ratio of risks would be, had one supposed common cause been recorded.

    Parameters
    ----------
    share_with, share_without : float
        Share of clients with the supposed cause, among those with partner reps and among the others.
    risk_ratio_of_cause : float
        How many times as many clients with the cause leave.
    corrected_ratio : float
    """

    share_with: float
    share_without: float
    risk_ratio_of_cause: float
    corrected_ratio: float


@dataclass(frozen=True, slots=True)
class UnmeasuredBound(Result):
    """How strong an unrecorded common cause would have to be to explain the association away.

    Parameters
    ----------
    ratio : float
        On the scale of a ratio of risks.
    e_value, e_value_of_interval : float
        For the estimate, and for the end of the interval nearer to no difference.
    method : str
    bias_table : tuple of BiasRow
    """

    ratio: float
    e_value: float
    e_value_of_interval: float
    method: str
    bias_table: tuple[BiasRow, ...] = ()


@dataclass(frozen=True, slots=True)
class TrialRow(Result):
    """One line of the table that sets the trial one would want beside what the records give."""

    part: str
    wanted: str
    records_give: str


@dataclass(frozen=True, slots=True)
class NextStudy(Result):
    """Numbers for planning the randomised study, from these records.

    Parameters
    ----------
    retained_at_horizon : Interval or None
    retained : float
    sessions_per_week : float
    trainer_spread : float
        Intraclass correlation of retention over trainers, 0 at least.
    clients_per_month : float
        New clients.
    sentences : tuple of str
    trainer_spread_interval : Interval or None
    clients_training : int
        Clients who had not left when the records end.
    assumptions : tuple of str
        Tables for the planning part of a protocol, as text.
    """

    retained_at_horizon: Interval | None
    retained: float
    sessions_per_week: float
    trainer_spread: float
    clients_per_month: float
    sentences: tuple[str, ...]
    trainer_spread_interval: Interval | None = None
    clients_training: int = 0
    assumptions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Sensitivity(Result):
    """What another choice would have given.

    Parameters
    ----------
    choice : str
        What was chosen otherwise, in words.
    answer : Answer or None
        ``choice`` says which comparison.
    retention : Curve
        Everybody.
    """

    choice: str
    answer: Answer | None
    retention: Curve


@dataclass(frozen=True, slots=True)
class NegativeControl(Result):
    """A comparison that partner reps cannot have moved.

    Parameters
    ----------
    what, reading : str
        What is compared, and what a ratio away from 1 means.
    association : Association or None
    refused : str
        Why there is no number; empty otherwise.
    """

    what: str
    association: Association | None
    reading: str
    refused: str = ""


@dataclass(frozen=True, slots=True)
class Account(Result):
    """From the rows of the file to what each answer judges, every row once.

    Parameters
    ----------
    rows : RowCount
        Rows of the file; used are attended sessions.
    sessions : RowCount
        Those sessions; used are those of clients who can be followed.
    answers : tuple of (str, RowCount)
        What each answer judges of these sessions, or of these clients.

    Raises
    ------
    ArgumentError
        If one step does not begin with what the step before left.
    """

    rows: RowCount
    sessions: RowCount
    answers: tuple[tuple[str, RowCount], ...] = ()

    def __post_init__(self) -> None:
        judged = [count for _, count in self.answers if count.unit == "sessions"]
        steps = [(self.rows.used, self.sessions), *((self.sessions.used, count) for count in judged)]
        for left, count in steps:
            if count.supplied != left:
                raise ArgumentError(
                    where="account of the rows", expected=f"{left} sessions, as the step before left",
                    got=f"{count.supplied}",
                )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Ending(Result):
    """How the records end.

    Parameters
    ----------
    sessions : int
        In the last so many days.
    usual : float
        In as many days before, the median; not a number in short records.
    days : int
    """

    sessions: int
    usual: float
    days: int


@dataclass(frozen=True, slots=True)
class Month(Result):
    """Clients by month of the calendar.

    Parameters
    ----------
    month : str
        Such as ``2025-03``.
    joined, left, training : int
        Clients who joined, whose last session before leaving it was, and who came at least once.
    """

    month: str
    joined: int
    left: int
    training: int


@dataclass(frozen=True, slots=True, eq=False)
class OwnRetention(Result):
    """How the studio's clients stay, before any comparison.

    Parameters
    ----------
    by_quarter : tuple of Curve
        By quarter of joining, where enough joined.
    months : tuple of Month
    """

    by_quarter: tuple[Curve, ...] = ()
    months: tuple[Month, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class LookBack(Result):
    """The whole answer of a look back.

    Parameters
    ----------
    lead : Method or None
        The answer named before the records were opened; ``None`` where no comparison can be made.
    naive : Naive or None
    answers : tuple of Answer
        The lead first.
    retention : Curve
        Everybody, delayed entry respected; from 10 or more at risk.
    balance : tuple of Balance
    bound : UnmeasuredBound or None
        For the lead.
    target_trial : tuple of TrialRow
    next_study : NextStudy
    rows : RowCount
    clients, new_clients, existing_clients, events : int
    horizon : int
        Days.
    first_day, last_day, cut_day : int
        Window of the records, and the last session day after which an absence could still be judged in them.
    findings : tuple of Finding
    source : str
    sensitivity : tuple of Sensitivity
        A longer absence before it counts as a departure; other weeks within which to begin.
    negative_controls : tuple of NegativeControl
    account : Account or None
    verdict : Verdict
    returned : int
        Clients who came again after what counts as their departure.
    ending : Ending or None
    own : OwnRetention
    exploratory : tuple of Answer
        By how often, and in the first weeks; nobody named these before the records were opened.
    why_none : str
        Why no comparison can be made; empty where one can.
    """

    lead: Method | None
    naive: Naive | None
    answers: tuple[Answer, ...]
    retention: Curve
    balance: tuple[Balance, ...]
    bound: UnmeasuredBound | None
    target_trial: tuple[TrialRow, ...]
    next_study: NextStudy
    rows: RowCount
    clients: int
    new_clients: int
    existing_clients: int
    events: int
    horizon: int
    first_day: int
    last_day: int
    cut_day: int
    findings: tuple[Finding, ...] = field(default=())
    source: str = ""
    sensitivity: tuple[Sensitivity, ...] = ()
    negative_controls: tuple[NegativeControl, ...] = ()
    account: Account | None = None
    verdict: Verdict = field(default_factory=lambda: choose_verdict(None, 1.0))
    returned: int = 0
    ending: Ending | None = None
    own: OwnRetention = field(default_factory=OwnRetention)
    exploratory: tuple[Answer, ...] = ()
    why_none: str = ""

    def __repr__(self) -> str:
        given = sum(not answer.refused for answer in self.answers)
        return (
            f"LookBack({self.clients} clients, {self.events} departures, {given} of {len(self.answers)} "
            f"answers given, lead: {self.lead or 'none'}; studykit.lookback.answer_sentences.summary tells "
            "all)"
        )
