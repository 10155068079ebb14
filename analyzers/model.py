"""Value types that the analyzers return.

Conventions
-----------
* seconds are float64, zero = first sample of the decoded signal;
* levels name their unit (``_dbfs``, ``_dbtp``, ``_lufs``, ``_lu``, ``_db``);
* a confidence is a calibrated probability in [0, 1] that the value beside it is right;
* what is unknown is ``None`` and the ``reason`` field beside it says why.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.floating]


@dataclass(frozen=True, slots=True)
class Options:
    """What the engineer may steer; the defaults need no configuration."""

    tempo_range_bpm: tuple[float, float] = (40.0, 240.0)
    lossy: bool = False  # the source was MP3/OGG: codec pre-echo and delay are to be expected
    silence_below_peak_db: float = 60.0  # first sound: this far below the programme's peak
    vocal_range: tuple[int, int] = (53, 76)  # MIDI notes for the chord track, F3..E5 (middle C = C4 = 60)
    bit_depth: int | None = None  # declared word length of the source, where it is integer PCM
    start_doubted: bool = False  # parts of it may start too early: where bar one lies is not sure


@dataclass(frozen=True, slots=True)
class LeadIn:
    """Everything before the first musical sound."""

    first_sound_s: float | None
    first_sound_sample: int | None
    kind: str  # "none", "digital silence", "dither or noise", "hiss or hum", "no sound at all"
    noise_floor_dbfs: float | None  # RMS of the lead-in; None when there is none or it is digital silence
    threshold_dbfs: float | None
    confidence: float
    reason: str | None = None

    @property
    def noisy(self) -> bool:
        """Whether noise that is heard lies ahead of the music, and most likely under it."""
        return self.kind == "hiss or hum"


@dataclass(frozen=True, slots=True)
class TempoCandidate:
    bpm: float
    probability: float


@dataclass(frozen=True, slots=True)
class MeterCandidate:
    meter: str  # "3/4"
    probability: float


@dataclass(frozen=True, slots=True)
class BarOneCandidate:
    """Another place of bar one."""

    late_beats: float  # after the one that was found; negative: before it
    probability: float


@dataclass(frozen=True, slots=True)
class GridProof:
    """How the attacks near the grid lie on it (ms, distance to the nearest 1/16 or triplet position).

    Only attacks within 15 ms are counted, so their distances are small on a wrong grid, too: what speaks for
    the grid is how many of the clear attacks they are, beside how many chance would put there.
    """

    attacks: int
    median_ms: float
    p95_ms: float
    first_third_ms: float  # signed median offset in the first third ...
    last_third_ms: float  # ... and in the last
    on_grid: float | None = None  # share of the clear attacks that are so near ...
    by_chance: float | None = None  # ... of the time that is
    worst_quarter: float | None = None  # `on_grid` of the quarter of the attacks that has fewest; None: few


@dataclass(frozen=True, slots=True)
class BeatRestart:
    """Where the beat breaks off and starts anew, off the count before it; bars are counted on."""

    from_s: float  # last beat of the count before
    at_s: float  # first beat of the new one


@dataclass(frozen=True, slots=True)
class OtherLevel:
    """A long part of a steady song whose attacks come twice as fast as the rest, or half: it may be counted
    at that tempo."""

    bpm: float
    from_s: float | None  # about; None: from the beginning
    to_s: float | None  # the same; None: to the end


@dataclass(frozen=True, slots=True)
class Grid:
    """Tempo, beats, bar one and meter. ``tempo_bpm`` is None when the music has no steady beat."""

    tempo_bpm: float | None
    tempo_confidence: float
    # the found one first; at most 1 together, but for an open half or double of it (`rhythm/shares.py`)
    tempo_alternatives: tuple[TempoCandidate, ...]
    constant_tempo: bool | None
    constant_confidence: float
    meter: str | None  # "4/4", "3/4", "6/8"
    meter_confidence: float
    beats_per_bar: int | None
    bar_one_s: float | None
    bar_one_confidence: float
    pickup_beats: float  # music before bar one, in beats (0 when none)
    beats_s: tuple[float, ...]  # every beat inside the file
    downbeats: tuple[bool, ...]  # same length: True on a bar's first beat
    tempo_curve: tuple[tuple[float, float], ...]  # (s, BPM): one entry when constant, else each change, and
    # each restart, though the tempo be the same
    proof: GridProof | None
    reason: str | None = None
    restarts: tuple[BeatRestart, ...] = ()
    swell_before: bool = False  # what sounds before bar one grows into it without an attack: no pickup
    bar_one_alternatives: tuple[BarOneCandidate, ...] = ()  # likeliest first
    meter_alternatives: tuple[MeterCandidate, ...] = ()  # the same, at this tempo
    voice_before: bool = False  # somebody talks before bar one: no pickup
    steady_from_s: float | None = None  # before it the music may be out of tempo: nothing bears the beats out
    steady_to_s: float | None = None  # the same after it
    other_start_before: bool = False  # a false start before bar one, a pause, and the song off its count
    count_in_before: bool = False  # nothing but a count-in before bar one
    other_level: OtherLevel | None = None


@dataclass(frozen=True, slots=True)
class Tuning:
    """Offset of the music from A4 = 440 Hz, in (-50, +50] cents."""

    cents: float | None
    a4_hz: float | None
    confidence: float
    reason: str | None = None
    thirds_cents: tuple[
        float | None, ...
    ] = ()  # of each third of the file where they differ; None: not known
    layer_cents: float | None = None  # of another layer (a sample under a synthesiser) that is apart


@dataclass(frozen=True, slots=True)
class KeyCandidate:
    tonic: str  # "E flat"
    mode: str  # "major", "minor"; of the answer itself also a church mode
    probability: float


@dataclass(frozen=True, slots=True)
class KeyChange:
    at_s: float
    tonic: str
    mode: str
    confidence: float  # that the key changes there
    key_confidence: float | None = None  # that it is this key from there on; None: not told apart
    alternatives: tuple[KeyCandidate, ...] = ()  # as in `Key`


@dataclass(frozen=True, slots=True)
class Blues:
    """A blues by its form; its tonic is that of the key."""

    tonic: str  # "A"
    minor: bool  # minor blues
    bars: int  # of a chorus: 12 or 8; 0: set by hand, the form is not known
    first_chorus_s: float  # where the first whole chorus begins, when the form is known
    confidence: float


@dataclass(frozen=True, slots=True)
class Key:
    """Tonic and scale. ``tonic`` is None when the music has no key (drums, noise, atonal).

    Where the first of the changes is to the key itself, what comes before it has none.
    """

    tonic: str | None
    mode: str | None  # "major", "minor", "dorian", "phrygian", "mixolydian", "harmonic minor"
    confidence: float
    scale: tuple[str, ...]  # note names, "E flat" style, from the tonic up
    alternatives: tuple[KeyCandidate, ...]  # most probable first, the answer itself included
    relative: KeyCandidate | None
    parallel: KeyCandidate | None
    changes: tuple[KeyChange, ...]
    profile: tuple[float, ...]  # evidence: 12 pitch-class weights from C, sum 1 (empty when none)
    reason: str | None = None
    blues: Blues | None = None
    unheard: tuple[str, ...] = ()  # sixth or seventh of a minor key, where neither form of it sounds


@dataclass(frozen=True, slots=True)
class Chord:
    start_s: float
    end_s: float
    label: str  # "C", "Cm", "C7", "Cmaj7", "Cm7", "Csus4", "Csus2", "Cdim", "N" = no chord
    confidence: float


@dataclass(frozen=True, slots=True)
class Section:
    start_s: float
    end_s: float
    letter: str  # equal letters: equal music
    first_bar: int  # bar number counted from bar one = 1 (0 or less: before bar one)
    confidence: float


@dataclass(frozen=True, slots=True)
class Loudness:
    """ITU-R BS.1770-5 / EBU R 128, Tech 3341, Tech 3342. None: nothing above the gate, or too short."""

    integrated_lufs: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    range_lu: float | None
    true_peak_dbtp: float | None
    sample_peak_dbfs: float | None
    peak_to_loudness_lu: float | None
    short_term_curve: tuple[tuple[float, float], ...]  # (s, LUFS), at most a few hundred points


@dataclass(frozen=True, slots=True)
class Flag:
    """A fault or a peculiarity of the signal: where, how much, and what to do about it."""

    code: str  # stable, kebab-case: "clipping", "dc-offset", "dead-channel"
    severity: str  # "note", "warning"
    text: str  # one sentence with the amount; no instants, which are said on the clock of who shows it
    advice: str  # what to do
    start_s: float | None = None
    end_s: float | None = None
    amount: float | None = None
    unit: str | None = None
    places_s: tuple[tuple[float, float], ...] = ()  # start and end of each place that is worth a look


@dataclass(frozen=True, slots=True)
class Analysis:
    """All that is known about one drop."""

    duration_s: float
    rate: int
    channels: int
    lead_in: LeadIn
    grid: Grid
    tuning: Tuning
    key: Key
    chords: tuple[Chord, ...]
    sections: tuple[Section, ...]
    loudness: Loudness
    flags: tuple[Flag, ...]
