"""What the engineer says about a drop, and the analysis with it applied. Pure: no files here.

A correction holds final values, never "half of what was found": applied twice, or applied to
a later and better analysis, it means the same. Order: tempo, meter, bar one; then key and tuning; then
what begins with a bar goes to the lines of that grid (`on_lines`). What is set by hand has confidence 1.

A bar of 3/4 is as long as one of 6/8 (any handbook of notation): who says the one where the other was found
hears the same bars, and the beat becomes another (`beat_rate`). To any other meter the beat stays.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator

from analyzers.harmony.key_names import says_blues, typed_key
from analyzers.harmony.relatives import parallel_key, relative_key
from analyzers.harmony.spelling import blues_name, pitch_class_of, scale_names
from analyzers.model import Analysis, Blues, Grid, Key, KeyCandidate, KeyChange, TempoCandidate, Tuning
from analyzers.rhythm.bars import bar_one_index, beat_index
from daemon.corrections.on_lines import PICKUP_BEATS, key_on_lines, sections_on_lines

LEVELS = (0.5, 2.0, 1 / 3, 3.0)  # ratios that name another metrical level of the same beat
LEVEL_TOLERANCE = 0.005
SNAP_BEATS = 1e-6


class Correction(BaseModel):
    """Values set by hand; None: the measurement stands. Times are seconds in the source."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    tempo_bpm: float | None = Field(None, ge=20, le=400)
    meter: str | None = None
    bar_one_s: float | None = None
    bar_one_exact: bool | None = None  # True: said in ms or s, no hit moves its line; else a beat of the grid
    key: str | None = None
    key_changes: tuple[tuple[float, str], ...] = ()  # (s, key) of later ones, in order; only with `key`
    tuning_cents: float | None = Field(None, gt=-50, le=50)

    @field_validator("meter")
    @classmethod
    def _meter(cls, value: str | None) -> str | None:
        if value is not None and beats_in(value) is None:
            raise ValueError("a meter such as 4/4, 3/4 or 6/8")
        return value

    @field_validator("key")
    @classmethod
    def _key(cls, value: str | None) -> str | None:
        return None if value is None else _known_key(value)

    @field_validator("key_changes")
    @classmethod
    def _key_changes(
        cls, value: tuple[tuple[float, str], ...], info: ValidationInfo
    ) -> tuple[tuple[float, str], ...]:
        if any(b <= a for (a, _), (b, _) in pairwise(value)):
            raise ValueError("each key begins later than the one before")
        if value and any(map(says_blues, (str(info.data.get("key")), *(key for _, key in value)))):
            raise ValueError("a blues is the key of the whole song: give it alone, or keys without it")
        return tuple((at_s, _known_key(key)) for at_s, key in value)

    @property
    def empty(self) -> bool:
        return all(value in (None, ()) for value in self.model_dump().values())


def _known_key(text: str) -> str:
    parsed = typed_key(text)
    if parsed is None:
        raise ValueError('a key such as "E flat minor", "F sharp major", "Ebm" or "blues in A"')
    return blues_name(parsed[0], parsed[1] == "minor") if says_blues(text) else " ".join(parsed)


def beats_in(meter: str) -> int | None:
    """Beats that a bar is counted in: 4/4 -> 4, compound time by dotted beats: 6/8 -> 2; else None."""
    top, slash, bottom = meter.partition("/")
    if not slash or not top.isdecimal() or bottom not in ("2", "4", "8", "16") or not 1 <= int(top) <= 16:
        return None
    compound = bottom in ("8", "16") and int(top) % 3 == 0 and int(top) > 3
    return int(top) // 3 if compound else int(top)


