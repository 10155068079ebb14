"""Stems are cut like their sum, also damaged ones and those of another rate."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from config.settings import Limits, Output
from daemon.decode.decoder import decode
from daemon.export.plan import CutPlan
from daemon.export.stemcopies import copy_stems, named
from daemon.export.wavfile import WavNotes
from tests.daemon.make_audio import file_bytes, flac_claiming, noise, write

RATE = 48000
PLAN = CutPlan(
    source_start=1000,
    source_end=RATE * 2,
    pad_samples=500,
    zero_s=500 / RATE,
    bar_one_in_copy_s=None,
    bars_before_bar_one=0,
    why="test",
)


def copies(folder: Path, out: Path) -> dict[str, np.ndarray]:
    found = decode(folder, limits=Limits())
    out.mkdir()
    copy_stems(found.stems, PLAN, found.signal.rate, out, Output(), WavNotes())
    read = {path.stem: sf.read(path, always_2d=True) for path in sorted((out / "stems").iterdir())}
    assert {rate for _samples, rate in read.values()} == {RATE}
    assert {len(samples) for samples, _rate in read.values()} == {500 + RATE * 2 - 1000}
    return {name: samples for name, (samples, _rate) in read.items()}


def test_equal_length_and_zero_and_bit_identical(tmp_path):
    folder = tmp_path / "beat"
    folder.mkdir()
    parts = {"drums": noise(2.5, RATE, seed=1), "bass": noise(1.5, RATE, seed=2)}
    for name, samples in parts.items():
        write(folder / f"{name}.wav", samples, RATE, subtype="PCM_24")
    found = copies(folder, tmp_path / "out")

    for name in parts:
        source = sf.read(folder / f"{name}.wav")[0][1000 : RATE * 2]
        assert np.array_equal(found[name][500 : 500 + len(source)], source)
        assert not found[name][:500].any()
        assert not found[name][500 + len(source) :].any()


@pytest.mark.parametrize("damage", ["cut", "unknown length"])
def test_damaged_flac(tmp_path, damage):
    folder = tmp_path / "beat"
    folder.mkdir()
    write(folder / "drums.wav", noise(2.5, RATE, seed=1), RATE)
    data = file_bytes(noise(2.5, RATE, seed=2), RATE, format="FLAC")
    data = data[: len(data) // 2] if damage == "cut" else flac_claiming(data, 0)
    (folder / "bass.flac").write_bytes(data)
    signal = decode(folder, limits=Limits()).signal.samples
    found = copies(folder, tmp_path / "out")

    assert np.allclose(
        found["drums"] + found["bass"], np.pad(signal[1000 : RATE * 2], ((500, 0), (0, 0))), atol=1e-6
    )


def test_another_rate_keeps_its_place(tmp_path):
    """A burst that begins at 1.000 s in a 44.1 kHz stem begins there in the 48 kHz copy, too."""
    folder = tmp_path / "beat"
    folder.mkdir()
    for seed, name in enumerate(("drums", "keys")):
        write(folder / f"{name}.wav", noise(2.5, RATE, seed=seed), RATE)
    burst = np.zeros((44100 * 2, 2), np.float32)
    burst[44100 : 44100 + 2000] = 0.5
    write(folder / "fx.wav", burst, 44100)
    found = copies(folder, tmp_path / "out")

    half = np.flatnonzero(np.abs(found["fx"][:, 0]) > 0.25)[0] - 500 + 1000
    assert abs(half - RATE) <= 1


def test_names_of_copies_never_meet():
    class Stem:
        def __init__(self, name: str) -> None:
            self.name, self.path = name, Path(name)

    names = [stem.name for stem in named([Stem("a/Drums.wav"), Stem("a/drums.aif"), Stem("b/drums.wav")])]

    assert len({name.casefold() for name in names}) == 3
