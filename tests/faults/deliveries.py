"""What producers do meanwhile: single files, zips, folders of stems, renames, the same bytes again."""

from __future__ import annotations

import io
import random
import zipfile
from dataclasses import dataclass

import numpy as np

from tests.daemon.make_audio import Samples, file_bytes
from tests.faults.kit import World, beat

RATE = 22050
SHORTEST_S, LONGEST_S = 8.0, 12.0


@dataclass(slots=True)
class Producer:
    """Leaves something different at every turn. ``real``: whole beats; else a few bytes for stand-ins."""

    world: World
    rng: random.Random
    serial: int
    real: bool
    number: int = 0

    def deliver(self) -> str:
        """One delivery. Returns what kind it was."""
        kinds = ["file", "file", "zip", "the same bytes again", "renamed", "damaged"]
        kind = self.rng.choice([*kinds, "stems", "stems"] if self.real else kinds)
        self.number += 1
        seed = self.serial * 1000 + self.number
        name = self.rng.choice(["", "mira/", "ode/"]) + f"beat{self.number}"
        files = [path for path in self.world.wanted if path.count("/") < 2 and "stems" not in path]
        match kind:
            case "zip":
                self.world.drop(f"{name}.zip", zipped(self._beat(seed)))
            case "stems":
                self.world.drop_folder(f"{name} stems", stems(seed, self._seconds()))
            case "the same bytes again" if files:
                again = self.rng.choice(files)
                self.world.drop(f"{name} again.{again.rpartition('.')[2]}", self.world.wanted[again])
            case "renamed" if files:
                self.world.rename(old := self.rng.choice(files), f"{name} renamed.{old.rpartition('.')[2]}")
            case "damaged":
                data = b"no audio %d" % seed if self.real else b"!damaged\n%d" % seed
                self.world.drop(f"{name}.wav", data)
            case _:
                kind = "file"
                self.world.drop(f"{name}.wav", self._beat(seed))
        return kind

    def _seconds(self) -> float:
        return self.rng.uniform(SHORTEST_S, LONGEST_S)

    def _beat(self, seed: int) -> bytes:
        return beat(seed, self._seconds()) if self.real else b"!sleep-late 0.2\nbeat %d" % seed


def zipped(data: bytes) -> bytes:
    """A zip with one beat in it."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("beat.wav", data)
    return stream.getvalue()


def stems(seed: int, seconds: float) -> dict[str, bytes]:
    """Drums, bass and chord of one beat, each in a file of the same length."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(int(seconds * RATE)) / RATE
    period, root = 60 / rng.uniform(90, 150), 110 * 2 ** (rng.integers(12) / 12)
    fall = np.exp(-20 * (time_s % period))
    parts = {
        "drums": 0.4 * fall * np.sin(2 * np.pi * 90 * time_s) + 0.001 * rng.standard_normal(len(time_s)),
        "bass": 0.2 * fall * np.sin(2 * np.pi * root / 2 * time_s),
        "chord": sum(0.05 * np.sin(2 * np.pi * root * ratio * time_s) for ratio in (1, 1.2, 1.5)),
    }
    return {f"{name}.wav": file_bytes(_stereo(part), rate=RATE) for name, part in parts.items()}


def _stereo(mono: object) -> Samples:
    return np.column_stack([mono, mono]).astype(np.float32)  # type: ignore[list-item]
