"""Where the first hit starts: the same in every format, nothing of it lost, no pre-echo kept."""

from __future__ import annotations

import io
import math

import numpy as np
import pytest
import soundfile as sf
import soxr

from analyzers.level.silence import find_lead_in
from analyzers.model import Options
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from daemon.export.firsthit import begins_faintly, clear_of_noise, fades_in, first_hit_s, soft_rise_s

RATE = 44100
HIT_AT_S = 1.25
FORMATS = [
    ("WAV", "PCM_16", 44100), ("WAV", "PCM_24", 44100), ("WAV", "FLOAT", 44100), ("WAV", "PCM_24", 48000),
    ("WAV", "PCM_24", 96000), ("FLAC", "PCM_16", 44100), ("OGG", "VORBIS", 44100),
    ("MP3", "MPEG_LAYER_III", 44100),
]  # fmt: skip


def drum(attack_s: float) -> np.ndarray:
    """A low drum with a click of noise, struck every half second from `HIT_AT_S` on, twelve seconds of it."""
    t = np.arange(round(0.4 * RATE)) / RATE
    rise = np.minimum(t / attack_s, 1.0)
    noise = np.random.default_rng(8).standard_normal(len(t)) * np.exp(-t * 60) * 0.3
    hit = (np.sin(2 * np.pi * 60 * t + 1.0) * np.exp(-t * 12) + noise) * rise * 0.6
    out = np.zeros(12 * RATE)
    for at in np.arange(HIT_AT_S, 11.5, 0.5):
        out[round(at * RATE) : round(at * RATE) + len(hit)] += hit
    return np.stack([out, out], axis=1).astype(np.float32)


def as_sent(samples: np.ndarray, container: str, subtype: str, rate: int) -> np.ndarray:
    """The samples after a trip through a file of this kind."""
    if rate != RATE:
        samples = soxr.resample(samples, RATE, rate, quality="VHQ")
    file = io.BytesIO()
    with sf.SoundFile(file, "w", rate, 2, subtype, format=container) as out:
        for first in range(0, len(samples), 65536):
            out.write(samples[first : first + 65536])
    file.seek(0)
    return sf.read(file, dtype="float32", always_2d=True)[0]


def hit_of(samples: np.ndarray, rate: int, *, lossy: bool) -> float:
    lead_in = find_lead_in(Features(Signal(samples, rate), Options(lossy=lossy)))
    found = first_hit_s(samples, rate, lead_in.first_sound_s)
    assert found is not None
    return found


@pytest.mark.parametrize("attack_s", [0.0005, 0.002, 0.005])
@pytest.mark.parametrize(("container", "subtype", "rate"), FORMATS)
def test_the_hit_starts_at_the_same_place_whatever_the_music_was_sent_as(container, subtype, rate, attack_s):
    samples = as_sent(drum(attack_s), container, subtype, rate)

    found = hit_of(samples, rate, lossy=container in ("OGG", "MP3"))

    assert found == pytest.approx(HIT_AT_S, abs=1e-3)


@pytest.mark.parametrize("attack_s", [0.01, 0.02])
@pytest.mark.parametrize(("container", "subtype"), [("OGG", "VORBIS"), ("MP3", "MPEG_LAYER_III")])
def test_a_slow_hit_is_cut_where_its_original_is(container, subtype, attack_s):
    original = hit_of(drum(attack_s), RATE, lossy=False)

    sent = hit_of(as_sent(drum(attack_s), container, subtype, RATE), RATE, lossy=True)

    assert sent == pytest.approx(original, abs=5e-4)


