r"""The planned comparison of a continuous outcome, put to a number of clients, in closed form.

Legend. :math:`s` spread of one score between clients, :math:`r` correlation of the tests before and after,
:math:`k` exercises with residual correlation :math:`c`: one client's adjusted composite has variance

.. math:: v = s^2 (1 - r^2)\,\frac{1 + (k - 1) c}{k}.

Trainers who deliver both arms cancel out and cost degrees of freedom. Trainers who deliver one arm inflate
:math:`v` by :math:`1 + (m - 1)\,\mathrm{ICC}` with :math:`m` tested clients per trainer, on trainers − 2
degrees of freedom. Random imbalance of the baseline costs the factor :math:`1 + 1/(N - 4)`. Slips of delivery
and leaks between the arms add :math:`q_a d^2` to the variance in arm :math:`a` for an effect :math:`d`, see
`studykit.planning.assumptions.spread_by_delivery`.

Where a client gets both arms, its composite moves from test to test by
:math:`s^2(1-r)\,\frac{1+(k-1)c}{k}` and the rest stays with the client; the analysis is
`studykit.kinds.continuous.within`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError
from studykit.kinds.continuous.regression import ENOUGH_DEGREES_OF_FREEDOM
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.planning.assumptions import (
    Assumptions,
    dilution,
    share_still_there,
    spread_by_delivery,
)
from studykit.planning.clusters import crossed_error, design_effect
from studykit.planning.means import composite_variance, summary_variance
from studykit.planning.outcome_plan import OutcomeModel, OutcomePoint, common_fields
from studykit.planning.power import (
    ErrorAndFreedom,
    detectable_difference,
    expected_half_width,
    fewest_clients,
    t_power,
)
from studykit.planning.within import schedule_error, spread_over
from studykit.protocol.designs import DESIGNS
from studykit.protocol.types import Protocol

FEWEST = 4.0  # clients with scores in both arms, as the analysis demands


@dataclass(frozen=True, slots=True)
class WithinSpread:
    """The standard deviations that matter where one client gets both arms.

    Parameters
    ----------
    design : str
        Its word.
    moving_sd : float
        Of a client's composite from test to test; for sides, of one side, its own test before accounted for.
    staying_sd : float
        Of what stays with a client; matters where trainers are drawn.
    trainer_sd : float
        Between trainers; matters where they are drawn.
    correlation_sides : float
        Of a client's two sides; 0 elsewhere.
    periods : int
        With a test at the end; 1 for sides.
    tested_before : bool
        Whether there is a test before the first period.
    """

    design: str
    moving_sd: float
    staying_sd: float
    trainer_sd: float
    correlation_sides: float
    periods: int
    tested_before: bool

    @property
    def schedule(self) -> NDArray[np.float64]:
        """1 where a code means the compared arm: (codes, cells).

        Where everybody begins in the reference arm, a test before is a cell of its own.
        """
        plan = DESIGNS[self.design]
        codes = len(plan.codes(("first", "second"), self.periods))
        cells = plan.schedule(codes, self.periods).reshape(codes, -1).astype(float)
        before = plan.begins_in_reference and self.tested_before
        return np.column_stack([np.zeros(codes), cells]) if before else cells


def within_spread(
    protocol: Protocol, outcome: ContinuousOutcome, assumptions: Assumptions
) -> WithinSpread | None:
    """The standard deviations of a protocol in which clients get both arms; ``None`` elsewhere."""
    plan = protocol.plan
    if not plan.within:
        return None
    sides = plan.within == "sides"
    exercises = len({protocol.exercise(code).pair or code for code in outcome.exercises} if sides
                    else outcome.exercises)  # fmt: skip
    sd, correlation = assumptions.value("sd_score"), assumptions.value("correlation_baseline")
    several = _composite_factor(assumptions, exercises)
    moving = summary_variance("baseline-adjusted", correlation) if sides else 1.0 - correlation
    icc = assumptions.value("trainer_icc_strength") if plan.unit == "trainer" else 0.0
    return WithinSpread(
        design=plan.word,
        moving_sd=sd * math.sqrt(moving * several),
        staying_sd=sd * math.sqrt(max(correlation - icc, 0.0)),
        trainer_sd=sd * math.sqrt(icc),
        correlation_sides=assumptions.value("correlation_limbs") if sides else 0.0,
        periods=max(len(protocol.periods), 1),
        tested_before=bool(protocol.baseline_visits),
    )


def share_in_both(protocol: Protocol, assumptions: Assumptions, *, tested: float) -> float:
    """Of the share tested at the last visit, that which also has what it is compared with.

    A client who is drawn for periods can miss the test of an earlier one as well; two sides are tested on one
    day, and where trainers are drawn whatever tests there are count.
    """
    own_periods = protocol.plan.within == "periods" and protocol.plan.unit == "client"
    return tested * (1.0 - assumptions.value("missed_tests")) if own_periods else tested


def within_error(spread: WithinSpread, tested: float, trainers: int) -> ErrorAndFreedom | None:
    """Error and degrees of freedom with so many clients tested in both arms; ``None`` with too few.

    Notes
    -----
    Where trainers are drawn: the mean of a trainer's clients in a period, the same clients in all periods, so
    that what stays with them counts as the trainer's (Hooper, Teerenstra, de Hoop & Eldridge 2016, Statistics
    in Medicine 35:4718).

    Examples
    --------
    >>> crossed = WithinSpread("crossover", 0.06, 0.2, 0.0, 0.0, 2, True)
    >>> round(within_error(crossed, 18.0, 3).standard_error, 4)
    0.02
    """
    plan, schedule = DESIGNS[spread.design], spread.schedule
    by_trainer, codes = plan.unit == "trainer", schedule.shape[0]
    if tested < FEWEST or (by_trainer and trainers < codes * plan.fewest_per_code):
        return None
    each = tested / trainers if by_trainer else 1.0
    try:
        return schedule_error(
            schedule,
            units=spread_over(trainers, codes) if by_trainer else tested / codes,
            cell_variance=spread.moving_sd**2 * (1.0 - spread.correlation_sides) / each,
            unit_variance=spread.trainer_sd**2 + spread.staying_sd**2 / each,
        )
    except ArgumentError:
        return None  # too few trainers and periods to tell time and arm apart


@dataclass(frozen=True, slots=True)
class ContinuousModel(OutcomeModel):
    """The planned comparison, ready to be put to any number of clients.

    Parameters
    ----------
    scale : str
        ``"log"``: effects and widths are told in per cent; ``"as_measured"``: in the unit.
    residual_sd : float
        Spread of one client's adjusted composite, on the analysis scale.
    tested : float
        Share of clients whose primary test is seen.
    trainer_by_arm_sd : float
        Spread of the effect between trainers, on the analysis scale.
    fixed_terms : int
        Means, slope and adjustments that the analysis estimates.
    effect : float
        On the analysis scale, diluted where it is declared under full delivery.
    within : WithinSpread or None
        Where one client gets both arms.
    delivery_spread : (float, float)
        Variance between clients that the reference and the compared arm gain from an effect of one.
    fewer_terms : tuple of int
        Terms that are left in the smallest studies, see `studykit.kinds.continuous.regression.RUNGS`.
    """

    scale: str
    residual_sd: float
    tested: float
    trainer_by_arm_sd: float
    fixed_terms: int
    effect: float
    within: WithinSpread | None = None
    delivery_spread: tuple[float, float] = (0.0, 0.0)
    fewer_terms: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class ContinuousPoint(OutcomePoint):
    """What one number of clients tells: per cent (of a ratio of one) on the log scale, else in the unit.

    Parameters
    ----------
    detectable : float
        Infinite where no difference is large enough.
    tested_per_arm : (float, float)
        Expected tests at the primary visit, reference and compared arm; where one client gets both arms,
        each client counts in both.
    standard_error, degrees_of_freedom : float
        Of the difference, on the analysis scale.
    half_width : float
        Expected distance from the estimate to the upper end of the interval.
    width_other_trainers : float
        Full width of an interval that also covers other trainers than these; infinite with one trainer.
    """

    detectable: float
    tested_per_arm: tuple[float, float]
    standard_error: float
    degrees_of_freedom: float
    half_width: float
    width_other_trainers: float

    @property
    def reach(self) -> float:
        """How far the interval reaches to either side."""
        return self.half_width


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


def planned_model(
    protocol: Protocol, outcome: ContinuousOutcome, assumptions: Assumptions, *, alpha: float | None = None
) -> ContinuousModel:
    """The planned comparison of a protocol's continuous outcome.

    Raises
    ------
    DesignError
        If a spread is needed and not given, or if nothing is left of the contrast between the arms.
    """
    variance = (
        assumptions.value("sd_score") ** 2
        * summary_variance("baseline-adjusted", assumptions.value("correlation_baseline"))
        * _composite_factor(assumptions, len(outcome.exercises))
    )
    kept = dilution(assumptions, declared=protocol.planning.effect_declared)
    spread = spread_by_delivery(assumptions)
    within = within_spread(protocol, outcome, assumptions)
    tested = share_tested(protocol, outcome, assumptions)
    common = common_fields(protocol, assumptions, trainer_icc="trainer_icc_strength", alpha=alpha)
    return ContinuousModel(
        **common,
        scale=outcome.scale,
        residual_sd=math.sqrt(variance),
        tested=tested if within is None else share_in_both(protocol, assumptions, tested=tested),
        trainer_by_arm_sd=0.0 if common["nested"] else assumptions.value("trainer_by_arm_sd"),
        fixed_terms=_fixed_terms(protocol),
        fewer_terms=_fewer_terms(protocol),
        effect=kept * on_scale(assumptions.value("effect_strength"), outcome.scale),
        within=within,
        delivery_spread=(0.0, 0.0) if within else spread,
    )


def _composite_factor(assumptions: Assumptions, exercises: int) -> float:
    """Variance of the composite over that of one exercise."""
    if exercises <= 1:  # none: a score that is recorded as it is
        return 1.0
    return composite_variance(exercises, assumptions.value("correlation_exercises"))


def share_tested(protocol: Protocol, outcome: ContinuousOutcome, assumptions: Assumptions) -> float:
    """Share of clients whose test at the primary visit is seen.

    Tests are missed by some who still come. Where leaving the studio is handled as hypothetical, tests after
    leaving are not used either: the share still there on that day follows the retention curve, a Weibull one
    through the share retained at the horizon.
    """
    tested = 1.0 - assumptions.value("missed_tests")
    estimand = outcome.estimand
    if estimand is not None and estimand.strategies.leaves_studio == "treatment policy":
        return tested
    return tested * share_still_there(protocol, assumptions, day=protocol.visit(outcome.primary_visit).day)


def _fixed_terms(protocol: Protocol) -> int:
    """One mean per arm, the slope on the baseline, trainers, levels of the other strata, covariates."""
    strata = sum(max(len(stratum.levels), 1) - 1 for stratum in protocol.strata if stratum.code != "trainer")
    crossed = protocol.trainers.deliver == "both arms" and not protocol.is_external
    trainers = protocol.planning.trainers - 1 if crossed else 0
    return len(protocol.arms) + 1 + strata + trainers + len(protocol.analysis.adjust_for)


def _fewer_terms(protocol: Protocol) -> tuple[int, ...]:
    """Terms of the smallest studies: without trainers, then without stratifiers and covariates."""
    least = len(protocol.arms) + 1
    strata = sum(max(len(stratum.levels), 1) - 1 for stratum in protocol.strata if stratum.code != "trainer")
    return least + strata + len(protocol.analysis.adjust_for), least


def _terms(model: ContinuousModel, clients: float) -> int:
    """The terms that so many tested clients can carry, in the order that the regression drops them."""
    for terms in (model.fixed_terms, *model.fewer_terms):
        if clients - terms >= ENOUGH_DEGREES_OF_FREEDOM:
            return terms
    return (model.fixed_terms, *model.fewer_terms)[-1]


def _error_and_freedom(model: ContinuousModel, clients: int) -> tuple[float, float] | None:
    """Standard error and degrees of freedom, ``None`` where nothing can be estimated."""
    everybody = clients * model.tested
    if model.within is not None:
        known = within_error(model.within, everybody, model.trainers)
        return None if known is None else (known.standard_error, known.degrees_of_freedom)
    freedom = model.trainers - 2.0 if model.nested else everybody - _terms(model, everybody)
    if freedom < 1.0 or everybody <= 5.0:
        return None
    spreads = (model.residual_sd**2 + spread * model.effect**2 for spread in model.delivery_spread)
    per_arm = sum(one / (everybody * share) for one, share in zip(spreads, model.shares, strict=True))
    variance = per_arm * (1.0 + 1.0 / (everybody - 4.0))
    if model.nested:
        each = max(everybody / model.trainers, 1.0)
        variance *= design_effect(each, model.trainer_icc, variation=model.size_variation)
    return math.sqrt(variance), freedom


def _detectable(model: ContinuousModel, clients: int) -> float:
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


def _tested_per_arm(model: ContinuousModel, clients: int) -> tuple[float, float]:
    tested = clients * model.tested
    return (tested, tested) if model.within else (tested * model.shares[0], tested * model.shares[1])


def point_at(model: ContinuousModel, clients: int) -> ContinuousPoint | None:
    """What a number of clients tells; ``None`` where nothing can be estimated."""
    known = _error_and_freedom(model, clients)
    if known is None:
        return None
    error, freedom = known
    half = expected_half_width(error, degrees_of_freedom=freedom, confidence_level=model.confidence_level)
    return ContinuousPoint(
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


def _width_other_trainers(model: ContinuousModel, variance: float, freedom: float) -> float:
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


def clients_for_power(model: ContinuousModel, *, effect: float | None = None) -> int | None:
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


def clients_for_width(model: ContinuousModel, *, half_width: float) -> int | None:
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