def apply_correction(analysis: Analysis, correction: Correction) -> Analysis:
    """The analysis as the engineer wants it. Raises ValueError when bar one lies outside the file."""
    grid, key, tuning = analysis.grid, analysis.key, analysis.tuning
    if correction.tempo_bpm is not None:
        anchor = correction.bar_one_s if correction.bar_one_s is not None else _anchor(analysis)
        grid = _with_tempo(grid, correction.tempo_bpm, anchor, analysis.duration_s)
    if correction.meter is not None:
        rate = 1.0 if correction.tempo_bpm is not None else beat_rate(grid, correction.meter)
        grid = _with_meter(_with_beat(grid, rate, analysis.duration_s), correction.meter)
    if correction.bar_one_s is not None:
        grid = _with_bar_one(grid, correction.bar_one_s, analysis.duration_s)
    if correction.key is not None:
        key = _with_key(key, correction.key, correction.key_changes)
    if correction.tuning_cents is not None:
        tuning = Tuning(correction.tuning_cents, 440.0 * 2 ** (correction.tuning_cents / 1200), 1.0)
    sections = analysis.sections
    if grid is not analysis.grid:
        grid = replace(grid, pickup_beats=_pickup(grid, analysis.lead_in.first_sound_s))
        sections = sections_on_lines(sections, grid)
    if grid is not analysis.grid or key is not analysis.key:
        key = key_on_lines(key, grid)
    chords = analysis.chords
    if correction.key is not None:
        from analyzers.harmony.chords import spelled_in

        chords = spelled_in(key, chords)
    return replace(analysis, grid=grid, key=key, tuning=tuning, sections=sections, chords=chords)


def _pickup(grid: Grid, first_sound_s: float | None) -> float:
    """Beats of sound before bar one."""
    if grid.tempo_bpm is None or grid.bar_one_s is None or first_sound_s is None:
        return 0.0
    early = (grid.bar_one_s - first_sound_s) * grid.tempo_bpm / 60
    return round(early, 4) if early > PICKUP_BEATS else 0.0


def _anchor(analysis: Analysis) -> float:
    if analysis.grid.bar_one_s is not None:
        return analysis.grid.bar_one_s
    return analysis.lead_in.first_sound_s or 0.0


def _with_tempo(grid: Grid, bpm: float, anchor_s: float, duration_s: float) -> Grid:
    """Another tempo: a level of a moving tempo keeps its beats, anything else is constant from the anchor."""
    found = grid.tempo_bpm
    level = None
    if found and grid.constant_tempo is False:
        near = min((1.0, *LEVELS), key=lambda r: abs(math.log(bpm / (found * r))))
        level = near if abs(bpm / (found * near) - 1) <= LEVEL_TOLERANCE else None
    beats_per_bar = grid.beats_per_bar or 4
    if level is not None:
        beats = _other_level(grid, level)
        curve = tuple((at, tempo * level) for at, tempo in grid.tempo_curve)
    else:
        beats, curve = _steady(bpm, anchor_s, duration_s), ((0.0, bpm),)
    same = found is not None and abs(bpm / found - 1) < 1e-9
    changed = replace(
        grid,
        tempo_bpm=bpm,
        tempo_confidence=1.0,
        tempo_alternatives=(TempoCandidate(bpm, 1.0),),
        constant_tempo=level is None,
        constant_confidence=1.0 if level is None else grid.constant_confidence,
        meter=grid.meter or "4/4",
        beats_per_bar=beats_per_bar,
        bar_one_s=grid.bar_one_s if grid.bar_one_s is not None else anchor_s,
        beats_s=beats,
        tempo_curve=curve,
        proof=grid.proof if same else None,
        steady_from_s=grid.steady_from_s if same else None,
        steady_to_s=grid.steady_to_s if same else None,
        other_level=grid.other_level if same else None,
        reason=None,
        restarts=grid.restarts if level is not None else (),
        meter_alternatives=(),
    )
    return _count_bars(changed)


def _steady(bpm: float, anchor_s: float, duration_s: float) -> tuple[float, ...]:
    """Every beat inside [0, duration) of a constant grid through the anchor; never accumulated."""
    period = 60.0 / bpm
    first = math.ceil(-anchor_s / period - SNAP_BEATS)
    last = math.ceil((duration_s - anchor_s) / period - SNAP_BEATS)
    return tuple(max(anchor_s + k * period, 0.0) for k in range(first, last))


def _other_level(grid: Grid, ratio: float) -> tuple[float, ...]:
    """Beats so many times as fast, counted from bar one: on the old ones, and between them."""
    one, last = beat_index(grid, grid.bar_one_s or 0.0), len(grid.beats_s) - 1
    counted = np.arange(math.ceil(-one * ratio - SNAP_BEATS), (last - one) * ratio + SNAP_BEATS)
    places = np.round(one + counted / ratio, 9)
    return tuple(np.interp(places, np.arange(last + 1), grid.beats_s).tolist())


