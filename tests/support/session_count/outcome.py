"""The analysis: means of the arms, pooled standard deviation, t."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from studykit.errors import FitError
from studykit.outcomes.rerandomisation import RedrawnArms
from studykit.outcomes.results import FlowOutcome, OutcomeEstimate, OutcomeResult, RerandomisationTest
from studykit.protocol.types import Protocol
from studykit.records.rows import Floats, Integers, StudyRows
from studykit.results import Estimate, RowCount

from .rows import Counts
from .section import SessionCount


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionCountResult(OutcomeResult):
    kind: str = "session count"
    days: int
    means: tuple[tuple[str, int, float], ...]  # arm, clients, mean

    @property
    def contrasts(self) -> tuple[OutcomeEstimate, ...]:
        return (self.primary,)

    def flow(self, arm: str, allocated: int) -> FlowOutcome:
        used = dict(self.analysed)[arm]
        rest = (("records end earlier", allocated - used),) if used < allocated else ()
        return FlowOutcome(self.code, self.name, used, rest)

    def limits(self) -> tuple[str, ...]:
        return ()


def analyse(protocol: Protocol, outcome: SessionCount, rows: StudyRows) -> SessionCountResult:
    own: Counts = rows.outcomes[outcome.code]
    codes = [protocol.reference_arm.code, protocol.comparison_arm.code]
    labels = own.clients.arm_labels
    parts = [_of(own, labels.index(code)) for code in codes]
    if min(part.size for part in parts) < 2:
        raise FitError(where=f"outcome {outcome.code}", expected="two clients in each arm", got="fewer")
    return SessionCountResult(
        code=outcome.code,
        name=outcome.name,
        primary=OutcomeEstimate(
            name=outcome.name,
            contrast=f"{codes[1]} compared with {codes[0]}",
            estimand=f"difference in mean sessions in {outcome.days} days",
            unit="sessions",
            presentation="difference",
            estimate=_difference(*parts),
            role=outcome.role,
            method="difference in means, pooled standard deviation, t",
            rows=RowCount(own.sessions.size, int(np.isfinite(own.sessions).sum())),
        ),
        sensitivity=(),
        analysed=tuple((label, _of(own, code).size) for code, label in enumerate(labels)),
        smallest_worthwhile=outcome.smallest_worthwhile,
        days=outcome.days,
        means=tuple((code, part.size, float(part.mean())) for code, part in zip(codes, parts, strict=True)),
    )


def baseline(outcome: SessionCount, rows: StudyRows) -> Iterator[tuple[str, str, Floats]]:
    return iter(())


def rerandomise(
    protocol: Protocol, outcome: SessionCount, rows: StudyRows, *, drawn: RedrawnArms
) -> RerandomisationTest:
    own: Counts = rows.outcomes[outcome.code]
    known = np.isfinite(own.sessions)
    arms = drawn.with_seen(own.clients.arm)[:, known]
    return drawn.test(outcome.code, "difference in mean sessions", _differences(own.sessions[known], arms))


def _of(own: Counts, code: int) -> Floats:
    return own.sessions[(own.clients.arm == code) & np.isfinite(own.sessions)]


def _difference(reference: Floats, compared: Floats) -> Estimate:
    freedom = reference.size + compared.size - 2
    squares = ((reference - reference.mean()) ** 2).sum() + ((compared - compared.mean()) ** 2).sum()
    error = math.sqrt(squares / freedom * (1 / reference.size + 1 / compared.size))
    return Estimate(float(compared.mean() - reference.mean()), error, float(freedom), "t")


def _differences(sessions: Floats, arms: Integers) -> Floats:
    one = arms == 1
    return np.asarray(
        (one @ sessions) / one.sum(axis=1) - (~one @ sessions) / (~one).sum(axis=1), dtype=float
    )
