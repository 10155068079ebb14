"""The click check: the first and the last bars of the aligned copy, and those around the one change of a
tempo, with a click on the grid.

Read back from the copy that was written, so that it proves the file and not a plan. Bar lines
are accented, bar one has a tone of its own. Mono, 16-bit FLAC: lossless, because a codec would
smear the very attacks that are compared, and playable on phones. Music and click together stay
below -1 dBFS.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile as sf

from analyzers.model import Grid
from analyzers.rhythm.bars import change_s
from daemon.export.plan import CutPlan
from daemon.export.sessionbeats import session_beats

Samples = npt.NDArray[np.float32]

CEILING = 10 ** (-1 / 20)
CREST = 4.0  # click peak over the music's RMS: 12 dB, as loud as its drums are
QUIETEST = 0.02  # click peak where the music is silent
GAP_S = 0.4  # silence between the stretches
FADE_S = 0.005
BEAT, BAR, BAR_ONE = (1000.0, 0.03, 0.6), (1500.0, 0.03, 1.0), (2000.0, 0.09, 1.0)  # Hz, s, level


@dataclass(frozen=True, slots=True)
class Tick:
    """One click: `at_s` in the copy."""

    at_s: float
    bar: bool
    bar_one: bool


def ticks_in_copy(grid: Grid, plan: CutPlan) -> list[Tick]:
    """Every beat of the copy from its first sample on, as the session counts them; none without a grid."""
    beats = session_beats(grid, plan)
    if beats is None:
        return []
    counted = enumerate(zip(beats.at_s, beats.lines, strict=True))
    return [Tick(at, line, k == beats.bar_one) for k, (at, line) in counted]


def write_click_check(path: Path, copy_path: Path, grid: Grid, plan: CutPlan, *, bars: int = 8) -> bool:
    """Write the check. False, and no file, when there is no grid to click.

    Parameters
    ----------
    path : the new file, ending in .flac
    copy_path : the aligned copy
    grid, plan : times in seconds of the source, and where the copy's zero lies in it
    bars : how many of the first and of the last bars, and around a change of tempo, 1..32
    """
    ticks = ticks_in_copy(grid, plan)
    if not ticks:
        return False
    change = change_s(grid)
    change_at_s = None if change is None else plan.line_in_copy_s(change)
    with sf.SoundFile(copy_path) as copy:
        rate = copy.samplerate
        parts = [
            _with_clicks(_read(copy, *span), span[0], rate, ticks)
            for span in _spans(ticks, copy.frames, rate, bars, change_at_s)
        ]
    gap = np.zeros(round(GAP_S * rate), np.float32)
    pieces = [piece for part in parts for piece in (part, gap)][:-1]
    sf.write(path, np.concatenate(pieces), rate, format="FLAC", subtype="PCM_16")
    return True


def _spans(
    ticks: list[Tick], frames: int, rate: int, bars: int, change_at_s: float | None
) -> list[tuple[int, int]]:
    """Frames of the first bars, of those around the change and of the last; what touches is one span."""
    lines = [round(t.at_s * rate) for t in ticks if t.bar and t.at_s * rate < frames] + [frames]
    one = next((k for k, t in enumerate(t for t in ticks if t.bar) if t.bar_one), 0)
    last = len(lines) - 1
    spans = [(0, lines[min(one + bars, last)]), (lines[max(last - bars, 0)], frames)]
    if change_at_s is not None:
        line = min(range(last), key=lambda k: abs(lines[k] - change_at_s * rate))
        half = max(bars // 2, 1)
        spans.append((lines[max(line - half, 0)], lines[min(line + half, last)]))
    merged: list[tuple[int, int]] = []
    for start, end in sorted(spans):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end))
        else:
            merged.append((start, end))
    return merged


def _read(copy: sf.SoundFile, start: int, end: int) -> Samples:
    """Mono mean of the channels; the louder one where they cancel."""
    copy.seek(start)
    samples = copy.read(end - start, dtype="float32", always_2d=True)
    mono = samples @ np.full(copy.channels, 1 / copy.channels, np.float32)
    power = np.diag(samples.T @ samples)
    if float(np.dot(mono, mono)) < 0.25 * float(power.mean()):
        mono = samples[:, int(np.argmax(power))].copy()
    sound: Samples = np.nan_to_num(mono, copy=False, posinf=0.0, neginf=0.0)
    return sound


def _with_clicks(music: Samples, start: int, rate: int, ticks: list[Tick]) -> Samples:
    """Music turned down where needed so that it and the clicks stay below the ceiling."""
    rms = math.sqrt(float(np.dot(music, music)) / max(len(music), 1))
    level = min(max(CREST * rms, QUIETEST), 0.5)
    clicks = np.zeros(len(music), np.float32)
    for tick in ticks:
        at = round(tick.at_s * rate) - start
        sound = click(rate, *(BAR_ONE if tick.bar_one else BAR if tick.bar else BEAT))
        begin = max(at, 0)
        here = sound[begin - at : len(music) - at]
        if 0 <= begin < len(music):
            clicks[begin : begin + len(here)] += level * here
    fade = min(round(FADE_S * rate), len(music) // 2)
    if fade:
        music[-fade:] *= np.linspace(1, 0, fade, dtype=np.float32)
    peak = float(np.abs(music).max(initial=0.0))
    loudest = float(np.abs(clicks).max(initial=0.0))
    return music * np.float32(min(1.0, max(CEILING - loudest, 0.0) / peak) if peak else 1.0) + clicks


@lru_cache(maxsize=8)
def click(rate: int, hertz: float, length_s: float, level: float) -> Samples:
    """A decaying cosine [shape=(n,)]: its first sample is its loudest, so it is the beat to the sample."""
    t = np.arange(round(length_s * rate)) / rate
    return (level * np.cos(2 * np.pi * hertz * t) * np.exp(-5 * t / length_s)).astype(np.float32)
