"""Corrections: what they mean, how they are read, kept, applied to a ready folder, and counted."""

from __future__ import annotations

import re
import shutil
import time
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

import mido
import numpy as np
import pyloudnorm
import pytest
import soundfile as sf
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzers.harmony.key_change import key_at
from analyzers.harmony.key_names import parse_key
from analyzers.harmony.note_sets import note_sets
from analyzers.model import (
    BarOneCandidate,
    BeatRestart,
    Blues,
    Grid,
    Key,
    MeterCandidate,
    OtherLevel,
    TempoCandidate,
)
from analyzers.rhythm import bars
from config.settings import Folders, Limits, Settings
from daemon.core.errors import BeatintakeError, ConfigError
from daemon.corrections.apply import Correction, apply_correction, beats_in
from daemon.corrections.files import CORRECTION_FILE, REASON_FILE, Pending, pending_corrections
from daemon.corrections.reading import read_correction_file
from daemon.corrections.refusals import Refusals
from daemon.corrections.store import read_history, stored_correction
from daemon.corrections.words import make_correction, place_of_bar_one
from daemon.decode.decoder import decode
from daemon.export import copylevel
from daemon.ledger.ledger import Ledger, Record, ledger_path
from daemon.ops.accuracy import print_accuracy
from daemon.ops.status import as_lines, read_status
from daemon.pipeline.correct import (
    FileOutcome,
    apply_to_folder,
    correct_drop,
    correct_from_file,
    undo_correction,
)
from daemon.pipeline.remake import remake, report_of
from daemon.pipeline.render import render_drop
from daemon.report.card import card
from daemon.service import correction_pickup as pickup_module
from daemon.service.correction_pickup import CorrectionPickup
from daemon.workers.pool import Died, Done
from tests.daemon.sample_report import (
    BAR_ONE_S,
    DURATION_S,
    RATE,
    key_of,
    no_steady_beat,
    sample_analysis,
    sample_report,
    steady_grid,
)

PERIOD = 60 / 140


def bar_lines(grid: Grid) -> list[float]:
    return [t for t, down in zip(grid.beats_s, grid.downbeats, strict=True) if down]


def corrected_grid(grid: Grid | None = None, **values) -> Grid:
    return apply_correction(sample_analysis(grid=grid or steady_grid()), Correction(**values)).grid


def moving_grid() -> Grid:
    """Speeds up: 120 BPM for 16 beats, then 125."""
    beats = [0.5 + 0.5 * k for k in range(17)] + [8.5 + 0.48 * k for k in range(1, 100)]
    return replace(
        steady_grid(),
        tempo_bpm=122.0,
        constant_tempo=False,
        tempo_alternatives=(TempoCandidate(122.0, 0.9),),
        tempo_curve=((0.5, 120.0), (8.5, 125.0)),
        bar_one_s=0.5,
        beats_s=tuple(beats),
        downbeats=tuple(k % 4 == 0 for k in range(len(beats))),
    )


# --- what a correction means ----------------------------------------------------------------


@pytest.mark.parametrize(("bpm", "ratio"), [(70.0, 0.5), (280.0, 2.0)])
def test_half_and_double_keep_bar_one_and_nest_bar_lines(bpm: float, ratio: float) -> None:
    before, after = steady_grid(), corrected_grid(tempo_bpm=bpm)
    assert after.bar_one_s == before.bar_one_s
    old, new = {round(t, 6) for t in bar_lines(before)}, {round(t, 6) for t in bar_lines(after)}
    assert (new if ratio < 1 else old) <= (old if ratio < 1 else new)
    assert len(after.beats_s) == pytest.approx(len(before.beats_s) * ratio, abs=2)


def test_half_of_a_moving_tempo_keeps_every_second_beat() -> None:
    after = corrected_grid(moving_grid(), tempo_bpm=61.0)
    assert after.beats_s == moving_grid().beats_s[::2]
    assert after.tempo_curve == ((0.5, 60.0), (8.5, 62.5))
    assert after.constant_tempo is False


def test_a_beat_that_starts_anew_does_so_at_every_level_and_not_at_one_tempo() -> None:
    anew = replace(moving_grid(), restarts=(BeatRestart(8.0, 8.5),))
    assert corrected_grid(anew, tempo_bpm=61.0).restarts == anew.restarts
    assert corrected_grid(anew, bar_one_s=1.0).restarts == anew.restarts
    assert corrected_grid(anew, tempo_bpm=100.0).restarts == ()


def test_double_of_a_moving_tempo_puts_beats_between() -> None:
    after = corrected_grid(moving_grid(), tempo_bpm=244.0)
    assert after.beats_s[::2] == moving_grid().beats_s
    assert after.beats_s[1] == pytest.approx(0.75)


@given(st.floats(40, 300), st.floats(0.0, 20.0))
def test_a_set_tempo_is_exact_to_the_last_beat(bpm: float, bar_one: float) -> None:
    grid = corrected_grid(tempo_bpm=bpm, bar_one_s=bar_one)
    one = int(np.argmin(np.abs(np.array(grid.beats_s) - bar_one)))
    expected = bar_one + (np.arange(len(grid.beats_s)) - one) * 60 / bpm
    assert np.allclose(grid.beats_s, np.maximum(expected, 0), atol=1e-9)
    assert grid.downbeats[one]
    assert 0 <= grid.beats_s[0] < 60 / bpm + 1e-6
    assert DURATION_S - 60 / bpm - 1e-3 <= grid.beats_s[-1] < DURATION_S


