"""The map, read back with mido: Standard MIDI File 1.0 (MMA/AMEI RP-001) and the music in it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import mido
import pytest

from analyzers.model import Analysis, KeyChange, Section
from daemon.export.midimap import ascii_text, write_map
from daemon.export.plan import CutPlan
from daemon.export.ruler import TICKS_PER_QUARTER, make_ruler
from daemon.export.score import make_score
from tests.daemon.export.score_kit import analysis, grid, key, plan, steady


def written(tmp_path: Path, a: Analysis, plan: CutPlan, title: str = "amber lane") -> mido.MidiFile:
    write_map(tmp_path / "m.mid", make_score(a, plan, 0.8), title)
    return mido.MidiFile(tmp_path / "m.mid")


def events(track: mido.MidiTrack) -> list[tuple[int, mido.Message]]:
    now, out = 0, []
    for message in track:
        now += message.time
        out.append((now, message))
    return out


def seconds_of(midi: mido.MidiFile, tick: int) -> float:
    """Time of a tick by the file's own tempo events, as a reader of the standard computes it."""
    now, clock, tempo = 0, 0.0, 500_000
    for at, message in events(midi.tracks[0]):
        if message.type == "set_tempo":
            if at >= tick:
                break
            clock += mido.tick2second(at - now, midi.ticks_per_beat, tempo)
            now, tempo = at, message.tempo
    return clock + mido.tick2second(tick - now, midi.ticks_per_beat, tempo)


def test_layout_is_a_conductor_a_chord_and_a_bass_track(tmp_path: Path) -> None:
    a = analysis(steady(), [(1.25, 3.25, "Cm"), (3.25, 5.25, "F")])
    midi = written(tmp_path, a, plan(a))
    assert midi.type == 1
    assert midi.ticks_per_beat == TICKS_PER_QUARTER
    assert [t.name for t in midi.tracks] == ["amber lane", "Chords", "Bass"]
    first = [m for at, m in events(midi.tracks[0]) if at == 0]
    assert {m.type for m in first} >= {"track_name", "time_signature", "set_tempo", "key_signature"}


def test_header_bytes_are_those_of_the_standard(tmp_path: Path) -> None:
    a = analysis(steady(), [(1.25, 3.25, "Cm")])
    write_map(tmp_path / "m.mid", make_score(a, plan(a), 0.8), "x")
    raw = (tmp_path / "m.mid").read_bytes()
    assert raw[:14] == b"MThd\x00\x00\x00\x06\x00\x01\x00\x03" + (960).to_bytes(2, "big")
    assert b"\xff\x51\x03" + (500_000).to_bytes(3, "big") in raw  # 120 BPM, set tempo
    assert b"\xff\x58\x04\x04\x02\x18\x08" in raw  # 4/4, 24 clocks a click, 8 32nds a quarter
    assert b"\xff\x59\x02\xfa\x01" in raw  # E flat minor: -6, minor
    assert raw.count(b"\xff\x2f\x00") == 3


@pytest.mark.parametrize(
    ("tonic", "mode", "sf", "mi"),
    [
        ("C", "major", 0, 0),
        ("E flat", "minor", -6, 1),
        ("F sharp", "major", 6, 0),
        ("D", "dorian", 0, 1),
        ("G", "mixolydian", 0, 0),
        ("E", "phrygian", 0, 1),
        ("A", "harmonic minor", 0, 1),
        ("G sharp", "minor", 5, 1),
        ("D flat", "major", -5, 0),
        ("D sharp", "minor", 6, 1),  # as an engineer may write E flat minor
        ("C flat", "major", -7, 0),
        ("A sharp", "minor", 7, 1),
    ],
)
def test_key_signature_has_the_sharps_of_the_scale(
    tmp_path: Path, tonic: str, mode: str, sf: int, mi: int
) -> None:
    a = analysis(steady(), [], k=key(tonic, mode))
    write_map(tmp_path / "m.mid", make_score(a, plan(a), 0.8), "x")
    assert (
        b"\xff\x59\x02" + sf.to_bytes(1, "big", signed=True) + bytes([mi])
        in (tmp_path / "m.mid").read_bytes()
    )


