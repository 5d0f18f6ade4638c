"""How the protocol's own analysis would do, found by doing it on simulated studies.

Each simulated study has clients, trainers, a learning effect, gains that fan out, loads rounded to the stack,
missed tests, pauses, departures, contamination and slips of delivery (`studykit.trial`). It is allocated by
the protocol's own method, analysed by its own primary analyses and fallbacks, and decided by its own rule.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError
from studykit.outcomes.decision import level_at_the_end, rejected_by_rule
from studykit.planning.simulation_work import Told, Workers, do_pieces
from studykit.protocol.outcome import OutcomeSection
from studykit.protocol.types import Protocol
from studykit.trial.batch import simulate_batch
from studykit.trial.kind_simulation import KindSimulation, simulation_of
from studykit.trial.performance import (
    Performance,
    TrialEstimates,
    batch_size,
    batches_of,
    estimate_trials,
    join_estimates,
    summarise_performance,
    without_effect,
)
from studykit.trial.settings import TrialSettings
from studykit.trial.truth import TrueValue, arm_means

Floats = NDArray[np.float64]
World = Literal["effect", "null"]
Key = tuple[str, bool]
TRUTH_CLIENTS = 60_000  # complete clients under each arm, from which the truth is worked out


@dataclass(frozen=True, slots=True)
class Measured:
    """A mean over simulated studies, with its Monte Carlo error."""

    value: float
    monte_carlo_error: float

    @classmethod
    def mean_of(cls, values: Floats) -> Measured:
        """Of the values that are known.

        Examples
        --------
        >>> Measured.mean_of(np.array([1.0, 3.0, np.nan]))
        Measured(value=2.0, monte_carlo_error=1.0)
        """
        known = values[np.isfinite(values)]
        if known.size < 2:
            return cls(float(known.mean()) if known.size else math.nan, math.nan)
        return cls(float(known.mean()), float(known.std(ddof=1)) / math.sqrt(known.size))

    @property
    def reach(self) -> float:
        """Half the length of its 95 % interval."""
        return 1.96 * self.monte_carlo_error


@dataclass(frozen=True, slots=True)
class SimulatedOutcome:
    """One outcome of the simulated studies.

    Parameters
    ----------
    outcome, name : str
        Code and name in the protocol.
    supports : bool
        Whether this is the analysis that supports the primary one.
    has_model : bool
        Whether the analysis is a mixed model with a fallback.
    unit : str
        Of widths and effects as they are told: ``"%"`` on the log scale, ``"percentage points"`` for shares.
    decided_by : str
        The rule that counts as finding a difference.
    with_effect : Performance
        If the assumed effect is true, on the scale of the analysis: ``rejected`` is the power.
    without_effect : Performance or None
        If nothing differs between the arms: ``rejected`` is the type I error.
    width : Measured
        Full width of the interval, as told.
    width_low, width_high : float
        One study in ten is narrower than the first, one in ten wider than the second.
    estimates : TrialEstimates or None
        What ``with_effect`` sums up; left out where only the sums are kept.
    truth, told_truth : float
        The effect as it reaches the analysis, on its scale and as told.
    """

    outcome: str
    name: str
    supports: bool
    has_model: bool
    unit: str
    decided_by: str
    with_effect: Performance
    without_effect: Performance | None
    width: Measured
    width_low: float
    width_high: float
    estimates: TrialEstimates | None
    truth: float
    told_truth: float


@dataclass(frozen=True, slots=True)
class Analysed:
    """One outcome by one of its analyses."""

    outcome: OutcomeSection
    supports: bool

    @property
    def kind(self) -> KindSimulation:
        """The simulation of the outcome's kind."""
        return simulation_of(self.outcome)

    @property
    def key(self) -> Key:
        """Code, and whether it supports."""
        return self.outcome.code, self.supports


@dataclass(frozen=True, slots=True)
class StudySimulation:
    """Simulated studies of one size.

    Parameters
    ----------
    clients, trainers : int
    trials, wanted : int
        Studies simulated, and how many were asked for.
    seed : int
    stopped : bool
        Whether somebody stopped the work early; what was done is kept.
    outcomes : tuple of SimulatedOutcome
        In the order of the protocol.
    """

    clients: int
    trainers: int
    trials: int
    wanted: int
    seed: int
    stopped: bool
    outcomes: tuple[SimulatedOutcome, ...]

    def outcome(self, code: str) -> SimulatedOutcome:
        """One outcome by its code, by its primary analysis.

        Raises
        ------
        ArgumentError
            If it was not simulated.
        """
        for found in self.outcomes:
            if found.outcome == code:
                return found
        known = ", ".join(found.outcome for found in self.outcomes)
        raise ArgumentError(where="simulated outcomes", expected=f"one of {known}", got=code)


