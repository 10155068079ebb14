"""Version of the installed distribution."""

from __future__ import annotations

from functools import cache


@cache
def version() -> str:
    """Asked for when it is shown: finding it costs a tenth of a second."""
    from importlib import metadata

    try:
        return metadata.version("beatintake")
    except metadata.PackageNotFoundError:  # a bare checkout
        return "0 (not installed)"
