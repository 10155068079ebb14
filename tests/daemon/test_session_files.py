"""From the folder into the session: four drops through the whole job, each opened by readers of other hands.

The session file is read by `session_reader` (zip and XML only), the map by mido, the audio by soundfile; all
must agree to a millisecond with each other and with where the report says that things are in the source.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile as sf
from scipy.signal import butter, sosfilt

from config.settings import Output
from daemon.export import aaf
from demo.render import render
from demo.spec import random_spec
from tests.daemon.export.session_reader import Opened
from tests.daemon.export.test_midimap import events, seconds_of
from tests.daemon.test_main_job import publishable

SECONDS = 45
MILLISECOND = 1e-3


def plain() -> tuple[dict[str, np.ndarray], int]:
    samples, truth = render(random_spec(11, style="house", length_s=SECONDS))
    return {"mill road.wav": samples}, truth.samplerate


def tempo_map() -> tuple[dict[str, np.ndarray], int]:
    spec = replace(random_spec(11, style="house", length_s=SECONDS), tempo_step=(0.5, 1.08))
    samples, truth = render(spec)
    return {"mill road.wav": samples}, truth.samplerate


def key_change() -> tuple[dict[str, np.ndarray], int]:
    spec = replace(random_spec(5, kind="song", length_s=90), key_shift=(0.5, 1), tempo_step=None, drift=0.0)
    samples, truth = render(spec)
    return {"mill road.wav": samples}, truth.samplerate


def stems() -> tuple[dict[str, np.ndarray], int]:
    """The plain beat in three bands: bass, middle and the rest add up to it."""
    (samples,), rate = plain()[0].values(), plain()[1]
    low = sosfilt(butter(2, 200, fs=rate, output="sos"), samples, axis=0)
    high = sosfilt(butter(2, 3000, "high", fs=rate, output="sos"), samples, axis=0)
    parts = {"bass": low, "hats": high, "keys": samples - low - high}
    return {f"{name}.wav": part * 0.7 for name, part in parts.items()}, rate


DROPS = {f.__name__: f for f in (plain, tempo_map, key_change, stems)}


class Published:
    def __init__(self, name: str, folder: Path) -> None:
        self.name = name
        files, rate = DROPS[name]()
        source = folder / "mill road.wav" if len(files) == 1 else folder / "mill road"
        for file, samples in files.items():
            place = source if len(files) == 1 else source / file
            place.parent.mkdir(exist_ok=True)
            if len(files) > 1:
                (source / "stems.txt").touch()  # bands of one mix: no judge of content takes them for stems
            sf.write(place, np.clip(samples, -1, 1 - 2**-15), rate, subtype="PCM_24")
        wanted = ("dawproject", "aaf") if aaf.can_write() else ("dawproject",)
        self.folder, self.report = publishable(source, folder / "out", Output(session_files=wanted))
        self.opened = Opened(self.folder / self.report["files"]["session"])
        self.map = mido.MidiFile(self.folder / self.report["files"]["map"])
        cut = self.report["cut"]
        self.zero_s = cut["zero_s"] - cut["session_shift_s"]  # the session's lines moved with the first hit


@pytest.fixture(scope="module", params=DROPS)
def done(request, tmp_path_factory):
    return Published(request.param, tmp_path_factory.mktemp(request.param))


def test_the_drops_are_what_they_are_called(done):
    analysis = done.report["analysis"]
    assert analysis["grid"]["constant_tempo"] is (done.name != "tempo_map")
    assert bool(analysis["key"]["changes"]) is (done.name == "key_change")
    assert (len(done.opened.tempi) > 1) is (done.name == "tempo_map")


def test_every_clip_is_a_file_beside_it_and_fits_to_the_frame(done):
    clips = done.opened.clips()
    assert len(clips) == (3 if done.name == "stems" else 1)
    for clip in clips.values():
        info = sf.info(done.folder / clip.file)
        assert clip.start_s == 0.0
        assert (clip.rate, clip.channels) == (info.samplerate, info.channels)
        assert (
            round((clip.end_s - clip.start_s) * clip.rate)
            == info.frames
            == done.report["aligned_copy"]["frames"]
        )


def test_notes_markers_and_tempo_agree_with_the_map(done):
    opened, midi = done.opened, done.map
    for number, name in ((1, "Chords"), (2, "Bass")):
        wanted = sorted(
            (seconds_of(midi, at), m.note) for at, m in events(midi.tracks[number]) if m.type == "note_on"
        )
        found = sorted((n.start_s, n.key) for n in opened.notes(name))
        assert [key for _, key in found] == [key for _, key in wanted]
        assert [at for at, _ in found] == pytest.approx([at for at, _ in wanted], abs=MILLISECOND)
    markers = [(seconds_of(midi, at), m.text) for at, m in events(midi.tracks[0]) if m.type == "marker"]
    found = [(at, name) for at, name in opened.markers() if not name.startswith("Key")]
    assert [name for _, name in found] == [name for _, name in markers]
    assert [at for at, _ in found] == pytest.approx([at for at, _ in markers], abs=MILLISECOND)


def test_chords_and_sections_lie_where_they_are_in_the_copy(done):
    analysis, opened = done.report["analysis"], done.opened
    starts = np.array(sorted({n.start_s for n in opened.notes("Chords")}))
    wanted = [c["start_s"] - done.zero_s for c in analysis["chords"] if c["label"] != "N"]
    assert len(wanted) > 4
    for at in wanted:
        assert np.abs(starts - max(at, 0.0)).min() < MILLISECOND
    sections = [at for at, name in opened.markers() if not name.startswith("Key")]
    assert sections == pytest.approx(
        [max(s["start_s"] - done.zero_s, 0) for s in analysis["sections"]], abs=MILLISECOND
    )


def test_bar_lines_of_the_file_are_those_of_the_grid(done):
    """Bar n begins at 4 (n - 1) quarter notes; the grid says where that is in the source."""
    grid = done.report["analysis"]["grid"]
    assert grid["meter"] == "4/4"
    lines = [t - done.zero_s for t, down in zip(grid["beats_s"], grid["downbeats"], strict=True) if down]
    lines = [at for at in lines if at >= -MILLISECOND]
    first = round(lines[0] / (lines[1] - lines[0]))
    assert [done.opened.seconds(4 * (first + i)) for i in range(len(lines))] == pytest.approx(
        lines, abs=MILLISECOND
    )


def test_the_key_changes_at_a_bar(done):
    keys = [(at, name) for at, name in done.opened.markers() if name.startswith("Key")]
    changes = done.report["analysis"]["key"]["changes"]
    assert len(keys) == 1 + len(changes)
    assert all(at < later for (at, _), (later, _) in pairwise(keys))
    assert [at for at, _ in keys[1:]] == pytest.approx(
        [c["at_s"] - done.zero_s for c in changes], abs=MILLISECOND
    )


def test_the_guide_sings_the_chords_of_the_map(done):
    """Parts in the default vocal range (53 to 76), never crossing, on the map's clock."""
    guide = mido.MidiFile(done.folder / done.report["files"]["guide"])
    chords = sorted({seconds_of(done.map, at) for at, m in events(done.map.tracks[1]) if m.type == "note_on"})
    lines = [
        [(seconds_of(guide, at), m.note) for at, m in events(track) if m.type == "note_on"]
        for track in guide.tracks[1:]
    ]
    assert len(lines) == 3 + 4
    for first, last in ((0, 3), (3, 7)):
        for moment in zip(*lines[first:last], strict=True):
            notes = [note for _, note in moment]
            assert all(a > b for a, b in pairwise(notes))
            assert all(53 <= note <= 76 for note in notes)
    for line in lines:
        assert [at for at, _ in line] == pytest.approx(chords, abs=MILLISECOND)


