"""Versions of the files that outlive releases: reports and stored corrections.

A version is major.minor. A reader reads every file of its major version, with any minor one: fields
that it does not know are ignored, fields that are missing take their defaults.
"""

from __future__ import annotations

import json
import re


def same_major(version: str) -> str:
    """Regular expression of all versions that a reader of `version` reads."""
    return rf"^{version.partition('.')[0]}\.[0-9]{{1,9}}$"


def other_major(data: bytes, version: str) -> str | None:
    """Why a reader of `version` cannot read this JSON, when the reason is its version; else None."""
    try:
        found = json.loads(data)["schema_version"]
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    if not isinstance(found, str) or not re.fullmatch(r"[0-9]{1,9}\.[0-9]{1,9}", found):
        return None
    if re.fullmatch(same_major(version), found):
        return None
    written = "a newer" if int(found.partition(".")[0]) > int(version.partition(".")[0]) else "an older"
    major = version.partition(".")[0]
    return f"it has schema version {found}, written by {written} beatintake; this one reads {major}.x"
