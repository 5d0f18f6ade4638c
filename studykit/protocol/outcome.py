"""What every kind of outcome has in the protocol; each kind adds its own in its ``section`` module."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from studykit import kinds
from studykit.protocol.base import Code, Section, Tagged, Text
from studykit.protocol.estimand import Estimand, Strategies, Strategy
from studykit.retention.clock import RetentionRule

AS_OBSERVED: Mapping[str, Strategy] = dict.fromkeys(Strategies.model_fields, "treatment policy")
OF_ITS_OWN = Field(
    description="what is assumed of this outcome alone, in place of what stands under planning"
)


class OutcomeSection(Section):
    """What is measured or counted, and how it is compared."""

    tells_who_stays: ClassVar[bool] = False
    carried_out: ClassVar[Mapping[str, Strategy]] = AS_OBSERVED
    """By event between allocation and outcome; it changes only together with what is computed."""
    what_is_done: ClassVar[Mapping[Strategy, str]] = {}
    """What each strategy that is carried out does, as the end of a sentence."""

    kind: str
    code: Code
    name: Text
    role: Literal["primary", "secondary", "exploratory"] = "secondary"
    smallest_worthwhile: float | None = None
    estimand: Estimand | None = None
    assumptions: Annotated[Section, OF_ITS_OWN] = Section()

    @property
    def horizon(self) -> int:
        """Days after allocation through which clients are followed for it; 0 where its visits say so."""
        return 0

    @property
    def confirmed_after(self) -> int:
        """Further days until what happened up to the horizon is known."""
        return 0

    @property
    def on_log_scale(self) -> bool:
        """Whether values are compared as ratios."""
        return False

    @property
    def judged_at(self) -> str:
        """Code of the visit that its primary result is about; empty where it is about a day."""
        return ""

    @property
    def tested_on(self) -> tuple[str, ...]:
        """Codes of the exercises that are tested for it."""
        return ()

    def absence_rule(self, absence_days: int | None = None) -> RetentionRule | None:
        """When a client who stays away has departed; None where the outcome does not tell who stays."""
        del absence_days
        return None


Outcome = Annotated[OutcomeSection, Tagged("kind", kinds.sections)]
"""Any outcome of a protocol: its ``kind`` tells which section it is."""


def rules_of(outcome: OutcomeSection) -> Any:
    """The module with the rules of an outcome's kind: ``findings(protocol, outcome, path, at)``."""
    return kinds.part(outcome.kind, "rules")
