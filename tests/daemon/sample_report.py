"""One analysis in an invented scenario, with exact round numbers, for the report tests."""

from __future__ import annotations

from dataclasses import replace
from itertools import accumulate
from pathlib import Path

from analyzers.harmony.spelling import pitch_class_of
from analyzers.model import (
    Analysis,
    Blues,
    Chord,
    Flag,
    Grid,
    GridProof,
    Key,
    KeyCandidate,
    LeadIn,
    Loudness,
    Section,
    TempoCandidate,
    Tuning,
)
from config.settings import Settings
from daemon.corrections.apply import apply_correction
from daemon.decode.decoder import Source
from daemon.decode.stems import Stem
from daemon.export.copy import CopyFacts
from daemon.export.plan import plan_cut
from daemon.report.report import Report, build_report

RATE = 44100
BAR_ONE_S = 0.75
DURATION_S = 66.0


def steady_grid(bpm: float = 140.0, *, bar_one_s: float = BAR_ONE_S, duration_s: float = DURATION_S) -> Grid:
    period = 60.0 / bpm
    first = -int(bar_one_s / period)
    count = int((duration_s - bar_one_s) / period) + 1 - first
    beats = tuple(bar_one_s + (first + k) * period for k in range(count))
    return Grid(
        tempo_bpm=bpm,
        tempo_confidence=0.97,
        tempo_alternatives=(TempoCandidate(bpm, 0.97), TempoCandidate(bpm / 2, 0.02)),
        constant_tempo=True,
        constant_confidence=0.99,
        meter="4/4",
        meter_confidence=0.96,
        beats_per_bar=4,
        bar_one_s=bar_one_s,
        bar_one_confidence=0.93,
        pickup_beats=0.0,
        beats_s=beats,
        downbeats=tuple((first + k) % 4 == 0 for k in range(count)),
        tempo_curve=((0.0, bpm),),
        proof=GridProof(412, 0.8, 3.4, 0.2, 0.3, on_grid=0.91, by_chance=0.42, worst_quarter=0.805),
    )


def moving_grid(*parts: tuple[int, float]) -> Grid:
    """Parts of so many beats at one tempo each (BPM), from bar one on."""
    periods = [60.0 / bpm for beats, bpm in parts for _ in range(beats)]
    beats = tuple(accumulate([BAR_ONE_S, *periods]))
    starts = accumulate([0, *(count for count, _ in parts[:-1])])
    return replace(
        steady_grid(parts[0][1]),
        constant_tempo=False,
        beats_s=beats,
        downbeats=tuple(k % 4 == 0 for k in range(len(beats))),
        tempo_curve=tuple((beats[at], bpm) for at, (_, bpm) in zip(starts, parts, strict=True)),
    )


def no_steady_beat() -> Grid:
    """What the grid says of music without one."""
    return replace(
        steady_grid(),
        tempo_bpm=None,
        constant_tempo=None,
        meter=None,
        beats_per_bar=None,
        bar_one_s=None,
        beats_s=(),
        downbeats=(),
        tempo_curve=(),
        proof=None,
        tempo_alternatives=(),
        reason="no steady beat",
    )


# Weight of each step above the tonic of a minor key
IN_MINOR = (0.22, 0.02, 0.1, 0.15, 0.02, 0.12, 0.02, 0.13, 0.08, 0.02, 0.1, 0.02)


def key_of(tonic: str = "E flat", mode: str = "minor", confidence: float = 0.91) -> Key:
    """The notes weigh as in the minor key with that signature."""
    home = pitch_class_of(tonic) + (9 if mode == "major" else 0)
    return Key(
        tonic=tonic,
        mode=mode,
        confidence=confidence,
        scale=("E flat", "F", "G flat", "A flat", "B flat", "C flat", "D flat"),
        alternatives=(KeyCandidate(tonic, mode, confidence), KeyCandidate("F sharp", "major", 0.05)),
        relative=KeyCandidate("F sharp", "major", 0.05),
        parallel=KeyCandidate("E flat", "major", 0.01),
        changes=(),
        profile=tuple(IN_MINOR[(note - home) % 12] for note in range(12)),
    )


