"""What the report says of a count of sessions."""

from __future__ import annotations

from studykit.protocol.types import Protocol
from studykit.report.contrast_table import contrast_table
from studykit.report.document import Block, paragraphs, pictures, tables
from studykit.report.gallery import contrasts_picture
from studykit.report.kind_report import PlannedAnalysis
from studykit.report.numbers import Scale, in_unit
from studykit.report.report_context import Reading
from studykit.report.sentences import MORE, comparison

from .outcome import SessionCountResult
from .section import SessionCount


def scale(reading: Reading, result: SessionCountResult) -> Scale:
    return in_unit("sessions", 0.1)


def title(reading: Reading, result: SessionCountResult) -> str:
    return result.name


def short(reading: Reading, result: SessionCountResult) -> str:
    shown = scale(reading, result)
    size = comparison(reading, shown, result.primary.value, MORE)
    return f"{result.name}: {size} {shown.interval(reading.interval(result.primary))}"


def answer(reading: Reading, result: SessionCountResult) -> tuple[str, ...]:
    means = [f"{mean:.1f} with {reading.arm(arm)}" for arm, _, mean in result.means]
    return (f"In {result.days} days clients came to {' and '.join(means)} sessions on average.",)


def conditions(reading: Reading, result: SessionCountResult) -> tuple[str, ...]:
    return ()


def limits(reading: Reading, result: SessionCountResult) -> tuple[str, ...]:
    return ()


def blocks(reading: Reading, result: SessionCountResult) -> tuple[Block, ...]:
    rows = [(item, scale(reading, result)) for item in result.contrasts]
    table = contrast_table(reading, rows, code=f"{result.code}_contrasts", caption=result.name)
    return (*pictures(contrasts_picture(reading, result, f"in {result.name}")), *tables(table))


def fit(reading: Reading, result: SessionCountResult) -> tuple[Block, ...]:
    return paragraphs()


def methods(reading: Reading, planned: SessionCount, result: SessionCountResult | None) -> str:
    return f"Outcome: {planned.name}: sessions attended in {planned.days} days, compared as means."


def model(protocol: Protocol, planned: SessionCount) -> str:
    return ""


def planned(
    reading: Reading, planned: SessionCount, result: SessionCountResult | None
) -> list[PlannedAnalysis]:
    return [PlannedAnalysis(planned.name, planned.role, "done" if result is not None else "not done")]
