"""The null test on generated stems whose gain, delay, polarity, parts and mastering are known.

The stems are those of a demo beat in three bands; mastering is a tilt equaliser and a look-ahead limiter
written here, from any textbook on audio effects.
"""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile as sf
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.signal import butter, sosfilt

from daemon.decode.nulltest import MOMENT_S, null_test
from demo.render import render
from demo.spec import random_spec
from tests.daemon.make_audio import Samples

SECONDS = 40


@pytest.fixture(scope="module")
def beat() -> tuple[Samples, int]:
    samples, truth = render(random_spec(11, style="house", length_s=SECONDS))
    return samples.astype(np.float32), truth.samplerate


def equalised(samples: Samples, rate: int) -> Samples:
    """About +3.5 dB below 150 Hz and +3 dB above 6 kHz."""
    low = sosfilt(butter(1, 150, fs=rate, output="sos"), samples, axis=0)
    high = sosfilt(butter(1, 6000, "high", fs=rate, output="sos"), samples, axis=0)
    return (samples + 0.5 * low + 0.4 * high).astype(np.float32)


def limited(samples: Samples, rate: int, ceiling: float) -> Samples:
    level = maximum_filter1d(np.abs(samples).max(axis=1), int(0.005 * rate))
    gain = np.minimum(1, ceiling / np.maximum(level, 1e-9))
    gain = uniform_filter1d(-maximum_filter1d(-gain, int(0.05 * rate)), int(0.02 * rate))
    return (samples * gain[:, None]).astype(np.float32)


def mastered(samples: Samples, rate: int, drive_db: float = 6.0) -> Samples:
    return limited(equalised(samples, rate) * 10 ** (drive_db / 20), rate, 0.7 * float(np.abs(samples).max()))


def tag(samples: Samples, rate: int, at_s: float = 2.0) -> Samples:
    """Two seconds of noise at the level of the beat, where a spoken tag would be."""
    out = np.zeros_like(samples)
    frames = 2 * rate
    noise = np.random.default_rng(5).standard_normal((frames, samples.shape[1]))
    out[round(at_s * rate) : round(at_s * rate) + frames] = noise * samples.std() * 0.8
    return out


@pytest.mark.parametrize("gain_db", [0.0, 3.2, -6.0])
@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("late", [0, 441, -300])
def test_gain_polarity_and_delay(beat, gain_db, inverted, late):
    samples, rate = beat
    bounce = samples * np.float32(10 ** (gain_db / 20) * (-1 if inverted else 1))
    bounce = np.pad(bounce, ((late, 0), (0, 0))) if late >= 0 else bounce[-late:]
    found = null_test(bounce, samples, rate, late)
    assert found.kind == "same"
    assert found.residual_db < -50
    assert found.gain_db == pytest.approx(gain_db, abs=0.01)
    assert found.inverted is inverted
    assert found.delay_s == late / rate
    assert found.only_in_bounce == found.only_in_stems == ()


def test_rounding_to_16_bits_is_the_same(beat):
    samples, rate = beat
    rounded = (np.round(samples * 32767) / 32767).astype(np.float32)
    assert null_test(rounded, samples, rate).kind == "same"


@pytest.mark.parametrize("kind", ["equaliser", "limiter", "both"])
def test_mastering_is_told_from_missing_parts(beat, kind):
    samples, rate = beat
    ceiling = 0.7 * float(np.abs(samples).max())
    bounce = {
        "equaliser": equalised(samples, rate),
        "limiter": limited(samples * 2, rate, ceiling),
        "both": mastered(samples, rate),
    }[kind]
    found = null_test(bounce, samples, rate)
    assert found.kind == "processed"
    assert -25 < found.residual_db < -5
    assert found.unexplained_db < found.residual_db - 5
    assert found.only_in_bounce == found.only_in_stems == ()
    if kind == "limiter":
        assert found.gain_range_db > 1


def within(spans: tuple[tuple[float, float], ...], start_s: float, end_s: float) -> bool:
    """One stretch, which is the wanted one to a moment on either side."""
    return (
        len(spans) == 1
        and abs(spans[0][0] - start_s) <= 1.5 * MOMENT_S
        and abs(spans[0][1] - end_s) <= 1.5 * MOMENT_S
    )


@pytest.mark.parametrize("master", [False, True])
def test_a_tag_that_the_stems_lack_is_found(beat, master):
    samples, rate = beat
    bounce = samples + tag(samples, rate)
    found = null_test(mastered(bounce, rate) if master else bounce, samples, rate)
    assert within(found.only_in_bounce, 2.0, 4.0)
    assert found.only_in_stems == ()
    assert found.kind == "processed"
    if not master:
        assert found.gain_db == pytest.approx(0.0, abs=0.05), "a tag does not pull the gain"
        assert found.unexplained_db < -60


def test_what_only_the_stems_have_is_found(beat):
    samples, rate = beat
    found = null_test(samples, samples + tag(samples, rate, 20.0), rate)
    assert within(found.only_in_stems, 20.0, 22.0)
    assert found.only_in_bounce == ()


def test_another_beat_is_different():
    first, second = (render(random_spec(seed, style="house", length_s=25)) for seed in (11, 12))
    rate = first[1].samplerate
    found = null_test(second[0].astype(np.float32), first[0].astype(np.float32), rate)
    assert found is None or found.kind == "different"


def test_a_lossy_bounce_is_close(beat):
    samples, rate = beat
    stream = io.BytesIO()
    sf.write(stream, np.clip(samples, -1, 1), rate, format="OGG", subtype="VORBIS", compression_level=0.1)
    stream.seek(0)
    found = null_test(sf.read(stream, dtype="float32")[0], samples, rate)
    assert found.kind in ("same", "processed")
    assert found.residual_db < -15
    assert found.gain_db == pytest.approx(0.0, abs=0.1)
    assert found.only_in_bounce == found.only_in_stems == ()


@pytest.mark.parametrize("frames", [0, 100, 4000])
def test_silence_and_short_signals_say_nothing(beat, frames):
    samples, rate = beat
    assert null_test(np.zeros_like(samples), samples, rate) is None
    assert null_test(samples[:frames], samples[:frames], rate) is None


def test_a_mono_bounce_of_stereo_stems(beat):
    samples, rate = beat
    found = null_test(samples.mean(axis=1, keepdims=True), samples, rate)
    assert found.kind == "same"
