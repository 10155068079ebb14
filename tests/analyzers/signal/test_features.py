"""Features that are worked out beside the others are the same ones."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from analyzers.signal import features
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal

RATE = 44100


def chord() -> Signal:
    t = np.arange(3 * RATE) / RATE
    tone = sum(np.sin(2 * np.pi * hertz * t) for hertz in (220.0, 277.18, 329.63))
    return Signal(np.column_stack([tone, 0.5 * tone]).astype(np.float32) / 4, RATE)


def test_the_spectrum_of_another_thread_is_that_of_this_one() -> None:
    here, beside = Features(chord()), Features(chord())
    with ThreadPoolExecutor(1) as thread:
        beside.begin_in(thread)

        assert np.array_equal(beside.spectrum.chroma, here.spectrum.chroma)
        assert np.array_equal(beside.spectrum.notes(0.0), here.spectrum.notes(0.0))


def test_what_goes_wrong_there_is_raised_where_it_is_needed(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr(features, "Spectrum", full)
    beside = Features(chord())
    with ThreadPoolExecutor(1) as thread:
        beside.begin_in(thread)
        with pytest.raises(MemoryError):
            beside.spectrum  # noqa: B018


def test_a_mix_that_cancels_is_the_louder_channel() -> None:
    """The mean of a channel and its own inverse is their difference in level: -12 dB here, no music."""
    tone = np.sin(2 * np.pi * 220 * np.arange(RATE) / RATE).astype(np.float32)
    inverted = np.column_stack([-0.6 * tone, tone])
    assert np.array_equal(Features(Signal(inverted, RATE)).mono[:], tone)
    alike = np.column_stack([0.6 * tone, tone])
    np.testing.assert_allclose(Features(Signal(alike, RATE)).mono[:], 0.8 * tone, atol=1e-7)