@settings(max_examples=80)
@given(
    st.builds(
        Correction,
        tempo_bpm=st.none() | st.floats(40, 240),
        meter=st.sampled_from([None, "3/4", "4/4", "6/8"]),
        bar_one_s=st.none() | st.floats(0, 60),
        key=st.sampled_from([None, "C major", "F sharp minor", "D dorian"]),
        tuning_cents=st.none() | st.floats(-49, 50),
    )
)
def test_applied_twice_means_the_same(correction: Correction) -> None:
    once = apply_correction(sample_analysis(), correction)
    twice = apply_correction(once, correction)
    assert np.allclose(once.grid.beats_s, twice.grid.beats_s, atol=1e-9)
    assert replace(once, grid=twice.grid) == twice


def test_bar_one_shifts_the_grid_and_recounts_pickup_and_sections() -> None:
    analysis = apply_correction(sample_analysis(), Correction(bar_one_s=BAR_ONE_S + 4 * PERIOD + 0.01))
    grid = analysis.grid
    assert min(abs(t - (BAR_ONE_S + 0.01)) for t in grid.beats_s) < 1e-9
    assert grid.pickup_beats == pytest.approx(4 + 0.01 / PERIOD, abs=1e-3)
    assert [s.first_bar for s in analysis.sections] == [0, 8, 24]
    assert grid.bar_one_confidence == 1.0


@pytest.mark.parametrize("by_hand", [{"bar_one_s": 3.0}, {"meter": "3/4"}, {"tempo_bpm": 70.0}])
def test_what_is_set_by_hand_leaves_no_other_place_of_bar_one(by_hand) -> None:
    """Beats, bars or bar one are others then: what was counted in the old ones says nothing."""
    others = {"meter_alternatives": (MeterCandidate("3/4", 0.3),)}
    doubted = replace(steady_grid(), bar_one_alternatives=(BarOneCandidate(2.0, 0.3),), **others)
    changed = corrected_grid(doubted, **by_hand)
    assert changed.bar_one_alternatives == ()
    assert changed.meter_alternatives == (() if "bar_one_s" not in by_hand else doubted.meter_alternatives)
    assert corrected_grid(doubted, key="D minor").bar_one_alternatives == doubted.bar_one_alternatives


def test_bar_one_may_lie_just_before_the_file() -> None:
    grid = corrected_grid(bar_one_s=-0.07)
    assert grid.beats_s[0] == pytest.approx(-0.07 + PERIOD)
    assert [k for k, down in enumerate(grid.downbeats[:8]) if down] == [3, 7]
    assert bars.bar_lines(grid)[0][0] == 2
    again = make_correction({"bar_one": "+12 ms"}, sample_analysis(), Correction(bar_one_s=-0.07))
    assert again.bar_one_s == pytest.approx(-0.058)


def test_meter_recounts_bars_from_bar_one() -> None:
    grid = corrected_grid(meter="3/4")
    lines = bar_lines(grid)
    assert any(abs(t - BAR_ONE_S) < 1e-9 for t in lines)
    assert np.allclose(np.diff(lines), 3 * PERIOD)


# A bar of six eighths, in any handbook of notation: 3 x 60 / 100 = 2 x 60 / 66.667 = 1.8 s.
@pytest.mark.parametrize(
    ("found", "said", "bpm", "right"), [("3/4", "6/8", 100.0, 200 / 3), ("6/8", "3/4", 60.0, 90.0)]
)
def test_between_three_four_and_six_eight_the_bars_stay(
    found: str, said: str, bpm: float, right: float
) -> None:
    grid = replace(corrected_grid(tempo_bpm=bpm, meter=found), tempo_confidence=0.7)
    rivals = ((bpm, 0.7), (bpm * beat_ratio(found, said), 0.2), (bpm / 2, 0.1))
    grid = replace(grid, tempo_alternatives=tuple(TempoCandidate(*rival) for rival in rivals))
    after = corrected_grid(grid, meter=said)
    assert (after.meter, after.tempo_bpm) == (said, pytest.approx(right))
    assert np.allclose(bar_lines(after), bar_lines(grid))
    assert np.allclose(np.diff(after.beats_s), 60 / right)
    assert [c.bpm for c in after.tempo_alternatives] == pytest.approx([right, right / 2])
    assert after.tempo_confidence == 0.7


def beat_ratio(found: str, said: str) -> float:
    return beats_in(said) / beats_in(found)


def test_bars_of_a_moving_tempo_stay_too() -> None:
    found = corrected_grid(moving_grid(), meter="3/4")
    after = corrected_grid(found, meter="6/8")
    assert np.allclose(bar_lines(after), bar_lines(found))
    assert after.tempo_curve == ((0.5, 80.0), (8.5, pytest.approx(250 / 3)))


