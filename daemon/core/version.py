"""Version of the installed distribution."""

from __future__ import annotations

from importlib import metadata

try:
    VERSION = metadata.version("beatintake")
except metadata.PackageNotFoundError:  # a bare checkout
    VERSION = "0 (not installed)"
