"""The truth of a made beat against the samples of that beat."""

from dataclasses import replace

import numpy as np
import pytest

from demo.render import render
from demo.spec import BeatSpec, random_spec
from demo.styles import STYLES
from demo.theory import SCALES

CALM = {
    "rate": 44100,
    "lead_in_s": 0.7,
    "lead_in": "silence",
    "swing": 0.5,
    "jitter_ms": 0.0,
    "drift": 0.0,
    "tempo_step": None,
    "pickup_beats": 0.0,
    "tag": "none",
    "noise_bed": "none",
    "defect": "none",
}


def plain(seed: int, **changes: object) -> BeatSpec:
    """A short beat without faults, noise, swing or jitter."""
    given = {k: changes.pop(k) for k in ("kind", "style") if k in changes}
    base = {"length_s": 15.0, **given}
    return replace(random_spec(seed, **base), **{**CALM, **changes})


def test_the_same_seed_gives_the_same_beat_and_another_seed_another():
    a, truth_a = render(random_spec(5, length_s=12))
    b, truth_b = render(random_spec(5, length_s=12))
    c, _ = render(random_spec(6, length_s=12))
    assert np.array_equal(a, b)
    assert truth_a == truth_b
    assert a.shape != c.shape or not np.array_equal(a, c)


@pytest.mark.parametrize("bpm", [61.5, 93.37, 140.0, 187.003])
def test_steady_beats_are_within_half_a_sample_of_sixty_over_bpm(bpm):
    _, truth = render(plain(3, kind="drums", style="house", bpm=bpm))
    t = np.array([b[0] for b in truth.beats])
    assert truth.first_downbeat_s == pytest.approx(0.7, abs=1e-6)
    assert np.abs(t - (0.7 + np.arange(len(t)) * 60 / bpm)).max() <= 0.5 / 44100 + 1e-6


@pytest.mark.parametrize("seed", range(6))
def test_the_lead_in_is_digital_silence_and_bar_one_sounds_at_once(seed):
    spec = plain(seed, kind="drums", style="techno")
    spec = replace(spec, sections=(replace(spec.sections[0], layers=("kick", "hats")), *spec.sections[1:]))
    samples, truth = render(spec)
    start = round(truth.first_downbeat_s * truth.samplerate)
    assert not samples[:start].any()
    assert np.abs(samples[start : start + 220]).max() > 1e-3
    assert truth.first_downbeat_s <= truth.first_sound_s < truth.first_downbeat_s + 0.011


@pytest.mark.parametrize("seed", [1, 4, 9])
def test_energy_rises_at_each_kick_of_a_four_to_the_floor_beat(seed):
    spec = plain(seed, kind="drums", style="techno", pickup_beats=0.0, ending="cut", bpm=120.0)
    spec = replace(spec, sections=(replace(spec.sections[0], name="verse", bars=8, layers=("kick",)),))
    samples, truth = render(spec)
    power = (samples**2).sum(axis=1)
    n = round(0.02 * truth.samplerate)
    heard = 0
    for t, _ in truth.beats[1:]:
        k = round(t * truth.samplerate)
        heard += power[k : k + n].sum() > 2 * power[k - n : k].sum()
    assert heard >= 0.85 * (len(truth.beats) - 1)  # a fill or a left-out one may take some


def chroma(samples: np.ndarray, rate: int, a4: float) -> np.ndarray:
    """Power by pitch class [shape=(12,)], 100 Hz to 2 kHz, from one long spectrum."""
    power = np.abs(np.fft.rfft(samples.mean(axis=1) * np.hanning(len(samples)))) ** 2
    hz = np.fft.rfftfreq(len(samples), 1 / rate)
    keep = (hz > 100) & (hz < 2000)
    classes = np.rint(69 + 12 * np.log2(hz[keep] / a4)).astype(int) % 12
    return np.bincount(classes, power[keep], 12)


@pytest.mark.parametrize("seed", range(8))
def test_the_sound_lies_in_the_scale_of_the_truth(seed):
    """Scale steps as checked in test_theory; a scale drawn by chance would hold 7/12 of the power."""
    spec = plain(seed, kind="song", style="ballad", key_shift=None, relative=False, mode="major")
    layers = ("chords", "pad")
    spec = replace(spec, sections=tuple(replace(s, layers=layers) for s in spec.sections))
    samples, truth = render(spec)
    c = chroma(samples, truth.samplerate, 440 * 2 ** (spec.tuning_cents / 1200))
    scale = [(spec.tonic + step) % 12 for step in SCALES["major"]]
    assert c[scale].sum() > 0.8 * c.sum()


