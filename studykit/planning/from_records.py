"""Planning assumptions from one's own records: spread, correlations, trainers, retention, with intervals.

Arms are not looked at: all clients are taken together, so that planning on the records of a study never shows
its results. An effect of the usual size widens the spreads by less than their own error.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError, FitError
from studykit.kinds.continuous.scores import analysis_scores, score_cube
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.kinds.retention.section import RetentionOutcome
from studykit.kinds.retention.time import spells_to_horizon
from studykit.outcomes.clients import ClientArrays
from studykit.planning.own_spread import (
    Figure,
    correlation_of,
    intraclass_correlation,
    spread_of,
    weibull_shape,
)
from studykit.planning.strength import told
from studykit.protocol.types import Assumption, Evidence, Protocol
from studykit.records.rows import RetentionSpells, StrengthRows, StudyRows
from studykit.results import Estimate
from studykit.retention.censored import CensoredTimes
from studykit.retention.clock import active_status
from studykit.retention.curves import kaplan_meier
from studykit.retention.proportions import Proportion

Floats = NDArray[np.float64]
LEAST_CLIENTS = 8
_MODERATE_FROM = 40  # clients; fewer are weak evidence, as are shares between fewer than ten trainers
_MANY_TRAINERS = 10
_MOST_CORRELATION = 0.99


@dataclass(frozen=True, slots=True)
class OwnFigures:
    """What one's own records say.

    Parameters
    ----------
    assumptions : tuple of (str, Assumption)
        Keys of the protocol's planning section, with value, interval and source.
    remarks : tuple of str
        What could not be had from the records, and why.
    clients : int
        In the records.
    """

    assumptions: tuple[tuple[str, Assumption], ...]
    remarks: tuple[str, ...]
    clients: int

    def plugged_into(self, protocol: Protocol) -> Protocol:
        """The protocol with these figures in place of its own assumptions."""
        planning = protocol.planning.model_copy(update=dict(self.assumptions))
        return protocol.model_copy(update={"planning": planning})


def figures_from_rows(protocol: Protocol, rows: StudyRows, *, source: str = "your own records") -> OwnFigures:
    """Estimate what planning assumes.

    Parameters
    ----------
    protocol : Protocol
        Its first continuous outcome and its retention outcome are meant.
    rows : StudyRows
        Of the records, all clients together.
    source : str
        What is written as the source of each figure.

    Raises
    ------
    ArgumentError
        If neither strength nor retention can be had from the records.
    """
    found: dict[str, Assumption] = {}
    remarks: list[str] = []
    outcome = next(iter(protocol.continuous_outcomes), None)
    if outcome is not None:
        scores = rows.outcomes.get(outcome.code)
        _strength(found, remarks, outcome, scores, source)
    if protocol.retention_outcome is not None:
        _retention(found, remarks, protocol.retention_outcome, rows.retention, source)
        _attendance(found, rows, source)
    if outcome is not None and rows.retention is not None and protocol.retention_outcome is not None:
        _missed_tests(found, protocol, outcome, rows, source)
    if not found:
        raise ArgumentError(
            where=source,
            expected=f"tests of strength before and after, or sessions, of at least {LEAST_CLIENTS} clients",
            got="; ".join(remarks) or "nothing",
            todo="Point to a folder with clients.csv and strength.csv or sessions.csv.",
        )
    return OwnFigures(tuple(found.items()), tuple(remarks), rows.clients.number)


def _put(
    found: dict[str, Assumption],
    remarks: list[str] | None,
    key: str,
    estimate: Callable[[], Figure],
    source: str,
    *,
    limits: tuple[float, float] = (-math.inf, math.inf),
    trainers: int | None = None,
) -> None:
    """Add one figure; where it cannot be estimated, say why."""
    try:
        own = estimate()
    except FitError as reason:
        if remarks is not None:
            remarks.append(f"{key}: kept as the protocol assumes it: {reason}")
        return
    value, low, high = (min(max(number, limits[0]), limits[1]) for number in (own.value, own.low, own.high))
    enough = own.clients >= _MODERATE_FROM and (trainers is None or trainers >= _MANY_TRAINERS)
    evidence: Evidence = "moderate" if enough else "weak"
    of = f"{own.clients} clients" + ("" if trainers is None else f", {trainers} trainers")
    found[key] = Assumption(
        value=value, low=min(low, value), high=max(high, value), source=f"{source} ({of})", evidence=evidence
    )


def _strength(
    found: dict[str, Assumption],
    remarks: list[str],
    outcome: ContinuousOutcome,
    rows: StrengthRows | None,
    source: str,
) -> None:
    """Spread, correlations, gains and trainers, from tests before and at the primary visit."""
    if rows is None or not rows.client.size or outcome.primary_visit not in rows.visit_labels:
        remarks.append(
            f"{outcome.name}: no test was found (strength.csv or measurements.csv): assumptions kept"
        )
        return
    cube = score_cube(rows, analysis_scores(rows, outcome.scale))
    before = np.nanmean(cube[:, list(rows.baseline_visits)], axis=1) if rows.baseline_visits else None
    after = cube[:, rows.visit_labels.index(outcome.primary_visit)]
    known = np.isfinite(after).all(axis=1)
    if before is None or (known & np.isfinite(before).all(axis=1)).sum() < LEAST_CLIENTS:
        remarks.append(
            f"{outcome.name}: fewer than {LEAST_CLIENTS} clients have tests before and at "
            f"{outcome.primary_visit}: assumptions kept"
        )
        return
    facts = ClientArrays.of_study(rows.clients).facts().values[0]
    lost = facts.shape[1]
    tested = np.isfinite(before).all(axis=1)
    both = known & tested
    early, late = (_centred(values[both], facts[both]) for values in (before, after))
    gain = late - early
    freedom = int(both.sum()) - 1 - lost
    first = _centred(before[tested], facts[tested])
    trainer = rows.clients.trainer[both]
    trainers = int(np.unique(trainer).size)
    mean_gain = (after - before)[both].mean(axis=1)

    def put(key: str, estimate: Callable[[], Figure], **limits: tuple[float, float]) -> None:
        _put(found, remarks, key, estimate, source, **limits)  # type: ignore[arg-type]

    put("sd_score", lambda: spread_of(first, freedom=int(tested.sum()) - 1 - lost))
    put("correlation_baseline", lambda: correlation_of(early, late, lost=lost),
        limits=(-_MOST_CORRELATION, _MOST_CORRELATION))  # fmt: skip
    put("sd_gain", lambda: spread_of(gain, freedom=freedom))
    put("gain_reference", lambda: _mean_gain(mean_gain, outcome.scale))
    if gain.shape[1] > 1:
        put(
            "correlation_exercises",
            lambda: _between_exercises(early, late, lost),
            limits=(0.0, _MOST_CORRELATION),
        )
    _put(found, remarks, "trainer_icc_strength",
         lambda: intraclass_correlation(gain.mean(axis=1), trainer), source,
         limits=(0.0, 0.9), trainers=trainers)  # fmt: skip


def _centred(values: Floats, facts: Floats) -> Floats:
    """What means and stratifiers leave of each column."""
    matrix = np.column_stack([np.ones(len(values)), facts])
    return np.asarray(values - matrix @ np.linalg.lstsq(matrix, values, rcond=None)[0])


def _mean_gain(gain: Floats, scale: str) -> Figure:
    """Mean gain of all clients, as it is told, with t."""
    error = float(gain.std(ddof=1)) / math.sqrt(gain.size)
    interval = Estimate(float(gain.mean()), error, gain.size - 1.0, "residual").confidence_interval(0.95)
    value, low, high = (told(end, scale) for end in (float(gain.mean()), interval.lower, interval.upper))
    return Figure(value, low, high, gain.size)


def _between_exercises(early: Floats, late: Floats, lost: int) -> Figure:
    """Correlation of two exercises once the test before is accounted for: mean over all pairs."""
    left = np.column_stack(
        [
            late[:, place]
            - early[:, place] * (early[:, place] @ late[:, place]) / (early[:, place] ** 2).sum()
            for place in range(late.shape[1])
        ]
    )
    first, second = np.triu_indices(left.shape[1], 1)
    return correlation_of(left[:, first], left[:, second], lost=lost + 1)


def _retention(
    found: dict[str, Assumption],
    remarks: list[str],
    outcome: RetentionOutcome,
    spells: RetentionSpells | None,
    source: str,
) -> None:
    """Share retained at the horizon, shape of the curve, and what lies between trainers."""
    rule = outcome.absence_rule()
    if spells is None or not any(history.attended for history in spells.histories):
        remarks.append(f"{outcome.name}: no attended session was found (sessions.csv): assumptions kept")
        return
    try:
        times = spells_to_horizon(spells, outcome.horizon_day, rule).times
        curve = kaplan_meier(times)
        reached = bool((np.asarray(times.time) >= outcome.horizon_day).any()) or curve.at(1.0).value == 0.0
    except FitError as reason:
        remarks.append(f"{outcome.name}: {reason}")
        return
    if len(times) < LEAST_CLIENTS or not reached:
        remarks.append(
            f"{outcome.name}: the records do not follow {LEAST_CLIENTS} clients to day "
            f"{outcome.horizon_day}: assumptions kept"
        )
        return
    share = curve.at(outcome.horizon_day)
    interval = share.confidence_interval(0.95)
    figure = Figure(share.value, interval.lower, interval.upper, len(times))
    _put(found, remarks, "retention_reference", lambda: figure, source, limits=(0.02, 0.98))
    _put(
        found,
        remarks,
        "departure_shape",
        lambda: weibull_shape(_last_seen(times, rule.absence_days)),
        source,
        limits=(0.3, 3.0),
    )
    status = active_status(spells.histories, outcome.horizon_day, rule=rule)
    known = np.isfinite(status)
    trainer = spells.clients.trainer[known]
    trainers = int(np.unique(trainer).size)
    _put(found, remarks, "trainer_icc_retention", lambda: intraclass_correlation(status[known], trainer),
         source, limits=(0.0, 0.9), trainers=trainers)  # fmt: skip


def _last_seen(times: CensoredTimes, absence: int) -> CensoredTimes:
    """Times of leaving in place of times of confirming it; clients followed for less are left out."""
    time = np.asarray(times.time) - absence
    kept = time > 0.0
    return CensoredTimes(time[kept], np.asarray(times.event)[kept])


def _attendance(found: dict[str, Assumption], rows: StudyRows, source: str) -> None:
    """Share of booked sessions attended, over clients."""
    if rows.sessions is None or not rows.sessions.client.size:
        return
    booked = np.bincount(rows.sessions.client, minlength=rows.clients.number)
    attended = np.bincount(rows.sessions.client[rows.sessions.attended], minlength=rows.clients.number)
    share = attended[booked > 0] / booked[booked > 0]
    if share.size >= LEAST_CLIENTS:
        reach = 1.96 * float(share.std(ddof=1)) / math.sqrt(share.size)
        own = Figure(
            float(share.mean()), float(share.mean()) - reach, float(share.mean()) + reach, share.size
        )
        _put(found, None, "attended_of_planned", lambda: own, source, limits=(0.02, 0.98))


def _missed_tests(
    found: dict[str, Assumption], protocol: Protocol, outcome: ContinuousOutcome, rows: StudyRows, source: str
) -> None:
    """Share of clients who still trained at the primary visit and were not tested."""
    scores = rows.outcomes.get(outcome.code)
    if (
        scores is None
        or not scores.client.size
        or rows.retention is None
        or protocol.retention_outcome is None
    ):
        return
    day = protocol.visit(outcome.primary_visit).day
    status = active_status(rows.retention.histories, day, rule=protocol.retention_outcome.absence_rule())
    here = status == 1.0
    seen = np.zeros(rows.clients.number, dtype=bool)
    seen[scores.client[scores.visit == scores.visit_labels.index(outcome.primary_visit)]] = True
    if here.sum() >= LEAST_CLIENTS and seen.any():
        share = Proportion(int((here & ~seen).sum()), int(here.sum()))
        interval = share.confidence_interval(0.95)
        own = Figure(share.value, interval.lower, interval.upper, int(here.sum()))
        _put(found, None, "missed_tests", lambda: own, source, limits=(0.0, 0.9))
