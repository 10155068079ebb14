"""The narrow bands that the voice networks look at."""

from __future__ import annotations

import numpy as np

from analyzers.signal.voice import FRAMES_A_SECOND, voice_bands


def test_bands_of_a_tone_lie_at_its_frequency_on_both_rates() -> None:
    """1000 Hz is 1000 mel (O'Shaughnessy 1987): the band whose centre is nearest is the loudest."""
    mel = np.linspace(*(2595 * np.log10(1 + np.array([80.0, 8000.0]) / 700)), 66)[1:-1]
    for rate in (44100, 48000):
        tone = np.sin(2 * np.pi * 1000 * np.arange(2 * rate) / rate).astype(np.float32)
        bands = voice_bands(tone, rate)
        assert bands.shape == (64, 2 * FRAMES_A_SECOND + 1)
        assert np.argmax(bands[:, FRAMES_A_SECOND]) == np.argmin(np.abs(mel - 1000))