def test_a_tuning_of_432_hz_is_heard_as_432_hz():
    """-31.767 cents = 1200 log2(432/440); ISO 16 sets A4 = 440 Hz."""
    from demo.tone import Instrument, draw_timbre

    timbre = draw_timbre(np.random.default_rng(1), "organ")
    timbre = replace(timbre, voices=1, vibrato_cents=0.0, breath=0.0, drive=0.0)
    wave = Instrument(timbre, 44100, -31.767).note(69, 2.0)
    power = np.abs(np.fft.rfft(wave * np.hanning(len(wave)), 2**19))
    low = round(500 * 2**19 / 44100)
    assert np.argmax(power[:low]) * 44100 / 2**19 == pytest.approx(432.0, abs=0.3)


@pytest.mark.parametrize("seed", range(12))
def test_truth_is_consistent_in_itself(seed):
    spec = random_spec(seed, length_s=20)
    samples, truth = render(spec)
    assert len(samples) == truth.frames
    assert np.isfinite(samples).all()
    assert np.abs(samples).max() <= 1.0
    edges = [a for a, _, _ in ((s[1], s[2], s[0]) for s in truth.sections)] + [truth.sections[-1][2]]
    assert edges == sorted(edges)
    assert truth.sections[-1][2] <= truth.duration_s + 0.01
    assert all(a < b for a, b, _ in truth.chords)
    assert all(x[1] == pytest.approx(y[0]) for x, y in zip(truth.chords, truth.chords[1:], strict=False))
    if truth.tempo_bpm:
        downs = [k for k, b in enumerate(truth.beats) if b[1]]
        assert set(np.diff(downs)) <= {STYLES[spec.style].beats}
        assert truth.beats[0] == (truth.first_downbeat_s, 1)
        assert truth.tempo_ok[0] == truth.tempo_bpm


def test_a_tempo_step_and_a_drift_are_in_the_beats():
    _, stepped = render(plain(2, kind="beat", style="pop", tempo_step=(0.5, 1.1), bpm=100.0))
    gaps = np.diff([b[0] for b in stepped.beats])
    assert gaps[0] == pytest.approx(0.6, abs=1e-4)
    assert gaps[-1] == pytest.approx(0.6 / 1.1, abs=1e-4)
    assert stepped.constant_tempo is False
    _, drifted = render(plain(2, kind="beat", style="pop", drift=0.01, bpm=100.0))
    gaps = np.diff([b[0] for b in drifted.beats])
    assert 0.001 < np.std(gaps) / np.mean(gaps) < 0.05
    assert drifted.tempo_bpm == pytest.approx(60 / gaps.mean(), rel=0.01)


def test_a_pickup_sounds_before_bar_one():
    samples, truth = render(plain(8, kind="beat", style="boombap", pickup_beats=1.0, bpm=90.0))
    assert truth.first_downbeat_s == pytest.approx(0.7 + 60 / 90, abs=1e-4)
    assert 0.7 <= truth.first_sound_s < truth.first_downbeat_s - 0.1
    assert not samples[: round(0.7 * 44100) - 1].any()


def test_faults_are_in_the_channels():
    sides = {}
    for defect in ("mono", "silent_right", "polarity_inverted_right", "left_heavy_6db"):
        sides[defect], _ = render(plain(4, kind="beat", style="house", defect=defect))
    left, right = sides["mono"].T
    assert np.array_equal(left, right)
    assert not sides["silent_right"][:, 1].any()
    assert np.array_equal(sides["polarity_inverted_right"][:, 1], -sides["polarity_inverted_right"][:, 0])
    assert (sides["left_heavy_6db"] ** 2).mean(axis=0)[1] < (sides["mono"] ** 2).mean(axis=0)[1]


def test_drums_only_has_no_key_and_ambient_no_tempo():
    _, drums = render(random_spec(1, kind="drums", length_s=10))
    assert drums.key_tonic is None
    assert drums.key_ok == ()
    assert drums.tempo_bpm
    _, ambient = render(random_spec(2, kind="ambient", length_s=10))
    assert ambient.tempo_bpm is None
    assert ambient.beats == ()
    assert ambient.constant_tempo is None