def beat_rate(grid: Grid, meter: str) -> float:
    """How many times as fast the beat is in another meter whose bars are as long: 2/3 from 3/4 to 6/8; 1
    where bars are not, and the beat stays.
    """
    beats = beats_in(meter)
    if (
        grid.meter is None
        or not grid.beats_per_bar
        or beats is None
        or Fraction(meter) != Fraction(grid.meter)
    ):
        return 1.0
    return beats / grid.beats_per_bar


def _with_beat(grid: Grid, rate: float, duration_s: float) -> Grid:
    """The same bars in beats so many times as fast. Only half and double of it stay rivals of the tempo."""
    bpm = grid.tempo_bpm
    if bpm is None or rate == 1.0:
        return grid
    steady = grid.constant_tempo and grid.bar_one_s is not None
    return replace(
        grid,
        tempo_bpm=bpm * rate,
        tempo_alternatives=tuple(
            TempoCandidate(c.bpm * rate, c.probability)
            for c in grid.tempo_alternatives
            if abs(math.remainder(math.log2(c.bpm / bpm), 1.0)) <= LEVEL_TOLERANCE
        ),
        beats_s=_steady(bpm * rate, grid.bar_one_s or 0.0, duration_s)
        if steady
        else _other_level(grid, rate),
        tempo_curve=tuple((at_s, tempo * rate) for at_s, tempo in grid.tempo_curve),
        proof=None,
    )


def _with_meter(grid: Grid, meter: str) -> Grid:
    if grid.tempo_bpm is None:
        raise ValueError("there is no grid to count bars on: give a tempo, too")
    changed = replace(
        grid,
        meter=meter,
        meter_confidence=1.0,
        beats_per_bar=beats_in(meter),
        meter_alternatives=(),
    )
    return _count_bars(changed)


def _with_bar_one(grid: Grid, at_s: float, duration_s: float) -> Grid:
    """Shift the grid so that its nearest beat falls on `at_s`, and count bars from there."""
    if grid.tempo_bpm is None or not grid.beats_s:
        raise ValueError("there is no grid to shift: give a tempo, too")
    period = 60.0 / grid.tempo_bpm
    if not -(grid.beats_per_bar or 4) * period < at_s < duration_s:
        raise ValueError(f"bar one at {at_s:g} s is outside the file (0 to {duration_s:.3f} s)")
    if grid.constant_tempo:
        beats = _steady(grid.tempo_bpm, at_s, duration_s)
    else:
        near = min(grid.beats_s, key=lambda t: abs(t - at_s))
        shift = at_s - near if abs(at_s - near) <= period else 0.0
        beats = tuple(t + shift for t in grid.beats_s if 0 <= t + shift < duration_s)
    changed = replace(grid, beats_s=beats, bar_one_s=at_s, bar_one_confidence=1.0)
    return _count_bars(changed)


def _count_bars(grid: Grid) -> Grid:
    """Downbeats counted from bar one; other places of it were counted on other bars, or beats."""
    one = bar_one_index(grid)
    if one is None or not grid.beats_per_bar:
        return grid
    downbeats = tuple((k - one) % grid.beats_per_bar == 0 for k in range(len(grid.beats_s)))
    return replace(grid, downbeats=downbeats, bar_one_alternatives=())


def _with_key(key: Key, text: str, later: Sequence[tuple[float, str]]) -> Key:
    tonic, mode = typed_key(text) or ("C", "major")
    return replace(
        key,
        tonic=tonic,
        mode=mode,
        confidence=1.0,
        scale=scale_names(tonic, mode),
        alternatives=(KeyCandidate(tonic, mode, 1.0),),
        relative=relative_key(key, tonic, mode),
        parallel=parallel_key(key, tonic, mode),
        changes=tuple(KeyChange(at_s, *(typed_key(name) or (name, "major")), 1.0) for at_s, name in later),
        reason=None,
        blues=_blues(key.blues, tonic, mode) if says_blues(text) else None,
    )


def _blues(found: Blues | None, tonic: str, mode: str) -> Blues:
    """One that is set by hand; the form is that which was found, if it was this one's."""
    minor = mode == "minor"
    if found is not None and (pitch_class_of(found.tonic), found.minor) == (pitch_class_of(tonic), minor):
        return replace(found, tonic=tonic, confidence=1.0)
    return Blues(tonic, minor, bars=0, first_chorus_s=0.0, confidence=1.0)
