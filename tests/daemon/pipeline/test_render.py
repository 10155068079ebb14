"""The cut of whole beats: the same in every format; each kind of beginning has its rule and its sentence."""

from __future__ import annotations

import errno
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
import soxr

from analyzers.level.silence import SWELLING, find_lead_in
from analyzers.model import Analysis, Flag, Key, Loudness, Tuning
from analyzers.rhythm.grid import find_grid
from analyzers.signal.features import Features
from config.settings import Folders, Output, Settings
from daemon.core.errors import DiskFull
from daemon.decode.decoder import Decoded, decode
from daemon.export.copy import write_copy
from daemon.export.plan import CutPlan
from daemon.export.wavfile import WavNotes
from daemon.pipeline.job import JobRequest, run_job
from daemon.pipeline.render import analysis_options, cut_plan
from demo.render import render
from demo.scenario import demo_spec

RATE = 44100
BAR_ONE_S, BEAT_S = 1.25, 0.5  # 120 BPM
FORMATS = [
    ("wav", "PCM_16", 44100), ("wav", "PCM_24", 44100), ("wav", "FLOAT", 44100), ("wav", "PCM_24", 48000),
    ("wav", "PCM_24", 96000), ("flac", "PCM_16", 44100), ("ogg", "VORBIS", 44100),
    ("mp3", "MPEG_LAYER_III", 44100),
]  # fmt: skip


def strokes(early_s: float = 0.0, seconds: int = 20) -> np.ndarray:
    """Kick, snare and hats at 120 BPM; the first kick `early_s` before its line [shape=(n, 2)]."""
    rng, out = np.random.default_rng(8), np.zeros(seconds * RATE)
    t = np.arange(round(0.2 * RATE)) / RATE
    rise = np.minimum(t / 0.001, 1.0)
    kick = np.sin(2 * np.pi * (50 + 80 * np.exp(-t * 50)) * t + 1.0) * np.exp(-t * 15) * rise * 0.6
    snare = rng.standard_normal(len(t)) * np.exp(-t * 25) * rise * 0.2
    hat = rng.standard_normal(len(t)) * np.exp(-t * 120) * rise * 0.05
    for k in range(int((seconds - 2) / BEAT_S * 2)):
        at = BAR_ONE_S + k * BEAT_S / 2 - (early_s if k == 0 else 0.0)
        sounds = [kick if k % 8 in (0, 3) else None, snare if k % 4 == 2 else None, hat if k else None]
        for sound in (s for s in sounds if s is not None):
            out[round(at * RATE) : round(at * RATE) + len(t)] += sound
    return np.stack([out, out], axis=1)


def planned(path: Path, **output: object) -> tuple[CutPlan, Analysis, Decoded]:
    """The plan of a file; the questions that it does not depend on are left open."""
    settings = Settings(output=Output(**output))
    decoded = decode(path, limits=settings.limits)
    features = Features(decoded.signal, analysis_options(decoded.source, settings))
    lead_in = find_lead_in(features)
    found = Analysis(
        decoded.signal.duration_s, decoded.signal.rate, 2, lead_in, find_grid(features, lead_in),
        Tuning(None, None, 0.0), Key(None, None, 0.0, (), (), None, None, (), ()), (), (),
        Loudness(None, None, None, None, None, None, None, ()), (),
    )  # fmt: skip
    return cut_plan(found, decoded, settings), found, decoded


def written(
    folder: Path, samples: np.ndarray, suffix: str = "wav", subtype: str = "PCM_24", rate: int = RATE
):
    path = folder / f"beat.{suffix}"
    if rate != RATE:
        samples = soxr.resample(samples, RATE, rate, quality="VHQ")
    with sf.SoundFile(path, "w", rate, 2, subtype) as file:
        for first in range(0, len(samples), 65536):
            file.write(samples[first : first + 65536])
    return path


