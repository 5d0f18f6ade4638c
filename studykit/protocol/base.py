"""What every part of a protocol is made of: a frozen, strict section, and the kinds of its values."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, GetCoreSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from studykit.results import WIDTH, cut

Code = Annotated[
    str, Field(pattern=r"^[a-z][a-z0-9_]{0,30}$", description="a code of lower-case letters, digits and _")
]
Text = Annotated[str, Field(min_length=1, description="a text")]


def per_cent(text: Any) -> Any:
    """A number for a text such as ``"3 %"``; anything else as it is."""
    match = re.fullmatch(r"\s*([+-]?[0-9]+(?:\.[0-9]+)?)\s*%\s*", text) if isinstance(text, str) else None
    return float(match[1]) if match else text


def _share(text: Any) -> Any:
    return value if (value := per_cent(text)) is text else value / 100.0


PerCent = BeforeValidator(per_cent)
"""A number of per cent; with the unit, as ``"0.03 %"``, nobody takes it for a share."""
Share = Annotated[
    float, BeforeValidator(_share), Field(ge=0.0, le=1.0, description='a share between 0 and 1, or "80 %"')
]
Days = Annotated[int, Field(ge=0, le=3660)]  # ten years
DayNumber = Annotated[int, Field(ge=-3660, le=3660)]
Count = Annotated[int, Field(ge=0, le=1000)]
Repetitions = Annotated[int, Field(ge=0, le=100)]
Seconds = Annotated[float, Field(ge=0.0, le=600.0)]
Many = Field(strict=False)  # TOML has lists where Python wants tuples


@dataclass(frozen=True, slots=True)
class OneOf:
    """A text that must be a key of a mapping, such as the word for a design."""

    known: Mapping[str, Any]

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """The schema of the text, with the check before it."""
        return core_schema.no_info_before_validator_function(self._check, handler(source))

    def _check(self, value: Any) -> Any:
        if not isinstance(value, str) or value not in self.known:
            raise PydanticCustomError("literal_error", "none of the known words")
        return value


class Section(BaseModel):
    """Base of every part of a protocol."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", allow_inf_nan=False)

    def __repr__(self) -> str:
        return cut(super().__repr__(), 2 * WIDTH)

    def __str__(self) -> str:
        return repr(self)


@dataclass(frozen=True, slots=True)
class Tagged:
    """A table that one of its keys tells the shape of; the shapes are looked up when first needed."""

    tag: str
    shapes: Callable[[], Mapping[str, type[Section]]]

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """The schema of all shapes."""
        shapes = {word: handler.generate_schema(shape) for word, shape in self.shapes().items()}
        return core_schema.tagged_union_schema(shapes, discriminator=self.tag)
