"""Analyses with exact round numbers, for what lies beside the copy."""

from __future__ import annotations

from typing import Any

from analyzers.model import (
    Analysis,
    Chord,
    Grid,
    Key,
    KeyChange,
    LeadIn,
    Loudness,
    Section,
    Tuning,
)
from daemon.export.plan import CutPlan, plan_cut
from tests.daemon.sample_report import sample_analysis

RATE = 44100


def grid(
    beats: list[float],
    bpm: float | None,
    *,
    bar_one: int = 0,
    per_bar: int = 4,
    meter: str | None = "4/4",
    constant: bool = True,
) -> Grid:
    down = tuple((i - bar_one) % per_bar == 0 for i in range(len(beats)))
    return Grid(
        bpm,
        0.9,
        (),
        constant,
        0.9,
        meter,
        0.9,
        per_bar if bpm else None,
        beats[bar_one] if bpm else None,
        0.9,
        0.0,
        tuple(beats),
        down,
        ((0.0, bpm or 0.0),),
        None,
    )


def key(tonic: str | None = "E flat", mode: str | None = "minor", changes: tuple[KeyChange, ...] = ()) -> Key:
    return Key(tonic, mode, 0.9, (), (), None, None, changes, ())


def analysis(
    g: Grid,
    chords: list[tuple[float, float, str]],
    *,
    seconds: float = 40.0,
    first_sound: float = 0.0,
    k: Key | None = None,
    sections: tuple[Section, ...] = (),
) -> Analysis:
    lead = LeadIn(first_sound, round(first_sound * RATE), "none", None, None, 1.0)
    loudness = Loudness(None, None, None, None, None, None, None, ())
    held = tuple(Chord(a, b, label, 0.8) for a, b, label in chords)
    return sample_analysis(
        duration_s=seconds,
        lead_in=lead,
        grid=g,
        tuning=Tuning(0.0, 440.0, 0.9),
        key=k or key(),
        chords=held,
        sections=sections,
        loudness=loudness,
        flags=(),
    )


def steady(bpm: float = 120.0, start: float = 1.25, count: int = 64) -> Grid:
    return grid([start + i * 60 / bpm for i in range(count)], bpm)


def plan(a: Analysis, **how: Any) -> CutPlan:
    return plan_cut(a, frames=round(a.duration_s * RATE), rate=RATE, **how)