def test_a_tempo_given_with_the_meter_is_the_beat_of_that_meter() -> None:
    waltz = corrected_grid(tempo_bpm=100.0, meter="3/4")
    assert corrected_grid(waltz, tempo_bpm=70.0, meter="6/8").tempo_bpm == 70.0
    analysis = sample_analysis(grid=waltz)
    set_before = Correction(tempo_bpm=50.0)
    assert make_correction({"meter": "6/8"}, analysis, set_before).tempo_bpm == pytest.approx(100 / 3)
    assert make_correction({"meter": "6/8", "half": True}, analysis, None).tempo_bpm == pytest.approx(100 / 3)
    assert make_correction({"meter": "6/8", "tempo": 70}, analysis, set_before).tempo_bpm == 70.0


@pytest.mark.parametrize(("said", "bpm"), [("3/4", 140.0), ("12/8", 140.0), ("2/2", 70.0)])
def test_to_a_meter_with_other_bars_the_beat_stays(said: str, bpm: float) -> None:
    assert corrected_grid(meter=said).tempo_bpm == bpm


def test_bar_one_given_with_tempo_and_meter_is_counted_in_them() -> None:
    wanted = {"tempo": 70, "meter": "3/4", "bar_one": "+1 bar"}
    made = make_correction(wanted, sample_analysis(), None)
    assert made.bar_one_s == pytest.approx(BAR_ONE_S + 3 * 60 / 70)


# Common practice: compound meters are counted in dotted beats.
@pytest.mark.parametrize(
    ("meter", "beats"),
    [("4/4", 4), ("3/4", 3), ("6/8", 2), ("12/8", 4), ("5/4", 5), ("4", None), ("0/4", None)],
)
def test_beats_in_a_bar(meter: str, beats: int | None) -> None:
    assert beats_in(meter) == beats


def test_key_changes_scale_and_relations() -> None:
    key: Key = apply_correction(sample_analysis(), Correction(key="Am")).key
    # Any theory handbook: A minor has no accidentals, relative C major, parallel A major.
    assert key.scale == ("A", "B", "C", "D", "E", "F", "G")
    assert (key.relative.tonic, key.relative.mode) == ("C", "major")
    assert (key.parallel.tonic, key.parallel.mode) == ("A", "major")
    assert key.confidence == 1.0
    assert key.profile == key_of().profile


def test_tuning_gives_its_reference() -> None:
    # ISO 16 and equal temperament: A4 = 432 Hz is 31.77 cents below 440.
    assert apply_correction(sample_analysis(), Correction(tuning_cents=-31.77)).tuning.a4_hz == pytest.approx(
        432.0, abs=0.01
    )


def test_a_drop_without_a_grid_gets_one_by_tempo_and_bar_one() -> None:
    bare = no_steady_beat()
    grid = corrected_grid(bare, tempo_bpm=90.0, bar_one_s=2.0)
    assert (grid.meter, grid.reason, grid.constant_tempo) == ("4/4", None, True)
    assert 2.0 in [round(t, 9) for t in grid.beats_s]
    with pytest.raises(ValueError, match="give a tempo"):
        corrected_grid(bare, bar_one_s=2.0)


def test_bar_one_outside_the_file_is_refused() -> None:
    with pytest.raises(ValueError, match="outside the file"):
        corrected_grid(bar_one_s=DURATION_S + 1)


# --- how it is read ---------------------------------------------------------------------------


# Spellings: any theory handbook; "Ebm" is the ID3v2 TKEY form (id3.org).
@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("Ebm", ("E flat", "minor")),
        ("D#m", ("E flat", "minor")),
        ("E flat minor", ("E flat", "minor")),
        ("f# dorian", ("F sharp", "dorian")),
        ("C", ("C", "major")),
        ("B", ("B", "major")),
        ("bb minor", ("B flat", "minor")),
        ("A harmonic minor", ("A", "harmonic minor")),
        ("H minor", None),
        ("", None),
        ("E flat minor; rm", None),
        ("blues in A", ("A", "major")),
        ("Blues in b flat", ("B flat", "major")),
        ("minor blues in D#", ("E flat", "minor")),
        ("blues in Am", ("A", "minor")),
        ("major blues in A minor", None),
        ("blues in A dorian", None),
        ("blues in blues in A", None),
        ("blues", None),
    ],
)
def test_keys_as_people_type_them(text: str, key: tuple[str, str] | None) -> None:
    assert parse_key(text) == key


# Of the fifteen signatures of any handbook none has eight sharps or flats.
@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("D#m", "D sharp minor"),
        ("Ebm", "E flat minor"),
        ("c flat major", "C flat major"),
        ("G#", "A flat major"),
        ("E sharp minor", "F minor"),
        ("minor blues in D#", "minor blues in D sharp"),
        ("blues in D#", "blues in E flat"),
    ],
)
def test_a_key_keeps_the_spelling_that_was_typed_where_there_is_a_signature_for_it(
    typed: str, kept: str
) -> None:
    assert Correction(key=typed).key == kept
    assert Correction(key="C major", key_changes=((9.0, "D#m"),)).key_changes == ((9.0, "D sharp minor"),)


