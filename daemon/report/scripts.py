"""The small scripts inside our pages, and what a page or the server says about them to the browser.

A Content-Security-Policy names each by its hash, so that no other script runs, whatever a name or a tag
holds. Source: W3C Content Security Policy Level 3, section 2.3.1 (hash sources).
"""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib import resources

SCRIPTS = ("taking.js", "report.js", "board.js")


@cache
def script(name: str) -> str:
    """Its text, exactly as it stands between the tags."""
    return resources.files("daemon.report").joinpath("templates", name).read_text(encoding="utf-8")


@cache
def script_sources(*names: str) -> str:
    """The sources that a policy allows: 'sha256-...' of each of these scripts; without names: of all."""
    digests = [hashlib.sha256(script(name).encode()).digest() for name in names or SCRIPTS]
    return " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests)
