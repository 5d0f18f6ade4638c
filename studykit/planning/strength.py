r"""What a number of clients can tell about strength (or any continuous outcome), in closed form.

Legend. :math:`s` spread of one score between clients, :math:`r` correlation of the tests before and after,
:math:`k` exercises with residual correlation :math:`c`: one client's adjusted composite has variance

.. math:: v = s^2 (1 - r^2)\,\frac{1 + (k - 1) c}{k}.

Trainers who deliver both arms cancel out and cost degrees of freedom. Trainers who deliver one arm inflate
:math:`v` by :math:`1 + (m - 1)\,\mathrm{ICC}` with :math:`m` tested clients per trainer, on trainers − 2
degrees of freedom. Random imbalance of the baseline costs the factor :math:`1 + 1/(N - 4)`. Slips of delivery
and leaks between the arms add :math:`q_a d^2` to the variance in arm :math:`a` for an effect :math:`d`, see
`studykit.planning.assumptions.spread_by_delivery`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from studykit.errors import ArgumentError, DesignError
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.planning.assumptions import Assumptions, dilution, share_tested, spread_by_delivery
from studykit.planning.clusters import crossed_error, design_effect
from studykit.planning.means import composite_variance, summary_variance
from studykit.planning.power import (
    ErrorAndFreedom,
    detectable_difference,
    expected_half_width,
    fewest_clients,
    t_power,
)
from studykit.planning.within import WithinSpread, share_in_both, within_error, within_spread
from studykit.protocol.types import Protocol


@dataclass(frozen=True, slots=True)
class StrengthModel:
    """The planned comparison, ready to be put to any number of clients.

    Parameters
    ----------
    scale : str
        ``"log"``: effects and widths are told in per cent; ``"as_measured"``: in the unit.
    residual_sd : float
        Spread of one client's adjusted composite, on the analysis scale.
    shares : (float, float)
        Shares of all clients in the reference arm and in the compared arm.
    tested : float
        Share of clients whose primary test is seen.
    trainers : int
    nested : bool
        Whether each trainer delivers one arm.
    trainer_icc : float
        Share of the spread between trainers; matters only where nested.
    size_variation : float
        Spread of the trainers' numbers of clients over their mean; matters only where nested.
    trainer_by_arm_sd : float
        Spread of the effect between trainers, on the analysis scale.
    fixed_terms : int
        Means, slope and adjustments that the analysis estimates.
    effect : float
        On the analysis scale, diluted where it is declared under full delivery.
    alpha, power, confidence_level : float
    within : WithinSpread or None
        Where one client gets both arms.
    delivery_spread : (float, float)
        Variance between clients that the reference and the compared arm gain from an effect of one.
    """

    scale: str
    residual_sd: float
    shares: tuple[float, float]
    tested: float
    trainers: int
    nested: bool
    trainer_icc: float
    size_variation: float
    trainer_by_arm_sd: float
    fixed_terms: int
    effect: float
    alpha: float
    power: float
    confidence_level: float
    within: WithinSpread | None = None
    delivery_spread: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class StrengthPoint:
    """What one number of clients tells.

    Parameters
    ----------
    clients : int
        In all arms together.
    tested_per_arm : (float, float)
        Expected tests at the primary visit, reference and compared arm; where one client gets both arms,
        each client counts in both.
    standard_error, degrees_of_freedom : float
        Of the difference, on the analysis scale.
    half_width : float
        Expected distance from the estimate to the end of the interval: per cent (of a ratio of one) on the
        log scale, else in the unit.
    width : float
        Full width, same unit.
    power : float
        For the assumed effect.
    detectable : float
        Difference found with the wanted power, same unit as ``half_width``.
    width_other_trainers : float
        Full width of an interval that also covers other trainers than these; infinite with one trainer.
    """

    clients: int
    tested_per_arm: tuple[float, float]
    standard_error: float
    degrees_of_freedom: float
    half_width: float
    width: float
    power: float
    detectable: float
    width_other_trainers: float


@dataclass(frozen=True, slots=True)
class StrengthPlan:
    """What the study can tell about one continuous outcome.

    Parameters
    ----------
    outcome, name, unit : str
        Code, name, and the unit of widths and differences (``"%"`` on the log scale).
    visit : str
        Name of the primary visit.
    exercises : int
        In the composite; 0 where there are none.
    model : StrengthModel
    planned : StrengthPoint
        At the planned number of clients.
    curve : tuple of StrengthPoint
        By number of clients.
    effect : float
        As declared, in ``unit``.
    effect_after_dilution : float
        As it reaches the analysis, in ``unit``.
    largest_plausible : float
        The high end of the assumed effect, after dilution, in ``unit``.
    smallest_worthwhile : float or None
    clients_for_effect : int or None
        Clients in all arms for the wanted power at the assumed effect; ``None`` if out of reach.
    clients_for_worthwhile : int or None
        Clients in all arms for an interval that reaches no farther than the smallest worthwhile
        difference to either side.
    """

    outcome: str
    name: str
    unit: str
    visit: str
    exercises: int
    model: StrengthModel
    planned: StrengthPoint
    curve: tuple[StrengthPoint, ...]
    effect: float
    effect_after_dilution: float
    largest_plausible: float
    smallest_worthwhile: float | None
    clients_for_effect: int | None
    clients_for_worthwhile: int | None

    @property
    def tested_clients(self) -> float:
        """Clients tested at the primary visit, expected; each once."""
        first, second = self.planned.tested_per_arm
        return first if self.model.within else first + second


def on_scale(value: float, scale: str) -> float:
    """Per cent to a log difference; other scales stay."""
    if scale != "log":
        return value
    if not value > -100.0:
        raise ArgumentError(
            where="effect_strength", expected="more than -100 per cent", got=f"{value:g}",
            todo="Nobody can lose more than all strength; correct the value or its range.",
        )  # fmt: skip
    return math.log1p(value / 100.0)


def told(value: float, scale: str) -> float:
    """A log difference to per cent; other scales stay."""
    return 100.0 * math.expm1(value) if scale == "log" else value


def told_width(half_width: float, scale: str) -> float:
    """Full width of the interval around no difference."""
    return 200.0 * math.sinh(half_width) if scale == "log" else 2.0 * half_width


def strength_model(
    protocol: Protocol, outcome: ContinuousOutcome, assumptions: Assumptions, *, alpha: float | None = None
) -> StrengthModel:
    """The planned comparison of a protocol's continuous outcome.

    Raises
    ------
    DesignError
        If a spread is needed and not given, or if nothing is left of the contrast between the arms.
    """
    planning = protocol.planning
    exercises = max(len(outcome.exercises), 1)
    variance = (
        assumptions.value("sd_score") ** 2
        * summary_variance("baseline-adjusted", assumptions.value("correlation_baseline"))
        * (
            composite_variance(exercises, assumptions.value("correlation_exercises"))
            if exercises > 1
            else 1.0
        )
    )
    ratio = {arm.code: arm.ratio for arm in protocol.arms}
    total = sum(ratio.values())
    kept = dilution(assumptions, declared=planning.effect_declared)
    spread = spread_by_delivery(assumptions)
    nested = protocol.trainers.deliver == "one arm" and not protocol.is_external
    within = within_spread(protocol, outcome, assumptions)
    tested = share_tested(protocol, outcome, assumptions)
    return StrengthModel(
        scale=outcome.scale,
        residual_sd=math.sqrt(variance),
        shares=(ratio[protocol.reference_arm.code] / total, ratio[protocol.comparison_arm.code] / total),
        tested=tested if within is None else share_in_both(protocol, assumptions, tested=tested),
        trainers=planning.trainers,
        nested=nested,
        trainer_icc=assumptions.value("trainer_icc_strength") if nested else 0.0,
        size_variation=assumptions.value("trainer_size_variation") if nested else 0.0,
        trainer_by_arm_sd=0.0 if nested else assumptions.value("trainer_by_arm_sd"),
        fixed_terms=_fixed_terms(protocol),
        effect=kept * on_scale(assumptions.value("effect_strength"), outcome.scale),
        alpha=protocol.analysis.alpha if alpha is None else alpha,
        power=planning.power,
        confidence_level=protocol.analysis.confidence_level,
        within=within,
        delivery_spread=(0.0, 0.0) if within else spread,
    )


def _fixed_terms(protocol: Protocol) -> int:
    """One mean per arm, the slope on the baseline, trainers, levels of the other strata, covariates."""
    strata = sum(max(len(stratum.levels), 1) - 1 for stratum in protocol.strata if stratum.code != "trainer")
    crossed = protocol.trainers.deliver == "both arms" and not protocol.is_external
    trainers = protocol.planning.trainers - 1 if crossed else 0
    return len(protocol.arms) + 1 + strata + trainers + len(protocol.analysis.adjust_for)


def _error_and_freedom(model: StrengthModel, clients: int) -> tuple[float, float] | None:
    """Standard error and degrees of freedom, ``None`` where nothing can be estimated."""
    everybody = clients * model.tested
    if model.within is not None:
        known = within_error(model.within, everybody, model.trainers)
        return None if known is None else (known.standard_error, known.degrees_of_freedom)
    freedom = model.trainers - 2.0 if model.nested else everybody - model.fixed_terms
    if freedom < 1.0 or everybody <= 5.0:
        return None
    spreads = (model.residual_sd**2 + spread * model.effect**2 for spread in model.delivery_spread)
    per_arm = sum(one / (everybody * share) for one, share in zip(spreads, model.shares, strict=True))
    variance = per_arm * (1.0 + 1.0 / (everybody - 4.0))
    if model.nested:
        each = max(everybody / model.trainers, 1.0)
        variance *= design_effect(each, model.trainer_icc, variation=model.size_variation)
    return math.sqrt(variance), freedom


def _detectable(model: StrengthModel, clients: int) -> float:
    r"""The difference found with the wanted power, on the analysis scale.

    A larger difference also spreads the clients more: with the standard error's square :math:`a + b d^2`, and
    :math:`k` errors needed, :math:`d^2 = k^2 a / (1 - k^2 b)`. No difference is large enough where
    :math:`k^2 b \ge 1`.
    """
    none, one = (_error_and_freedom(replace(model, effect=effect), clients) for effect in (0.0, 1.0))
    if none is None or one is None:
        return math.inf
    errors = detectable_difference(1.0, degrees_of_freedom=none[1], power=model.power, alpha=model.alpha)
    left = 1.0 - errors**2 * (one[0] ** 2 - none[0] ** 2)
    return errors * none[0] / math.sqrt(left) if left > 0.0 else math.inf


def _tested_per_arm(model: StrengthModel, clients: int) -> tuple[float, float]:
    tested = clients * model.tested
    return (tested, tested) if model.within else (tested * model.shares[0], tested * model.shares[1])


def strength_at(model: StrengthModel, clients: int) -> StrengthPoint | None:
    """What a number of clients tells; ``None`` where nothing can be estimated."""
    known = _error_and_freedom(model, clients)
    if known is None:
        return None
    error, freedom = known
    half = expected_half_width(error, degrees_of_freedom=freedom, confidence_level=model.confidence_level)
    return StrengthPoint(
        clients=clients,
        tested_per_arm=_tested_per_arm(model, clients),
        standard_error=error,
        degrees_of_freedom=freedom,
        half_width=told(half, model.scale),
        width=told_width(half, model.scale),
        power=t_power(model.effect, error, degrees_of_freedom=freedom, alpha=model.alpha),
        detectable=told(_detectable(model, clients), model.scale),
        width_other_trainers=_width_other_trainers(model, error**2, freedom),
    )


def _width_other_trainers(model: StrengthModel, variance: float, freedom: float) -> float:
    """The effect's spread between trainers added; degrees of freedom by Satterthwaite's rule."""
    if model.nested:
        return told_width(
            expected_half_width(
                math.sqrt(variance), degrees_of_freedom=freedom, confidence_level=model.confidence_level
            ),
            model.scale,
        )
    if model.trainers < 2:
        return math.inf
    both = crossed_error(
        ErrorAndFreedom(math.sqrt(variance), freedom),
        trainer_by_arm_sd=model.trainer_by_arm_sd,
        trainers=model.trainers,
    )
    half = expected_half_width(
        both.standard_error,
        degrees_of_freedom=both.degrees_of_freedom,
        confidence_level=model.confidence_level,
    )
    return told_width(half, model.scale)


def clients_for_strength_power(model: StrengthModel, *, effect: float | None = None) -> int | None:
    """Clients in all arms for the wanted power; the assumed effect, or one on the analysis scale."""
    wanted = replace(model, effect=model.effect if effect is None else effect)
    if wanted.effect == 0.0:
        return None

    def power(clients: int) -> float:
        known = _error_and_freedom(wanted, clients)
        if known is None:
            return 0.0
        return t_power(wanted.effect, known[0], degrees_of_freedom=known[1], alpha=wanted.alpha)

    return fewest_clients(power, model.power, least=4)


def clients_for_strength_width(model: StrengthModel, *, half_width: float) -> int | None:
    """Clients in all arms for an interval that reaches ``half_width`` (told unit) to either side."""

    def narrowness(clients: int) -> float:
        known = _error_and_freedom(model, clients)
        if known is None:
            return -math.inf
        half = expected_half_width(
            known[0], degrees_of_freedom=known[1], confidence_level=model.confidence_level
        )
        return -told(half, model.scale)

    return fewest_clients(narrowness, -half_width, least=4)


def plan_strength(
    protocol: Protocol,
    outcome: ContinuousOutcome,
    assumptions: Assumptions,
    *,
    clients: int,
    counts: tuple[int, ...],
    alpha: float | None = None,
) -> StrengthPlan:
    """What the study can tell about one continuous outcome.

    Parameters
    ----------
    protocol, outcome, assumptions
        What is planned.
    clients : int
        Planned, in all arms together.
    counts : tuple of int
        Numbers of clients for the curve.
    alpha : float, optional
        If not the protocol's: a smaller one where several primary outcomes share it.

    Raises
    ------
    DesignError
        If nothing can be estimated with so few clients or trainers, or a needed spread is not given.
    """
    model = strength_model(protocol, outcome, assumptions, alpha=alpha)
    planned = strength_at(model, clients)
    if planned is None:
        raise DesignError(
            where="planning",
            expected="more trainers, periods or clients"
            if model.within
            else "at least three trainers"
            if model.nested
            else "more tested clients than the analysis has terms",
            got=f"{clients * model.tested:.0f} tested, {model.fixed_terms} terms, {model.trainers} trainers",
            todo="Nothing can be estimated with so few.",
        )
    points = (strength_at(model, count) for count in counts)
    worthwhile = outcome.smallest_worthwhile
    effect = assumptions.assumption("effect_strength")
    high = effect.value if effect.high is None else effect.high
    low = effect.value if effect.low is None else effect.low
    largest = max(abs(high), abs(low))
    kept = dilution(assumptions, declared=protocol.planning.effect_declared)
    return StrengthPlan(
        outcome=outcome.code,
        name=outcome.name,
        unit="%" if outcome.scale == "log" else outcome.unit,
        visit=protocol.visit(outcome.primary_visit).name,
        exercises=len(outcome.exercises),
        model=model,
        planned=planned,
        curve=tuple(point for point in points if point is not None),
        effect=effect.value,
        effect_after_dilution=told(model.effect, outcome.scale),
        largest_plausible=told(kept * on_scale(largest, outcome.scale), outcome.scale),
        smallest_worthwhile=worthwhile,
        clients_for_effect=clients_for_strength_power(model),
        clients_for_worthwhile=None
        if worthwhile is None
        else clients_for_strength_width(model, half_width=worthwhile),
    )
