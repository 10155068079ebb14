"""Long signals are read in bounded pieces, and where a piece ends does not matter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyzers.health import gaps as health_gaps
from analyzers.health import level as health_level
from analyzers.health.level import find_clipping
from analyzers.level import silence
from analyzers.level.silence import find_lead_in
from analyzers.model import LeadIn
from analyzers.signal.features import Features
from analyzers.signal.samples import NEAR_FRAMES, Floats, Signal, channel_blocks, values_at
from analyzers.signal.truepeak import measure_peaks
from tests.analyzers.health_kit import RATE, clean, faults, words

LOW_RATE = 8000


class Watched:
    """Samples that refuse to hand out more than `most` frames at once."""

    ndim = 2

    def __init__(self, samples: np.ndarray, most: int) -> None:
        self.samples, self.most = samples.astype(np.float32), most
        self.shape = samples.shape

    def __len__(self) -> int:
        return len(self.samples)

    def __getitem__(self, part: slice | tuple[slice, int]) -> Floats:
        rows = part[0] if isinstance(part, tuple) else part
        assert len(range(*rows.indices(len(self.samples)))) <= self.most, "more than a piece was read"
        assert rows.step is None
        return self.samples[part].copy()


def test_channel_blocks_have_context_and_zeros_outside() -> None:
    samples = np.arange(1, 21, dtype=np.float32).reshape(10, 2)
    padded = np.pad(samples, ((2, 3), (0, 0)))
    for size in (1, 3, 4, 10, 99):
        found = list(channel_blocks(Watched(samples, size + 5), size, before=2, after=3))
        assert [start for start, _ in found] == list(range(0, 10, size))
        for start, block in found:
            assert np.array_equal(block, padded[start : min(start + size, 10) + 5].T)


def test_values_at_places_far_and_near() -> None:
    rng = np.random.default_rng(3)
    samples = rng.standard_normal((9 * NEAR_FRAMES, 2)).astype(np.float32)
    for count in (0, 1, 7, 5000):
        places = np.sort(rng.integers(0, len(samples), count))
        assert np.array_equal(values_at(Watched(samples, NEAR_FRAMES), 1, places), samples[places, 1])


@pytest.mark.parametrize("piece", [48, 1024, 99_984])
def test_faults_across_the_edges_of_pieces(monkeypatch: pytest.MonkeyPatch, piece: int) -> None:
    """Clipped runs and holes so many and so long that pieces of every size cut some of them."""
    hot = np.clip(clean() * 4, -0.7, 0.7)
    rng = np.random.default_rng(1)
    for at in rng.integers(RATE, len(hot) - RATE, 40):
        hot[at : at + rng.integers(40, 4000)] = hot[at]
    samples = words(hot, 24)
    whole = faults(samples)
    assert {"clipping", "dropout"} <= whole.keys()
    monkeypatch.setattr(health_level, "SEARCH_FRAMES", piece)
    monkeypatch.setattr(health_gaps, "SEARCH_FRAMES", piece)
    assert faults(samples) == whole


def test_clipped_runs_are_those_of_a_walk_along_the_samples(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against a plain loop: runs of two or more at full scale with a corner at both ends."""
    rng = np.random.default_rng(5)
    column = np.clip(rng.standard_normal(20_000) * 0.6, -1, 1).astype(np.float32)
    wanted, longest, at = 0, 0, 0
    while at < len(column):
        last = at
        while last + 1 < len(column) and column[at] == column[last + 1] == np.sign(column[at]):
            last += 1
        outside = column[[max(at - 2, 0), min(last + 2, len(column) - 1)]] * np.sign(column[at])
        if last > at and (outside < 0.999).all():
            wanted, longest = wanted + 1, max(longest, last - at + 1)
        at = last + 1
    assert wanted > 50
    for piece in (32, 1000, 1 << 20):
        monkeypatch.setattr(health_level, "SEARCH_FRAMES", piece)
        samples = column[:, None]
        (flag,) = find_clipping(Signal(samples, RATE), measure_peaks(samples), 24)
        assert (flag.amount, flag.text.split("up to ")[1].split()[0]) == (wanted, str(longest))


def music(seconds: float) -> np.ndarray:
    rng = np.random.default_rng(2)
    t = np.arange(round(seconds * LOW_RATE)) / LOW_RATE
    tone = np.cos(2 * np.pi * 220 * t) * np.exp(-(t % 0.5) * 8)
    return np.stack([tone, tone], axis=1) * 0.8 + rng.standard_normal((len(t), 2)) * 1e-4


def lead_in(samples: np.ndarray, most: int | None = None) -> LeadIn:
    """`most`: seconds that may be read at once."""
    array = samples.astype(np.float32) if most is None else Watched(samples, most * LOW_RATE)
    return find_lead_in(Features(Signal(array, LOW_RATE)))


@pytest.mark.parametrize("level", [0.0, 1e-4, 2e-3])
def test_a_lead_in_of_minutes_is_not_held(monkeypatch: pytest.MonkeyPatch, level: float) -> None:
    """Silence, dither and hiss: the answer to the sample, by pieces of a minute at the most."""
    monkeypatch.setattr(silence, "BED_SAMPLES", 100_000)
    bed = np.random.default_rng(7).standard_normal((LOW_RATE * 200, 2)) * level
    samples = np.concatenate((bed, music(20)))
    answer = lead_in(samples, 60)
    assert answer.first_sound_sample == pytest.approx(len(bed), abs=8 if level > 1e-3 else 0)
    monkeypatch.setattr(silence, "FLOOR_S", 600.0)
    monkeypatch.setattr(silence, "BED_SAMPLES", 1 << 22)
    whole = lead_in(samples)
    assert (whole.first_sound_sample, whole.kind) == (answer.first_sound_sample, answer.kind)
    if whole.noise_floor_dbfs is None:
        assert answer.noise_floor_dbfs is None
    else:
        assert answer.noise_floor_dbfs == pytest.approx(whole.noise_floor_dbfs, abs=0.05)
        assert replace(whole, noise_floor_dbfs=answer.noise_floor_dbfs) == answer


def test_quiet_music_before_one_loud_click_is_not_held() -> None:
    samples = np.concatenate((music(200) * 0.003, np.full((40, 2), 0.9), music(2) * 0.003))
    assert lead_in(samples, 60) == lead_in(samples)
    assert lead_in(samples).first_sound_s == pytest.approx(0.0, abs=0.01)
