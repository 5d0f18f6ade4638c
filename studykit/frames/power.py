"""Power of a mixed model by simulation, from a fit: more of the same people, and an effect that is named."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from studykit.errors import ArgumentError
from studykit.frames.fits import FrameFit
from studykit.frames.shown import Line, Shown
from studykit.frames.tables import Row, rows_of
from studykit.mixed import RandomEffect, fit_many_linear_mixed
from studykit.randomness import stream
from studykit.results import Result, RowCount

FEWEST = 100  # draws


@dataclass(frozen=True, slots=True)
class PowerPoint(Result):
    """Power at one size.

    Parameters
    ----------
    copies : int
        How often the rows of the fit were taken, every group anew.
    groups : tuple of (str, int)
        Levels of every random effect.
    power : float
        Share of the draws in which the contrast was told from zero; a fit that failed counts as not told.
    monte_carlo_error : float
        Standard error of the share.
    draws : RowCount
    """

    copies: int
    groups: tuple[tuple[str, int], ...]
    power: float
    monte_carlo_error: float
    draws: RowCount


@dataclass(frozen=True, slots=True, repr=False)
class SimulatedPower(Shown):
    """A power curve.

    Parameters
    ----------
    points : tuple of PowerPoint
    alpha : float
        Two-sided level.
    what : str
        The effect, in words.
    """

    points: tuple[PowerPoint, ...]
    alpha: float
    what: str

    def frame_rows(self, confidence_level: float) -> list[Row]:
        """One row per size, for `to_frame`."""
        return [row for point in self.points for row in rows_of(point, confidence_level)]

    @property
    def _parts(self) -> Sequence[tuple[str, Line, Sequence[Line]]]:
        names = tuple(f"levels of {name}" for name, _ in self.points[0].groups)
        lines = [
            (
                f"{point.copies}",
                *(str(levels) for _, levels in point.groups),
                f"{100 * point.power:.1f} %",
                f"{100 * point.monte_carlo_error:.1f}",
            )
            for point in self.points
        ]
        return ((f"Power for {self.what}", ("copies", *names, "power", "Monte Carlo error"), lines),)

    @property
    def _notes(self) -> Sequence[str]:
        return (
            f"Two-sided {self.alpha:g} level, Kenward-Roger; {self.points[0].draws.supplied} draws each.",
            "The variances of the fit are taken as true.",
        )


def simulated_power(
    fit: FrameFit,
    effect: Mapping[str, float],
    *,
    copies: Sequence[int] = (1,),
    seed: int,
    draws: int = 500,
    alpha: float = 0.05,
) -> SimulatedPower:
    """Chance to tell one fixed effect from zero, by simulating and fitting again.

    Parameters
    ----------
    fit : FrameFit
        Rows, groups and variances are taken from it, such as from a pilot.
    effect : mapping of one name to its value
        A fixed effect and the value that it is to have, in the unit of the outcome. It is yours to say: what
        the fit itself found would give "observed power", which says no more than its p-value.
    copies : sequence of int
        Sizes: how often the rows of the fit are taken, with new groups of every kind each time.
    seed : int
        The same seed gives the same numbers.
    draws : int
        At least 100 for each size.
    alpha : float
        Two-sided level.

    Returns
    -------
    SimulatedPower

    Raises
    ------
    ArgumentError
        If the effect is not one of the model, or residual variances are not all equal.
    ConvergenceError
        If the fit did not converge.
    """
    model, found = fit.model, fit.fit
    name, value = next(iter(effect.items())) if len(effect) == 1 else ("", math.nan)
    if name not in found.names or not math.isfinite(value):
        raise ArgumentError(
            where="power", expected=f"one of {', '.join(found.names)} with a value", got=repr(dict(effect))
        )
    if found.covariance_parameters.residual.matrix.shape != (1, 1) or model.residual.kind != "equal":
        raise ArgumentError(where="power", expected="equal residual variances", got=model.residual.kind)
    if draws < FEWEST or min(copies, default=0) < 1 or not 0.0 < alpha < 1.0:
        raise ArgumentError(
            where="power", expected=f"sizes from 1, {FEWEST} draws or more, a level between 0 and 1",
            got=f"{list(copies)}, {draws}, {alpha}",
        )  # fmt: skip
    place = found.names.index(name)
    found.contrast({name: 1.0})  # refuses a fit that did not converge
    points = tuple(_point(fit, place, value, number, seed, draws, alpha) for number in copies)
    return SimulatedPower(points, alpha, f"{name} = {value:g}")


def _point(
    fit: FrameFit, place: int, value: float, copies: int, seed: int, draws: int, alpha: float
) -> PowerPoint:
    model, found = fit.model, fit.fit
    generator = stream(seed, "frames", "power", str(copies))
    X = np.tile(model.fixed_effects, (copies, 1))
    beta = found.values
    beta[place] = value
    outcomes = np.tile(X @ beta, (draws, 1))
    outcomes += found.covariance_parameters.residual.variance**0.5 * generator.standard_normal(outcomes.shape)
    effects = []
    for effect, spread in zip(model.random_effects, found.covariance_parameters.random_effects, strict=True):
        levels = len(effect.levels)
        codes = np.concatenate([effect.codes + levels * copy for copy in range(copies)])
        design = np.tile(effect.design, (copies, 1))
        values, vectors = np.linalg.eigh(spread.matrix)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        own = generator.standard_normal((draws, levels * copies, design.shape[1])) @ root.T
        outcomes += np.einsum("nq,dnq->dn", design, own[:, codes])
        effects.append(RandomEffect(effect.name, codes, design, columns=effect.columns))
    contrast = np.zeros((1, len(beta)))
    contrast[0, place] = 1.0
    many = fit_many_linear_mixed(outcomes, X, effects, contrasts=contrast)
    told = many.converged & (many.p_value[:, 0] < alpha)
    share, used = float(told.mean()), int(many.converged.sum())
    return PowerPoint(
        copies,
        tuple((effect.name, len(effect.levels)) for effect in effects),
        share,
        math.sqrt(share * (1.0 - share) / draws),
        RowCount(draws, used, (("did not converge", draws - used),), "draws"),
    )
