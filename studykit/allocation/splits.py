"""Trainers allocated together: every split listed or sampled, the best balanced kept, one drawn.

When trainers, and not clients, are allocated, there are few of them, and chance alone can put all
experienced trainers into one arm. So the splits that balance named facts about the trainers are
found first, by a rule written in advance, and one of them is drawn.

A split and the same split with the arms exchanged are always both kept. Every trainer therefore
has the same chance of every arm, and the re-randomisation test over the kept splits is exact.

Sources: Raab GM, Butcher I, Statistics in Medicine 2001;20:351; Moulton LH, Clinical Trials
2004;1:297 (pairs that are always or never together); Li F and others, Statistics in Medicine
2016;35:1565 (symmetric sets). From memory; checks in the tests.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.allocation.bits import RecordedBits
from studykit.errors import ArgumentError, DesignError, Finding
from studykit.results import Result, frozen_array

_FEW_PER_ARM = 3
_USUAL_TYPE_ONE_ERROR = 0.05


@dataclass(frozen=True, slots=True)
class SplitPlan:
    """How units that are allocated together are split over the arms; fixed before the draw.

    Parameters
    ----------
    arms : tuple of str
        Arms of equal weight (or steps of a roll-out); their numbers of units differ by at most one.
    covariates : tuple of str
        Numbers known of every unit, to be balanced; none means that every split is kept.
    weights : tuple of int
        One per covariate, from 1; empty for equal weights.
    kept_share : Fraction
        Share of the splits that is kept, the best balanced; equally good ones are kept too.
    kept_at_least : int
        Never fewer than this, where there are so many, so that a re-randomisation test can still
        reach 5 %: its smallest p-value is one over the number kept.
    listed_at_most : int
        With more splits than this, so many are sampled instead.
    least_per_arm : int
        Fewer units in an arm are refused: 2, or 1 for the steps of a roll-out.

    Raises
    ------
    ArgumentError
        If the settings do not fit each other.
    """

    arms: tuple[str, ...]
    covariates: tuple[str, ...] = ()
    weights: tuple[int, ...] = ()
    kept_share: Fraction = Fraction(1, 4)
    kept_at_least: int = 20
    listed_at_most: int = 20_000
    least_per_arm: int = 2

    def __post_init__(self) -> None:
        weights = self.weights or (1,) * len(self.covariates)
        if len(self.arms) < 2 or len(set(self.arms)) != len(self.arms):
            raise ArgumentError(where="arms", expected="at least two different arms", got=repr(self.arms))
        if len(weights) != len(self.covariates) or min((*weights, 1)) < 1:
            raise ArgumentError(
                where="weights", expected="a whole number from 1 for each covariate", got=repr(weights)
            )
        if not 0 < self.kept_share <= 1 or self.kept_at_least < 1 or self.listed_at_most < 1:
            raise ArgumentError(
                where="kept splits",
                expected="a share above 0 up to 1, and numbers from 1",
                got=f"{self.kept_share}, {self.kept_at_least}, {self.listed_at_most}",
            )
        object.__setattr__(self, "weights", weights)
        object.__setattr__(self, "kept_share", Fraction(self.kept_share))

    def describe(self) -> dict[str, Any]:
        """Everything that is needed to make the plan again."""
        described: dict[str, Any] = {
            "method": "split",
            "arms": list(self.arms),
            "covariates": list(self.covariates),
            "weights": list(self.weights),
            "kept_share": str(self.kept_share),
            "kept_at_least": self.kept_at_least,
            "listed_at_most": self.listed_at_most,
        }
        if self.least_per_arm != 2:
            described["least_per_arm"] = self.least_per_arm
        return described


def plan_from(description: Mapping[str, Any]) -> SplitPlan:
    """The plan that `SplitPlan.describe` described."""
    return SplitPlan(
        tuple(description["arms"]),
        covariates=tuple(description["covariates"]),
        weights=tuple(description["weights"]),
        kept_share=Fraction(description["kept_share"]),
        kept_at_least=description["kept_at_least"],
        listed_at_most=description["listed_at_most"],
        least_per_arm=description.get("least_per_arm", 2),
    )


@dataclass(frozen=True, slots=True)
class Candidates:
    """The splits that are kept.

    Parameters
    ----------
    units : tuple of str
        Codes.
    arms : tuple of str
    partitions : ndarray of int8, shape (kept, units)
        Group of every unit; groups carry no arm yet, the first unit is in group 0.
    imbalance : ndarray of float, shape (kept,)
        Balance measure of each; 0 is perfect.
    considered, possible : int
        Partitions looked at, and partitions there are; equal where all were listed.
    """

    units: tuple[str, ...]
    arms: tuple[str, ...]
    partitions: NDArray[np.int8]
    imbalance: NDArray[np.float64]
    considered: int
    possible: int

    @property
    def number(self) -> int:
        """Splits kept, counting every way to give the arms to the groups."""
        return len(self.partitions) * math.factorial(len(self.arms))

    @property
    def smallest_p_value(self) -> float:
        """Smallest two-sided p-value that a re-randomisation test over the kept splits can reach."""
        return 1.0 / len(self.partitions)

    def split(self, index: int) -> tuple[int, ...]:
        """Arm of every unit in one of the `number` splits."""
        orders = math.factorial(len(self.arms))
        order = next(itertools.islice(itertools.permutations(range(len(self.arms))), index % orders, None))
        return tuple(order[group] for group in self.partitions[index // orders])

    def all_splits(self) -> NDArray[np.int8]:
        """Arms of all units in all splits: shape (number, units)."""
        orders = np.array(list(itertools.permutations(range(len(self.arms)))), dtype=np.int8)
        splits: NDArray[np.int8] = orders[None, :, :].repeat(len(self.partitions), axis=0)
        rows = np.take_along_axis(splits, self.partitions[:, None, :].repeat(len(orders), axis=1), axis=2)
        return rows.reshape(-1, len(self.units))

    def together(self) -> NDArray[np.float64]:
        """Share of the splits in which two units are in one arm: shape (units, units)."""
        same = self.partitions[:, :, None] == self.partitions[:, None, :]
        share: NDArray[np.float64] = same.mean(axis=0)
        return share

    def findings(self) -> tuple[Finding, ...]:
        """What a reader should know before the draw."""
        found = []
        per_arm = len(self.units) // len(self.arms)
        if per_arm <= _FEW_PER_ARM or self.smallest_p_value > _USUAL_TYPE_ONE_ERROR:
            found.append(
                Finding(
                    "warn",
                    "trainers",
                    "enough of them for a test",
                    f"{per_arm} in an arm: no result, however large, can give a p-value below "
                    f"{self.smallest_p_value:.3f}",
                    "Judge the interval, and treat the study as a pilot.",
                )
            )
        share = self.together()
        for first, second in itertools.combinations(range(len(self.units)), 2):
            if share[first, second] in (0.0, 1.0) and len(self.units) > len(self.arms):
                how = "always" if share[first, second] else "never"
                found.append(
                    Finding(
                        "warn",
                        "trainers",
                        "every pair sometimes together and sometimes apart",
                        f"{self.units[first]} and {self.units[second]} {how} in one arm",
                        "Keep a larger share of the splits.",
                    )
                )
        return tuple(found)


def number_of_partitions(units: int, arms: int) -> int:
    """Ways to divide units into groups whose sizes differ by at most one; groups carry no arm.

    Examples
    --------
    >>> number_of_partitions(8, 2), number_of_partitions(5, 2), number_of_partitions(6, 3)
    (35, 10, 15)
    """
    small, larger = divmod(units, arms)
    sizes = [small + 1] * larger + [small] * (arms - larger)
    ordered = math.factorial(units) // math.prod(math.factorial(size) for size in sizes)
    return ordered // (math.factorial(larger) * math.factorial(arms - larger))


def find_candidates(
    units: Mapping[str, Mapping[str, float]], plan: SplitPlan, *, bits: RecordedBits
) -> Candidates:
    """List, or sample, the splits and keep the best balanced.

    Parameters
    ----------
    units : mapping of str to mapping of str to float
        The covariates of every unit, by code.
    plan : SplitPlan
    bits : RecordedBits
        Used only where the splits are too many to list.

    Raises
    ------
    DesignError
        If there are fewer than two units per arm.
    ArgumentError
        If a covariate is missing or is no number.

    Notes
    -----
    Measure: over covariates, the weight times the sum over pairs of arms of the squared difference
    in means, divided by the variance over units. It does not depend on which group gets which arm.
    """
    codes = tuple(units)
    if len(codes) < plan.least_per_arm * len(plan.arms):
        least = "two" if plan.least_per_arm == 2 else str(plan.least_per_arm)
        raise DesignError(
            where="trainers",
            expected=f"at least {least} in each of the {len(plan.arms)} arms",
            got=f"{len(codes)} in all",
            todo="With one trainer in an arm the arm's effect cannot be told from the trainer's.",
        )
    values = _covariate_values(units, plan.covariates)
    possible = number_of_partitions(len(codes), len(plan.arms))
    if possible <= plan.listed_at_most:
        partitions = np.array(list(_partitions(len(codes), len(plan.arms))), dtype=np.int8)
    else:
        partitions = _sampled_partitions(len(codes), len(plan.arms), plan.listed_at_most, bits)
    imbalance = _imbalance(partitions, values, plan)
    order = np.argsort(imbalance, kind="stable")
    wanted = max(math.ceil(plan.kept_share * len(order)), min(plan.kept_at_least, len(order)))
    if not plan.covariates:
        wanted = len(order)
    # Equally good splits are kept together; the tolerance is rounding, in units of the measure.
    limit = imbalance[order[wanted - 1]] * (1 + 1e-9) + 1e-12
    # Kept in the order of listing, which does not hang on the last digit of the measure.
    kept = np.flatnonzero(imbalance <= limit)
    return Candidates(
        codes,
        plan.arms,
        frozen_array(partitions[kept]),
        frozen_array(imbalance[kept]),
        considered=len(partitions),
        possible=possible,
    )


@dataclass(frozen=True, slots=True)
class Split(Result):
    """The split that was drawn.

    Parameters
    ----------
    arm_of : mapping of str to str
        The arm of every unit.
    index : int
        Of the split among the ``kept`` ones.
    kept, considered, possible : int
        Splits kept; partitions looked at; partitions there are.
    imbalance, largest_kept_imbalance : float
        Balance measure of this split, and of the worst that was kept.
    smallest_p_value : float
        That a re-randomisation test can reach.
    """

    arm_of: Mapping[str, str]
    index: int
    kept: int
    considered: int
    possible: int
    imbalance: float
    largest_kept_imbalance: float
    smallest_p_value: float

    def text(self) -> str:
        """The draw in words, for an owner."""
        width = max(map(len, self.arm_of))
        whole = "all" if self.considered == self.possible else f"{self.considered:,} sampled"
        lines = [
            "The trainers' arms",
            *(f"  {unit:<{width}}  {arm}" for unit, arm in self.arm_of.items()),
            f"Looked at: {whole} of {self.possible:,} ways to divide the trainers; the best balanced stayed,",
            f"with the arms both ways {self.kept:,} splits, each as likely. Number {self.index} was drawn.",
            f"Imbalance: {self.imbalance:.3f} (0 is perfect; worst kept: {self.largest_kept_imbalance:.3f}).",
            f"Smallest p-value that drawing again can give: {self.smallest_p_value:.3f}.",
        ]
        return "\n".join(lines)


def draw_split(
    units: Mapping[str, Mapping[str, float]], plan: SplitPlan, *, entropy: str
) -> tuple[Split, Candidates]:
    """Draw one of the candidate splits, every one as likely.

    Examples
    --------
    >>> years = {"T1": {"years": 1}, "T2": {"years": 2}, "T3": {"years": 9}, "T4": {"years": 8}}
    >>> plan = SplitPlan(("a", "b"), covariates=("years",), kept_at_least=1)
    >>> split, candidates = draw_split(years, plan, entropy="07" * 32)
    >>> candidates.partitions.tolist(), candidates.number  # 1 with 9, 2 with 8; two ways to give the arms
    ([[0, 1, 0, 1]], 2)
    >>> split.arm_of["T1"] == split.arm_of["T3"] != split.arm_of["T2"]
    True
    """
    bits = RecordedBits(entropy)
    candidates = find_candidates(units, plan, bits=bits)
    index = bits.below(candidates.number)
    arms = candidates.split(index)
    return (
        Split(
            arm_of={unit: plan.arms[arm] for unit, arm in zip(candidates.units, arms, strict=True)},
            index=index,
            kept=candidates.number,
            considered=candidates.considered,
            possible=candidates.possible,
            imbalance=float(candidates.imbalance[index // math.factorial(len(plan.arms))]),
            largest_kept_imbalance=float(candidates.imbalance.max()),
            smallest_p_value=candidates.smallest_p_value,
        ),
        candidates,
    )


def _covariate_values(
    units: Mapping[str, Mapping[str, float]], covariates: Sequence[str]
) -> NDArray[np.float64]:
    """Shape (units, covariates)."""
    rows = []
    for unit, facts in units.items():
        for name in covariates:
            value = facts.get(name)
            if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
                raise ArgumentError(where=f"trainer {unit}, {name}", expected="a number", got=repr(value))
        rows.append([float(facts[name]) for name in covariates])
    return np.array(rows).reshape(len(units), len(covariates))


def _partitions(units: int, arms: int) -> Iterator[tuple[int, ...]]:
    """Every partition once: groups numbered in the order of their first unit."""
    small, larger = divmod(units, arms)

    def extend(groups: tuple[int, ...], sizes: tuple[int, ...]) -> Iterator[tuple[int, ...]]:
        if len(groups) == units:
            yield groups
            return
        for group in range(min(len(sizes) + 1, arms)):
            now = (
                (*sizes, 1)
                if group == len(sizes)
                else (*sizes[:group], sizes[group] + 1, *sizes[group + 1 :])
            )
            full = sum(size == small + 1 for size in now)
            left = units - len(groups) - 1
            room = sum(small - min(size, small) for size in now) + (arms - len(now)) * small + larger - full
            if max(now) <= small + (larger > 0) and full <= larger and left <= room:
                yield from extend((*groups, group), now)

    yield from extend((), ())


def _sampled_partitions(units: int, arms: int, number: int, bits: RecordedBits) -> NDArray[np.int8]:
    """Different partitions, drawn from the recorded bits, every one as likely."""
    pattern = [place * arms // units for place in range(units)]
    seen: dict[tuple[int, ...], None] = {}
    for _ in range(number):
        order = bits.permutation(units)
        names: dict[int, int] = {}
        seen[tuple(names.setdefault(pattern[place], len(names)) for place in order)] = None
    return np.array(list(seen), dtype=np.int8)


def _imbalance(
    partitions: NDArray[np.int8], values: NDArray[np.float64], plan: SplitPlan
) -> NDArray[np.float64]:
    """The balance measure of every partition."""
    spread = values.var(axis=0, ddof=1) if values.size else np.zeros(0)
    scaled = values / np.sqrt(np.where(spread > 0, spread, 1.0))
    scaled = np.where(spread > 0, scaled, 0.0)
    weights = np.array(plan.weights, dtype=np.float64)
    means = []
    for arm in range(len(plan.arms)):
        inside = (partitions == arm).astype(np.float64)
        means.append(inside @ scaled / inside.sum(axis=1, keepdims=True))
    total = np.zeros(len(partitions))
    for first, second in itertools.combinations(means, 2):
        total += (first - second) ** 2 @ weights
    return total
