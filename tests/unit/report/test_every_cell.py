"""Every cell of every table that a reader sees, once, from results in which no two numbers are alike.

The expected texts stand in `every_cell.txt` and `every_cell_look_back.txt`, read against the numbers below
line by line. A table that changes on purpose changes there.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from studykit.kinds.continuous.results import Reliability, TippingPoint
from studykit.kinds.retention.results import CurveTest, RetentionCurvePoints, RetentionStatus
from studykit.lookback.log import UNKNOWN, UNKNOWN_DAY, Spans
from studykit.lookback.look_back_results import BiasRow
from studykit.outcomes.results import (
    BaselineCell,
    BaselineRow,
    DeliveryArm,
    DeliveryResult,
    FlowArm,
    FlowOutcome,
    HarmArm,
    OutcomeEstimate,
    RerandomisationTest,
    StudyResults,
)
from studykit.protocol.types import ProgressionRule, Protocol
from studykit.report.document import Document
from studykit.report.lookback_page import LookBackReading, look_back_document
from studykit.report.page import report_document
from studykit.report.report_context import Reading
from studykit.report.tables import Table, to_csv, without_gaps
from studykit.results import Estimate, Interval, RowCount, frozen_array

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Change:
    by: str = "OW"
    event_time: str = "2026-02-01"
    reason: str = "a second studio joins"
    changed: tuple[str, ...] = ("study.setting", "planning.clients")


@dataclass(frozen=True)
class Look:
    by: str
    event_time: str
    body: dict[str, Any]


def counted(found: OutcomeEstimate, used: int, **changes: Any) -> OutcomeEstimate:
    """An estimate with its own number of clients."""
    rows = RowCount(72, used, (("not measured", 72 - used),), "clients")
    return replace(found, rows=rows, **changes)


def curve(arm: str, retained: list[float], at_risk: list[float], stops: float) -> RetentionCurvePoints:
    days, shares = np.array([0.0, 30.0, 100.0]), np.array(retained)
    return RetentionCurvePoints(
        arm, frozen_array(days), frozen_array(shares), frozen_array(shares - 0.11),
        frozen_array(np.minimum(shares + 0.07, 1.0)), "log-log", frozen_array(np.array([0.0, 84.0, 182.0])),
        frozen_array(np.array(at_risk)), stops,
    )  # fmt: skip


def uneven_retention(results: StudyResults) -> Any:
    retention = results.retention
    assert retention is not None
    assert retention.ratio is not None
    assert retention.hazard_ratio is not None
    return replace(
        retention,
        primary=counted(retention.primary, 68),
        ratio=counted(retention.ratio, 67),
        restricted_mean=(counted(retention.restricted_mean[0], 66),),
        hazard_ratio=counted(retention.hazard_ratio, 65, method="proportional hazards"),
        sensitivity=(counted(retention.sensitivity[0], 64),),
        status=(
            RetentionStatus("conventional", 41, 25, 13, 3, 1, 25 / 38, Interval(0.50, 0.79, 0.95, "Wilson"),
                            (("moved away", 2), ("no reason given", 11))),
            RetentionStatus("partner_reps", 31, 22, 8, 1, 2, 22 / 30, Interval(0.56, 0.86, 0.95, "Wilson"),
                            (("injury", 3), ("price", 0), ("no reason given", 5))),
        ),
        curves=(
            curve("conventional", [1.0, 0.9, 0.7], [41, 33, 9], 182.0),
            curve("partner_reps", [1.0, 0.95, 0.8], [31, 28, 4], 150.0),
        ),
        by_trainer=(
            ("T1", (("conventional", 8, 13), ("partner_reps", 9, 12))),
            ("T2", (("conventional", 17, 25), ("partner_reps", 13, 18))),
            ("T3", (("partner_reps", 0, 1),)),
        ),
        curve_test=CurveTest(1.3456, 1, 0.246, within_trainers=True),
    )  # fmt: skip


def uneven_strength(results: StudyResults) -> Any:
    strength = results.strength
    assert strength.original_unit is not None
    trainer = counted(strength.primary, 13, name="strength at week_12, trainer T1")
    other = counted(
        trainer, 17, name="strength at week_12, trainer T2", estimate=Estimate(-0.02, 0.05, 20.0, "t")
    )
    means = tuple(
        replace(mean, clients=count, estimate=Estimate(float(np.log(level)), error, 60.0, "t"))
        for mean, count, level, error in zip(
            strength.means, (41, 38, 35, 31, 29, 28), (54.6, 59.1, 62.0, 53.9, 60.4, 64.2),
            (0.031, 0.032, 0.033, 0.034, 0.035, 0.036), strict=True,
        )
    )  # fmt: skip
    missing = tuple(
        replace(item, allocated=allocated, observed=observed, reasons=reasons)
        for item, allocated, observed, reasons in zip(
            strength.missing, (41, 41, 41, 31, 31, 31), (41, 38, 35, 30, 29, 28),
            ((), (("departed", 2), ("ill", 1)), (("departed", 4), ("ill", 2)), (("no load", 1),),
             (("departed", 1), ("ill", 1)), (("departed", 3),)), strict=True,
        )
    )  # fmt: skip
    return replace(
        strength,
        primary=counted(strength.primary, 69),
        by_visit=tuple(counted(item, used) for item, used in zip(strength.by_visit, (63, 69), strict=True)),
        by_exercise=tuple(
            counted(item, used) for item, used in zip(strength.by_exercise, (62, 61), strict=True)
        ),
        original_unit=counted(strength.original_unit, 60),
        standardised=counted(strength.standardised, 59),
        sensitivity=tuple(
            counted(item, used) for item, used in zip(strength.sensitivity, (58, 57, 56), strict=True)
        ),
        means=means,
        missing=missing,
        trainer_effects=(trainer, other),
        reliability=(
            *strength.reliability,
            Reliability("leg_press", 65, 0.88, Interval(0.81, 0.92, 0.95, "F"), 5.3, "%", "model"),
        ),
        tipping_points=(
            TippingPoint("conventional", 0.146, 6.1, -12.3, "%"),
            TippingPoint("partner_reps", 0.097, None, -3.4, "%"),
        ),
    )


def uneven(results: StudyResults) -> StudyResults:
    """The invented study with 41 and 31 clients, everything different between the arms."""

    def row(name: str, unit: str, kind: Any, *found: tuple[str, int, float, float, int]) -> BaselineRow:
        return BaselineRow(name, unit, kind, tuple(BaselineCell(*cell) for cell in found))

    assert results.harms is not None
    return replace(
        results,
        arms=(results.arms[0], ("partner_reps", "conventional sets, then partner reps")),
        outcomes=(uneven_retention(results), uneven_strength(results)),
        harms=replace(
            results.harms,
            arms=(
                HarmArm("conventional", 41, 1510, 806.0, 3, 11, 22, 1, 2, 4, 5, 0, 6, 0.97, 0.18),
                HarmArm("partner_reps", 31, 1344, 728.6, 7, 13, 41, 8, 9, 3, 1, 2, 4, 0.93, 0.38),
            ),
            trainers_hurt=2,
            not_allocated=3,
        ),
        delivery=DeliveryResult(
            arms=(
                DeliveryArm("conventional", 41, 1730, 1510, 1510 / 1730, 1.83, 9, 2, 0, 0, float("nan"), "",
                            0.91, 8.3, 2.1, 0.06),
                DeliveryArm("partner_reps", 31, 1542, 1344, 1344 / 1542, 1.92, 1198, 0, 2796, 2461, 0.88,
                            "good", 0.84, 8.8, 2.9, 0.07, (19, 28)),
            ),
            days_to_first_session=(("conventional", 3.5, 1.0, 11.0), ("partner_reps", 4.0, 0.0, 9.0)),
            sign_offs=(("T1", np.datetime64("2026-01-07")), ("T2", np.datetime64("NaT", "D"))),
        ),
        flow=replace(
            results.flow,
            assessed=97,
            excluded=(("not eligible", 9), ("declined", 14), ("other", 2)),
            arms=(
                FlowArm("conventional", 41, 40, (("moved before the first session", 1),), (
                    FlowOutcome("retention", "retention", 38, (("status not known", 3),), (),
                                (("stopped, still came to tests", 1),)),
                    FlowOutcome("strength", "strength", 39, (("no test at week_12", 2),),
                                (("lost contact", 3), ("moved", 2)), measured=35),
                ), 6, (6.5, 5, 8)),
                FlowArm("partner_reps", 31, 29, (("changed mind", 2),), (
                    FlowOutcome("retention", "retention", 30, (("left before day 1", 1),), (),
                                (("shoulder pain", 4),)),
                    FlowOutcome("strength", "strength", 30, (("no test at any visit", 1),), measured=28),
                ), 4, (7.0, 3, 12)),
            ),
        ),
        baseline=(
            row("age", "years", "mean", ("conventional", 40, 44.2, 12.1, 1),
                ("partner_reps", 29, 45.9, 11.4, 2), ("", 69, 44.9, 11.8, 3)),
            row("sex: female", "", "count", ("conventional", 41, 23, 41, 0), ("partner_reps", 31, 16, 30, 1),
                ("", 72, 39, 71, 1)),
            row("leg_press", "kg", "mean", ("conventional", 41, 96.1, 24.8, 0),
                ("partner_reps", 31, 97.3, 25.6, 0), ("", 72, 96.6, 25.1, 0)),
            row("goal", "", "count", ("conventional", 0, 0, 0, 41), ("partner_reps", 31, 5, 31, 0),
                ("", 31, 5, 31, 41)),
        ),
        rerandomisation=(
            RerandomisationTest("strength", "difference in mean log scores", 4096, True, 0.151, 0.0004,
                                Interval(-0.012, 0.083, 0.95, "inversion")),
            RerandomisationTest("retention", "difference in shares", 9999, False, 0.44, 0.0625, None),
        ),
    )  # fmt: skip


def pilot(protocol: Protocol) -> Protocol:
    """The protocol as a pilot's, with one planned look, so that no table is missing."""
    rules = (
        ProgressionRule(measure="recruitment", go_on=25.0, stop=10.0),
        ProgressionRule(measure="consent", go_on=0.8, stop=0.6),
        ProgressionRule(measure="delivery", go_on=0.95, stop=0.9),
    )
    return protocol.model_copy(
        update={
            "study": protocol.study.model_copy(update={"framework": "pilot"}),
            "pilot": protocol.pilot.model_copy(update={"rules": rules}),
            "oversight": protocol.oversight.model_copy(update={"planned_looks": 1}),
        }
    )