def test_scale_chords_and_all_that_is_shown_are_spelled_as_the_typed_key() -> None:
    """D sharp minor: D# E# F# G# A# B C#, its chords D#m, B, F# and C# (any handbook); found in flats."""
    report = sample_report(corrections=Correction(key="D# minor"))
    view = report.in_session()
    assert {chord.label for chord in report.analysis.chords} == {"Ebm", "B", "Gb", "Db"}
    assert [chord.label for chord in view.chords[:4]] == ["D#m", "B", "F#", "C#"]
    assert view.key.relative.tonic == "F sharp"
    text = card(report, note_sets(view, 0.8), 0.8)
    assert text.startswith("amber-lane.wav: 140 BPM, D sharp minor, ")
    assert "from the start: D# E# F# G# A# B C# (D sharp minor)" in text
    assert "1-4: D#m | B | F# | C#" in text
    assert not {"flat", "Eb", "Gb"} & set(text.split())
    assert report.answers.key.measured == "E flat minor"
    later = apply_correction(
        sample_analysis(), Correction(key="E flat minor", key_changes=((BAR_ONE_S + 8 * PERIOD, "D#m"),))
    )
    assert [chord.label for chord in later.chords[:4]] == ["Ebm", "Cb", "F#", "C#"]


def test_a_part_that_may_be_counted_otherwise_is_one_beside_the_tempo_that_was_found() -> None:
    grid = replace(steady_grid(), other_level=OtherLevel(70.0, 30.0, None))
    found = sample_analysis(grid=grid)
    assert apply_correction(found, Correction(tempo_bpm=70.0)).grid.other_level is None
    assert apply_correction(found, Correction(key="Am")).grid.other_level == grid.other_level


def test_a_blues_keeps_the_spelling_that_was_typed() -> None:
    found = replace(key_of("E flat", "minor"), blues=Blues("E flat", True, 12, BAR_ONE_S, 0.9))
    key = apply_correction(sample_analysis(key=found), Correction(key="minor blues in D#")).key
    assert (key.tonic, key.blues.tonic, key.blues.bars) == ("D sharp", "D sharp", 12)


@pytest.mark.parametrize(
    ("text", "place", "exact"),
    [
        ("3.4286", 3.4286, True),
        ("1:02.5", 62.5, True),
        ("12 s", 12.0, True),
        ("+1 beat", BAR_ONE_S + PERIOD, False),
        ("-1beat", BAR_ONE_S - PERIOD, False),
        ("+2 bars", BAR_ONE_S + 8 * PERIOD, False),
        ("+12 ms", BAR_ONE_S + 0.012, True),
        ("−0.5 beats", BAR_ONE_S - PERIOD / 2, False),
    ],
)
def test_places_of_bar_one(text: str, place: float, exact: bool) -> None:
    assert place_of_bar_one(text, steady_grid()) == (pytest.approx(place, abs=1e-9), exact)


@pytest.mark.parametrize("text", ["soon", "+1", "2 beats", "", "1e5000"])
def test_vague_places_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match="bar one"):
        place_of_bar_one(text, steady_grid())


def test_half_counts_from_what_is_shown_now() -> None:
    analysis = sample_analysis()
    first = make_correction({"half": True, "double": False}, analysis, None)
    second = make_correction({"half": True}, analysis, first)
    assert (first.tempo_bpm, second.tempo_bpm) == (70.0, 35.0)


def test_a_later_correction_keeps_the_earlier_ones() -> None:
    first = make_correction({"key": "C minor"}, sample_analysis(), None)
    second = make_correction({"bar_one": "+1 beat"}, sample_analysis(), first)
    assert second.key == "C minor"
    assert second.bar_one_s == pytest.approx(BAR_ONE_S + PERIOD)


def test_a_song_of_several_keys_is_corrected_in_bars_of_the_session() -> None:
    """One bar of the session lies before the song's: its bar 10 is the ninth of the song."""
    text = "A minor; then Bbm at bar 10, then C minor from bar 14"
    made = make_correction({"key": text}, sample_analysis(), None, bars_before=1)
    bar_s = 4 * PERIOD
    assert made.key == "A minor"
    assert [key for _, key in made.key_changes] == ["B flat minor", "C minor"]
    assert [at_s for at_s, _ in made.key_changes] == pytest.approx(
        [BAR_ONE_S + 8 * bar_s, BAR_ONE_S + 12 * bar_s]
    )
    key = apply_correction(sample_analysis(), Correction.model_validate_json(made.model_dump_json())).key
    assert key_at(key, BAR_ONE_S + 8 * bar_s + 0.1) == ("B flat", "minor", 1.0)
    assert key_at(key, BAR_ONE_S + 12 * bar_s + 0.1) == ("C", "minor", 1.0)
    kept = make_correction({"tuning": 5}, sample_analysis(), made)
    assert kept.key_changes == made.key_changes
    assert make_correction({"key": "C minor"}, sample_analysis(), made).key_changes == ()


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        ({}, "corrects nothing"),
        ({"tempo": 5000}, "the correction: tempo: from 20 to 400 BPM; found '5000'; give another"),
        ({"tempo": 5}, "tempo: from 20 to 400 BPM; found '5'"),
        ({"tempo": float("nan")}, "tempo: from 20 to 400 BPM; found 'nan'"),
        ({"key": "H minor"}, 'a key such as "E flat minor"'),
        ({"meter": "four"}, "a meter such as 4/4"),
        ({"bar_one": "999"}, "outside the file"),
        ({"half": True, "tempo": 70}, "not several"),
        (
            {"tuning": 90.0},
            "the correction: tuning: above -50 and up to 50 cents; beyond, count from",
        ),
        ({"tuning": -50}, "semitone: 90 is -10; found '-50'"),
        ({"key": "C minor, then D minor"}, "then D minor at bar 13"),
        ({"key": "C minor, then D minor at bar 999"}, "the song has no bar 999"),
        ({"key": "C minor, then D minor at bar 9 then E minor at bar 5"}, "begins later"),
        ({"key": "C minor, then H minor at bar 9"}, 'a key such as "E flat minor"'),
    ],
)
def test_impossible_corrections_say_what_is_allowed(wanted: dict, words: str) -> None:
    with pytest.raises(ConfigError) as caught:
        make_correction(wanted, sample_analysis(), None)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("tempo: 70\nkey: E flat minor\n", {"tempo": "70", "key": "E flat minor"}),
        ("Bar one: +1 beat\n", {"bar_one": "+1 beat"}),
        ("bar-one: 1:02.5\nmeter: 3/4", {"bar_one": "1:02.5", "meter": "3/4"}),
        ("\ufeffhalf: yes", {"half": "yes"}),
        ("# nothing else\ntempo: 70 # by ear\nkey:\n", {"tempo": "70"}),
    ],
)
def test_correction_files(tmp_path: Path, text: str, wanted: dict) -> None:
    path = tmp_path / CORRECTION_FILE
    path.write_text(text, encoding="utf-8")
    assert read_correction_file(path).values == wanted


