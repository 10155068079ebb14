"""Stems are cut like their sum, also damaged ones and those of another rate."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from config.settings import Limits, Output
from daemon.decode.decoder import decode
from daemon.export.copy import write_copy
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


@pytest.mark.parametrize(("form", "faded"), [({"format": "OGG", "subtype": "VORBIS"}, True), ({}, False)])
def test_the_sum_of_the_copies_is_the_copy_of_the_sum_from_its_first_sample_on(tmp_path, form, faded):
    """Hiss under the cut, of different levels, and attacks that are not together: each would have a fade-in
    of another length. A stem that is kept bit for bit has none, and so has their sum.

    Source: what a console adds up is linear; 24-bit words and their dither are 0.2e-6 off, twice that at most
    in each stem.
    """
    folder = tmp_path / "beat"
    folder.mkdir()
    suffix = form.get("format", "WAV").lower()
    for seed, (level, after_s) in enumerate(((0.01, 0.002), (0.004, 0.0035))):
        samples = noise(2.0, RATE, seed=seed, level=level)
        attack = PLAN.source_start + round(after_s * RATE)
        samples[attack:] += 0.3 * np.cos(2 * np.pi * 90 * np.arange(len(samples) - attack) / RATE)[:, None]
        write(folder / f"part {seed}.{suffix}", samples, RATE, **form)
    found = decode(folder, limits=Limits())
    out, rate = tmp_path / "out", found.signal.rate
    out.mkdir()
    facts = write_copy(found, PLAN, out / "sum.wav", Output(), WavNotes())
    copies_of = copy_stems(found.stems, PLAN, rate, out, Output(), WavNotes(), facts.fade_frames)

    assert (facts.fade_frames > 0) is faded
    assert all(copy.bit_identical is not faded for copy in copies_of)
    parts = sum(sf.read(copy.path, always_2d=True)[0] for copy in copies_of)
    whole = sf.read(out / "sum.wav", always_2d=True)[0]
    assert np.abs(whole[500:600]).max() > 1e-4
    assert np.abs(parts - whole).max() < 3 * 2.0**-22


def test_names_of_copies_never_meet():
    class Stem:
        def __init__(self, name: str) -> None:
            self.name, self.path = name, Path(name)

    names = [stem.name for stem in named([Stem("a/Drums.wav"), Stem("a/drums.aif"), Stem("b/drums.wav")])]

    assert len({name.casefold() for name in names}) == 3
