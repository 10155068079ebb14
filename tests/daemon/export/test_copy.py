"""The aligned copy: the source's own samples, or what the settings ask for and nothing else."""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from analyzers.level.loudness import measure_loudness
from analyzers.model import Loudness
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from config.settings import Limits, Output
from daemon.decode.decoder import Decoded, decode
from daemon.export.copy import CopyFacts, write_copy, write_stem_copies
from daemon.export.firsthit import first_hit_s
from daemon.export.plan import CutPlan
from daemon.export.wavfile import Label, WavNotes
from daemon.report.words import asks_for_ears

RATE = 44100
NOTES = WavNotes(title="Amber Lane", labels=(Label(0.5, "bar 1"),))


def plan(start: int = 1000, end: int = 3 * RATE, pad: int = 500, rate: int = RATE) -> CutPlan:
    return CutPlan(start, end, pad, (start - pad) / rate, 0.5, 0, "")


def music(seconds: float = 3.2, seed: int = 1, peak: float = 0.7, rate: int = RATE) -> np.ndarray:
    """Silence of 50 ms, then noise and a tone [shape=(frames, 2)]."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * rate)) / rate
    out = np.sin(2 * np.pi * 330 * t)[:, None] * [0.5, 0.4] + rng.standard_normal((len(t), 2)) * 0.1
    out[: round(0.05 * rate)] = 0
    return out * peak / np.abs(out).max()


def dropped(
    folder: Path, samples: np.ndarray, subtype: str = "PCM_24", name: str = "beat.wav", rate: int = RATE
) -> Decoded:
    sf.write(folder / name, samples, rate, subtype)
    return decode(folder / name, limits=Limits())


def copied(
    folder: Path, decoded: Decoded, cut: CutPlan | None = None, notes: WavNotes = NOTES, **settings: object
) -> tuple[CopyFacts, np.ndarray]:
    facts = write_copy(decoded, cut or plan(), folder / "copy.wav", Output(**settings), notes)  # type: ignore[arg-type]
    samples, rate = sf.read(facts.path, dtype="float64", always_2d=True)
    assert rate == facts.rate
    assert len(samples) == facts.frames
    return facts, samples


def loudness_of(decoded: Decoded) -> Loudness:
    return measure_loudness(Features(decoded.signal))


@pytest.mark.parametrize(
    ("subtype", "name", "bits", "written"),
    [
        ("PCM_16", "beat.wav", 16, "PCM_16"),
        ("PCM_24", "beat.wav", 24, "PCM_24"),
        ("PCM_32", "beat.wav", 32, "PCM_32"),
        ("FLOAT", "beat.wav", None, "FLOAT"),
        ("DOUBLE", "beat.wav", None, "DOUBLE"),
        ("PCM_U8", "beat.wav", 16, "PCM_16"),
        ("PCM_16", "beat.flac", 16, "PCM_16"),
        ("PCM_24", "beat.flac", 24, "PCM_24"),
        ("PCM_24", "beat.aiff", 24, "PCM_24"),
    ],
)
def test_a_lossless_source_stays_bit_identical(
    tmp_path: Path, subtype: str, name: str, bits: int | None, written: str
) -> None:
    decoded = dropped(tmp_path, music(), subtype, name)
    before = decoded.path.read_bytes()
    facts, samples = copied(tmp_path, decoded)
    source = sf.read(decoded.path, dtype="float64")[0]
    np.testing.assert_array_equal(samples[500:], source[1000 : 3 * RATE])
    assert not samples[:500].any()
    assert sf.info(facts.path).subtype == written
    assert facts == CopyFacts(facts.path, RATE, 2, bits, 500 + 3 * RATE - 1000, 0.0, False, True, ())
    assert decoded.path.read_bytes() == before


@pytest.mark.parametrize("name", ["beat.mp3", "beat.ogg"])
def test_a_lossy_source_is_kept_at_24_bits(tmp_path: Path, name: str) -> None:
    sf.write(tmp_path / name, music(), RATE)
    decoded = decode(tmp_path / name, limits=Limits())
    facts, samples = copied(tmp_path, decoded)
    assert (facts.bit_depth, facts.bit_identical, facts.dithered) == (24, False, True)
    assert np.abs(samples[500:] - decoded.signal.samples[1000 : 3 * RATE]).max() < 2.0**-22


def test_beyond_the_source_there_is_silence(tmp_path: Path) -> None:
    decoded = dropped(tmp_path, music(1.0))
    _, samples = copied(tmp_path, decoded, plan(end=2 * RATE))
    assert len(samples) == 500 + 2 * RATE - 1000
    assert not samples[500 + RATE - 1000 :].any()


@pytest.mark.parametrize("source_rate", [44100, 48000, 96000])
@pytest.mark.parametrize("target", [44100, 48000, 88200, 96000])
def test_bar_one_stays_on_the_same_instant(tmp_path: Path, source_rate: int, target: int) -> None:
    """Pulses at known times, off the sample raster, come out there within a tenth of a sample."""
    times = np.array([0.5, 1.2345678, 2.9])
    t = np.arange(round(3.5 * source_rate)) / source_rate
    wave = sum(np.exp(-0.5 * ((t - at) * 25000) ** 2) for at in times) * 0.5
    decoded = dropped(tmp_path, np.repeat(np.asarray(wave)[:, None], 2, axis=1), rate=source_rate)
    start, pad = round(0.3 * source_rate), 77
    cut = CutPlan(
        start, len(t), pad, (start - pad) / source_rate, times[0] - (start - pad) / source_rate, 0, ""
    )
    facts, samples = copied(tmp_path, decoded, cut, sample_rate=target)
    assert facts.rate == target
    assert facts.frames == round((pad + len(t) - start) * target / source_rate)
    for at in times:
        near = round((at - cut.zero_s) * target)
        left, mid, right = np.log(np.maximum(samples[near - 1 : near + 2, 0], 1e-9))
        peak = near + 0.5 * (left - right) / (left - 2 * mid + right)
        assert abs(peak - (at - cut.zero_s) * target) < 0.1
    # libsndfile's reading of the label: the same instant
    raw = facts.path.read_bytes()
    frame = struct.unpack("<I", raw[raw.index(b"cue ") + 32 : raw.index(b"cue ") + 36])[0]
    assert frame == round(0.5 * target)


def test_resampling_is_clean(tmp_path: Path) -> None:
    """A 997 Hz sine (the measuring frequency of IEC 61606): what is not the sine is 120 dB below it."""
    n = np.arange(3 * RATE)
    sine = 0.5 * np.sin(2 * np.pi * 997 * n / RATE)
    decoded = dropped(tmp_path, np.repeat(sine[:, None], 2, axis=1), "FLOAT")
    _, samples = copied(tmp_path, decoded, plan(0, len(n), 0), sample_rate=48000)
    part = samples[24000:-24000, 0]
    phase = 2 * np.pi * 997 * np.arange(len(part)) / 48000
    basis = np.stack([np.sin(phase), np.cos(phase)], axis=1)
    rest = part - basis @ np.linalg.lstsq(basis, part, rcond=None)[0]
    assert 20 * np.log10(np.sqrt(np.mean(rest**2)) / np.sqrt(np.mean(part**2))) < -120


def test_shorter_words_are_dithered(tmp_path: Path) -> None:
    """Triangular dither of +-1 step: the whole error has a variance of a quarter step squared, whatever the
    signal (Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992), and no trace of the signal."""
    decoded = dropped(tmp_path, music())
    facts, samples = copied(tmp_path, decoded, bit_depth=16)
    assert (facts.bit_depth, facts.dithered, facts.bit_identical) == (16, True, False)
    sounding = slice(500 + 3000, None)
    error = (samples[sounding] - decoded.signal.samples[1000 + 3000 : 3 * RATE]) * 32768
    assert abs(error.mean()) < 0.01
    assert error.var() == pytest.approx(0.25, abs=0.01)
    assert abs(np.corrcoef(error[:, 0], samples[sounding, 0])[0, 1]) < 0.01
    assert abs(np.corrcoef(error[:, 0], error[:, 1])[0, 1]) < 0.01
    assert abs(np.corrcoef(error[1:, 0], error[:-1, 0])[0, 1]) < 0.02


def test_dither_keeps_a_tone_below_one_step(tmp_path: Path) -> None:
    """0.4 steps of a 16-bit word would vanish by rounding; with dither its level stays."""
    tone = 0.4 / 32768 * np.sin(2 * np.pi * 1000 * np.arange(3 * RATE) / RATE)
    loud = np.repeat(tone[:, None], 2, axis=1)
    loud[-100:] = 0.5  # so that the drop is no silence
    decoded = dropped(tmp_path, loud)
    _, samples = copied(tmp_path, decoded, plan(0, 2 * RATE, 0), bit_depth=16)
    phase = 2 * np.pi * 1000 * np.arange(2 * RATE) / RATE
    assert 2 * np.mean(samples[:, 0] * np.sin(phase)) * 32768 == pytest.approx(0.4, abs=0.02)


def test_digital_silence_is_not_dithered(tmp_path: Path) -> None:
    _, samples = copied(tmp_path, dropped(tmp_path, music()), plan(0), bit_depth=16)
    silent = 500 + round(0.05 * RATE) - 64
    assert not samples[:silent].any()
    assert samples[silent + 200 :].any()


def test_longer_words_change_nothing(tmp_path: Path) -> None:
    decoded = dropped(tmp_path, music(), "PCM_16")
    for depth, subtype in ((24, "PCM_24"), ("32f", "FLOAT")):
        facts, samples = copied(tmp_path, decoded, bit_depth=depth)
        assert (facts.bit_identical, facts.dithered) == (True, False)
        assert sf.info(facts.path).subtype == subtype
        np.testing.assert_array_equal(samples[500:], decoded.signal.samples[1000 : 3 * RATE])


def test_gain_only_when_asked(tmp_path: Path) -> None:
    decoded = dropped(tmp_path, music(peak=0.9), "PCM_16")
    notes = replace(NOTES, loudness=loudness_of(decoded))
    assert notes.loudness is not None
    assert copied(tmp_path, decoded, notes=notes)[0].gain_db == 0.0
    facts, samples = copied(tmp_path, decoded, notes=notes, apply_gain=True, working_loudness=-20.0)
    assert facts.gain_db == pytest.approx(-20.0 - notes.loudness.integrated_lufs, abs=0.06)
    assert facts.peaks_gain_db == 0.0
    assert (facts.dithered, facts.bit_identical) == (True, False)
    expected = decoded.signal.samples[1000 : 3 * RATE] * 10 ** (facts.gain_db / 20)
    assert np.abs(samples[500:] - expected).max() < 2 / 32768
    after = measure_loudness(Features(Signal(samples.astype(np.float32), RATE)))
    assert after.integrated_lufs == pytest.approx(-20.0, abs=0.15)
    raw = facts.path.read_bytes()
    stated = struct.unpack("<h", raw[raw.index(b"bext") + 8 + 412 :][:2])[0] / 100
    assert stated == pytest.approx(notes.loudness.integrated_lufs + facts.gain_db, abs=0.01)


def over_full_scale(folder: Path) -> Decoded:
    """A source whose decoded peaks pass full scale, as those of lossy files do."""
    decoded = dropped(folder, music(), "FLOAT")
    hot = decoded.signal.samples * np.float32(1.2 / np.abs(decoded.signal.samples).max())
    return replace(decoded, source=replace(decoded.source, lossy=True), signal=Signal(hot, RATE))


def test_peaks_over_full_scale_are_turned_down(tmp_path: Path) -> None:
    decoded = over_full_scale(tmp_path)
    facts, samples = copied(tmp_path, decoded, bit_depth=16)
    assert facts.gain_db == facts.peaks_gain_db == pytest.approx(20 * np.log10(1 / 1.2), abs=0.01)
    assert "1.58 dB" in facts.warnings[0]
    assert np.abs(samples).max() <= 1 - 2.0**-15
    expected = decoded.signal.samples[1000 : 3 * RATE] * 10 ** (facts.gain_db / 20)
    assert np.abs(samples[500:] - expected).max() < 2.0**-14


def test_peaks_over_full_scale_are_kept_in_float(tmp_path: Path) -> None:
    decoded = over_full_scale(tmp_path)
    facts, samples = copied(tmp_path, decoded, over_full_scale="float")
    assert (facts.bit_depth, facts.gain_db) == (None, 0.0)
    assert "float" in facts.warnings[0]
    np.testing.assert_array_equal(samples[500:].astype(np.float32), decoded.signal.samples[1000 : 3 * RATE])


def test_peaks_over_full_scale_are_clipped_and_it_is_said(tmp_path: Path) -> None:
    facts, samples = copied(tmp_path, over_full_scale(tmp_path), over_full_scale="clip")
    assert "clipped" in facts.warnings[0]
    assert samples.max() == 1 - 2.0**-23


def test_resampling_that_passes_full_scale_is_noticed(tmp_path: Path) -> None:
    """fs/4 at 45 degrees: samples at full scale, 3 dB more between them."""
    sine = np.sin(np.pi / 2 * np.arange(3 * RATE) + np.pi / 4)
    wave = np.repeat((sine / np.abs(sine).max() * 0.999)[:, None], 2, axis=1)
    wave[:2000] *= np.linspace(0, 1, 2000)[:, None]
    facts, samples = copied(tmp_path, dropped(tmp_path, wave), sample_rate=96000)
    assert facts.gain_db == pytest.approx(-3.0, abs=0.1)
    assert facts.warnings
    assert np.abs(samples).max() < 1


def test_quiet_cut_starts_without_a_step(tmp_path: Path) -> None:
    """Sample 0 is more than 60 dB under the programme wherever the plan cuts in the lead-in."""
    for settings in ({}, {"bit_depth": 16}, {"sample_rate": 48000}):
        facts, samples = copied(tmp_path, dropped(tmp_path, music()), plan(pad=0), **settings)
        assert np.abs(samples[0]).max() <= 10 ** (-60 / 20) * np.abs(samples).max()
        assert facts.warnings == ()


def test_a_source_that_starts_abruptly_is_kept(tmp_path: Path) -> None:
    wave = music()[RATE // 10 :]
    facts, samples = copied(tmp_path, dropped(tmp_path, wave), plan(0, 2 * RATE, 0))
    assert facts.bit_identical
    assert "starts abruptly" in facts.warnings[0]
    np.testing.assert_allclose(samples, wave[: 2 * RATE], atol=2.0**-23)


def bed_then_attack() -> tuple[np.ndarray, int]:
    """Hiss of -45 dBFS, and an attack 3 ms after frame 1000."""
    wave = np.random.default_rng(3).standard_normal((2 * RATE, 2)) * 10 ** (-45 / 20)
    attack = 1000 + round(0.003 * RATE)
    wave[attack:] += 0.6 * np.cos(2 * np.pi * 100 * np.arange(2 * RATE - attack) / RATE)[:, None]
    return wave, attack


def test_a_cut_through_noise_fades_in_before_the_attack(tmp_path: Path) -> None:
    wave, attack = bed_then_attack()
    decoded = dropped(tmp_path, wave)
    facts, samples = copied(tmp_path, decoded, plan(1000, 2 * RATE, 0), bit_depth="32f", apply_gain=True,
                            notes=replace(NOTES, loudness=loudness_of(decoded)))  # fmt: skip
    gain = 10 ** (facts.gain_db / 20)
    assert "fade-in" in facts.warnings[0]
    assert np.abs(samples[0]).max() <= 10 ** (-60 / 20) * np.abs(samples).max()
    expected = decoded.signal.samples[attack : 2 * RATE] * gain
    np.testing.assert_allclose(samples[attack - 1000 :], expected, rtol=1e-5)


def test_noise_that_goes_on_under_the_music_is_cut_through_and_needs_no_ears(tmp_path: Path) -> None:
    """Hiss or crackle ahead of the first hit; without a hit right after the cut it may be anything."""
    wave, attack = bed_then_attack()
    decoded = dropped(tmp_path, wave)
    notes = replace(NOTES, loudness=loudness_of(decoded))
    for start, known in ((attack - 44, True), (attack - RATE // 20, False)):
        cut = replace(plan(start, 2 * RATE, 0), through_noise=True)
        facts, _ = copied(tmp_path, decoded, cut, notes=notes)
        assert ("the noise that lies under the music" in facts.warnings[0]) is known
        assert asks_for_ears(facts.warnings) is not known
        assert facts.bit_identical


def test_noise_ahead_of_a_pickup_is_cut_through_and_needs_no_ears(tmp_path: Path) -> None:
    """Nothing but noise lies there: nobody hears a note cut (common practice)."""
    wave, attack = bed_then_attack()
    decoded = dropped(tmp_path, wave)
    cut = replace(plan(attack - RATE // 50, 2 * RATE, 0), noise_alone=True)
    facts, _ = copied(tmp_path, decoded, cut, notes=replace(NOTES, loudness=loudness_of(decoded)))
    assert "the noise that lies under the music" in facts.warnings[0]
    assert not asks_for_ears(facts.warnings)


def test_a_hit_that_starts_at_the_cut_is_not_faded(tmp_path: Path) -> None:
    wave, _ = bed_then_attack()
    wave[:1000] = 0
    wave[1000:] = 0.6 * np.cos(2 * np.pi * 100 * np.arange(2 * RATE - 1000) / RATE)[:, None]
    decoded = dropped(tmp_path, wave)
    facts, samples = copied(tmp_path, decoded, plan(1000, 2 * RATE, 0), bit_depth="32f", apply_gain=True,
                            notes=replace(NOTES, loudness=loudness_of(decoded)))  # fmt: skip
    assert facts.warnings == ()
    expected = decoded.signal.samples[1000 : 2 * RATE] * 10 ** (facts.gain_db / 20)
    np.testing.assert_allclose(samples, expected, rtol=1e-5)


def test_a_lossless_cut_through_noise_stays_bit_identical_and_says_so(tmp_path: Path) -> None:
    wave, _ = bed_then_attack()
    decoded = dropped(tmp_path, wave)
    facts, samples = copied(tmp_path, decoded, plan(1000, 2 * RATE, 0))
    assert facts.bit_identical
    assert "goes through sound" in facts.warnings[0]
    np.testing.assert_array_equal(samples, decoded.signal.samples[1000 : 2 * RATE])


def test_a_cut_through_sound_is_one_also_where_it_passes_zero(tmp_path: Path) -> None:
    """One sample says nothing: noise and tones pass zero, too."""
    wave, _ = bed_then_attack()
    wave[1000] = 0.0
    decoded = dropped(tmp_path, wave)
    facts, samples = copied(tmp_path, decoded, plan(1000, 2 * RATE, 0))
    assert samples[0].max() == 0.0
    assert "goes through sound" in facts.warnings[0]


@pytest.mark.parametrize(("name", "subtype"), [("beat.mp3", "MPEG_LAYER_III"), ("beat.ogg", "VORBIS")])
def test_what_a_codec_spread_ahead_of_a_hit_is_named_and_needs_no_ears(tmp_path, name, subtype) -> None:
    """Pre-echo (Bosi and Goldberg 2003): a stroke out of silence, coded by real encoders."""
    t = np.arange(2 * RATE - RATE // 2) / RATE
    stroke = 0.4 * np.sin(2 * np.pi * 180 * t) * np.exp(-12 * t)
    stroke += 0.15 * np.random.default_rng(2).standard_normal(len(t)) * np.exp(-80 * t)
    wave = np.zeros((2 * RATE, 2))
    wave[RATE // 2 :] = stroke[:, None]
    decoded = dropped(tmp_path, wave, subtype, name)
    samples = decoded.signal.samples
    loud = np.abs(samples).max(axis=1)
    first_s = int(np.argmax(loud > 10 ** (-60 / 20))) / RATE
    hit_s = first_hit_s(samples, RATE, first_s)
    assert hit_s is not None
    assert hit_s - first_s > 0.001, "the encoder has spread the stroke"
    start = round(hit_s * RATE)
    facts, _ = copied(
        tmp_path, decoded, plan(start, 2 * RATE, 0), replace(NOTES, loudness=loudness_of(decoded))
    )
    assert "(pre-echo)" in facts.warnings[0]
    assert not asks_for_ears(facts.warnings)


def test_same_input_same_bytes(tmp_path: Path) -> None:
    decoded = dropped(tmp_path, music())
    first = copied(tmp_path, decoded, bit_depth=16, sample_rate=48000)[0].path.read_bytes()
    assert copied(tmp_path, decoded, bit_depth=16, sample_rate=48000)[0].path.read_bytes() == first


@dataclass(frozen=True)
class Stem:
    name: str
    path: Path


def stems(folder: Path, peaks: tuple[float, ...] = (0.3, 0.5, 0.4), subtype: str = "PCM_24") -> list[Stem]:
    found = []
    for k, peak in enumerate(peaks):
        samples = music(3.2 - 0.5 * k, seed=k, peak=peak)
        path = folder / f"part {k}.wav"
        sf.write(path, samples if k else samples[:, :1], RATE, subtype)
        found.append(Stem(f"part {k}", path))
    return found


def test_stems_get_one_cut_and_one_length(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    parts = stems(tmp_path)
    facts = write_stem_copies(parts, plan(), RATE, tmp_path / "out", Output(), NOTES)
    for part, fact in zip(parts, facts, strict=True):
        assert fact.path == tmp_path / "out" / f"{part.name}.wav"
        assert fact.frames == 500 + 3 * RATE - 1000
        assert fact.bit_identical
        source = sf.read(part.path, always_2d=True)[0][1000 : 3 * RATE]
        samples = sf.read(fact.path, always_2d=True)[0]
        assert not samples[:500].any()
        np.testing.assert_array_equal(samples[500 : 500 + len(source)], source)
        assert not samples[500 + len(source) :].any()
        with sf.SoundFile(fact.path) as file:
            assert file.title == f"Amber Lane - {part.name}"


def test_stems_share_one_gain(tmp_path: Path) -> None:
    """Turned up by the sum's advice, the loudest stem would pass full scale: all come down together."""
    (tmp_path / "out").mkdir()
    parts = stems(tmp_path, (0.3, 0.99, 0.4))
    quiet = Loudness(-30.0, None, None, None, -20.0, -20.0, None, ())  # the sum cancels, its stems do not
    facts = write_stem_copies(
        parts, plan(), RATE, tmp_path / "out", Output(apply_gain=True), replace(NOTES, loudness=quiet)
    )
    assert len({round(fact.gain_db, 6) for fact in facts}) == 1
    assert facts[0].gain_db < 0.1
    loudest = np.abs(sf.read(facts[1].path)[0]).max()
    assert 0.98 < loudest < 1


def test_a_stem_does_not_state_the_loudness_of_the_sum(tmp_path: Path) -> None:
    """EBU Tech 3285 v2: 0x7FFF in the loudness fields of the broadcast extension is "not given"."""
    (tmp_path / "out").mkdir()
    sum_s = replace(NOTES, loudness=Loudness(-9.0, 4.0, -0.5, -6.0, -7.0, -0.6, None, ()))
    for fact in write_stem_copies(stems(tmp_path), plan(), RATE, tmp_path / "out", Output(), sum_s):
        raw = fact.path.read_bytes()
        assert struct.unpack("<5h", raw[raw.index(b"bext") + 8 + 412 :][:10]) == (0x7FFF,) * 5
        assert fact.loudness is None
