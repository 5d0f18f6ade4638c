"""What every part of a protocol is made of: a frozen, strict section, and the kinds of its values."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, GetCoreSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

Code = Annotated[
    str, Field(pattern=r"^[a-z][a-z0-9_]{0,30}$", description="a code of lower-case letters, digits and _")
]
Text = Annotated[str, Field(min_length=1, description="a text")]
Share = Annotated[float, Field(ge=0.0, le=1.0, description="a share between 0 and 1")]
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


@dataclass(frozen=True, slots=True)
class Tagged:
    """A table that one of its keys tells the shape of; the shapes are looked up when first needed."""

    tag: str
    shapes: Callable[[], Mapping[str, type[Section]]]

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """The schema of all shapes."""
        shapes = {word: handler.generate_schema(shape) for word, shape in self.shapes().items()}
        return core_schema.tagged_union_schema(shapes, discriminator=self.tag)
