"""Pages from their templates; what people typed is always escaped, and what nobody sees written out."""

from __future__ import annotations

from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from studykit.unseen import visible


def render_page(template: str, **values: Any) -> str:
    """The HTML text of a template; a value that the template lacks is an error."""
    return visible(_environment().get_template(template).render(**values)) + "\n"


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("studykit.report", "templates"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