def test_the_aaf_holds_the_same_sounds_to_the_frame(done):
    aaf2 = pytest.importorskip("aaf2")
    clips = done.opened.clips()
    with aaf2.open(str(done.folder / done.report["files"]["aaf"])) as file:
        (whole,) = file.content.toplevel()
        assert [slot.name for slot in whole.slots] == list(clips)
        for slot in whole.slots:
            (clip,) = slot.segment.components
            info = sf.info(done.folder / clips[slot.name].file)
            assert (clip.start, clip.length, slot.edit_rate) == (0, info.frames, info.samplerate)


def test_without_the_extra_it_says_so_and_the_rest_is_made(tmp_path, monkeypatch):
    monkeypatch.setattr(aaf, "find_spec", lambda name: None)
    samples, rate = plain()
    sf.write(tmp_path / "mill road.wav", samples["mill road.wav"][: 12 * rate], rate)
    folder, report = publishable(tmp_path / "mill road.wav", tmp_path / "out", Output(session_files=("aaf",)))
    assert report["files"]["aaf"] is None
    assert report["files"]["session"] is None
    assert aaf.NOT_INSTALLED in report["aligned_copy"]["warnings"]
    assert "pip install 'beatintake[aaf]'" in aaf.NOT_INSTALLED
    assert not list(folder.glob("*.aaf"))
    assert not list(folder.glob("*.dawproject"))
    assert (folder / report["files"]["map"]).exists()
