"""The click check: clicks on the grid to the sample, accents on bar lines, never clipping."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import soundfile as sf

from daemon.export.clickcheck import CEILING, click, ticks_in_copy, write_click_check
from daemon.export.plan import plan_cut
from tests.daemon.sample_report import BAR_ONE_S, DURATION_S, RATE, sample_analysis, steady_grid

PERIOD = 60 / 140
BAR = round(4 * PERIOD * RATE)


def written(tmp_path, samples: np.ndarray, grid=None, bars: int = 8, **cut):
    """(check, rate, plan): the check of a copy made from `samples`."""
    analysis = sample_analysis(grid=grid or steady_grid(), duration_s=len(samples) / RATE)
    plan = plan_cut(analysis, frames=len(samples), rate=RATE, **cut)
    copy = np.concatenate([np.zeros((plan.pad_samples, samples.shape[1])), samples[plan.source_start :]])
    sf.write(tmp_path / "copy.wav", copy, RATE, subtype="FLOAT")
    assert write_click_check(tmp_path / "c.flac", tmp_path / "copy.wav", analysis.grid, plan, bars=bars)
    check, rate = sf.read(tmp_path / "c.flac")
    return check, rate, plan


def silence(seconds: float = DURATION_S) -> np.ndarray:
    return np.zeros((round(seconds * RATE), 2), np.float32)


def test_clicks_stand_on_the_beats_to_the_sample(tmp_path) -> None:
    check, rate, _ = written(tmp_path, silence())
    for beat in range(32):
        at = round(beat * PERIOD * rate)
        assert abs(check[at]) > 0.01
        before = check[max(at - 500, 0) : at]
        assert beat == 0 or np.abs(before).max() < 0.001


def test_bar_one_bars_and_beats_sound_different(tmp_path) -> None:
    check, rate, _ = written(tmp_path, silence())
    window = round(0.09 * rate)

    def pitch(beat: int) -> float:
        at = round(beat * PERIOD * rate)
        spectrum = np.abs(np.fft.rfft(check[at : at + window], 1 << 16))
        return float(np.argmax(spectrum)) * rate / (1 << 16)

    assert pitch(0) == pytest.approx(2000, rel=0.05)
    assert pitch(1) == pytest.approx(1000, rel=0.05)
    assert pitch(4) == pytest.approx(1500, rel=0.05)


def test_first_and_last_bars_with_a_gap_between(tmp_path) -> None:
    check, rate, plan = written(tmp_path, silence(), bars=4)
    copy_frames = round(DURATION_S * RATE) - plan.source_start
    bars_in_copy = -(-copy_frames // BAR)
    tail = copy_frames - round((bars_in_copy - 4) * 4 * PERIOD * RATE)
    assert len(check) == pytest.approx(4 * BAR + round(0.4 * rate) + tail, abs=4)


@pytest.mark.parametrize("bar", [7, 12])
def test_the_bars_around_a_change_of_tempo_are_clicked_too(tmp_path, bar: int) -> None:
    """Four bars of the beginning, two on either side of a line, four of the end; what touches is one."""
    curve = ((BAR_ONE_S, 140.0), (BAR_ONE_S + (bar - 1) * 4 * PERIOD, 139.0))
    grid = replace(steady_grid(), constant_tempo=False, tempo_curve=curve)
    x = silence()
    marker = round((BAR_ONE_S + ((bar - 1) * 4 - 0.5) * PERIOD) * RATE)  # half a beat before the change
    x[marker] = 0.9
    check, rate, _ = written(tmp_path, x, grid=grid, bars=4)
    whole, _, _ = written(tmp_path, x, bars=4)

    gap = round(0.4 * rate)
    ahead = 4 * BAR + gap if bar > 7 else 4 * BAR  # bars 5 and 6 go on from the first four
    assert len(check) - len(whole) == pytest.approx(4 * BAR + (gap if bar > 7 else 0), abs=4)
    assert np.argmax(np.abs(check)) == pytest.approx(ahead + 2 * BAR - PERIOD / 2 * rate, abs=4)


def test_a_short_beat_is_clicked_once_from_end_to_end(tmp_path) -> None:
    check, _, plan = written(tmp_path, silence(20.0), grid=steady_grid(duration_s=20.0))
    assert len(check) == 20 * RATE - plan.source_start


@pytest.mark.parametrize("level", [0.0, 0.001, 0.1, 1.0, 3.0])
def test_never_clips_and_click_is_in_the_musics_class(tmp_path, level: float) -> None:
    noise = np.random.default_rng(7).uniform(-1, 1, (round(DURATION_S * RATE), 2)) * level
    check, _, _ = written(tmp_path, noise.astype(np.float32))
    assert np.abs(check).max() <= CEILING + 1e-3
    if level == 0.1:
        music = np.sqrt(np.mean(noise.mean(axis=1) ** 2))
        click_peak = np.abs(check[:50]).max()
        assert music < click_peak < 8 * music


def test_music_is_under_the_clicks_at_the_right_place(tmp_path) -> None:
    x = silence()
    marker = round((BAR_ONE_S + 2.5 * PERIOD) * RATE)
    x[marker] = 0.5
    check, _, _ = written(tmp_path, x)
    found = int(
        np.argmax(np.abs(check[: 3 * round(PERIOD * RATE)]) * (np.arange(3 * round(PERIOD * RATE)) > 40000))
    )
    assert found == round(marker - BAR_ONE_S * RATE)


def test_inverted_channel_does_not_silence_the_check(tmp_path) -> None:
    left = np.random.default_rng(3).uniform(-0.3, 0.3, round(DURATION_S * RATE))
    check, _, _ = written(tmp_path, np.stack([left, -left], axis=1).astype(np.float32))
    assert np.sqrt(np.mean(check**2)) > 0.1


@pytest.mark.parametrize("beats_before", [0.2, 1.75, 2.5, 3.1])
def test_padding_before_the_file_is_clicked_too(beats_before: float) -> None:
    analysis = sample_analysis(grid=steady_grid(bar_one_s=beats_before * PERIOD))
    plan = plan_cut(analysis, frames=round(DURATION_S * RATE), rate=RATE, lead_in_bars=2)
    ticks = ticks_in_copy(analysis.grid, plan)
    assert plan.pad_samples > 0
    assert ticks[0].at_s == pytest.approx(0.0, abs=1 / RATE)
    assert [t.bar for t in ticks[:9]] == [True, False, False, False] * 2 + [True]
    assert [k for k, t in enumerate(ticks) if t.bar_one] == [4 * plan.bars_before_bar_one]


def test_bar_one_just_before_the_file_is_marked_and_counted_from() -> None:
    grid = steady_grid(bar_one_s=-0.07)
    beats = tuple(-0.07 + k * PERIOD for k in range(1, 100))
    grid = replace(grid, beats_s=beats, downbeats=tuple(k % 4 == 0 for k in range(1, 100)))
    plan = plan_cut(sample_analysis(grid=grid), frames=round(40 * RATE), rate=RATE)
    ticks = ticks_in_copy(grid, plan)
    one = 4 * plan.bars_before_bar_one
    assert [k for k, t in enumerate(ticks) if t.bar_one] == [one]
    assert [k for k, t in enumerate(ticks[:9]) if t.bar] == [0, 4, 8]
    assert ticks[0].at_s == pytest.approx(0.0, abs=1 / RATE)


def test_no_grid_no_check(tmp_path) -> None:
    grid = replace(steady_grid(), tempo_bpm=None, bar_one_s=None, beats_s=(), downbeats=())
    plan = plan_cut(sample_analysis(grid=grid), frames=1000, rate=RATE)
    assert not write_click_check(tmp_path / "c.flac", tmp_path / "none.wav", grid, plan)
    assert not (tmp_path / "c.flac").exists()


def test_click_starts_at_its_loudest() -> None:
    sound = click(48000, 1000.0, 0.03, 1.0)
    assert np.argmax(np.abs(sound)) == 0
    assert abs(sound[-1]) < 0.01


def test_clicks_move_with_an_early_first_hit() -> None:
    analysis = sample_analysis(grid=steady_grid())
    early = replace(analysis, lead_in=replace(analysis.lead_in, first_sound_s=BAR_ONE_S - 0.009))
    plan = plan_cut(early, frames=round(DURATION_S * RATE), rate=RATE)

    ticks = ticks_in_copy(early.grid, plan)

    assert plan.session_shift_s == pytest.approx(-0.009)
    assert ticks[0].bar_one
    assert [tick.at_s for tick in ticks[:3]] == pytest.approx([0.0, PERIOD, 2 * PERIOD], abs=1 / RATE)
