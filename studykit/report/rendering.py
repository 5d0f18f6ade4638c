"""Small pages for paper and phone from their templates; what people typed is always escaped."""

from __future__ import annotations

from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined


def render_page(template: str, **values: Any) -> str:
    """The HTML text of a template; a value that the template lacks is an error."""
    return _environment().get_template(template).render(**values) + "\n"


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("studykit.report", "templates"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
