"""The guide, read back with mido: parts over the same chords and clock as the map."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import mido
import pytest

from analyzers.harmony.note_sets import NoteSet
from analyzers.model import Analysis
from daemon.export.guide import set_words, write_guide
from daemon.export.midimap import write_map
from daemon.export.score import make_score
from tests.daemon.export.score_kit import plan
from tests.daemon.export.test_dawproject import BEATS
from tests.daemon.export.test_midimap import events

RANGE = (55, 74)


@pytest.fixture(params=BEATS)
def pair(request, tmp_path) -> tuple[Analysis, mido.MidiFile, mido.MidiFile]:
    """(analysis, guide, map)."""
    a = BEATS[request.param]()
    score = make_score(a, plan(a), 0.8, RANGE)
    write_guide(tmp_path / "g.mid", score, "amber lane", RANGE)
    write_map(tmp_path / "m.mid", score, "amber lane")
    return a, mido.MidiFile(tmp_path / "g.mid"), mido.MidiFile(tmp_path / "m.mid")


def test_a_track_and_a_channel_for_each_part_high_to_low(pair):
    _, guide, _ = pair
    assert [t.name for t in guide.tracks] == [
        "amber lane guide",
        *(f"Three parts - {part}" for part in ("high", "middle", "low")),
        *(f"Four parts - {part}" for part in ("high", "upper middle", "lower middle", "low")),
    ]
    for channel, track in enumerate(guide.tracks[1:]):
        assert {m.channel for m in track if m.type == "note_on"} == {channel}


def sung(track: mido.MidiTrack) -> list[tuple[int, int]]:
    return [(at, m.note) for at, m in events(track) if m.type == "note_on"]


def test_parts_begin_and_end_with_the_chords_of_the_map(pair):
    _, guide, midi = pair
    starts = sorted({at for at, m in events(midi.tracks[1]) if m.type == "note_on"})
    ends = sorted({at for at, m in events(midi.tracks[1]) if m.type == "note_off"})
    for track in guide.tracks[1:]:
        assert [at for at, _ in sung(track)] == starts
        assert sorted({at for at, m in events(track) if m.type == "note_off"}) == ends
    tempi = [[(at, m.tempo) for at, m in events(f.tracks[0]) if m.type == "set_tempo"] for f in (guide, midi)]
    assert tempi[0] == tempi[1]


def test_parts_never_cross_and_stay_in_range(pair):
    _, guide, _ = pair
    for first, last in ((1, 4), (4, 8)):
        lines = [sung(track) for track in guide.tracks[first:last]]
        for moment in zip(*lines, strict=True):
            notes = [note for _, note in moment]
            assert notes == sorted(notes, reverse=True)
            assert len(set(notes)) == len(notes)
            assert all(RANGE[0] <= note <= RANGE[1] for note in notes)


def test_note_sets_lie_on_their_bars(pair):
    a, guide, midi = pair
    found = [
        (at, m.text) for at, m in events(guide.tracks[0]) if m.type == "text" and m.text.startswith("notes: ")
    ]
    keys = [at for at, m in events(midi.tracks[0]) if m.type == "key_signature"]
    assert set(keys) <= {at for at, _ in found}
    if a.key.tonic is None:
        assert [text for _, text in found] == ["notes: chromatic, there is no key"]
    if a.key.changes:
        words = found[-1][1].partition(";")[0]
        assert words == "notes: A flat major: A flat, B flat, C, D flat, E flat, F, G"


def test_the_same_score_gives_the_same_bytes(tmp_path: Path):
    a = BEATS["tempo_map_beat"]()
    for name in "ab":
        write_guide(tmp_path / name, make_score(a, plan(a), 0.8), "amber lane")
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_notes_of_doubtful_chords_are_said_apart():
    held = NoteSet(0.0, "A", "C minor", ("C", "D"), ("B",), ("F sharp", "A"))
    assert set_words(held) == "C minor: C, D; the chords also sound B, perhaps F sharp, A"
    assert set_words(replace(held, beside=())) == "C minor: C, D; the chords perhaps also sound F sharp, A"
    assert set_words(replace(held, beside=(), perhaps=())) == "C minor: C, D"
