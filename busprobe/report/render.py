"""Renderers of a report behind one protocol."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Protocol

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from busprobe.report.content import Report, report_json
from busprobe.report.pictures import draw
from busprobe.report.pictures.data import Picture
from busprobe.report.show import FILTERS

TEMPLATES = Path(__file__).parent / "templates"


class Renderer(Protocol):
    """Turns a report into a file of one kind."""

    @property
    def suffix(self) -> str:
        """Of the files that it makes, with the dot."""

    def render(self, report: Report) -> bytes:
        """The file.

        Raises:
            InputError: What it needs is not installed.
        """


class JsonRenderer:
    """`report.json`: the content itself, in one fixed form."""

    suffix = ".json"

    def render(self, report: Report) -> bytes:
        """UTF-8, keys sorted."""
        return report_json(report).encode()


class HtmlRenderer:
    """One page that needs nothing else: no script, no file from elsewhere, A4 when printed."""

    suffix = ".html"

    def render(self, report: Report) -> bytes:
        """UTF-8; everything that is no markup of the template is escaped."""
        numbers = iter(range(1, 10_000))

        def picture(shown: Picture) -> Markup:
            # The drawing escapes every text that it is given.
            return Markup(draw(shown).svg(f"p{next(numbers)}"))  # noqa: S704

        text = (
            _environment()
            .get_template("report.html.j2")
            .render(r=report, picture=picture, json_sha256=json_sha256(report))
        )
        # Blank lines that the template leaves behind.
        return re.sub(r"\n\s*\n+", "\n", text).encode()


def json_sha256(report: Report) -> str:
    """SHA-256 of the `report.json` of a report, hexadecimal."""
    return hashlib.sha256(report_json(report).encode()).hexdigest()


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    filters: dict[str, Callable[..., object]] = dict(FILTERS)
    environment.filters.update(filters)
    return environment
