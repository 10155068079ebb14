"""Training material from soundfonts: our own arrangements played by sampled instruments.

    python tests/training/corpus_soundfont.py OUT --soundfont FONT.sf2 --count N --seed S [--kind song]

Needs the program `fluidsynth` and a General MIDI soundfont on the machine; neither is part of the project.
The notes, their times and the truth come from `demo`; only the sound is another. One MIDI tick is one
sample at 44.1 kHz; at SOUNDFONT_RATE=22050 (from the environment) it takes half the time. The player starts
events at the next border of a 64-sample block, one block late (taken off here), so a sample starts 0 to 1.5
ms after its true instant; fonts have up to 2 ms of silence before an attack on top (measured with single
strokes). OUT/truth.jsonl has the fields of `demo.corpus`.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import mido
import numpy as np
import soundfile

from demo.extras import with_defect
from demo.labels import Stereo, truth_of
from demo.mix import Stage
from demo.render import set_up
from demo.score import Part, Score
from demo.spec import BeatSpec, random_spec

RATE = int(os.environ.get("SOUNDFONT_RATE", "44100"))
PLAYER: list[str] = []  # further options of the player
BLOCK = 64  # the player is late by this much, in samples
DRUM_KEYS = {
    "kick": (36, 35), "snare": (38, 40), "ghost": (38,), "clap": (39,), "rim": (37,), "snap": (39,),
    "hat": (42,), "open": (46,), "ride": (51, 53), "crash": (49, 57), "shaker": (70,), "tambourine": (54,),
    "tom": (48, 50), "tom low": (43, 45), "conga": (63,),
    "conga low": (64,), "cowbell": (56,), "block": (76,),
}  # fmt: skip
PROGRAMS = {  # General MIDI Level 1 program numbers, from 0
    "chords": (0, 0, 0, 1, 2, 4, 5, 16, 24, 25, 26, 27, 29, 48, 61, 88),
    "pad": (48, 49, 50, 52, 54, 88, 89, 91, 94, 16), "arp": (0, 4, 10, 11, 12, 24, 46, 81, 107),
    "lead": (0, 11, 40, 56, 65, 68, 71, 73, 75, 80, 81, 52, 24), "bass": (32, 33, 34, 35, 38, 39),
    "atonal": (12, 13, 115, 80),
}  # fmt: skip
SOLO_PROGRAMS = (0, 0, 0, 1, 2, 4, 24, 25, 46)
DRUM_SETS = (0, 0, 8, 16, 24, 25, 32, 40)  # common extensions of General MIDI; a font without one plays set 0

Event = tuple[int, int, mido.Message]


def tuning(channel: int, cents: float) -> list[mido.Message]:
    """Registered parameter 1, channel fine tuning: 14 bits over +-100 cents (MIDI 1.0)."""
    value = round(8192 + cents / 100 * 8192)
    pairs = ((101, 0), (100, 1), (6, value >> 7), (38, value & 127))
    return [mido.Message("control_change", channel=channel, control=c, value=v) for c, v in pairs]


def _part_events(stage: Stage, part: Part, channel: int, loudness: float) -> list[Event]:
    out: list[Event] = []
    starts = stage.samples([n.beat for n in part.notes])
    for note, k in zip(part.notes, starts, strict=True):
        on = int(k) + round(note.offset_s * RATE)
        off = on + max(round(stage.seconds(note.beat, note.length) * RATE) - 64, 1000)
        velocity = int(np.clip(127 * note.velocity * loudness, 1, 127))
        out.append((on, 1, mido.Message("note_on", channel=channel, note=note.pitch, velocity=velocity)))
        out.append((off, 0, mido.Message("note_off", channel=channel, note=note.pitch)))
    return out


def _drum_events(stage: Stage, score: Score, rng: np.random.Generator) -> list[Event]:
    keys = {voice: int(rng.choice(options)) for voice, options in DRUM_KEYS.items()}
    levels = {layer: rng.uniform(0.45, 1.0) for layer in ("kick", "snare", "hats", "perc", "crash")}
    out: list[Event] = []
    for hit, k in zip(score.hits, stage.samples([h.beat for h in score.hits]), strict=True):
        velocity = int(np.clip(127 * hit.velocity * levels[hit.layer], 1, 127))
        key = keys[hit.voice]
        out.append((int(k), 1, mido.Message("note_on", channel=9, note=key, velocity=velocity)))
        out.append((int(k) + 4000, 0, mido.Message("note_off", channel=9, note=key)))
    return out


def write_midi(spec: BeatSpec, score: Score, stage: Stage, path: Path) -> None:
    rng = np.random.default_rng([spec.seed, 40])
    track = mido.MidiTrack()
    track.append(mido.MetaMessage("set_tempo", tempo=500_000))
    reverb, solo = int(rng.integers(0, 100)), int(rng.choice(SOLO_PROGRAMS))
    events: list[Event] = []
    for channel, part in enumerate(score.parts):
        program = solo if spec.solo else int(rng.choice(PROGRAMS[part.role]))
        track.append(mido.Message("program_change", channel=channel, program=program))
        for control, value in (
            (91, reverb),
            (7, int(rng.integers(70, 127))),
            (10, int(rng.integers(30, 98))),
        ):
            track.append(mido.Message("control_change", channel=channel, control=control, value=value))
        track.extend(tuning(channel, spec.tuning_cents))
        events += _part_events(stage, part, channel, float(rng.uniform(0.45, 1.0)))
    track.append(mido.Message("program_change", channel=9, program=int(rng.choice(DRUM_SETS))))
    events += _drum_events(stage, score, rng)
    last = 0
    for tick, _, message in sorted(events, key=lambda e: e[:2]):
        track.append(message.copy(time=tick - last))
        last = tick
    file = mido.MidiFile(ticks_per_beat=RATE // 2)  # two "beats" a second at the tempo above
    file.tracks.append(track)
    file.save(path)


def play(midi: Path, font: Path, frames: int) -> Stereo:
    """Samples [shape=(frames, 2)] of a MIDI file through a soundfont."""
    wave = midi.with_suffix(".wav")
    command = ["fluidsynth", "-ni", "-q", *PLAYER, "-o", "synth.dynamic-sample-loading=1", "-r", str(RATE)]
    command += ["-O", "float", "-T", "wav", "-F", str(wave)]
    subprocess.run([*command, str(font), str(midi)], check=True, capture_output=True)
    samples, _ = soundfile.read(wave, dtype="float32", always_2d=True)
    out = np.zeros((frames, 2), np.float32)
    samples = samples[BLOCK : BLOCK + frames]
    out[: len(samples)] = samples
    return out


def arranged(font: Path, seed: int, kind: str | None) -> tuple[Stereo, dict[str, object]]:
    """Samples at `RATE` and truth of one of our arrangements, played by a soundfont."""
    spec = replace(random_spec(seed, kind=kind), rate=RATE)
    score, clock, stage = set_up(spec)
    with tempfile.TemporaryDirectory() as folder:
        midi = Path(folder) / "a.mid"
        write_midi(spec, score, stage, midi)
        music = play(midi, font, stage.frames)
    music *= np.float32(spec.drive / max(float(np.percentile(np.abs(music), 99)), 1e-6) * 0.5)
    music = np.tanh(music)
    music *= np.float32(spec.peak / max(float(np.abs(music).max()), 1e-6))
    name = f"s{seed:06d}.flac"
    return with_defect(music, spec.defect), truth_of(spec, score, clock, music, None).as_row(name)


def make_one(out: Path, font: Path, seed: int, kind: str | None) -> dict[str, object]:
    music, row = arranged(font, seed, kind)
    soundfile.write(out / str(row["file"]), music, RATE, subtype="PCM_16")
    return row


def main() -> int:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("out", type=Path)
    p.add_argument("--soundfont", type=Path, required=True, nargs="+", help="one or more; drawn by seed")
    p.add_argument("--count", type=int, default=20)
    p.add_argument("--seed", type=int, default=0)
    p.add_argument("--kind", choices=("beat", "song", "drums", "ambient"))
    a = p.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    with (a.out / "truth.jsonl").open("w", encoding="utf-8") as truth:
        for seed in range(a.seed, a.seed + a.count):
            font = a.soundfont[seed % len(a.soundfont)]
            truth.write(json.dumps(make_one(a.out, font, seed, a.kind)) + "\n")
            print(f"{seed}", file=sys.stderr)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