def blues_in_a(at_s: float = BAR_ONE_S, confidence: float = 0.93) -> Key:
    """A blues of twelve bars whose first chorus begins at `at_s`."""
    return replace(key_of("A", "major", confidence), blues=Blues("A", False, 12, at_s, confidence))


def sample_analysis(**changes) -> Analysis:
    bar = 4 * 60 / 140
    values = {
        "duration_s": DURATION_S,
        "rate": RATE,
        "channels": 2,
        "lead_in": LeadIn(BAR_ONE_S, round(BAR_ONE_S * RATE), "digital silence", None, -61.0, 0.99),
        "grid": steady_grid(),
        "tuning": Tuning(1.5, 440.38, 0.95),
        "key": key_of(),
        "chords": tuple(
            Chord(BAR_ONE_S + k * bar, BAR_ONE_S + (k + 1) * bar, ("Ebm", "B", "Gb", "Db")[k % 4], 0.8)
            for k in range(36)
        ),
        "sections": (
            Section(BAR_ONE_S, BAR_ONE_S + 8 * bar, "A", 1, 0.8),
            Section(BAR_ONE_S + 8 * bar, BAR_ONE_S + 24 * bar, "B", 9, 0.9),
            Section(BAR_ONE_S + 24 * bar, DURATION_S, "A", 25, 0.7),
        ),
        "loudness": Loudness(
            -8.4, -6.1, -7.2, 3.9, 0.4, -0.1, 8.8, tuple((float(t), -9.0 + (t % 7) / 3) for t in range(3, 66))
        ),
        "flags": (
            Flag("inter-sample-overs", "note", "True peak is 0.4 dBTP", "Leave head room when converting"),
        ),
    }
    return Analysis(**{**values, **changes})


def sample_stem(name: str, **changes) -> Stem:
    values = {
        "name": name,
        "path": Path(name),
        "role": "stem",
        "sha256": "cd" * 32,
        "frames": round(DURATION_S * RATE),
        "rate": RATE,
        "channels": 2,
        "subtype": "PCM_24",
        "bit_depth": 24,
        "lossy": False,
        "peak_dbfs": -3.0,
        "rms_dbfs": -18.0,
        "silent": False,
        "mono": False,
        "first_sound_sample": 0,
    }
    return Stem(**{**values, **changes})


def sample_copy(name: str, **changes) -> CopyFacts:
    values = {
        "path": Path(name),
        "rate": RATE,
        "channels": 2,
        "bit_depth": 24,
        "frames": round(DURATION_S * RATE),
        "gain_db": 0.0,
        "dithered": False,
        "bit_identical": True,
        "warnings": (),
    }
    return CopyFacts(**{**values, **changes})


def sample_source(name: str = "amber-lane.wav", **changes) -> Source:
    values = {
        "name": name,
        "producer": "tin-roof",
        "sha256": "ab" * 32,
        "bytes": 11_642_444,
        "format": "WAV",
        "subtype": "PCM_16",
        "rate": RATE,
        "channels": 2,
        "frames": round(DURATION_S * RATE),
        "bit_depth": 16,
        "lossy": False,
        "tags": {},
        "warnings": (),
    }
    return Source(**{**values, **changes})


def sample_report(
    analysis: Analysis | None = None, *, source=None, settings: Settings | None = None, **more
) -> Report:
    analysis = analysis or sample_analysis()
    settings = settings or Settings()
    source = source or sample_source()
    correction = more.get("corrections")
    corrected = apply_correction(analysis, correction) if correction else analysis
    plan = plan_cut(
        corrected, frames=source.frames, rate=source.rate, lead_in_bars=settings.output.lead_in_bars
    )
    facts = sample_copy(
        "amber-lane - 140 BPM - E flat minor.wav",
        rate=source.rate,
        channels=source.channels,
        bit_depth=source.bit_depth,
        frames=plan.pad_samples + plan.source_end - plan.source_start,
    )
    return build_report(source, analysis, plan, facts, settings=settings, software_version="0.1.0", **more)