def simulate_study(
    protocol: Protocol,
    assumptions: TrialSettings | None = None,
    *,
    clients: int | None = None,
    trials: int = 1000,
    seed: int = 1,
    workers: Workers = 1,
    null_trials: bool = True,
    only: Collection[str] = (),
    retention_model: bool = False,
    tell: Told | None = None,
) -> StudySimulation:
    """Simulate studies, analyse each as the protocol says, and count.

    Parameters
    ----------
    protocol : Protocol
        All its outcomes are simulated; of further ones of a kind only those of which enough is known.
    assumptions : TrialSettings, optional
        What is assumed of the world; by default the protocol's planning assumptions.
    clients : int, optional
        In all arms together, if not as assumed.
    trials : int
    seed : int
        With one machine type and one set of versions, the same seed gives the same bits.
    workers : int or str
        Processes, or the address of a Dask scheduler; the result does not depend on it.
    null_trials : bool
        Whether the same studies are also simulated without any effect, for the type I error.
    only : collection of str
        Codes of the outcomes to analyse; all by default. Where several primary outcomes share the level, one
        that is left out counts as not rejected.
    retention_model : bool
        Whether retention is analysed by the binary mixed model too, trainers random; it supports.
    tell : callable, optional
        Told the trials done and wanted, after each batch.

    Returns
    -------
    StudySimulation
        A fit that fails is counted and is no rejection.

    Raises
    ------
    ArgumentError
        If ``trials`` is below 2, or the work was stopped before the first batch.
    DesignError
        If the protocol has no continuous outcome to simulate.

    Examples
    --------
    >>> from studykit.protocol.protocol_file import read_protocol
    >>> from studykit.shipped import shipped
    >>> ready = read_protocol(shipped("protocols") / "parallel.toml").protocol
    >>> found = simulate_study(ready, clients=16, trials=40, seed=3)
    >>> [item.outcome for item in found.outcomes], found.trials
    (['strength', 'retention'], 40)
    """
    if trials < 2:
        raise ArgumentError(where="trials", expected="at least 2", got=repr(trials))
    settings = settings_for(protocol, assumptions, clients=clients)
    analyses = _wanted(protocol, settings, only, retention_model=retention_model and settings.trainers > 1)
    worlds: tuple[World, ...] = ("effect", "null") if null_trials else ("effect",)
    sizes = batches_of(trials, batch_size(settings))
    work = partial(_batch, protocol, settings, analyses, worlds, seed)
    done = do_pieces(work, sizes, workers=workers, tell=tell)
    if not done.results:
        raise ArgumentError(
            where="simulation",
            expected="at least one batch of trials",
            got="a stop before the first was done",
        )
    joined = {key: join_estimates(part[key] for part in done.results) for key in done.results[0]}
    decisions = {world: _decisions(protocol, analyses, joined, world) for world in worlds}
    outcomes = (
        _outcome(protocol, analysed, joined, decisions, truth)
        for analysed, truth in zip(analyses, _truths(settings, analyses, seed), strict=True)
    )
    order = {outcome.code: place for place, outcome in enumerate(protocol.outcomes)}
    return StudySimulation(
        clients=settings.clients,
        trainers=settings.trainers,
        trials=next(iter(joined.values())).trials,
        wanted=trials,
        seed=seed,
        stopped=done.stopped,
        outcomes=tuple(sorted(outcomes, key=lambda found: (order[found.outcome], found.supports))),
    )


def settings_for(
    protocol: Protocol, assumptions: TrialSettings | None, *, clients: int | None
) -> TrialSettings:
    """The settings meant: as given or from the protocol, with another number of clients if one is given."""
    if assumptions is None:
        return TrialSettings.from_protocol(protocol, clients=clients)
    return assumptions if clients is None else replace(assumptions, clients=clients)


def _wanted(
    protocol: Protocol, settings: TrialSettings, only: Collection[str], *, retention_model: bool
) -> tuple[Analysed, ...]:
    shown = [
        outcome for outcome in protocol.outcomes if simulation_of(outcome).is_simulated(settings, outcome)
    ]
    known = {outcome.code for outcome in shown}
    if not set(only) <= known:
        raise ArgumentError(
            where="simulation, only", expected=f"codes among {', '.join(sorted(known))}", got=", ".join(only)
        )
    chosen = [outcome for outcome in shown if not only or outcome.code in only]
    supported = (outcome for outcome in chosen if retention_model and simulation_of(outcome).SUPPORTED_BY)
    return (
        *(Analysed(outcome, supports=False) for outcome in chosen),
        *(Analysed(outcome, supports=True) for outcome in supported),
    )


