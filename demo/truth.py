"""What is known about a made beat: the labels that a measurement of the analysis is scored against."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Truth:
    """Seconds count from the first sample. ``None`` and empty mean that the thing does not exist."""

    style: str
    category: int
    tempo_bpm: float | None
    tempo_ok: tuple[float, ...]  # accepted readings, the notated one first
    constant_tempo: bool | None
    tempo_changes: tuple[tuple[float, float], ...]  # (s, BPM)
    meter: str
    beats_per_bar: int
    beats: tuple[tuple[float, int], ...]  # (s, 1 on a bar's first beat)
    first_downbeat_s: float | None
    drums_in_s: float | None
    pickup_beats: float
    first_sound_s: float | None
    key_tonic: str | None
    key_mode: str | None
    key_ok: tuple[str, ...]
    key_changes: tuple[tuple[float, str, str], ...]
    tuning_cents: float | None
    chords: tuple[tuple[float, float, str], ...]
    sections: tuple[tuple[str, float, float], ...]
    swing: float
    defects: tuple[str, ...]
    notes: tuple[str, ...]
    kick_attack_ms: float | None
    samplerate: int
    frames: int
    duration_s: float
    jitter_ms: float  # SD of the played timing around the grid

    def as_row(self, file: str) -> dict[str, Any]:
        """One line of a truth file."""
        return {"file": file, "genre": self.style, "lufs_pyloudnorm": None, **asdict(self)}
