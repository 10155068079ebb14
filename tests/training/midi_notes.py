"""Notes as a MIDI file for a General MIDI player: one tick is one sample."""

from __future__ import annotations

from pathlib import Path

import mido
import numpy as np

from tests.training.corpus_soundfont import RATE, tuning
from tests.training.pieces import DRUMS, Piece

DRUM_SETS = (0, 0, 8, 16, 24, 32, 40)
Rng = np.random.Generator


def write_midi(
    rng: Rng, piece: Piece, notes: list[tuple[float, float, int, int, float]], cents: float, path: Path
) -> None:
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=500_000)])
    channel = {p: p if p < DRUMS else p + 1 for p in range(len(piece.programs))} | {DRUMS: DRUMS}
    reverb, drums = int(rng.integers(0, 110)), float(rng.uniform(0.5, 1.0))
    softer = float(rng.choice([1.0, 1.0, 0.75, 0.55]))  # pitched parts under loud drums
    for part, program in enumerate(piece.programs):
        c = channel[part]
        track.append(mido.Message("program_change", channel=c, program=program))
        for control, value in (
            (91, reverb),
            (7, int(rng.integers(60, 120) * softer)),
            (10, int(rng.integers(30, 98))),
        ):
            track.append(mido.Message("control_change", channel=c, control=control, value=value))
        track.extend(tuning(c, cents))
    track.append(mido.Message("program_change", channel=9, program=int(rng.choice(DRUM_SETS))))
    events: list[tuple[int, int, mido.Message]] = []
    for start, end, pitch, part, level in notes:
        if start < 0 or not 0 <= pitch < 128:
            continue
        c = channel[part]
        velocity = int(np.clip(115 * level * (drums if part == DRUMS else 1.0), 1, 127))
        events.append(
            (round(start * RATE), 1, mido.Message("note_on", channel=c, note=pitch, velocity=velocity))
        )
        events.append((round(end * RATE), 0, mido.Message("note_off", channel=c, note=pitch)))
    last = 0
    for tick, _, message in sorted(events, key=lambda e: e[:2]):
        track.append(message.copy(time=tick - last))
        last = tick
    file = mido.MidiFile(ticks_per_beat=RATE // 2)
    file.tracks.append(track)
    file.save(path)
