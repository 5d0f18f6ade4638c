"""From a recorded description back to the method, so that any past draw can be repeated."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Any

from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.coins import BiasedCoin, Simple
from studykit.allocation.method import AllocationMethod
from studykit.allocation.minimisation import Minimisation
from studykit.allocation.with_trainer import WithTrainer
from studykit.errors import LedgerError, StudykitError


def _permuted_blocks(description: Mapping[str, Any]) -> PermutedBlocks:
    return PermutedBlocks(
        tuple(description["arms"]),
        ratio=tuple(description["ratio"]),
        block_sizes=tuple(description["block_sizes"]),
        factors=tuple(description["factors"]),
    )


def _minimisation(description: Mapping[str, Any]) -> Minimisation:
    return Minimisation(
        tuple(description["arms"]),
        factors=tuple(description["factors"]),
        weights=tuple(description["weights"]),
        overall=description["overall"],
        distance=description["distance"],
        preferred_probability=Fraction(description["preferred_probability"]),
        ratio=tuple(description["ratio"]),
    )


def _biased_coin(description: Mapping[str, Any]) -> BiasedCoin:
    return BiasedCoin(
        tuple(description["arms"]),
        factors=tuple(description["factors"]),
        behind_probability=Fraction(description["behind_probability"]),
    )


def _simple(description: Mapping[str, Any]) -> Simple:
    return Simple(
        tuple(description["arms"]),
        ratio=tuple(description["ratio"]),
        factors=tuple(description["factors"]),
    )


def _with_trainer(description: Mapping[str, Any]) -> WithTrainer:
    return WithTrainer(tuple(description["arms"]), dict(description["arm_of"]))


_MAKERS: Mapping[str, Callable[[Mapping[str, Any]], AllocationMethod[Any]]] = {
    "permuted blocks": _permuted_blocks,
    "minimisation": _minimisation,
    "biased coin": _biased_coin,
    "simple": _simple,
    "with trainer": _with_trainer,
}


def method_from(description: Mapping[str, Any]) -> AllocationMethod[Any]:
    """The method that `AllocationMethod.describe` described.

    Raises
    ------
    LedgerError
        If the description is of no known method or is incomplete.

    Examples
    --------
    >>> method = PermutedBlocks(("a", "b"), factors=("trainer",))
    >>> method_from(method.describe()) == method
    True
    """
    name = description.get("method")
    maker = _MAKERS.get(str(name))
    if maker is None:
        raise LedgerError(
            where="method of allocation", expected=f"one of {', '.join(_MAKERS)}", got=repr(name)
        )
    try:
        return maker(description)
    except (StudykitError, KeyError, TypeError, ValueError) as error:
        raise LedgerError(
            where=f"method of allocation, {name}", expected="a complete description", got=str(error)
        ) from error
