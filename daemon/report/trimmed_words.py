"""What is said of stems whose silence at the front seems cut away."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from analyzers.model import Grid
from daemon.report.parts import StemLine
from daemon.report.words import listed, seconds

OF_A_BEAT = 4  # what lacks a whole number of sixteenths ...
NEAR_S = 0.01  # ... to so much is counted in beats


def trimmed_lines(stems: Sequence[StemLine], grid: Grid) -> list[str]:
    """One sentence about all of them: "kick and bass lack 4 bars at the front, snare 4 bars 1 beat"."""
    short = sorted((stem for stem in stems if stem.lacks_s), key=lambda stem: (stem.lacks_s or 0, stem.shown))
    if not short:
        return []
    alike = groupby(short, lambda stem: _lack(stem.lacks_s or 0, grid))
    told = [f"{how} {listed([stem.shown for stem in some])}" for how, some in alike]
    return [
        f"Stems: silence seems cut from the front: {', '.join(told)}. They fit at a common end, but are "
        "summed from a common start, where bar one, chords and level are not those of the song: ask for "
        "stems of full length."
    ]


def _lack(lacks_s: float, grid: Grid) -> str:
    """'4 bars 1 beat of', '10.67 s of'."""
    if grid.tempo_bpm is None or grid.beats_per_bar is None:
        return f"{seconds(lacks_s)} of"
    beat_s = 60 / grid.tempo_bpm
    sixteenths = round(lacks_s / beat_s * OF_A_BEAT)
    if abs(sixteenths * beat_s / OF_A_BEAT - lacks_s) > NEAR_S:
        return f"{seconds(lacks_s)} of"
    bars, rest = divmod(sixteenths, OF_A_BEAT * grid.beats_per_bar)
    beats = rest / OF_A_BEAT
    said = [f"{bars} bar{'s' if bars > 1 else ''}"] * bool(bars) + [
        f"{beats:g} beat{'s' if beats != 1 else ''}"
    ] * bool(rest)
    return f"{' '.join(said)} of"