@pytest.mark.parametrize("early_s", [0.0, 0.008, 0.022])
@pytest.mark.parametrize(("suffix", "subtype", "rate"), FORMATS)
def test_the_same_music_is_cut_at_the_same_place_whatever_it_was_sent_as(
    tmp_path, suffix, subtype, rate, early_s
):
    plan, found, _ = planned(written(tmp_path, strokes(early_s), suffix, subtype, rate))

    assert (plan.bars_before_bar_one, plan.pad_samples) == (0, 0)
    line_ms = 1 if early_s else 4  # a line up to 4 ms ahead of the hit stays where it was measured
    assert plan.zero_s == pytest.approx(BAR_ONE_S - early_s, abs=line_ms * 1e-3)
    assert plan.bar_one_in_copy_s == pytest.approx(0.0, abs=0.5 / rate)
    assert found.grid.bar_one_s == pytest.approx(BAR_ONE_S, abs=4e-3)  # measured on all of the song


@pytest.mark.parametrize("late_s", [0.0, 0.004, 0.008])
def test_a_line_is_never_moved_past_the_beginning_of_the_first_sound(tmp_path, late_s):
    """A stick ahead of the first kick, 8 ms at -40 dB: the copy begins with it, or with silence before it."""
    samples = strokes(-late_s)
    first = round((BAR_ONE_S + late_s - 0.008) * RATE)
    samples[first : first + round(0.008 * RATE)] += 0.006 * (-1.0) ** np.arange(round(0.008 * RATE))[:, None]
    path = written(tmp_path, samples)

    plan, found, decoded = planned(path)
    facts = write_copy(decoded, plan, tmp_path / "copy.wav", Output(), WavNotes())

    assert plan.in_copy_s(first / RATE) >= -0.5 / RATE
    assert facts.warnings == ()
    noted = replace(found, flags=(Flag("lossy-origin", "note", "", ""),))
    after = cut_plan(noted, decoded, Settings())  # a codec makes such sounds, too: the kick counts
    assert after.in_copy_s(BAR_ONE_S + late_s) == pytest.approx(0.001, abs=0.004)


def test_a_late_first_hit_that_stands_out_of_the_noise_leaves_no_gap(tmp_path):
    """9 ms late, at -4 dBFS, out of noise at -62."""
    samples = strokes(-0.009)
    samples += np.random.default_rng(4).standard_normal(samples.shape) * 10 ** (-62 / 20)

    plan, found, _ = planned(written(tmp_path, samples))

    assert found.lead_in.noisy
    assert plan.in_copy_s(BAR_ONE_S + 0.009) == pytest.approx(0.003, abs=0.001)


def test_what_swells_out_of_the_noise_is_not_known_to_be_late(tmp_path):
    """The same hit, where it was not seen to rise at once: it may have begun in the noise."""
    samples = strokes(-0.009)
    samples += np.random.default_rng(4).standard_normal(samples.shape) * 10 ** (-62 / 20)
    _, found, decoded = planned(written(tmp_path, samples))
    swelling = replace(found, lead_in=replace(found.lead_in, confidence=SWELLING))

    assert cut_plan(swelling, decoded, Settings()).session_shift_s == 0.0


def test_a_fade_in_from_the_first_bar_line_on_keeps_its_line_and_is_said(tmp_path):
    """Drums under a fader drawn up over four bars: the first hits are below what is heard."""
    samples = strokes()
    t = np.arange(len(samples)) / RATE
    samples += (0.1 * np.sin(2 * np.pi * 220 * t) * (t >= BAR_ONE_S))[:, None]
    samples *= np.clip((t - BAR_ONE_S) / 8, 0, 1)[:, None] ** 1.5

    plan, found, _ = planned(written(tmp_path, samples))

    assert found.lead_in.first_sound_s > BAR_ONE_S + 0.02
    assert "it fades in" in plan.why
    assert plan.first_hit_late_s == 0.0


def test_a_played_pickup_keeps_its_bar(tmp_path):
    spec = demo_spec(11, "boombap", 92.0, 3, "minor", 0.84, pickup_beats=1.0)
    samples, truth = render(spec)

    plan, _, _ = planned(written(tmp_path, samples))

    assert plan.bars_before_bar_one == 1
    assert plan.why.startswith("the song starts at bar 2; pickup of 1 beat in bar 1")
    assert plan.zero_s == pytest.approx(truth.first_downbeat_s - 4 * 60 / 92, abs=0.005)


