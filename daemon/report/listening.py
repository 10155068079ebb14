"""How loud the copy is to ears: what is said before it is played, and where the players begin.

Beats arrive loud; at monitors set for a mix one of them can be far above what is comfortable. A caution that
always says the same is not read: it is a box for a loud copy and one short line for a quiet one. The limits
are common practice, not a standard of hearing protection; the studio's own rules come first.
"""

from __future__ import annotations

from dataclasses import dataclass

from analyzers.model import Loudness
from daemon.report.words import signed

LOUD_LUFS = -14.0  # above this playback at a level set for a mix is loud
LOUD_MOMENT_LUFS = -11.0  # the same for the loudest three seconds
START_LUFS = -28.0  # the players begin about so loud ...
LOWEST_DB = -24.0  # ... but at most so far down
UNKNOWN_DB = -20.0


@dataclass(frozen=True, slots=True)
class Listening:
    loud: bool
    text: str
    start_db: float  # gain of the players when the page opens


def listening(loudness: Loudness) -> Listening:
    """From the loudness of the copy; an unknown level is treated as loud."""
    level, moment = loudness.integrated_lufs, loudness.max_short_term_lufs
    if level is None:
        return Listening(True, "The level of this copy is not known.", UNKNOWN_DB)
    start_db = min(max(round(START_LUFS - level), LOWEST_DB), 0.0)
    words = f"{signed(level, 1)} LUFS"
    if is_loud(level, moment):
        high = f", its loudest moments {signed(moment, 1)} LUFS" if moment is not None else ""
        return Listening(True, f"This copy is {words}{high}.", start_db)
    return Listening(False, f"This copy is not loud ({words}).", start_db)


def is_loud(integrated_lufs: float, max_short_term_lufs: float | None = None) -> bool:
    return integrated_lufs > LOUD_LUFS or (max_short_term_lufs or -99.0) > LOUD_MOMENT_LUFS