@pytest.mark.parametrize(
    "text",
    ["tempo 70", "speed: 70", "[1", "!!python/object/apply:os.system [x]", "a: " + "x" * 9999, "\xff\xfe"],
)
def test_bad_correction_files_are_refused_with_the_remedy(tmp_path: Path, text: str) -> None:
    path = tmp_path / CORRECTION_FILE
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(ConfigError):
        read_correction_file(path)


# --- on a ready folder --------------------------------------------------------------------------


@pytest.fixture
def studio(tmp_path: Path) -> tuple[Settings, Path]:
    """Settings and one ready folder, made from a real file in incoming/tin-roof."""
    names = ("incoming", "ready", "rejected", "state")
    folders = Folders(**{name: tmp_path / name for name in names})
    for name in names:
        (tmp_path / name).mkdir()
    settings = Settings(folders=folders)
    drop = folders.incoming / "tin-roof" / "amber-lane.wav"
    drop.parent.mkdir()
    n = round(20 * RATE)
    t = np.arange(n) / RATE
    sound = np.where(t >= BAR_ONE_S, np.exp(-((t - BAR_ONE_S) % PERIOD) * 20), 0.0)
    sf.write(drop, np.stack([sound, sound], axis=1) * 0.5, RATE, subtype="PCM_16")
    decoded = decode(drop, limits=Limits(), producer="tin-roof")
    analysis = sample_analysis(
        duration_s=20.0, grid=steady_grid(duration_s=20.0), sections=(), chords=(), flags=()
    )
    folder = folders.ready / "amber-lane"
    folder.mkdir()
    report = render_drop(
        decoded, analysis, settings, folder, "amber-lane", made_at="2026-11-25T09:00:00+00:00"
    )
    ledger = Ledger.open(ledger_path(folders.state))
    record = Record(
        report.drop.sha256, "ready", "amber-lane", "amber-lane.wav", "tin-roof", None, report.summary(), 1.0
    )
    ledger.record(record, "tin-roof/amber-lane.wav", b"mark")
    ledger.close()
    return settings, folder


def test_correcting_makes_everything_again_within_seconds(studio, capsys) -> None:
    settings, folder = studio
    note = folder / "my notes.txt"
    note.write_text("hook at bar 9")
    begin = time.process_time()
    assert (
        correct_drop(settings, "amber", {"half": True, "key": "C minor", "name": "amber", "config": None})
        == 0
    )
    assert time.process_time() - begin < 10
    assert "70 BPM (by hand), C minor (by hand)" in capsys.readouterr().out
    _, report = report_of(folder)
    assert report.answers.tempo.set_by_hand
    assert report.analysis.grid.tempo_bpm == 140.0
    assert (folder / "amber-lane - 70 BPM - C minor.wav").is_file()
    assert not (folder / "amber-lane - 140 BPM - E flat minor.wav").exists()
    assert note.read_text() == "hook at bar 9"
    assert "set by hand; measured 140 BPM" in (folder / report.files.page).read_text()
    tempi = [
        m.tempo for t in mido.MidiFile(folder / report.files.map).tracks for m in t if m.type == "set_tempo"
    ]
    assert mido.tempo2bpm(tempi[0]) == pytest.approx(70.0, abs=1e-3)
    ledger = Ledger.read_only(ledger_path(settings.folders.state))
    assert ledger.find(report.drop.sha256).summary["tempo_bpm"] == 70.0
    ledger.close()
    assert "70" in (settings.folders.ready / "index.html").read_text()
    assert not list((settings.folders.ready / ".staging").iterdir())


