"""An invented study's results, made by hand, for everything that is written from results."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pytest

from studykit.errors import Finding
from studykit.kinds.continuous.results import (
    ArmVisitMean,
    ContinuousResult,
    ObservedSeries,
    Reliability,
    VarianceComponent,
)
from studykit.kinds.retention.results import RetentionCurvePoints, RetentionResult, RetentionStatus
from studykit.lookback.log import AttendanceLog, NoticedRows, no_spans
from studykit.lookback.look_back_results import (
    Answer,
    Association,
    Balance,
    BiasRow,
    Curve,
    LookBack,
    Naive,
    NextStudy,
    TrialRow,
    UnmeasuredBound,
)
from studykit.outcomes.limits import SMALL_STUDY
from studykit.outcomes.results import (
    BaselineCell,
    BaselineRow,
    Decision,
    DeliveryArm,
    DeliveryResult,
    FlowArm,
    FlowOutcome,
    FlowResult,
    HarmArm,
    HarmsResult,
    MissingCount,
    OutcomeEstimate,
    Provenance,
    StudyResults,
)
from studykit.protocol.types import Protocol
from studykit.report.lookback_page import LookBackReading
from studykit.results import Estimate, Interval, RowCount, frozen_array

ARMS = (("conventional", "conventional sets"), ("partner_reps", "partner reps"))
CONTRAST = "partner_reps compared with conventional"
ROWS = RowCount(72, 70, (("no test at any visit", 2),), "clients")
ESTIMAND = (
    "In adults who train at the studio: ratio of geometric means of strength at visit week_12, equal weights "
    "over chest press, leg press; leaving the studio: hypothetical"
)
SIX_TRAINERS = (
    "6 trainers delivered both arms: the comparison is for these trainers; how it spreads over trainers is "
    "shown and not generalised."
)


def outcome(
    name: str,
    value: float,
    standard_error: float,
    *,
    unit: str = "ratio",
    presentation: Any = "ratio",
    role: str = "secondary",
    remarks: tuple[str, ...] = (),
    null: float = 0.0,
) -> OutcomeEstimate:
    return OutcomeEstimate(
        name,
        CONTRAST,
        ESTIMAND,
        unit,
        presentation,
        Estimate(value, standard_error, 61.4, "Kenward-Roger", null),
        role,
        "mixed model with Kenward-Roger degrees of freedom",
        ROWS,
        remarks,
    )


def make_series() -> tuple[ObservedSeries, ...]:
    rng = np.random.default_rng(7)
    series = []
    for number in range(72):
        arm = ARMS[number % 2][0]
        start = 55.0 * np.exp(rng.normal(0.0, 0.3))
        gains = np.exp(np.cumsum([0.0, rng.normal(0.08, 0.05), rng.normal(0.05, 0.05)]))
        scores = start * gains
        if number % 9 == 0:
            scores[2] = np.nan
        series.append(
            ObservedSeries(
                f"C{number:03d}", arm, frozen_array([0.0, 42.0, 84.0]), frozen_array(scores, dtype=float)
            )
        )
    return tuple(series)


def make_strength() -> ContinuousResult:
    log = np.log
    means = tuple(
        ArmVisitMean(
            arm, visit, day, "kg", "ratio", Estimate(float(log(level)), error, 60.0, "Kenward-Roger"), count
        )
        for arm, rows in (
            (
                "conventional",
                (
                    ("baseline", 0, 54.6, 0.036, 36),
                    ("week_6", 42, 59.1, 0.037, 34),
                    ("week_12", 84, 62.0, 0.039, 31),
                ),
            ),
            (
                "partner_reps",
                (
                    ("baseline", 0, 54.6, 0.036, 36),
                    ("week_6", 42, 60.4, 0.037, 33),
                    ("week_12", 84, 64.2, 0.039, 30),
                ),
            ),
        )
        for visit, day, level, error, count in rows
    )
    return ContinuousResult(
        code="strength",
        name="strength",
        unit="kg",
        scale="log",
        primary_visit="week_12",
        exercises=("chest_press", "leg_press"),
        primary=outcome("strength at week_12", 0.0344, 0.0231, role="primary"),
        by_visit=(
            outcome("strength at week_6", 0.0216, 0.0188),
            outcome("strength at week_12", 0.0344, 0.0231),
        ),
        by_exercise=(
            outcome("chest press at week_12", 0.048, 0.029),
            outcome("leg press at week_12", 0.021, 0.027),
        ),
        other_arms=(),
        original_unit=outcome("strength at week_12 in kg", 2.13, 1.44, unit="kg", presentation="difference"),
        standardised=outcome(
            "strength at week_12 over the standard deviation at baseline",
            0.115,
            0.077,
            unit="standard deviations of the baseline scores",
            presentation="difference",
        ),
        sensitivity=(
            outcome("composite at the primary visit, regression", 0.0331, 0.0239, role="sensitivity"),
            outcome("missing scores 5 % lower in both arms", 0.0338, 0.0233, role="sensitivity"),
            outcome("missing scores follow the reference arm", 0.0297, 0.0228, role="sensitivity"),
        ),
        means=means,
        spread=(
            VarianceComponent("between clients, baseline", 0.21, False),
            VarianceComponent("client by exercise", 0.08, False),
            VarianceComponent("trainer", 0.0, True),
        ),
        trainer_effects=(),
        series=make_series(),
        reliability=(
            Reliability(
                "chest_press", 70, 0.93, Interval(0.89, 0.96, 0.95, "F"), 4.1, "%", "two baseline tests"
            ),
        ),
        missing=tuple(
            MissingCount(arm, visit, 36, seen, (("departed", 36 - seen - 1), ("ill", 1)) if seen < 36 else ())
            for arm, visit, seen in (
                ("conventional", "baseline", 36),
                ("conventional", "week_6", 34),
                ("conventional", "week_12", 31),
                ("partner_reps", "baseline", 36),
                ("partner_reps", "week_6", 33),
                ("partner_reps", "week_12", 30),
            )
        ),
        model="Linear mixed model of the log score: visit by exercise, arm by exercise at follow-up visits.",
        fallback="",
        rows=RowCount(432, 412, (("test outside the window", 4), ("no load", 16)), "scores"),
        smallest_worthwhile=3.0,
    )


def make_curve(arm: str, hazard: float) -> RetentionCurvePoints:
    rng = np.random.default_rng(11 if arm == "conventional" else 13)
    times = np.sort(rng.exponential(1.0 / hazard, 36)).round()
    times = times[times <= 182.0]
    days = np.concatenate([[0.0], times])
    retained = 1.0 - np.arange(len(days)) / 36.0
    error = np.sqrt(retained * (1.0 - retained) / 36.0)
    at_risk_days = np.array([0.0, 28.0, 56.0, 84.0, 112.0, 140.0, 182.0])
    at_risk = np.array([36 - int((times < day).sum()) for day in at_risk_days], dtype=float)
    return RetentionCurvePoints(
        arm,
        frozen_array(days),
        frozen_array(retained),
        frozen_array(np.clip(retained - 1.96 * error, 0, 1)),
        frozen_array(np.clip(retained + 1.96 * error, 0, 1)),
        "log-log",
        frozen_array(at_risk_days),
        frozen_array(at_risk),
        182.0,
    )


def make_retention() -> RetentionResult:
    share = {"unit": "share", "presentation": "difference"}
    return RetentionResult(
        code="retention",
        name="retention",
        horizon_day=182,
        definition="Retained on day 182 after allocation: fewer than 28 countable days since the last "
        "attended session",
        primary=outcome("retention at day 182", 0.081, 0.101, **share),
        ratio=outcome("retention at day 182 as a ratio", 0.114, 0.142),
        restricted_mean=(
            outcome("mean days retained up to day 182", 6.4, 9.8, unit="days", presentation="difference"),
        ),
        hazard_ratio=outcome(
            "hazard of departing", -0.27, 0.39, role="supporting", remarks=("supporting only",)
        ),
        sensitivity=(outcome("retention with 56 days of absence", 0.06, 0.099, role="sensitivity", **share),),
        status=(
            RetentionStatus(
                "conventional",
                36,
                24,
                12,
                0,
                1,
                24 / 36,
                Interval(0.50, 0.80, 0.95, "Wilson"),
                (("moved away", 2), ("no reason given", 10)),
            ),
            RetentionStatus(
                "partner_reps",
                36,
                26,
                9,
                1,
                0,
                26 / 35,
                Interval(0.58, 0.86, 0.95, "Wilson"),
                (("injury", 1), ("no reason given", 8)),
            ),
        ),
        curves=(make_curve("conventional", 0.0023), make_curve("partner_reps", 0.0017)),
        by_trainer=(
            ("T1", (("conventional", 8, 12), ("partner_reps", 9, 12))),
            ("T2", (("conventional", 16, 24), ("partner_reps", 17, 23))),
        ),
        remarks=("Two clients returned after a departure and count as retained.",),
        smallest_worthwhile=5.0,
    )


def make_harms() -> HarmsResult:
    return HarmsResult(
        arms=(
            HarmArm("conventional", 36, 1510, 806.0, 3, 4, 22, 0, 0, 1, 3, 0, 0, 0.97, 0.20),
            HarmArm("partner_reps", 36, 1544, 828.5, 5, 7, 41, 0, 1, 2, 4, 0, 1, 0.96, 0.28),
        ),
        trainers_hurt=1,
        not_allocated=0,
        systematic=True,
        difference=outcome("clients with any harm", 0.056, 0.073, unit="share", presentation="difference"),
        pause_reasons=(),
        kinds=(
            ("joint pain", "conventional", 2),
            ("joint pain", "partner_reps", 4),
            ("strain", "partner_reps", 3),
        ),
    )


def make_delivery() -> DeliveryResult:
    return DeliveryResult(
        arms=(
            DeliveryArm(
                "conventional",
                36,
                1730,
                1510,
                1510 / 1730,
                1.87,
                9,
                2,
                0,
                0,
                float("nan"),
                "",
                0.91,
                8.3,
                2.1,
                0.06,
            ),
            DeliveryArm(
                "partner_reps",
                36,
                1742,
                1544,
                1544 / 1742,
                1.90,
                1398,
                0,
                2796,
                2461,
                0.88,
                "good",
                0.90,
                8.8,
                2.9,
                0.07,
            ),
        ),
        days_to_first_session=(("conventional", 3.0, 1.0, 11.0), ("partner_reps", 3.0, 0.0, 9.0)),
    )


def make_flow() -> FlowResult:
    return FlowResult(
        assessed=96,
        excluded=(("not eligible", 9), ("declined", 13), ("other", 2)),
        allocated=72,
        arms=(
            FlowArm(
                "conventional",
                36,
                36,
                (),
                (
                    FlowOutcome("retention", "retention", 36, stopped=(("stopped, still came to tests", 1),)),
                    FlowOutcome("strength", "strength", 36, lost=(("lost contact", 1),), measured=31),
                ),
                6,
                (6.0, 5, 7),
            ),
            FlowArm(
                "partner_reps",
                36,
                35,
                (("changed mind before the first session", 1),),
                (
                    FlowOutcome(
                        "retention",
                        "retention",
                        35,
                        (("status not known", 1),),
                        stopped=(("shoulder pain", 2),),
                    ),
                    FlowOutcome(
                        "strength",
                        "strength",
                        34,
                        (("no test at any visit", 2),),
                        (("lost contact", 2),),
                        measured=30,
                    ),
                ),
                6,
                (6.0, 5, 7),
            ),
        ),
        first_allocation=np.datetime64("2026-01-12"),
        last_allocation=np.datetime64("2026-04-20"),
        data_through=np.datetime64("2026-11-16"),
    )


def make_baseline() -> tuple[BaselineRow, ...]:
    def row(
        name: str, unit: str, kind: Any, cells: tuple[tuple[str, int, float, float, int], ...]
    ) -> BaselineRow:
        return BaselineRow(name, unit, kind, tuple(BaselineCell(*cell) for cell in cells))

    return (
        row(
            "age",
            "years",
            "mean",
            (
                ("conventional", 36, 44.2, 12.1, 0),
                ("partner_reps", 35, 45.9, 11.4, 1),
                ("", 71, 45.0, 11.7, 1),
            ),
        ),
        row(
            "sex: female",
            "",
            "count",
            (("conventional", 36, 20, 36, 0), ("partner_reps", 36, 19, 36, 0), ("", 72, 39, 72, 0)),
        ),
        row(
            "chest press",
            "kg",
            "mean",
            (
                ("conventional", 36, 46.1, 14.8, 0),
                ("partner_reps", 36, 47.0, 15.6, 0),
                ("", 72, 46.5, 15.1, 0),
            ),
        ),
    )


def make_results(**changes: Any) -> StudyResults:
    fields: dict[str, Any] = {
        "title": "Partner reps after conventional sets: a studio comparison",
        "arms": ARMS,
        "comparison": ("partner_reps", "conventional"),
        "confidence_level": 0.95,
        "randomised": True,
        "outcomes": (make_retention(), make_strength()),
        "harms": make_harms(),
        "delivery": make_delivery(),
        "flow": make_flow(),
        "baseline": make_baseline(),
        "decisions": (Decision("strength", "one primary outcome", 0.142, 0.142, False, "not settled"),),
        "assessor_blind": (("yes", 171), ("no", 12), ("not recorded", 7)),
        "remarks": (
            SMALL_STUDY,
            SIX_TRAINERS,
        ),
        "findings": (
            Finding("note", "records/strength.csv, row 14, column load", "a load on the stack step", "41.0"),
        ),
        "provenance": Provenance(
            "9c1f0a7be2d4" + "0" * 52,
            "1.0",
            "4f2a91c077be" + "0" * 52,
            (("clients.csv", "a" * 64), ("strength.csv", "b" * 64)),
            (("studykit", "0.1.0"), ("python", "3.11.7"), ("numpy", "2.4.6")),
            20260309,
            "2026-11-25T10:00:00Z",
        ),
    }
    return StudyResults(**{**fields, **changes})


def make_protocol(**changes: Any) -> Protocol:
    strategies = {
        "stops_programme": "treatment policy",
        "leaves_studio": "hypothetical",
        "changes_trainer": "treatment policy",
        "misses_sessions": "treatment policy",
        "injury_or_illness": "treatment policy",
        "uses_other_method": "treatment policy",
    }
    fields: dict[str, Any] = {
        "format": 1,
        "design": "parallel",
        "study": {
            "title": "Partner reps after conventional sets: a studio comparison",
            "code": "demo",
            "version": "1.0",
            "date": dt.date(2026, 1, 5),
            "question": "By how much do strength and retention differ with and without partner reps?",
            "population": "adults who train at the studio",
            "setting": "one studio with six trainers",
        },
        "roles": {"sponsor": "OW", "allocation": "OW", "enrolment": "OW", "testing": "AS", "analysis": "ST"},
        "arms": [
            {
                "code": "conventional",
                "name": "conventional sets",
                "reference": True,
                "dose": {"partner_reps_per_set": 0},
            },
            {"code": "partner_reps", "name": "partner reps", "dose": {"partner_reps_per_set": 3}},
        ],
        "exercises": [
            {"code": "chest_press", "name": "chest press", "unit": "kg", "stack_step": 2.5},
            {"code": "leg_press", "name": "leg press", "unit": "kg", "stack_step": 5.0},
        ],
        "strata": [{"code": "trainer"}],
        "visits": [
            {"code": "baseline", "name": "baseline", "day": 0, "baseline": True},
            {"code": "week_6", "name": "week 6", "day": 42},
            {"code": "week_12", "name": "week 12", "day": 84},
        ],
        "outcomes": [
            {
                "kind": "continuous",
                "code": "strength",
                "name": "strength",
                "unit": "kg",
                "role": "primary",
                "score": {"rule": "load at repetitions", "repetitions": 10},
                "exercises": ["chest_press", "leg_press"],
                "primary_visit": "week_12",
                "smallest_worthwhile": 3.0,
                "estimand": {
                    "population": "all clients allocated",
                    "arms_compared": "offer of partner reps with offer of conventional sets",
                    "variable": "load lifted ten times",
                    "summary": "ratio of geometric means",
                    "missing_data": "missing at random given earlier tests",
                    "strategies": strategies,
                },
            },
            {
                "kind": "retention",
                "code": "retention",
                "name": "retention",
                "horizon_day": 182,
                "smallest_worthwhile": 5.0,
            },
        ],
        "allocation": {"method": "permuted blocks", "block_sizes": (2, 4), "strata": ("trainer",)},
        "planning": {"clients": 80, "trainers": 6},
        "analysis": {"delta_steps": [-5.0, -10.0]},
        "harms": {"reviewer": "RV"},
    }
    return Protocol.model_validate({**fields, **changes})


@pytest.fixture(scope="session")
def results() -> StudyResults:
    return make_results()


@pytest.fixture(scope="session")
def protocol() -> Protocol:
    return make_protocol()


# --- a look back ---------------------------------------------------------------------------------


def make_association(value: float, lower: float, upper: float, p: float = 0.11) -> Association:
    return Association(value, Interval(lower, upper, 0.95, "t"), p, 0.13, 11.0)


def make_look_curve(label: str, hazard: float, *, ends: int = 182) -> Curve:
    days = np.arange(0.0, ends + 1.0, 7.0)
    share = np.exp(-hazard * days)
    spread = 0.02 + 0.0004 * days
    return Curve(
        label, frozen_array(days), frozen_array(share), frozen_array(np.maximum(share - spread, 0.0)),
        frozen_array(np.minimum(share + spread, 1.0)), frozen_array((90 * share).astype(int)),
    )  # fmt: skip


def make_answer(method: Any, **changes: Any) -> Answer:
    given: dict[str, Any] = {
        "method": method,
        "estimand": "In clients who joined within the records: departures after sessions with partner reps "
        "beside departures after sessions before the first ones",
        "hazard_ratio": make_association(0.78, 0.58, 1.05),
        "risk_difference": make_association(-0.07, -0.16, 0.02),
        "out_of_100": (71.4, 64.2),
        "curves": (make_look_curve("with partner reps", 0.0018), make_look_curve("without", 0.0024)),
        "clients": 148,
        "events": 61,
        "unit": "sessions",
        "rows": RowCount(4200, 4150, (("fewer than 28 days before the end", 50),), "sessions"),
        "adjusted_for": ("sessions in the last 28 days", "goal", "season"),
        "method_in_words": "Each attended session may be the client's last; trainers are strata.",
        "checks": (("largest weight", 3.2),),
    }
    return Answer(**(given | changes))


def make_look(**changes: Any) -> LookBack:
    answers = (
        make_answer("session clock"),
        make_answer("landmark", hazard_ratio=make_association(0.83, 0.55, 1.24)),
        make_answer("strategies from joining", hazard_ratio=None),
        make_answer(
            "before and after", refused="no trainer began within the records", hazard_ratio=None,
            risk_difference=None, out_of_100=None, curves=(),
        ),
    )  # fmt: skip
    given: dict[str, Any] = {
        "lead": "session clock",
        "naive": Naive(
            make_association(0.31, 0.20, 0.47, 0.0001), 3120, 21840,
            (make_look_curve("ever had partner reps", 0.0011), make_look_curve("never had", 0.0040)),
            "Whoever stays longer has more chances to get partner reps, so that those who had them must have "
            "stayed until then.",
        ),
        "answers": answers,
        "retention": make_look_curve("all clients", 0.0021),
        "balance": (
            Balance("sessions a week before", 2.1, 1.7, 0.42, 0.06),
            Balance("goal: health", 0.41, 0.52, -0.22, -0.03),
        ),
        "bound": UnmeasuredBound(0.8, 1.81, 1.0, "VanderWeele & Ding 2017.", (BiasRow(0.5, 0.2, 2.0, 1.0),)),
        "target_trial": (
            TrialRow("who", "adults who join, cleared for vigorous exercise", "everybody in the export"),
            TrialRow("assignment", "by chance", "by trainers and clients"),
        ),
        "next_study": NextStudy(
            Interval(0.6, 0.76, 0.95, "log(-log)"), 0.68, 1.9, 0.03, 6.5,
            ("Plan with 68 of 100 clients still training on day 182.", "6 or 7 clients join in a month."),
        ),
        "rows": RowCount(180, 176, (("no joining date", 4),), "clients"),
        "clients": 176,
        "new_clients": 148,
        "existing_clients": 28,
        "events": 74,
        "horizon": 182,
        "first_day": 20089,
        "last_day": 20635,
        "cut_day": 20607,
        "findings": (Finding("note", "export.csv", "a joining date of every client", "none of 4", ""),),
        "source": "export.csv",
    }  # fmt: skip
    return LookBack(**(given | changes))


def make_log() -> AttendanceLog:
    def days(*values: int) -> Any:
        return frozen_array(np.array(values, dtype=np.int64))

    noticed = (
        NoticedRows("a date that cannot be read", days(14, 29), False, "export.csv, column date", "stop",
                    "one day of the calendar", "'<b>soon'", "Correct it, as YYYY-MM-DD."),
    )  # fmt: skip
    return AttendanceLog(
        ("C01",), ("T1",), days(0, 0), days(20100, 20107), days(0, 0), days(1, 0), days(), days(),
        days(20089), days(-1_000_000), no_spans(), (), (), days(-1_000_000), True, 20089, 20635,
        RowCount(4, 2, (("a date that cannot be read", 2),)), (noticed[0].finding(),), "export.csv", noticed,
        (("export.csv", "0" * 64),),
    )  # fmt: skip


@pytest.fixture(scope="session")
def look() -> LookBack:
    return make_look()


@pytest.fixture(scope="session")
def look_reading() -> LookBackReading:
    return LookBackReading(
        make_look(), make_log(), "2026-01-05", {"numpy": "2.0"}, (("column client", "Member"),)
    )