def test_zero_is_the_zero_of_the_copy(tmp_path: Path) -> None:
    a = analysis(steady(start=1.25), [(1.25, 3.25, "Cm"), (3.25, 5.25, "F")], first_sound=1.25)
    midi = written(tmp_path, a, plan(a))
    starts = [at for at, m in events(midi.tracks[1]) if m.type == "text"]
    assert starts == [0, 4 * 960]


def test_pickup_bar_before_bar_one_keeps_chords_on_their_beats(tmp_path: Path) -> None:
    a = analysis(steady(start=1.25), [(0.75, 1.25, "G7"), (1.25, 3.25, "Cm")], first_sound=0.75)
    cut = plan(a)
    assert cut.bars_before_bar_one == 1
    midi = written(tmp_path, a, cut)
    named = [(at, m.text) for at, m in events(midi.tracks[1]) if m.type == "text"]
    assert named == [(3 * 960, "G7"), (4 * 960, "Cm")]


@pytest.mark.parametrize("bpm", [83.0, 122.1, 140.0, 188.81])
def test_constant_tempo_stays_within_a_third_of_a_millisecond_over_four_minutes(
    tmp_path: Path, bpm: float
) -> None:
    count = int(240 * bpm / 60)
    g = steady(bpm, 0.5, count)
    a = analysis(g, [], seconds=241.0, first_sound=0.5)
    midi = written(tmp_path, a, plan(a))
    assert seconds_of(midi, (count - 1) * 960) == pytest.approx(g.beats_s[-1] - 0.5, abs=0.3e-3)


def test_drifting_tempo_is_followed_to_a_millisecond_with_few_events(tmp_path: Path) -> None:
    beats = [0.5]
    for i in range(200):
        beats.append(beats[-1] + 0.5 + 0.02 * (i / 200))
    g = grid(beats, 115.0, constant=False)
    a = analysis(g, [], seconds=110.0, first_sound=0.5)
    cut = plan(a)
    midi = written(tmp_path, a, cut)
    worst = max(abs(seconds_of(midi, i * 960) - (b - cut.zero_s)) for i, b in enumerate(beats))
    assert worst < 1e-3
    assert sum(m.type == "set_tempo" for m in midi.tracks[0]) < 40


def test_a_tempo_jump_lands_on_its_beat(tmp_path: Path) -> None:
    beats = [1.0 + 0.5 * i for i in range(33)]
    beats += [beats[-1] + 0.4 * (i + 1) for i in range(32)]
    g = grid(beats, 120.0, constant=False)
    a = analysis(g, [(beats[32], beats[36], "Am")], first_sound=1.0)
    midi = written(tmp_path, a, plan(a))
    assert [at for at, m in events(midi.tracks[1]) if m.type == "text"] == [32 * 960]
    assert seconds_of(midi, 64 * 960) == pytest.approx(beats[64] - 1.0, abs=1e-3)


@pytest.mark.parametrize(
    ("meter", "per_bar", "ticks"), [("6/8", 2, 1440), ("6/8", 6, 480), ("12/8", 4, 1440), ("3/4", 3, 960)]
)
def test_compound_meters_count_quarters(tmp_path: Path, meter: str, per_bar: int, ticks: int) -> None:
    beats = [0.6 * i for i in range(48)]
    g = grid(beats, 100.0, per_bar=per_bar, meter=meter)
    a = analysis(g, [(beats[per_bar], beats[per_bar + 1], "C")])
    midi = written(tmp_path, a, plan(a))
    assert [at for at, m in events(midi.tracks[1]) if m.type == "text"] == [per_bar * ticks]
    assert seconds_of(midi, per_bar * ticks) == pytest.approx(beats[per_bar], abs=1e-4)


