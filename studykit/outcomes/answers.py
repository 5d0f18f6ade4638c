"""The primary answers of m studies, one among them or many."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

from studykit.errors import StudykitError
from studykit.results import Estimate

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """Arrays of shape (m,), ``nan`` where there is no answer.

    Parameters
    ----------
    value, lower, upper, p_value : ndarray of float
    standard_error, degrees_of_freedom : ndarray of float
        ``nan`` as well where the interval is no t-interval.
    by_model : ndarray of bool
        By the model, not by the fallback.
    at_boundary : ndarray of bool
        A variance was estimated at zero.
    failure : ndarray of object
        Why there is no answer, a `StudykitError`; None where there is one.
    """

    value: Floats
    lower: Floats
    upper: Floats
    p_value: Floats
    standard_error: Floats
    degrees_of_freedom: Floats
    by_model: Flags
    at_boundary: Flags
    failure: NDArray[np.object_]

    @classmethod
    def of_t(
        cls,
        value: Floats,
        standard_error: Floats,
        degrees_of_freedom: Floats,
        *,
        confidence_level: float,
        by_model: bool = False,
        at_boundary: Flags | None = None,
        failure: Callable[[int], StudykitError] | None = None,
    ) -> Answers:
        """Answers with t; ``failure`` says why the value of a study is ``nan``."""
        with np.errstate(invalid="ignore", divide="ignore"):
            reach = stdtrit(degrees_of_freedom, 0.5 + confidence_level / 2.0) * standard_error
            p_value = 2.0 * stdtr(degrees_of_freedom, -np.abs(value / standard_error))
        nothing = np.zeros(value.shape, dtype=bool)
        return cls(
            value, value - reach, value + reach, p_value, standard_error, degrees_of_freedom,
            np.full(value.shape, by_model), nothing if at_boundary is None else at_boundary,
            _failures(value, failure),
        )  # fmt: skip

    @classmethod
    def none(cls, studies: int, failure: Callable[[int], StudykitError] | None = None) -> Answers:
        """No study has an answer (yet)."""
        nothing = np.full(studies, np.nan)
        return cls.of_t(nothing, nothing, nothing, confidence_level=0.95, failure=failure)

    @property
    def reason(self) -> tuple[str, ...]:
        """Why there is no answer; empty where there is one."""
        return tuple("" if why is None else str(why) for why in self.failure)

    def estimate(self, method: str, study: int = 0) -> Estimate:
        """The answer of one study.

        Raises
        ------
        StudykitError
            Why there is none.
        """
        if self.failure[study] is not None:
            raise self.failure[study]
        value, error, freedom = (
            float(own[study]) for own in (self.value, self.standard_error, self.degrees_of_freedom)
        )
        return Estimate(value, error, freedom, method)

    def filled(self, which: Any, found: Answers) -> Answers:
        """A copy in which the studies ``which`` (by index or flag) have the answers ``found``."""
        changed = {item.name: getattr(self, item.name).copy() for item in fields(self)}
        for name, own in changed.items():
            own[which] = getattr(found, name)
        return replace(self, **changed)

    def without(self, which: Flags, why: Callable[[int], StudykitError]) -> Answers:
        """A copy in which some studies, by flag, have no answer, and why."""
        places = np.flatnonzero(which)
        return self.filled(places, Answers.none(places.size, lambda place: why(int(places[place]))))

    def take(self, which: Any) -> Answers:
        """Some of the studies, by index or flag."""
        return replace(self, **{item.name: getattr(self, item.name)[which] for item in fields(self)})


def _failures(value: Floats, failure: Callable[[int], StudykitError] | None) -> NDArray[np.object_]:
    found: NDArray[np.object_] = np.full(value.shape, None, dtype=object)
    if failure is not None:
        for study in np.flatnonzero(np.isnan(value)).tolist():
            found[study] = failure(study)
    return found