@pytest.mark.parametrize("attack_s", [0.0005, 0.002, 0.005, 0.5])
@pytest.mark.parametrize("container", ["OGG", "MP3"])
def test_a_hit_or_a_swell_keeps_its_energy(container, attack_s):
    """0.1 dB is a tenth of the least change of level that is heard (common practice: 1 dB)."""
    samples = as_sent(drum(attack_s), container, {"OGG": "VORBIS", "MP3": "MPEG_LAYER_III"}[container], RATE)
    first = round(HIT_AT_S * RATE)
    whole = float((samples[first : first + RATE // 50].astype(float) ** 2).sum())

    start = max(round(hit_of(samples, RATE, lossy=True) * RATE), first)

    kept = float((samples[start : first + RATE // 50].astype(float) ** 2).sum())
    assert 10 * np.log10(kept / whole) > -0.1


def test_a_hit_that_rises_at_once_is_not_cut_behind_its_first_sample():
    """Over hiss, or after a codec: 0.7 ms at -46 dB, then the stroke."""
    samples = drum(0.0005)
    first = round(HIT_AT_S * RATE) - 31
    samples[first : first + 31] = 0.003

    assert first_hit_s(samples, RATE, first / RATE) == first / RATE


def test_silence_has_no_hit():
    assert first_hit_s(np.zeros((RATE, 2), np.float32), RATE, None) is None


def test_a_lossless_sound_starts_at_its_first_sample():
    samples = drum(0.0005)
    samples[RATE : RATE + 40] = 0.003
    assert first_hit_s(samples, RATE, 1.0) == 1.0


def test_a_soft_beginning_that_no_codec_made_is_the_hits_own():
    """The hammer of a key or the skin of a drum: 8 ms at -40 dB, then the tone."""
    samples = drum(0.0005)
    first = round((HIT_AT_S - 0.008) * RATE)
    samples[first : round(HIT_AT_S * RATE)] = 0.01 * (-1.0) ** np.arange(round(0.008 * RATE))[:, None]

    assert first_hit_s(samples, RATE, first / RATE, hidden=False) == first / RATE
    assert first_hit_s(samples, RATE, first / RATE) == pytest.approx(HIT_AT_S, abs=1e-3)


def bowed(rise_s: float, rate: int = RATE) -> np.ndarray:
    """A tone that swells in over so much time and is held."""
    t = np.arange(rate) / rate
    wave = np.sin(2 * np.pi * 220 * t) * np.minimum(t / rise_s, 1.0) ** 2
    return np.stack([wave, wave], axis=1).astype(np.float32) * 0.5


@pytest.mark.parametrize("rate", [22050, 44100, 96000])
@pytest.mark.parametrize("rise_s", [0.06, 0.1])
def test_what_is_bowed_rises_gradually_all_the_way(rise_s: float, rate: int) -> None:
    at_s = rise_s * math.sqrt(0.002)  # where it passes 54 dB below its peak
    assert rise_s <= soft_rise_s(bowed(rise_s, rate), rate, at_s) <= 0.12


def test_what_is_struck_rises_at_once() -> None:
    assert soft_rise_s(drum(0.001), RATE, HIT_AT_S) == 0.0
    assert soft_rise_s(drum(0.001), RATE, None) == 0.0
    assert soft_rise_s(drum(0.001)[:400], RATE, 0.005) == 0.0


def test_a_gradual_rise_ends_where_something_is_struck_or_falls() -> None:
    """A soft breath, then the drum 50 ms later; or the breath dies away first."""
    breath = bowed(0.1)[: round(0.05 * RATE)] * 0.03
    struck = np.concatenate([breath, drum(0.001)[round(HIT_AT_S * RATE) :]])
    assert soft_rise_s(struck, RATE, 0.002) <= 0.05
    dying = np.concatenate([bowed(0.04)[: round(0.04 * RATE)], 0.2 * bowed(0.001)])
    assert soft_rise_s(dying, RATE, 0.001) <= 0.04


def test_noise_that_goes_on_does_not_rise() -> None:
    noise = np.random.default_rng(4).standard_normal((RATE, 2)).astype(np.float32) * 0.01
    assert soft_rise_s(noise, RATE, 0.0) == 0.0


@pytest.mark.parametrize(
    ("attack_s", "noise_db", "clear"), [(0.001, -60, True), (0.001, -24, False), (0.2, -60, False)]
)
def test_noise_hides_nothing_of_a_hit_that_is_far_over_it_at_once(
    attack_s: float, noise_db: float, clear: bool
) -> None:
    """The hits reach -7 dBFS; they begin where they rise over the peaks of the noise."""
    sigma = 10 ** (noise_db / 20)
    noise = np.random.default_rng(3).standard_normal((12 * RATE, 1)) * sigma
    samples = (drum(attack_s) + noise).astype(np.float32)
    start = round(HIT_AT_S * RATE)
    first_s = HIT_AT_S + int(np.argmax(np.abs(samples[start:, 0]) > 4.5 * sigma)) / RATE

    assert clear_of_noise(samples, RATE, first_s, noise_db) == clear
    assert not clear_of_noise(samples, RATE, first_s, None)


@pytest.mark.parametrize(("first_db", "faint"), [(-55, True), (-42, True), (-38, False), (-10, False)])
def test_a_sound_begins_faintly_within_20_db_of_the_threshold(first_db: float, faint: bool) -> None:
    """Its first hundredth of a second counts; then it is loud."""
    samples = np.full((RATE, 2), 0.9, np.float32)
    samples[: round(0.5 * RATE)] = 0.0
    samples[round(0.5 * RATE) : round(0.51 * RATE)] = 10 ** (first_db / 20)

    assert begins_faintly(samples, RATE, 0.5, -60.0) == faint
    assert not begins_faintly(samples, RATE, None, -60.0)
    assert not begins_faintly(samples, RATE, 0.5, None)


@pytest.mark.parametrize(
    ("fade_s", "first_db", "fades"),
    [(3.0, 0, True), (8.0, 0, True), (0.1, 0, False), (0.0, -50, False), (0.0, 0, False)],
)
def test_a_fade_in_is_no_hit_where_it_passes_the_threshold(
    fade_s: float, first_db: float, fades: bool
) -> None:
    """A held chord under a fader that is drawn up (power 1.5 of the time), swells at once, or is struck."""
    t = np.arange(4 * RATE) / RATE
    chord = sum(np.sin(2 * np.pi * hz * t) for hz in (196.0, 247.0, 294.0)) * 0.25 * 10 ** (first_db / 20)
    fader = np.minimum(t / fade_s, 1.0) ** 1.5 if fade_s else np.ones(len(t))
    samples = np.zeros((5 * RATE, 2), np.float32)
    samples[RATE:] = (chord * fader)[:, None]
    first_s = int(np.argmax(np.abs(samples).max(axis=1) > 10 ** (-62 / 20))) / RATE

    assert fades_in(samples, RATE, first_s, -62.0) == fades
    assert not fades_in(samples, RATE, None, -62.0)
    assert not fades_in(samples, RATE, first_s, None)
    assert not fades_in(samples[round(first_s * RATE) :], RATE, 0.0, -62.0)  # nothing before it is known


def test_a_hit_out_of_noise_just_below_the_threshold_is_no_fade_in() -> None:
    noise = np.random.default_rng(3).uniform(-1, 1, (12 * RATE, 1)) * 10 ** (-66 / 20)
    assert not fades_in((drum(0.001) + noise).astype(np.float32), RATE, HIT_AT_S, -62.0)