@pytest.mark.parametrize(("meter", "per_bar", "clocks"), [("6/8", 2, 36), ("4/4", 4, 24), ("3/4", 3, 24)])
def test_the_metronome_clicks_what_the_tempo_counts(
    tmp_path: Path, meter: str, per_bar: int, clocks: int
) -> None:
    """RP-001, Time Signature: its example of 6/8 is FF 58 04 06 03 24 08, 36 clocks: dotted quarters."""
    g = replace(steady(90.0, 0.5, 64), meter=meter, beats_per_bar=per_bar)
    a = analysis(g, [], first_sound=0.5)
    [signature] = [m for m in written(tmp_path, a, plan(a)).tracks[0] if m.type == "time_signature"]
    assert signature.clocks_per_click == clocks


def test_every_note_is_released_before_it_is_struck_again(tmp_path: Path) -> None:
    labels = ["C", "C7", "Am", "F#dim", "N", "Bsus4", "Ebmaj7", "Ebmaj7", "G#m7"]
    a = analysis(
        steady(), [(1.25 + 0.5 * i, 1.75 + 0.5 * i, x) for i, x in enumerate(labels)], first_sound=1.25
    )
    midi = written(tmp_path, a, plan(a))
    for track in midi.tracks[1:]:
        sounding: set[int] = set()
        for _, m in events(track):
            if m.type == "note_on":
                assert m.note not in sounding
                sounding.add(m.note)
            elif m.type == "note_off":
                sounding.remove(m.note)
        assert not sounding


def test_chords_hold_the_right_notes_inside_the_range(tmp_path: Path) -> None:
    a = analysis(steady(), [(1.25, 2.25, "Bbm7")], first_sound=1.25)
    write_map(tmp_path / "m.mid", make_score(a, plan(a), 0.8, (55, 72)), "x")
    midi = mido.MidiFile(tmp_path / "m.mid")
    notes = [m.note for m in midi.tracks[1] if m.type == "note_on"]
    assert {n % 12 for n in notes} == {10, 1, 5, 8}  # B flat, D flat, F, A flat
    assert all(55 <= n <= 72 for n in notes)
    assert [m.note % 12 for m in midi.tracks[2] if m.type == "note_on"] == [10]


def test_chords_that_reach_out_of_the_copy_are_cut_to_it(tmp_path: Path) -> None:
    a = analysis(steady(start=1.25), [(0.0, 1.25, "N"), (1.25, 99.0, "C")], first_sound=1.25, seconds=20.0)
    cut = plan(a)
    midi = written(tmp_path, a, cut)
    end = make_ruler(a.grid, cut).tick(20.0 - cut.zero_s)
    assert max(at for at, _ in events(midi.tracks[1])) == end
    assert midi.length == pytest.approx(20.0 - cut.zero_s, abs=2e-3)


def test_sections_and_key_changes_lie_on_their_bars(tmp_path: Path) -> None:
    g = steady(start=1.25)
    parts = (Section(0.0, 9.25, "A", 1, 0.8), Section(9.25, 17.25, "B", 5, 0.8))
    k = key("G", "major", (KeyChange(9.25, "A flat", "major", 0.8),))
    a = analysis(g, [], first_sound=1.25, sections=parts, k=k)
    conductor = events(written(tmp_path, a, plan(a)).tracks[0])
    assert [(at, m.text) for at, m in conductor if m.type == "marker"] == [(0, "A"), (16 * 960, "B")]
    assert [(at, m.key) for at, m in conductor if m.type == "key_signature"] == [(0, "G"), (16 * 960, "Ab")]


def test_without_a_grid_seconds_are_kept_on_a_plain_ruler(tmp_path: Path) -> None:
    a = analysis(grid([], None, meter=None), [(3.0, 5.5, "C")], first_sound=1.005, k=key(None, None))
    cut = plan(a)
    midi = written(tmp_path, a, cut)
    start = next(at for at, m in events(midi.tracks[1]) if m.type == "note_on")
    assert seconds_of(midi, start) == pytest.approx(3.0 - cut.zero_s, abs=1e-3)
    assert not any(m.type in ("time_signature", "key_signature") for m in midi.tracks[0])


