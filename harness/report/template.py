"""Templates of the pages that are made of a record."""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from harness.record.csv_text import printable
from harness.report.about import FILTERS

if TYPE_CHECKING:
    import jinja2


@cache
def template(name: str) -> jinja2.Template:
    """Return a page's template, by the name of its file beside this one.

    All text from outside is escaped, and what a record lacks leaves a gap.
    """
    import jinja2
    from jinja2.utils import missing

    class Gap(jinja2.ChainableUndefined):
        """Nothing, where a record lacks a fact; an error, where the template means no fact."""

        def __init__(self, *args: Any, **kwargs: Any) -> None:
            super().__init__(*args, **kwargs)
            if self._undefined_obj is missing:
                self._fail_with_undefined_error()

    def shown(value: object) -> object:
        """Nothing that does not print hides in the page, or turns its text around."""
        if isinstance(value, str) and not isinstance(value, Markup):
            return printable(value)
        return value if isinstance(value, str | int | float) else ""

    environment = jinja2.Environment(
        autoescape=True, undefined=Gap, finalize=shown, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= FILTERS
    text = resources.files(__package__).joinpath(name).read_text(encoding="utf-8")
    return environment.from_string(text)
