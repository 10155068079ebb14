"""The first musical sample, on signals made with known truth.

The threshold (60 dB under the peak) and what counts as a bed are common practice.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from analyzers.level.noisebed import tonal_share
from analyzers.level.silence import find_lead_in
from analyzers.model import LeadIn, Options
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from demo.extras import babble

RATE = 44100


def music(seconds: float = 4.0, rate: int = RATE, seed: int = 1) -> np.ndarray:
    """Strokes with sharp attacks twice a second, the first on sample 0 [shape=(frames, 2)]."""
    rng = np.random.default_rng(seed)
    out = np.zeros((round(seconds * rate), 2))
    t = np.arange(rate // 2) / rate
    for k in range(int(seconds * 2)):
        stroke = np.exp(-t * 12)[:, None] * (
            0.4 * np.cos(2 * np.pi * 65 * t)[:, None] + 0.3 * rng.standard_normal((len(t), 2))
        )
        out[k * rate // 2 : (k + 1) * rate // 2] += stroke
    return (out / np.abs(out).max() * 0.9).astype(np.float32)


def after(lead_in_s: float, bed: np.ndarray | float = 0.0, rate: int = RATE) -> tuple[np.ndarray, int]:
    """Music after a lead-in, over a bed under everything; and the frame it starts on."""
    lead = np.zeros((round(lead_in_s * rate), 2), np.float32)
    return (np.concatenate([lead, music(rate=rate)]) + bed).astype(np.float32), len(lead)


def white(seconds: float, dbfs: float, rate: int = RATE, seed: int = 5) -> np.ndarray:
    shape = (round(seconds * rate), 2)
    return np.random.default_rng(seed).standard_normal(shape) * 10 ** (dbfs / 20)


def found(samples: np.ndarray, rate: int = RATE, **options: float) -> LeadIn:
    return find_lead_in(Features(Signal(samples, rate), Options(**options)))  # type: ignore[arg-type]


@pytest.mark.parametrize("rate", [22050, 44100, 48000, 96000])
@pytest.mark.parametrize("lead_in_s", [0.01, 0.37, 2.5])
def test_digital_silence_to_the_sample(lead_in_s: float, rate: int) -> None:
    samples, start = after(lead_in_s, rate=rate)
    answer = found(samples, rate)
    assert answer.first_sound_sample == start
    assert answer.first_sound_s == start / rate
    assert answer.kind == "digital silence"
    assert answer.noise_floor_dbfs is None
    assert answer.confidence > 0.9


def test_music_from_the_first_sample() -> None:
    answer = found(music())
    assert (answer.first_sound_sample, answer.kind) == (0, "none")


def test_constant_offset_is_no_sound() -> None:
    samples, start = after(0.5, bed=0.03)
    assert found(samples).first_sound_sample == start


def test_dither_to_the_sample() -> None:
    samples, start = after(1.0, bed=white(5.0, -85))
    answer = found(samples)
    assert answer.first_sound_sample == start
    assert answer.kind == "dither or noise"
    assert answer.noise_floor_dbfs == pytest.approx(-85, abs=0.5)


@pytest.mark.parametrize("level", [-70, -60, -55, -48])
@pytest.mark.parametrize("lead_in_s", [0.1, 0.6, 2.0])
def test_hiss_is_no_music(lead_in_s: float, level: float) -> None:
    samples, start = after(lead_in_s, bed=white(lead_in_s + 4, level))
    answer = found(samples)
    assert answer.first_sound_s == pytest.approx(start / RATE, abs=0.002)
    assert answer.noise_floor_dbfs == pytest.approx(level, abs=1)


@pytest.mark.parametrize("level", [-70, -55])
@pytest.mark.parametrize("lead_in_s", [0.1, 0.6])
def test_hiss_on_an_offset_is_no_music(lead_in_s: float, level: float) -> None:
    samples, start = after(lead_in_s, bed=0.04 + white(lead_in_s + 4, level))
    answer = found(samples)
    assert answer.first_sound_s == pytest.approx(start / RATE, abs=0.002)
    assert answer.noise_floor_dbfs == pytest.approx(level, abs=1)


def test_music_that_begins_far_from_zero_is_found_at_its_first_sample() -> None:
    """A low note cut at its crest: for 10 ms it looks like an offset."""
    t = np.arange(2 * RATE) / RATE
    note = 0.5 * np.cos(2 * np.pi * 12 * t)
    assert np.abs(note[: RATE // 100].mean()) > 3 * note[: RATE // 100].std()
    assert found(np.column_stack([note, note]).astype(np.float32)).first_sound_sample == 0


@pytest.mark.parametrize("bed", ["hiss", "crackle"])
@pytest.mark.parametrize("lead_in_s", [0.03, 0.055, 0.09])
def test_a_moment_of_noise_before_held_music_is_no_music(lead_in_s: float, bed: str) -> None:
    """The bed's level is learnt from what comes before the music, however short that is."""
    t = np.arange(3 * RATE) / RATE
    held = 0.5 * np.sin(2 * np.pi * 110 * t) + 0.3 * np.sin(2 * np.pi * 138.6 * t + 1) + white(3.0, -20)[:, 0]
    lead = round(lead_in_s * RATE)
    samples = np.concatenate([np.zeros(lead), held])[:, None] + white(lead_in_s + 3, -55)[: lead + len(t)]
    if bed == "crackle":
        samples[:: RATE // 90] += 0.004
    answer = found(samples.astype(np.float32))
    assert answer.first_sound_s == pytest.approx(lead_in_s, abs=0.005)


@pytest.mark.parametrize("level", [-70, -58, -54])
@pytest.mark.parametrize("lead_in_ms", [6, 12, 18, 24])
def test_a_scrap_of_hiss_at_the_file_s_start_is_no_music(lead_in_ms: int, level: float) -> None:
    samples, start = after(lead_in_ms / 1000)
    answer = found((samples + white(5.0, level)[: len(samples)]).astype(np.float32))
    assert answer.first_sound_s == pytest.approx(start / RATE, abs=0.0005)
    assert answer.kind != "none"


@pytest.mark.parametrize(("lead_in_ms", "level"), [(12, -40), (20, -37), (60, -38), (90, -37), (200, -33)])
def test_louder_hiss_that_ends_with_the_first_hit_is_no_music(lead_in_ms: int, level: float) -> None:
    """Up to 30 dB under the peak: as even as noise, as peaky, without notes, and the hit is there at once."""
    samples, start = after(lead_in_ms / 1000)
    samples[:start] += white(lead_in_ms / 1000, level)[:start].astype(np.float32)
    answer = found(samples)
    assert answer.first_sound_s == pytest.approx(start / RATE, abs=0.0005)
    assert answer.noise_floor_dbfs is not None


@pytest.mark.parametrize(("lead_in_ms", "still_ms"), [(50, 4), (130, 20)])
def test_a_soft_beginning_after_a_scrap_of_hiss_that_stops_is_the_music(
    lead_in_ms: int, still_ms: int
) -> None:
    """What comes after it is made of notes; noise struck again would be a hat (below)."""
    still, t = np.zeros((round(still_ms / 1000 * RATE), 2)), np.arange(RATE) / RATE
    hiss = white(lead_in_ms / 1000, -52)
    chord = 0.02 * sum(np.sin(2 * np.pi * hz * t) for hz in (220, 277, 330))[:, None] * np.ones((1, 2))
    start = len(hiss) + len(still)
    samples = np.concatenate([hiss, still, chord, music()]).astype(np.float32)
    assert found(samples).first_sound_s == pytest.approx(start / RATE, abs=0.0005)


@pytest.mark.parametrize("length_ms", [25, 60, 120])
def test_a_soft_note_or_shaker_ahead_of_the_first_hit_is_music(length_ms: int) -> None:
    """Of the same level and as short: a held note is not as peaky as noise, a shaker's noise dies away."""
    t = np.arange(round(length_ms / 1000 * RATE)) / RATE
    note = (
        0.01
        * (np.sin(2 * np.pi * 220 * t + 1) + 0.5 * np.sin(2 * np.pi * 440 * t))[:, None]
        * np.ones((1, 2))
    )
    shaker = white(length_ms / 1000, -36)[: len(t)] * np.exp(-t / (0.8 * t[-1]))[:, None]
    for sound in (note, shaker):
        assert found(np.concatenate([sound, music()]).astype(np.float32)).first_sound_s < 0.001


@pytest.mark.parametrize("lead_in_s", [0.04, 0.055, 0.4])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_noise_whose_highest_peaks_alone_reach_the_threshold_is_no_music(lead_in_s: float, seed: int) -> None:
    samples, start = after(lead_in_s)
    samples[:start] += white(lead_in_s, -72, seed=seed)[:start].astype(np.float32)
    samples[start // 2] = 1.05e-3  # of a peak of 0.9
    assert found(samples).first_sound_s == pytest.approx(start / RATE, abs=0.0005)


@pytest.mark.parametrize("grace_db", [-36.0, -24.0, -12.0])
def test_a_grace_note_at_the_file_s_start_is_the_music_s_own(grace_db: float) -> None:
    """A flam: the soft stroke of a drum roll, 18 ms ahead of the loud one (common practice)."""
    early = round(0.018 * RATE)
    samples = np.concatenate([np.zeros((early, 2), np.float32), music()])
    samples[:early] = music()[:early] * 10 ** (grace_db / 20)
    assert found(samples).first_sound_sample == 0


@pytest.mark.parametrize("swell_ms", [10, 25, 60])
def test_a_swell_from_the_file_s_start_is_music_from_there(swell_ms: int) -> None:
    samples = music()
    ramp = round(swell_ms / 1000 * RATE)
    samples[:ramp] *= np.linspace(0, 1, ramp)[:, None] ** 2
    answer = found(samples)
    heard = int(np.argmax(np.abs(samples).max(axis=1) > 0.9e-3))
    assert answer.first_sound_sample <= heard + 1


@pytest.mark.parametrize("length_s", [0.025, 0.06])
def test_a_soft_stroke_after_silence_is_the_musics_own(length_s: float) -> None:
    """A brush 40 dB under the peak, then the first loud stroke: too short to be known as noise."""
    brush = np.concatenate([np.zeros((RATE // 2, 2)), white(length_s, -42)])
    samples = np.concatenate([brush, music()]).astype(np.float32)
    assert found(samples).first_sound_s == pytest.approx(0.5, abs=0.001)


@pytest.mark.parametrize("length_s", [0.1, 0.14, 0.2])
def test_a_consonant_that_a_tag_begins_with_is_no_hiss(length_s: float) -> None:
    """An s that begins a word is even noise of 0.1 to 0.2 s (phonetics handbooks, from memory)."""
    consonant = np.concatenate([np.zeros((RATE // 2, 2)), white(length_s, -37)])
    samples = np.concatenate([consonant, music()]).astype(np.float32)
    assert found(samples).first_sound_s == pytest.approx(0.5, abs=0.001)


@pytest.mark.parametrize("mains", [50, 60])
def test_hum_is_no_music(mains: int) -> None:
    t = np.arange(5 * RATE) / RATE
    bed = sum(10 ** (-50 / 20) / k * np.sin(2 * np.pi * mains * k * t + k) for k in (1, 2, 3, 5))
    samples, start = after(1.0, bed=np.asarray(bed)[:, None])
    answer = found(samples)
    assert answer.first_sound_s == pytest.approx(start / RATE, abs=0.005)
    assert answer.kind == "hiss or hum"


def test_crackle_is_no_music() -> None:
    bed = white(6.0, -62)
    rng = np.random.default_rng(9)
    for at in rng.integers(0, len(bed), 60):
        pop = rng.standard_normal(60) * np.exp(-np.arange(60) / 15) * rng.uniform(0.01, 0.06)
        bed[at : at + 60] += pop[: len(bed) - at, None]
    samples, start = after(2.0, bed=bed)
    assert found(samples).first_sound_s == pytest.approx(start / RATE, abs=0.01)


def test_hiss_a_little_louder_is_no_music_where_it_lasts() -> None:
    """30 dB under the peak for a second: a bed; a moment of it may be the music's own beginning."""
    for lead_in_s, start_s in ((1.0, 1.0), (0.1, 0.0)):
        samples, _ = after(lead_in_s, bed=white(lead_in_s + 4, -32.5))
        assert found(samples).first_sound_s == pytest.approx(start_s, abs=0.004)


@pytest.mark.parametrize("early_ms", [9, 14, 19, 24])
def test_a_click_over_a_bed_just_ahead_of_the_first_hit_is_not_the_hit(early_ms: int) -> None:
    """A scratch of a record, 2 ms long and 20 dB above the bed."""
    samples, start = after(1.0, bed=white(5.0, -60))
    at = start - round(early_ms * RATE / 1000)
    samples[at : at + RATE // 500] += 0.02 * np.sign(white(0.002, 0.0))[: RATE // 500].astype(np.float32)
    assert found(samples).first_sound_s == pytest.approx(start / RATE, abs=0.001)


@pytest.mark.parametrize("bed_db", [-60.0, -80.0])
def test_three_pops_just_ahead_of_the_first_hit_are_not_the_hit(bed_db: float) -> None:
    """Of a record's crackle, samples long, within 5 ms; over a bed above the threshold and one below it."""
    samples, start = after(1.0, bed=white(5.0, bed_db))
    for early_ms, height in ((14, 0.02), (11, 0.02), (9, 0.07)):
        at = start - round(early_ms * RATE / 1000)
        samples[at : at + 5] += np.float32(height)
    assert found(samples).first_sound_s == pytest.approx(start / RATE, abs=0.001)


@pytest.mark.parametrize("lead_in_s", [0.06, 0.2])
def test_soft_notes_after_a_moment_of_crackle_are_the_music(lead_in_s: float) -> None:
    """The first loud stroke comes later: what the bed is like is told by what comes before the notes."""
    t = np.arange(RATE // 4) / RATE
    soft = 0.03 * np.cos(2 * np.pi * 330 * t)[:, None].repeat(2, axis=1)
    lead = np.zeros((round(lead_in_s * RATE), 2))
    samples = np.concatenate([lead, soft, music()])
    bed = white(5.0, -62)[: len(samples)]
    bed[:: RATE // 40] += 0.01
    answer = found((samples + bed).astype(np.float32))
    assert answer.first_sound_s == pytest.approx(lead_in_s, abs=0.002)


def test_low_notes_that_swell_out_of_hiss_are_no_pops() -> None:
    """Their crests rise out of it one by one, 4 ms apart, but between them is more than hiss."""
    t = np.arange(2 * RATE) / RATE
    note = np.minimum(t / 0.6, 1.0) * 0.5 * np.sin(2 * np.pi * 120 * t)
    samples = np.concatenate([np.zeros(RATE), note])[:, None].repeat(2, axis=1) + white(3.0, -48)
    assert found(samples.astype(np.float32)).first_sound_s == pytest.approx(1.027, abs=0.004)


def test_a_lone_tick_out_of_hiss_is_the_music() -> None:
    """Over in 15 ms, far above the hiss; the next comes half a second later."""
    t = np.arange(RATE // 2) / RATE
    tick = (0.6 * np.cos(2 * np.pi * 900 * t) * np.exp(-t / 0.004))[:, None].repeat(2, axis=1)
    samples = np.concatenate([np.zeros((RATE, 2)), *[tick] * 6]) + white(4.0, -44)
    assert found(samples.astype(np.float32)).first_sound_s == pytest.approx(1.0, abs=0.001)


@pytest.mark.parametrize("swell_db", [3.0, 8.0])
def test_soft_notes_from_the_file_s_start_are_no_bed(swell_db: float) -> None:
    """Strings that a bounce cuts into, 26 dB under the peak; they grow a little, then the strokes come."""
    t = np.arange(RATE) / RATE
    notes = sum(np.sin(2 * np.pi * hz * t + k) for k, hz in enumerate((98.0, 147.2, 196.4, 294.1, 392.9)))
    swell = 10 ** ((-37 + swell_db * (t > 0.4)) / 20)
    strings = (notes * swell)[:, None].repeat(2, axis=1)
    samples = np.concatenate([strings, music()]).astype(np.float32)
    assert found(samples).first_sound_s == pytest.approx(0.0, abs=0.005)


@pytest.mark.parametrize("still_ms", [4, 12, 600])
def test_after_hiss_that_stops_a_soft_beginning_is_found_to_the_sample(still_ms: int) -> None:
    """Nothing hides what comes out of the silence between them, however loud the hiss was."""
    soft = music() * np.minimum(np.arange(4 * RATE) / (0.06 * RATE), 1)[:, None]
    still, hiss = np.zeros((round(still_ms / 1000 * RATE), 2)), white(1.0, -42.0)
    samples = np.concatenate([hiss, still, soft])
    start = len(hiss) + len(still)

    answer = found(samples)

    over = start + int(np.argmax(np.abs(soft).max(axis=1) > np.abs(samples).max() / 1000))
    assert answer.first_sound_sample == over


@pytest.mark.parametrize(("name", "subtype"), [("a.ogg", "VORBIS"), ("a.mp3", "MPEG_LAYER_III")])
def test_clicks_that_a_codec_smeared_are_no_music(tmp_path: Path, name: str, subtype: str) -> None:
    """A record's pops of 3 ms, 30 dB under the peak, through real encoders: they sound for 10 ms and more.
    What as soft a tick is in a file that was never coded is the music's."""
    samples, start = after(1.5)
    rng, at = np.random.default_rng(3), np.arange(150)
    for pop_s in (0.1, 0.35, 0.62, 1.0, 1.25):
        pop = 0.015 * rng.standard_normal(len(at)) * np.exp(-at / 40)
        samples[round(pop_s * RATE) + at] += pop[:, None].astype(np.float32)
    sf.write(tmp_path / name, samples, RATE, subtype=subtype)
    coded, _ = sf.read(tmp_path / name, dtype="float32")
    assert found(coded, lossy=True).first_sound_s == pytest.approx(start / RATE, abs=0.012)
    t = np.arange(RATE // 40) / RATE
    tick = (0.04 * np.sin(2 * np.pi * 700 * t) * np.exp(-t / 0.01)).astype(np.float32)
    samples, _ = after(1.5)
    samples[RATE // 2 : RATE // 2 + len(tick)] += tick[:, None]
    assert found(samples).first_sound_s == pytest.approx(0.5, abs=0.001)
    samples[RATE // 2 : RATE] = np.float32(0.01) * np.sin(np.arange(RATE // 2) / 8.3)[:, None]  # goes on
    assert found(samples.astype(np.float32), lossy=True).first_sound_s == pytest.approx(0.5, abs=0.001)


def with_noise(samples: np.ndarray, decay_s: float, *at_s: float, level: float = 0.25) -> np.ndarray:
    """A burst of noise at each instant that dies away by so much."""
    rng, out = np.random.default_rng(7), samples.copy()
    for at in at_s:
        burst = rng.standard_normal(RATE // 5) * np.exp(-np.arange(RATE // 5) / (decay_s * RATE))
        out[round(at * RATE) :][: len(burst)] += (level * burst)[:, None].astype(np.float32)
    return out


@pytest.mark.parametrize(("name", "subtype"), [("a.wav", "FLOAT"), ("a.ogg", "VORBIS"), ("a.mp3", None)])
@pytest.mark.parametrize("level", [0.05, 0.3, 0.9])
def test_a_lone_pop_before_the_music_is_cut_off_however_loud(
    tmp_path: Path, name: str, subtype: str | None, level: float
) -> None:
    """What an engineer cuts off (common practice): a spike, silence, the song."""
    samples, start = after(1.6)
    sf.write(tmp_path / name, with_noise(samples, 0.0005, 0.6, level=level), RATE, subtype=subtype)
    coded, _ = sf.read(tmp_path / name, dtype="float32")
    answer = found(coded, lossy=subtype != "FLOAT")
    assert answer.first_sound_s == pytest.approx(start / RATE, abs=0.012)


def test_a_short_hit_and_ticks_that_are_counted_by_are_no_pop() -> None:
    samples, _ = after(1.6)
    assert found(with_noise(samples, 0.004, 0.6)).first_sound_s == pytest.approx(0.6, abs=0.001)
    rings = with_noise(with_noise(samples, 0.1, 0.6, level=0.006), 0.0005, 0.6)  # struck, and it rings on
    assert found(rings).first_sound_s == pytest.approx(0.6, abs=0.001)
    crackle = with_noise(samples, 0.0003, 0.1, 0.8)  # too brief for ticks
    assert found(crackle).first_sound_s == pytest.approx(1.6, abs=0.001)
    ticks = with_noise(with_noise(samples, 0.002, 0.1, 0.8, level=0.6), 0.004, 1.5)
    assert found(ticks).first_sound_s == pytest.approx(0.1, abs=0.001)


@pytest.mark.parametrize(("name", "subtype"), [("a.ogg", "VORBIS"), ("a.mp3", "MPEG_LAYER_III")])
@pytest.mark.parametrize(("decay_s", "level_db"), [(0.018, -30.0), (0.018, -40.0), (0.01, -36.0)])
def test_a_soft_first_hit_in_a_coded_file_is_no_click(
    tmp_path: Path, name: str, subtype: str, decay_s: float, level_db: float
) -> None:
    """A closed hat or a stick alone, then silence: it dies away over hundredths of a second (common
    practice); a record's click is over in 4 ms (from memory: Godsill and Rayner, as in `clicks`)."""
    samples, _ = after(1.5)
    t = np.arange(round(6 * decay_s * RATE)) / RATE
    hit = np.diff(np.random.default_rng(5).standard_normal(len(t)), prepend=0.0) * np.exp(-t / decay_s)
    hit *= 10 ** (level_db / 20) * np.abs(samples).max() / np.abs(hit).max()
    samples[RATE // 2 : RATE // 2 + len(hit)] += hit[:, None].astype(np.float32)
    sf.write(tmp_path / name, samples, RATE, subtype=subtype)
    coded, _ = sf.read(tmp_path / name, dtype="float32")
    assert found(coded, lossy=True).first_sound_s == pytest.approx(0.5, abs=0.03)
    assert found(coded, lossy=True).first_sound_s <= 0.5


@pytest.mark.parametrize("length", [20, 90])
def test_lone_click_in_silence_is_no_music(length: int) -> None:
    samples, start = after(1.0)
    samples[RATE // 3 : RATE // 3 + length] = 0.1
    assert found(samples).first_sound_sample == start


def test_quiet_notes_before_the_music_are_music() -> None:
    """A pad 45 dB below the peak, steady like a bed, but made of notes."""
    t = np.arange(2 * RATE) / RATE
    pad = 10 ** (-45 / 20) * (np.sin(2 * np.pi * 220.0 * t) + np.sin(2 * np.pi * 261.63 * t))
    samples = np.concatenate([np.zeros(RATE // 2), pad, np.zeros(0)])
    samples = np.concatenate([np.repeat(samples[:, None], 2, axis=1), music()]).astype(np.float32)
    assert found(samples).first_sound_s == pytest.approx(0.5, abs=0.001)


def test_soft_strings_from_the_file_s_start_that_die_away_are_no_bed() -> None:
    """Plucked 30 dB under the peak and again half a second on, each in less than tells notes from noise."""
    t = np.arange(RATE // 4) / RATE
    notes = sum(np.sin(2 * np.pi * hz * t + k) for k, hz in enumerate((98.0, 147.2, 196.4, 294.1)))
    strings = np.concatenate([0.012 * notes * np.exp(-t / 0.5)] * 2)[:, None].repeat(2, axis=1)
    samples = np.concatenate([strings, music()]).astype(np.float32)
    assert found(samples).first_sound_s == pytest.approx(0.0, abs=0.005)


def test_two_brushes_after_silence_are_the_musics_own() -> None:
    """Noise, and softer than most, but it dies away and is struck again: no bed does."""
    t = np.arange(round(0.24 * RATE)) / RATE
    brush = white(0.24, -38) * np.exp(-t / 0.3)[:, None]
    samples = np.concatenate([np.zeros((RATE, 2)), brush, brush, music()]).astype(np.float32)
    assert found(samples).first_sound_s == pytest.approx(1.0, abs=0.005)


def test_hum_with_a_peaky_wave_is_no_music() -> None:
    """Twelve multiples of 50 Hz, at phases by which 90 % of the magnitudes reach 3.4 times the median."""
    rng, t = np.random.default_rng(5), np.arange(5 * RATE) / RATE
    bed = sum(np.cos(2 * np.pi * 50 * k * t + rng.uniform(0, 6.28)) / k for k in range(1, 13))
    samples, start = after(1.0, bed=0.0036 * np.asarray(bed)[:, None])
    assert found(samples).first_sound_s == pytest.approx(start / RATE, abs=0.005)


@pytest.mark.parametrize(("bed_s", "still_s"), [(0.1, 0.2), (0.3, 0.5), (0.3, 1.0), (1.0, 1.0), (2.5, 1.0)])
def test_hiss_that_stops_long_before_the_music_is_no_music(bed_s: float, still_s: float) -> None:
    hiss, still = white(bed_s, -50), np.zeros((round(still_s * RATE), 2))
    samples = np.concatenate([hiss, still, music()]).astype(np.float32)
    assert found(samples).first_sound_s == pytest.approx(bed_s + still_s, abs=0.001)


@pytest.mark.parametrize(("decay_s", "gate_s", "apart_s"), [(0.006, 0.03, 0.36), (9.0, 0.08, 0.14)])
def test_hats_by_themselves_with_silence_between_them_are_music(
    decay_s: float, gate_s: float, apart_s: float
) -> None:
    """The first of them may be noise for all that it tells, but it is struck again."""
    t = np.arange(round(apart_s * RATE)) / RATE
    hat = white(apart_s, -36 if decay_s > 1 else -27) * (np.exp(-t / decay_s) * (t < gate_s))[:, None]
    samples = np.concatenate([hat, hat, hat, hat, music()]).astype(np.float32)
    assert found(samples).first_sound_s == pytest.approx(0.0, abs=0.001)


def test_growing_noise_is_music() -> None:
    """A noise riser out of silence begins where it passes the threshold, 60 dB under the peak."""
    t = np.arange(4 * RATE) / RATE
    riser = np.random.default_rng(2).standard_normal((len(t), 2)) * 10 ** ((-95 + 18 * t[:, None]) / 20)
    samples = np.concatenate([riser, music()]).astype(np.float32)
    assert found(samples).first_sound_s == pytest.approx((95 - 70) / 18, abs=0.3)


@pytest.mark.parametrize("seed", [1, 6, 12, 15, 17])
def test_a_spoken_tag_is_no_bed(seed: int) -> None:
    """Syllables through formants, as soft between their pulses as a bed would be."""
    samples, start = after(2.6)
    tag = 0.25 * babble(np.random.default_rng(seed), 2.1, RATE)
    samples[start - len(tag) : start] += tag[:, None]
    assert found(samples).first_sound_s == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize(("growth_db", "music_s"), [(4.0, 2.0), (10.0, 0.0)])
def test_noise_that_swells_a_little_is_a_bed_and_more_is_music(growth_db: float, music_s: float) -> None:
    """Two seconds of noise, 40 to 60 dB under the peak all along: halves 2 and 5 dB apart."""
    swell = 10 ** ((-52 + growth_db * np.arange(2 * RATE)[:, None] / (2 * RATE)) / 20)
    samples = np.concatenate([white(2.0, 0) * swell, music()]).astype(np.float32)
    assert found(samples).first_sound_s == pytest.approx(music_s, abs=0.01)


def test_threshold_follows_the_programme_and_the_option() -> None:
    samples, start = after(1.0)
    early = (0.02 * np.sin(np.arange(RATE // 4) / 5)).astype(np.float32)
    samples[RATE // 2 : RATE // 2 + len(early)] += early[:, None]
    assert found(samples).first_sound_s == pytest.approx(0.5, abs=0.001)
    assert found(samples * np.float32(0.01)).first_sound_s == pytest.approx(0.5, abs=0.001)
    assert found(samples, silence_below_peak_db=25.0).first_sound_sample == start


def test_inverted_channel_does_not_hide_the_start() -> None:
    samples, start = after(0.8, bed=white(4.8, -60))
    samples[:, 1] = -samples[:, 0]
    assert found(samples).first_sound_s == pytest.approx(start / RATE, abs=0.002)


@pytest.mark.parametrize("level", [0.0, 0.25])
def test_nothing_but_silence_or_an_offset(level: float) -> None:
    answer = found(np.full((RATE, 2), level, np.float32))
    assert answer.first_sound_s is None
    assert answer.kind == "no sound at all"
    assert answer.reason


def test_one_frame() -> None:
    assert found(np.full((1, 1), 0.5, np.float32)).first_sound_sample in (0, None)


def test_tonal_share_tells_notes_from_hiss_and_hum() -> None:
    t = np.arange(RATE) / RATE
    hiss = np.random.default_rng(4).standard_normal(RATE).astype(np.float32)
    hum = (np.sin(2 * np.pi * 50 * t) + 0.3 * np.sin(2 * np.pi * 150 * t)).astype(np.float32)
    chord = sum(np.sin(2 * np.pi * hz * t) for hz in (220.0, 277.18, 329.63)).astype(np.float32)
    assert tonal_share(hiss, RATE) < 0.1
    assert tonal_share(hum + hiss * np.float32(0.01), RATE) < 0.1
    assert tonal_share(chord, RATE) > 0.8
    assert tonal_share(chord[:1000], RATE) == 0.0
