"""The templates of all pages: autoescape on, strangers' text made visible, our scripts by their hash."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from daemon.core import text
from daemon.core.text import lines
from daemon.report.scripts import script, script_sources
from daemon.report.template_cache import template_cache

OPTION = re.compile(r"(?<= )(--[\w-]+)")
BREAKS = re.compile(r"(?<=[_\-.+])(?=[^_\-.+\s])")


def _readable(value: Any) -> Any:
    """Every text that a template shows, also one from an older report; markup is ours already."""
    return lines(value) if type(value) is str else value


def breakable(name: str) -> Markup:
    """A long name that may go on in the next line after the marks that join its words."""
    return Markup("<wbr>").join(escape(part) for part in BREAKS.split(lines(name)))


def options(command: str) -> Markup:
    """A command whose options are never broken in two."""
    parts = OPTION.split(lines(command))
    return Markup("").join(
        Markup('<span class="whole">{}</span>').format(part) if k % 2 else escape(part)
        for k, part in enumerate(parts)
    )


@cache
def templates() -> Environment:
    """A misspelt name is an error, not an empty string."""
    env = Environment(
        loader=PackageLoader("daemon.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_readable,
        bytecode_cache=template_cache(Path(text.__file__), *sorted(Path(__file__).parent.glob("*.py"))),
    )
    env.filters.update(breakable=breakable, options=options)
    env.globals.update(script=lambda name: Markup(script(name)), script_sources=script_sources)
    return env