def test_titles_are_written_in_ascii(tmp_path: Path) -> None:
    a = analysis(steady(), [])
    assert written(tmp_path, a, plan(a), "Été à l'aube").tracks[0].name == "Ete a l'aube"
    assert ascii_text("夜") == "untitled"


@pytest.mark.parametrize("before_s", [0.0, 0.006, 0.5, 1.7])
@pytest.mark.parametrize("constant", [True, False])
@pytest.mark.parametrize("how", [{}, {"lead_in_bars": 2}, {"start": "first_sound"}])
def test_one_tempo_stands_at_the_zero_and_bar_one_on_its_tick(
    tmp_path: Path, before_s: float, constant: bool, how: dict[str, Any]
) -> None:
    beats = [4.0 + 0.5 * i + (0.0 if constant else 0.002 * i * i / 64) for i in range(64)]
    g = grid(beats, 120.0, constant=constant)
    a = analysis(g, [(4.0, 6.0, "Cm")], first_sound=4.0 - before_s)
    cut = plan(a, **how)
    midi = written(tmp_path, a, cut)

    tempi = [at for at, m in events(midi.tracks[0]) if m.type == "set_tempo"]
    assert tempi[0] == 0
    assert len(tempi) == len(set(tempi))
    assert cut.bar_one_in_copy_s is not None
    (one,) = [at for at, m in events(midi.tracks[1]) if m.type == "text"]
    assert seconds_of(midi, one) == pytest.approx(cut.bar_one_in_copy_s, abs=1e-3)
    if "start" not in how:
        assert one == cut.bars_before_bar_one * 4 * 960


def test_an_early_first_hit_moves_all_lines_alike(tmp_path: Path) -> None:
    parts = (Section(1.25, 9.25, "A", 1, 0.8), Section(9.25, 17.25, "B", 5, 0.8))
    a = analysis(steady(), [(3.25, 5.25, "F")], first_sound=1.242, sections=parts)
    cut = plan(a)
    assert cut.session_shift_s == pytest.approx(-0.008)
    midi = written(tmp_path, a, cut)
    assert [at for at, m in events(midi.tracks[0]) if m.type == "marker"] == [0, 16 * 960]
    assert [at for at, m in events(midi.tracks[1]) if m.type == "text"] == [4 * 960]


def test_sections_that_begin_before_the_copy_leave_one_marker_at_its_zero(tmp_path: Path) -> None:
    parts = (Section(0.0, 0.6, "N", 0, 0.5), Section(0.6, 9.25, "A", 1, 0.8))
    a = analysis(steady(), [], first_sound=1.25, sections=parts)
    conductor = events(written(tmp_path, a, plan(a)).tracks[0])
    assert [(at, m.text) for at, m in conductor if m.type == "marker"] == [(0, "A")]


def test_what_is_not_sure_has_the_question_mark_of_card_and_page(tmp_path: Path) -> None:
    a = analysis(steady(), [(1.25, 3.25, "Cm"), (3.25, 5.25, "F"), (5.25, 7.25, "N")])
    sure, doubted, none = a.chords
    chords = (replace(sure, confidence=0.8), replace(doubted, confidence=0.79), replace(none, confidence=0.1))
    later = KeyChange(5.25, "F", "minor", 0.95, 0.5)
    for confidence, first in ((0.8, "key: C minor"), (0.79, "key: C minor?")):
        found = replace(
            a, chords=chords, key=replace(key("C", "minor"), confidence=confidence, changes=(later,))
        )
        midi = written(tmp_path, found, plan(found))
        texts = [[m.text for m in track if m.type == "text"] for track in midi.tracks]
        assert texts[0] == [first, "key: F minor?"]
        assert texts[1] == ["Cm", "F?", "N.C."]