def test_the_name_that_a_beat_came_with_stays_whatever_its_file_is_called_now(studio) -> None:
    """The same bytes under another name cost nothing and rename nothing."""
    settings, folder = studio
    file = settings.folders.incoming / "tin-roof" / "amber-lane.wav"
    file.rename(file.with_name("amber again.wav"))
    correct_drop(settings, "amber-lane", {"half": True})
    _, report = report_of(folder)
    assert (report.drop.name, report.claims) == ("amber-lane.wav", ())
    assert "amber again" not in (folder / report.files.page).read_text()


def test_bar_one_moves_the_cut_of_the_copy(studio) -> None:
    settings, folder = studio
    correct_drop(settings, "amber-lane", {"bar_one": "+4 beats"})
    _, report = report_of(folder)
    copy, _ = sf.read(folder / report.files.aligned_copy, dtype="int16")
    source, _ = sf.read(settings.folders.incoming / "tin-roof" / "amber-lane.wav", dtype="int16")
    # Sound lies before the new bar one: a whole bar is kept, so the copy still starts where the sound does.
    assert report.cut.bars_before_bar_one == 1
    start = report.cut.source_start
    assert np.array_equal(copy[report.cut.pad_samples :][:1000], source[start : start + 1000])


@pytest.mark.parametrize("said", ["+12 ms", "-12 ms", f"{BAR_ONE_S + 0.025:.3f}"])
def test_lines_that_are_moved_by_hand_stay_there_whatever_the_first_hit_does(studio, said: str) -> None:
    """The copy's line lies so far beside the hit, found in the file itself, as the engineer says."""
    settings, folder = studio
    correct_drop(settings, "amber-lane", {"bar_one": said})
    _, report = report_of(folder)
    copy, rate = sf.read(folder / report.files.aligned_copy)
    hit_s = float(np.flatnonzero(copy[:, 0])[0]) / rate
    moved_s = float(said) - BAR_ONE_S if "ms" not in said else float(said.split()[0]) / 1000
    assert report.session.bar_one.at_s - hit_s == pytest.approx(moved_s, abs=0.0015)


def test_milliseconds_count_from_the_line_that_is_heard(studio) -> None:
    """The first hit has taken the lines along, 10 ms earlier: 12 ms later is 12 ms after that hit."""
    settings, folder = studio
    early = steady_grid(duration_s=20.0, bar_one_s=BAR_ONE_S + 0.01)
    _, report = report_of(folder)
    shown = report.model_copy(update={"analysis": replace(report.analysis, grid=early)})
    made = remake(settings, folder, shown, None)
    assert made.cut.session_shift_s == pytest.approx(-0.01, abs=1e-3)

    correct_drop(settings, "amber-lane", {"bar_one": "+12 ms"})
    _, report = report_of(folder)
    copy, rate = sf.read(folder / report.files.aligned_copy)
    hit_s = float(np.flatnonzero(copy[:, 0])[0]) / rate
    assert report.session.bar_one.at_s - hit_s == pytest.approx(0.012, abs=0.0015)
    assert place_of_bar_one("+1 beat", early, -0.01)[0] == pytest.approx(BAR_ONE_S + 0.01 + PERIOD)


def test_lines_that_a_hit_took_along_go_back_to_the_song_as_the_ears_line_says(studio) -> None:
    """That is where they were measured; the hit, 20 ms early, does not take them along again."""
    settings, folder = studio
    _, report = report_of(folder)
    measured = steady_grid(duration_s=20.0, bar_one_s=BAR_ONE_S + 0.02)
    remake(
        settings,
        folder,
        report.model_copy(update={"analysis": replace(report.analysis, grid=measured)}),
        None,
    )
    said = re.search(r"correct --bar-one=(\S+) puts", " ".join(report_of(folder)[1].check_by_ear))
    assert said is not None

    correct_drop(settings, "amber-lane", {"bar_one": said[1]})
    _, report = report_of(folder)
    copy, rate = sf.read(folder / report.files.aligned_copy)
    hit_s = float(np.flatnonzero(copy[:, 0])[0]) / rate
    assert report.session.bar_one.at_s - hit_s == pytest.approx(0.02, abs=0.0015)


@pytest.mark.parametrize(
    ("said", "exact"),
    [
        ("+1 beat", None),
        ("+2 Bars", None),
        ("+12 ms", True),
        ("+0.3 s", True),
        ("1:02.5", True),
        ("3 s", True),
    ],
)
def test_which_beat_is_the_one_says_nothing_of_where_its_line_lies(said: str, exact: bool | None) -> None:
    first = make_correction({"bar_one": said}, sample_analysis(), None)
    assert first.bar_one_exact is exact
    later = make_correction({"bar_one": "+1 beat", "key": "C minor"}, sample_analysis(), first)
    assert later.bar_one_exact is exact, "lines that were put somewhere stay put"
    assert not Correction(bar_one_exact=None).bar_one_exact


def test_undo_gives_back_what_was_measured(studio, capsys) -> None:
    settings, folder = studio
    before = report_of(folder)[1]
    correct_drop(settings, "amber-lane", {"tempo": 93.5})
    correct_drop(settings, "amber-lane", {"key": "D minor"})
    undo_correction(settings, "amber-lane")
    report = report_of(folder)[1]
    assert (report.answers.tempo.value, report.answers.key.value) == (93.5, "E flat minor")
    undo_correction(settings, "amber-lane")
    assert report_of(folder)[1] == before
    assert stored_correction(settings.folders.state, before.drop.sha256) is None
    with pytest.raises(BeatintakeError, match="nothing was corrected"):
        undo_correction(settings, "amber-lane")


