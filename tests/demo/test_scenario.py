"""The demo's drops as files: they hold what their truth says."""

import numpy as np
import pytest
import soundfile

from demo.scenario import PROGRAMME, make_demo


@pytest.fixture(scope="module")
def beats(tmp_path_factory):
    titles = ("tide table", "bare drums", "wide river", "half a song")
    return {b.title: b for b in make_demo(tmp_path_factory.mktemp("made"), titles)}


def test_the_programme_covers_the_formats_and_the_hard_cases():
    assert len(PROGRAMME) >= 9
    shapes = {shape for _, _, shape, _ in PROGRAMME}
    assert shapes == {"WAV 16 bit", "WAV 24 bit", "AIFF", "FLAC", "OGG", "MP3", "stems", "broken upload"}
    specs = [spec for *_, spec in PROGRAMME]
    assert any(s.pickup_beats for s in specs)
    assert any(s.kind == "drums" for s in specs)
    assert any(0.5 in s.other_tempi for s in specs)  # read in half time by many
    assert len({s.style for s in specs}) >= 8
    assert len({producer for producer, *_ in PROGRAMME}) >= 3


def test_each_file_has_the_length_of_its_truth(beats):
    for title in ("tide table", "bare drums"):
        truth = beats[title].truth
        info = soundfile.info(beats[title].path)
        assert info.samplerate == truth.samplerate
        assert info.frames == pytest.approx(truth.frames, abs=1)
        assert 25 <= info.duration <= 40


def test_the_mp3_decodes_without_delay_so_its_truth_holds(beats):
    beat = beats["tide table"]
    samples, rate = soundfile.read(beat.path)
    start = round(beat.truth.first_sound_s * rate)
    quiet, loud = samples[: start - 1200], samples[start : start + 1200]
    assert np.sqrt((quiet**2).mean()) < 0.01 * np.sqrt((loud**2).mean())


def test_stems_share_one_zero_and_their_sum_starts_with_the_truth(beats):
    beat = beats["wide river"]
    waves = {p.stem: soundfile.read(p)[0] for p in sorted(beat.path.glob("*.wav"))}
    assert {"drums", "bass", "chords"} <= set(waves)
    assert len({w.shape for w in waves.values()}) == 1
    mix = np.sum(list(waves.values()), axis=0)
    heard = np.flatnonzero(np.abs(mix).max(axis=1) > 1e-3)[0] / beat.truth.samplerate
    assert heard == pytest.approx(beat.truth.first_sound_s, abs=1e-4)
    assert np.abs(mix).max() <= 0.71


def test_the_broken_upload_cannot_be_read_by_anything(beats):
    beat = beats["half a song"]
    assert beat.expected == "rejected"
    with pytest.raises(soundfile.LibsndfileError):
        soundfile.read(beat.path)
