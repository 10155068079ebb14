"""The demo's scenario: an invented studio, invented producers, and the beats that they send.

Saltstair Rooms is a small vocal studio. On one afternoon its producers leave ten drops: tracks in six
formats, a folder of stems, a drum track without a key, and one upload that broke off.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from demo.labels import Stereo
from demo.render import render
from demo.spec import BeatSpec, SectionSpec, random_spec
from demo.stems import render_stems
from demo.styles import STYLES
from demo.truth import Truth

STUDIO = "Saltstair Rooms"
FULL = ("kick", "snare", "hats", "bass", "chords", "pad", "lead")
LENGTH_S = 30.0


@dataclass(frozen=True, slots=True)
class DemoBeat:
    """One drop: `path` is a file, or a folder of stems, inside the folder given to `make_demo`."""

    path: Path
    producer: str
    title: str
    shape: str  # format in words
    truth: Truth | None  # None where the drop must be rejected

    @property
    def expected(self) -> str:
        return "ready" if self.truth else "rejected"


def demo_spec(
    seed: int, style: str, bpm: float, tonic: int, mode: str, lead_in_s: float, **more: Any
) -> BeatSpec:
    """A short beat of three sections without the hardships that the generator draws by chance."""
    meter = STYLES[style]
    bars = max(round(LENGTH_S * bpm / 60 / meter.beats), 6)
    intro = 4 if bars >= 12 else 2
    verse = (bars - intro) // 2
    sections = (
        SectionSpec("intro", intro, ("hats", "chords", "pad"), 0.3),
        SectionSpec("verse", verse, FULL[:-1], 0.6),
        SectionSpec("hook", bars - intro - verse, FULL, 0.9),
    )
    calm: dict[str, Any] = {
        "rate": 44100, "bpm": bpm, "tonic": tonic, "mode": mode, "lead_in_s": lead_in_s, "sections": sections,
        "drift": 0.0, "tempo_step": None, "key_shift": None, "relative": False, "tuning_cents": 0.0,
        "tag": "none",
        "pickup_beats": 0.0, "lead_in": "silence", "noise_bed": "none", "defect": "none", "ending": "ring",
        "tail_s": 0.5, "drive": 1.6, "peak": 0.92,
    }  # fmt: skip
    return replace(random_spec(seed, kind="beat", style=style), **{**calm, **more})


def _write(subtype: str | None, container: str) -> Callable[[Path, Stereo, int], None]:
    def write(path: Path, samples: Stereo, rate: int) -> None:
        soundfile.write(path, samples, rate, subtype=subtype, format=container)

    return write


def _write_damaged(path: Path, samples: Stereo, rate: int) -> None:
    """An upload that broke off: the first kilobytes of a FLAC file, then noise of the line."""
    whole = path.with_suffix(".whole")
    soundfile.write(whole, samples[: 2 * rate], rate, format="FLAC")
    head = whole.read_bytes()[:40]
    whole.unlink()
    path.write_bytes(head + np.random.default_rng(0).bytes(60_000))


WRITERS = {
    "WAV 16 bit": (".wav", _write("PCM_16", "WAV")),
    "WAV 24 bit": (".wav", _write("PCM_24", "WAV")),
    "AIFF": (".aiff", _write("PCM_24", "AIFF")),
    "FLAC": (".flac", _write("PCM_24", "FLAC")),
    "OGG": (".ogg", _write("VORBIS", "OGG")),
    "MP3": (".mp3", _write(None, "MP3")),
    "broken upload": (".flac", _write_damaged),
}
DRUMS_ONLY = (SectionSpec("verse", 8, FULL[:3], 0.7), SectionSpec("hook", 8, (*FULL[:3], "perc"), 0.9))
PROGRAMME: tuple[tuple[str, str, str, BeatSpec], ...] = (
    ("odette-marl", "amber lane", "WAV 24 bit",
     demo_spec(11, "boombap", 92.0, 3, "minor", 0.84, pickup_beats=1.0)),
    ("odette-marl", "night ferry", "FLAC", demo_spec(23, "trap", 140.0, 6, "minor", 1.21, lead_in="dither")),
    ("odette-marl", "second winter", "AIFF",
     demo_spec(37, "lofi", 78.5, 0, "minor", 2.4, noise_bed="crackle")),
    ("pim-kestrel", "linen kites", "WAV 16 bit", demo_spec(41, "pop", 104.0, 2, "major", 0.35)),
    ("pim-kestrel", "tide table", "MP3", demo_spec(53, "rnb", 66.0, 9, "minor", 0.5)),
    ("pim-kestrel", "low sun", "OGG", demo_spec(67, "house", 124.0, 7, "minor", 0.0, tuning_cents=-31.767)),
    ("lamplight-row", "glass stairs", "FLAC", demo_spec(75, "waltz beat", 96.0, 4, "minor", 3.1)),
    ("lamplight-row", "bare drums", "WAV 16 bit",
     replace(demo_spec(83, "breakbeat", 108.5, 0, "major", 0.6), kind="drums", sections=DRUMS_ONLY)),
    ("lamplight-row", "wide river", "stems", demo_spec(97, "afro", 106.0, 10, "minor", 0.25)),
    ("lamplight-row", "half a song", "broken upload", demo_spec(11, "boombap", 92.0, 3, "minor", 0.0)),
)  # fmt: skip


def _make_stems(path: Path, spec: BeatSpec) -> Truth:
    path.mkdir(parents=True, exist_ok=True)
    stems, truth = render_stems(spec)
    for name, samples in stems.items():
        soundfile.write(path / f"{name}.wav", samples, spec.rate, subtype="PCM_24")
    return truth


def make_demo(folder: Path, titles: tuple[str, ...] = ()) -> list[DemoBeat]:
    """Write the scenario's drops into `folder`/<producer>/ and say what is true of each.

    `titles` narrows it to some of them. The same call writes the same samples.
    """
    out = []
    for producer, title, shape, spec in PROGRAMME:
        if titles and title not in titles:
            continue
        place = folder / producer
        place.mkdir(parents=True, exist_ok=True)
        truth: Truth | None
        if shape == "stems":
            path = place / title
            truth = _make_stems(path, spec)
        else:
            suffix, write = WRITERS[shape]
            path = place / (title + suffix)
            samples, truth = render(spec)
            write(path, samples, spec.rate)
        out.append(DemoBeat(path, producer, title, shape, None if shape == "broken upload" else truth))
    return out