def audio_of(folder: Path) -> np.ndarray:
    return sf.read(folder / report_of(folder)[1].files.aligned_copy, dtype="int16")[0]


@pytest.mark.parametrize(
    "wanted", [{"half": True}, {"key": "C minor"}, {"meter": "3/4"}, {"tuning": -32}, {"bar_one": "+1 beat"}]
)
def test_without_the_producers_file_the_copy_is_enough(studio, wanted) -> None:
    settings, folder = studio
    correct_drop(settings, "amber-lane", wanted)
    with_file, report = audio_of(folder), report_of(folder)[1]
    undo_correction(settings, "amber-lane")
    before = audio_of(folder)
    shutil.rmtree(settings.folders.incoming / "tin-roof")
    correct_drop(settings, "amber-lane", wanted)
    made = report_of(folder)[1]
    assert np.array_equal(audio_of(folder), with_file)
    assert (made.answers, made.cut) == (report.answers, report.cut)
    assert made.aligned_copy.warnings[0].startswith("The producer's file is gone")
    undo_correction(settings, "amber-lane")
    assert np.array_equal(audio_of(folder), before)


def test_without_the_producers_file_its_level_is_not_taken_for_that_of_the_copy(studio, monkeypatch) -> None:
    """What was cut off is not there to be judged, however long the copy: its own level is measured."""
    settings, folder = studio
    monkeypatch.setattr(copylevel, "SHORT_S", 0.0)
    shutil.rmtree(settings.folders.incoming / "tin-roof")
    correct_drop(settings, "amber-lane", {"key": "C minor"})
    report, copy = report_of(folder)[1], audio_of(folder) / 32768
    level = pyloudnorm.Meter(RATE, filter_class="DeMan").integrated_loudness(copy)
    assert report.aligned_copy.integrated_lufs == pytest.approx(level, abs=0.05)
    assert abs(report.analysis.loudness.integrated_lufs - level) > 1.0


def test_what_the_copy_does_not_hold_is_refused_with_the_reason(studio) -> None:
    settings, folder = studio
    correct_drop(settings, "amber-lane", {"bar_one": "+8 bars"})
    assert report_of(folder)[1].cut.source_start > 0
    shutil.rmtree(settings.folders.incoming / "tin-roof")
    sha256 = report_of(folder)[1].drop.sha256
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    with pytest.raises(BeatintakeError, match=r"bar one cannot lie at 0\.100 s; the correction is kept"):
        correct_drop(settings, "amber-lane", {"bar_one": "0.1"})
    assert stored_correction(settings.folders.state, sha256).bar_one_s == 0.1
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_a_source_under_another_name_is_found_by_its_bytes(studio) -> None:
    settings, folder = studio
    drop = settings.folders.incoming / "tin-roof" / "amber-lane.wav"
    drop.rename(settings.folders.incoming / "renamed.wav")
    correct_drop(settings, "amber-lane", {"half": True})
    assert report_of(folder)[1].aligned_copy.warnings == ()


def test_another_version_in_incoming_is_not_taken_for_the_source(studio) -> None:
    settings, folder = studio
    drop = settings.folders.incoming / "tin-roof" / "amber-lane.wav"
    before, sha256 = audio_of(folder), report_of(folder)[1].drop.sha256
    sf.write(drop, np.full((20 * RATE, 2), 0.25), RATE)
    correct_drop(settings, "amber-lane", {"half": True})
    assert report_of(folder)[1].drop.sha256 == sha256
    assert np.array_equal(audio_of(folder), before)


def test_a_file_that_was_interrupted_is_not_applied_twice(studio) -> None:
    settings, folder = studio
    (folder / CORRECTION_FILE).write_text("half: yes\n")
    wanted = read_correction_file(folder / CORRECTION_FILE)
    apply_to_folder(settings, folder, wanted.values, wanted.token)
    assert correct_from_file(settings, folder).kind == "applied"
    assert report_of(folder)[1].answers.tempo.value == 70.0


def test_correction_file_beside_the_report(studio) -> None:
    settings, folder = studio
    assert pending_corrections(settings.folders.ready) == []
    (folder / CORRECTION_FILE).write_text("half: true\n")
    assert pending_corrections(settings.folders.ready) == []  # it may still be being written
    assert [p.folder for p in pending_corrections(settings.folders.ready, quiet_s=0)] == [folder]
    outcome = correct_from_file(settings, folder)
    assert outcome.kind == "applied"
    assert "70 BPM (by hand)" in outcome.text
    assert pending_corrections(settings.folders.ready, quiet_s=0) == []