def lines(document: Document) -> Iterator[str]:
    """Tables of a page as text: name, caption, heading, rows, notes, and the names of the CSV columns."""
    for section in document.sections:
        for block in section.blocks:
            if isinstance(block.content, Table):
                table = block.content
                yield f"== {section.code}: {table.code}, {block.kind}"
                yield table.caption
                yield " | ".join(item.heading for item in table.columns)
                yield from (" | ".join(cell.text() for cell in row) for row in table.rows)
                yield from (f"note: {note}" for note in table.notes)
                yield "csv: " + " | ".join(next(csv.reader(io.StringIO(to_csv(table)))))
                yield ""


def report(results: StudyResults, protocol: Protocol) -> Document:
    looks = (
        Look("ST", "2026-05-01T10:00:00.000Z", {"reason": "the landlord asked"}),
        Look("OW", "2026-06-01T10:00:00.000Z", {"reason": "half way", "planned": True}),
    )
    return report_document(Reading(uneven(results), pilot(protocol), (Change(),), looks))


def test_every_cell_of_the_report(results: StudyResults, protocol: Protocol) -> None:
    found = [without_gaps(line) for line in lines(report(results, protocol))]
    assert found == (HERE / "every_cell.txt").read_text(encoding="utf-8").split("\n")


def uneven_look_back(reading: LookBackReading) -> LookBackReading:
    """The invented look back with other numbers in every answer and every kind of record."""
    first, second, third, refused = reading.look.answers
    assert second.hazard_ratio is not None
    assert third.risk_difference is not None
    assert reading.look.bound is not None
    answers = (
        first,
        replace(second, clients=131, events=52, hazard_ratio=replace(second.hazard_ratio, p_value=0.37),
                risk_difference=replace(third.risk_difference, value=0.031,
                                        interval=Interval(-0.055, 0.12, 0.95, "t")),
                adjusted_for=("season",), checks=(("largest weight", 4.75), ("effective clients", 88.0))),
        replace(third, clients=119, events=47, adjusted_for=(), checks=(("share censored", 0.125),),
                risk_difference=replace(third.risk_difference, value=-0.12, p_value=0.043,
                                        interval=Interval(-0.23, -0.01, 0.95, "t"))),
        replace(refused, checks=()),
    )  # fmt: skip
    bound = replace(
        reading.look.bound, bias_table=(BiasRow(0.5, 0.2, 2.0, 0.64), BiasRow(0.1, 0.3, 3.0, 1.07))
    )

    def days(*values: int) -> Any:
        return frozen_array(np.array(values, dtype=np.int64))

    log = replace(
        reading.log,
        clients=("C01", "C02", "C03", "C04", "C05"), trainers=("T1", "T2", "T3"),
        session_client=days(0, 0, 1, 2, 3, 3, 4), session_day=days(1, 8, 3, 4, 2, 9, 5) + 20100,
        session_trainer=days(0, 0, 1, 1, 2, 2, 2), session_partner_reps=days(1, 0, UNKNOWN, 1, 0, 0, UNKNOWN),
        missed_client=days(0, 2), missed_day=days(20103, 20109),
        joined=days(20089, 20090, UNKNOWN_DAY, 20095, UNKNOWN_DAY),
        notice=days(UNKNOWN_DAY, UNKNOWN_DAY, 20200, UNKNOWN_DAY, UNKNOWN_DAY),
        pauses=Spans(days(0, 1, 4), days(20110, 20111, 20112), days(20120, 20121, 20122), days(20110, 1, 2)),
        closures=((20130, 20133), (20140, 20141), (20150, 20150), (20160, 20163)),
        adopted=days(20100, UNKNOWN_DAY, UNKNOWN_DAY),
    )  # fmt: skip
    return replace(reading, look=replace(reading.look, answers=answers, bound=bound), log=log)


def test_every_cell_of_the_look_back(look_reading: LookBackReading) -> None:
    found = [without_gaps(line) for line in lines(look_back_document(uneven_look_back(look_reading)))]
    assert found == (HERE / "every_cell_look_back.txt").read_text(encoding="utf-8").split("\n")