def test_a_spoken_tag_before_bar_one_is_kept_and_named_as_sound(tmp_path):
    spec = demo_spec(53, "boombap", 92.0, 9, "minor", 0.5, tag="before")
    samples, truth = render(spec)

    plan, found, _ = planned(written(tmp_path, samples))

    assert plan.in_copy_s(truth.first_sound_s) > 0
    assert plan.bars_before_bar_one > 0
    assert plan.bar_one_in_copy_s / (4 * 60 / 92) == pytest.approx(plan.bars_before_bar_one, abs=1e-3)
    assert plan.why.startswith(f"the song starts at bar {plan.bars_before_bar_one + 1}; ")
    assert found.grid.bar_one_s == pytest.approx(truth.first_downbeat_s, abs=0.005)


def test_hiss_before_the_hit_is_cut_off(tmp_path):
    samples = strokes(0.006) + np.random.default_rng(3).normal(0, 0.001, (20 * RATE, 2))

    plan, _, _ = planned(written(tmp_path, samples))

    assert plan.bars_before_bar_one == 0
    assert plan.zero_s == pytest.approx(BAR_ONE_S - 0.006, abs=0.002)


def test_a_swell_into_bar_one_is_kept_whole(tmp_path):
    """A tone that rises for 0.3 s into bar one: no hit, and nothing of it may be lost."""
    samples = strokes()
    n = round(0.3 * RATE)
    first = round(BAR_ONE_S * RATE) - n
    t = np.arange(n) / RATE
    samples[first : first + n] += (np.sin(2 * np.pi * 220 * t) * (t / 0.3) ** 2 * 0.3)[:, None]

    plan, found, _ = planned(written(tmp_path, samples))

    assert plan.bars_before_bar_one == 1
    assert plan.zero_s < found.lead_in.first_sound_s < BAR_ONE_S - 0.2
    assert "before" in plan.why or "pickup" in plan.why


def test_a_soft_attack_on_bar_one_starts_the_copy(tmp_path):
    """A first stroke that swells for 80 ms: the copy has no more than 5 ms of silence."""
    samples = strokes()
    one, n = round(BAR_ONE_S * RATE), round(0.08 * RATE)
    samples[one : one + n] *= np.linspace(0, 1, n)[:, None]

    plan, _, _ = planned(written(tmp_path, samples))

    assert plan.bars_before_bar_one == 0
    assert -1e-3 < plan.in_copy_s(BAR_ONE_S) < 0.005


def test_settings_choose_the_start(tmp_path):
    path = written(tmp_path, strokes(0.008))

    by_line, found, decoded = planned(path, early_hit_ms=0)
    by_sound = cut_plan(found, decoded, Settings(output=Output(start="first_sound")))
    early = replace(found, grid=replace(found.grid, bar_one_s=found.grid.bar_one_s + BEAT_S))
    in_bar = cut_plan(early, decoded, Settings(output=Output(start="first_sound")))

    assert by_line.bars_before_bar_one == 1
    assert by_sound.zero_s == pytest.approx(BAR_ONE_S - 0.008, abs=1e-3)
    assert in_bar.zero_s == pytest.approx(BAR_ONE_S - 0.008, abs=1e-3)
    assert in_bar.bar_one_in_copy_s == pytest.approx(BEAT_S + 0.008, abs=2e-3)


def test_a_copy_that_the_disk_refuses_is_no_result(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    places = {name: tmp_path / name for name in ("incoming", "ready", "rejected", "state", "staging")}
    for place in places.values():
        place.mkdir()
    staging = places.pop("staging")
    beat = places["incoming"] / "amber.wav"
    sf.write(beat, strokes(), RATE)
    monkeypatch.setattr(os, "fsync", full)

    with pytest.raises(DiskFull, match="amber"):
        run_job(JobRequest(beat, staging, Settings(folders=Folders(**places))))