def test_bad_correction_file_says_why_and_is_not_tried_again(studio) -> None:
    settings, folder = studio
    (folder / CORRECTION_FILE).write_text("key: H minor\n")
    assert correct_from_file(settings, folder).kind == "refused"
    page = folder / report_of(folder)[1].files.page
    assert "The correction file was refused" in page.read_text()
    assert "a key such as" in (folder / REASON_FILE).read_text()
    assert pending_corrections(settings.folders.ready, quiet_s=0) == []
    (folder / CORRECTION_FILE).write_text("key: B minor\n")
    correct_from_file(settings, folder)
    assert not (folder / REASON_FILE).exists()
    assert "The correction file was refused" not in page.read_text()


def test_unknown_and_ambiguous_names_are_refused(studio) -> None:
    settings, folder = studio
    (folder.parent / "amber-lake").mkdir()
    for name, words in (("zinc", "no ready beat"), ("amb", "several fit")):
        with pytest.raises(BeatintakeError, match=words):
            correct_drop(settings, name, {"half": True})


def test_accuracy_counts_corrections_and_confirmations(studio, capsys) -> None:
    settings, _ = studio
    correct_drop(settings, "amber-lane", {"half": True, "key": "E flat minor", "bar_one": "+1 beat"})
    capsys.readouterr()
    print_accuracy(settings)
    lines = {line.split("  ")[0].strip(): line for line in capsys.readouterr().out.splitlines()[1:]}
    assert "1 corrected" in lines["tempo"]
    assert "twice too fast" in lines["tempo"]
    assert "mean confidence when wrong 0.97" in lines["tempo"]
    assert "0 corrected     1 confirmed" in lines["key"]
    assert "whole beats off" in lines["bar one"]


def test_stored_history_holds_the_measurement_as_a_label(studio) -> None:
    settings, folder = studio
    sha256 = report_of(folder)[1].drop.sha256
    correct_drop(settings, "amber-lane", {"tempo": 141})
    entry = read_history(settings.folders.state, sha256).entries[0]
    assert entry.measured["tempo"] == {"value": 140.0, "confidence": 0.97}
    assert entry.correction == Correction(tempo_bpm=141.0)


def test_the_keeper_gives_one_file_at_a_time_to_an_idle_worker(studio, monkeypatch) -> None:
    settings, folder = studio

    class Pool:
        idle = 0
        tasks: ClassVar[list] = []

        def submit(self, task) -> None:
            self.tasks.append(task)

    (folder.parent / "b").mkdir()
    files = [Pending(folder, "1"), Pending(folder.parent / "b", "1")]
    monkeypatch.setattr(pickup_module, "pending_corrections", lambda ready: files)
    pool = Pool()
    pickup = CorrectionPickup(settings, pool)
    pickup.step(10.0)
    assert pool.tasks == []
    pool.idle = 1
    pickup.step(11.0)
    pickup.step(99.0)
    assert [task.arguments for task in pool.tasks] == [(settings, folder)]
    pickup.handle(Done("correction", FileOutcome("refused", "no such key")))
    pickup.step(time.monotonic() + 1)
    assert pool.tasks[-1].arguments == (settings, folder.parent / "b")
    pickup.handle(Died("correction", "killed", ""))
    pickup.step(time.monotonic() + 5)
    assert len(pool.tasks) == 2  # it has its turn again later
    pickup.step(time.monotonic() + 100)
    assert len(pool.tasks) == 3
    pickup.handle(Died("correction", "killed", ""))
    pickup.step(time.monotonic() + 9999)
    assert len(pool.tasks) == 3, "twice is enough"
    files[0] = Pending(folder, "touched")
    pickup.step(time.monotonic() + 99999)
    assert len(pool.tasks) == 4


def test_a_refusal_outlives_the_service_and_shows_in_status(studio) -> None:
    settings, folder = studio
    (folder / CORRECTION_FILE).mkdir()
    (folder / REASON_FILE).mkdir()
    file = pending_corrections(settings.folders.ready, quiet_s=0)[0]
    outcome = correct_from_file(settings, folder)
    Refusals.load(settings.folders.state, settings.folders.ready).settle(file, outcome.text)
    later = Refusals.load(settings.folders.state, settings.folders.ready)
    assert later.settled(file)
    shown = "\n".join(as_lines(read_status(settings), settings))
    assert "amber-lane: correction.yaml: it is a folder, link, pipe or device" in shown
    (folder / CORRECTION_FILE).rmdir()
    (folder / REASON_FILE).rmdir()
    assert later.current() == {}


def test_drops_that_wait_are_not_held_up_by_corrections(studio, monkeypatch) -> None:
    settings, folder = studio

    class Pool:
        idle = 1
        tasks: ClassVar[list] = []

        def submit(self, task) -> None:
            self.tasks.append(task)

    monkeypatch.setattr(
        pickup_module, "pending_corrections", lambda ready: [Pending(folder, str(time.monotonic()))]
    )
    pickup = CorrectionPickup(settings, Pool())
    now = time.monotonic()
    pickup.step(now - 10, drops_wait=True)
    pickup.handle(Done("correction", FileOutcome("applied", "")))  # it took ten seconds
    pickup.step(now + 39, drops_wait=True)
    assert len(Pool.tasks) == 1
    pickup.step(now + 39)  # none waits any more
    assert len(Pool.tasks) == 2
    pickup.handle(Done("correction", FileOutcome("applied", "")))
    pickup.step(now + 45, drops_wait=True)
    assert len(Pool.tasks) == 3