def _truths(settings: TrialSettings, analyses: tuple[Analysed, ...], seed: int) -> list[TrueValue]:
    """What is true in the simulated world, on the scale of each analysis."""
    means = arm_means(
        settings,
        [partial(analysed.kind.complete, analysed.outcome) for analysed in analyses],
        seed=seed,
        trials=max(2, TRUTH_CLIENTS // settings.clients),
        attendance=any(analysed.kind.FROM_ATTENDANCE for analysed in analyses),
    )
    return [
        analysed.kind.truth(settings, analysed.outcome, own, supporting=analysed.supports)
        for analysed, own in zip(analyses, means, strict=True)
    ]


def _batch(
    protocol: Protocol,
    settings: TrialSettings,
    analyses: tuple[Analysed, ...],
    worlds: tuple[World, ...],
    seed: int,
    size: int,
    number: int,
) -> dict[tuple[World, Key], TrialEstimates]:
    """One batch of trials in each world, from the same random numbers."""
    found: dict[tuple[World, Key], TrialEstimates] = {}
    attendance = any(analysed.kind.FROM_ATTENDANCE for analysed in analyses)
    for world in worlds:
        meant = settings if world == "effect" else without_effect(settings)
        simulated = simulate_batch(meant, size, seed=seed, batch=number, attendance=attendance)
        for analysed in analyses:
            found[world, analysed.key] = estimate_trials(
                protocol, simulated, analysed.outcome.code, supporting=analysed.supports
            )
    return found


def _decisions(
    protocol: Protocol,
    analyses: tuple[Analysed, ...],
    joined: dict[tuple[World, Key], TrialEstimates],
    world: World,
) -> dict[Key, NDArray[np.bool_]]:
    """Decisions on the primary outcomes by the protocol's rule; other outcomes are not decided."""
    primary = [
        analysed.key for analysed in analyses if analysed.outcome.role == "primary" and not analysed.supports
    ]
    if not primary:
        return {}
    p_values = [joined[world, key].p_value for key in primary]
    others = sum(outcome.role == "primary" for outcome in protocol.outcomes) - len(primary)
    p_values += [np.full_like(p_values[0], np.nan)] * others
    rejected = rejected_by_rule(np.stack(p_values), level=level_at_the_end(protocol))
    return dict(zip(primary, rejected[: len(primary)], strict=True))


def _outcome(
    protocol: Protocol,
    analysed: Analysed,
    joined: dict[tuple[World, Key], TrialEstimates],
    decisions: dict[World, dict[Key, NDArray[np.bool_]]],
    truth: TrueValue,
) -> SimulatedOutcome:
    outcome, kind, supports = analysed.outcome, analysed.kind, analysed.supports

    def summed(world: World, value: float, error: float) -> Performance:
        return summarise_performance(
            joined[world, analysed.key],
            truth=value,
            truth_error=error,
            alpha=level_at_the_end(protocol),
            rejected=decisions[world].get(analysed.key),
        )

    estimates = joined["effect", analysed.key]
    told = kind.presented(outcome, supporting=supports)
    width = told.width(estimates.upper - estimates.lower)
    low, high = np.nanquantile(width, [0.1, 0.9]) if np.isfinite(width).any() else (math.nan, math.nan)
    return SimulatedOutcome(
        outcome=outcome.code,
        name=f"{outcome.name} ({kind.SUPPORTED_BY})" if supports else outcome.name,
        supports=supports,
        has_model=kind.HAS_MODEL,
        unit=told.unit,
        decided_by=_rule(protocol, outcome, supports=supports),
        with_effect=summed("effect", truth.value, truth.monte_carlo_error),
        without_effect=summed("null", 0.0, 0.0) if ("null", analysed.key) in joined else None,
        width=Measured.mean_of(width),
        width_low=float(low),
        width_high=float(high),
        estimates=estimates,
        truth=truth.value,
        told_truth=float(told.effect(np.array(truth.value))),
    )


def _rule(protocol: Protocol, outcome: OutcomeSection, *, supports: bool) -> str:
    level = f"two-sided level {100.0 * level_at_the_end(protocol):.3g} %"
    primaries = sum(found.role == "primary" for found in protocol.outcomes)
    if supports:
        return f"{level}; supports the comparison of shares"
    if outcome.role == "primary" and primaries > 1:
        return f"Holm over {primaries} primary outcomes, {level}"
    return level if outcome.role == "primary" else f"{level}; no decision hangs on it"
