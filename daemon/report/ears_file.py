"""What needs a person's ears about the file itself: is it whole, and what its channels have."""

from __future__ import annotations

import re
from collections.abc import Sequence

from analyzers.model import Analysis, Flag, Grid
from analyzers.rhythm.bars import bar_holding, bar_lines
from daemon.report.ear_topics import PART, flag_topic
from daemon.report.parts import Cut
from daemon.report.words import flag_words, seconds, sentence

VOICE_TAIL_S = 1.0  # a voice is heard so much longer than it sounds, at most
SHORT = re.compile(r"\bOnly [\d.]+ s long\b")
THERE = "Listen there: "  # of a fault whose places are told
HEAR = {  # where a fault is heard, by code; else its advice says it, or there is nothing to hear
    "channel-level": "Hear whether kick and bass sit in the middle.",
    "channel-delay": "Hear it in mono: it sounds hollow.",
    "clipping": "Hear the loudest bars for crackle.",
    "hum": "Hear the quietest bars.",
    "lossy-origin": "Hear the cymbals.",
    "noise-floor": "Hear the quietest bars.",
    "polarity-inverted": "Hear it in mono: the bass goes.",
    "very-quiet": "Hear the noise when it is turned up.",
    "voice": "Hear whether it is one.",
}


def file_lines(warnings: Sequence[str], view: Analysis) -> tuple[list[str], list[str]]:
    """(first, last): that the song is not all there, or too little to go by, comes before all else."""
    first = [f"File: {sentence(text)} {_ends(view)}" for text in warnings if PART.search(text)]
    first += [f"File: {sentence(text)}" for text in warnings if SHORT.search(text)]
    last = [f"File: {sentence(text)}" for text in warnings if not (PART.search(text) or SHORT.search(text))]
    return first, last


def _ends(view: Analysis) -> str:
    bar = bar_holding(bar_lines(view.grid), view.duration_s)
    where = f" in bar {bar}" if bar is not None else ""
    return f"It ends{where} after {seconds(view.duration_s, 1)}: ask for the whole file before a take."


def flag_line(flag: Flag, grid: Grid, cut: Cut | None) -> str:
    """A fault of the channels or a voice: where, what it sounds like, what to do."""
    what = f"{flag_topic(flag)}: {flag_words(flag, grid)}"
    song_s = cut.bar_one_in_copy_s if cut else grid.bar_one_s
    over = (flag.end_s or 0.0) < (song_s or 0.0) + VOICE_TAIL_S
    if flag.code == "voice" and grid.voice_before and over:
        return f"{what} It ends where the song starts: mute what lies before if it is not wanted."
    hear, advice = HEAR.get(flag.code, ""), flag.advice
    if advice.startswith(THERE) and not flag.places_s:
        hear, advice = "Hear it through for them.", advice.removeprefix(THERE)
    return " ".join(filter(None, (what, hear, sentence(advice))))
