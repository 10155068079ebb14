"""One event has one bar and one second in copy, cues, map, card, page and report; levels are the copy's."""

from __future__ import annotations

import json
import struct
from dataclasses import replace
from pathlib import Path

import mido
import numpy as np
import pyebur128
import pyloudnorm
import pytest
import soundfile as sf
from scipy.signal import butter, sosfilt

from analyzers.health.faults import find_faults
from analyzers.level.loudness import measure_loudness
from analyzers.model import BeatRestart, Grid, KeyChange, Section
from analyzers.rhythm.bars import bar_lines
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from config.settings import Settings
from daemon.corrections.apply import Correction
from daemon.decode.decoder import decode
from daemon.export.plan import plan_cut
from daemon.export.sessionview import in_session
from daemon.pipeline.render import render_drop
from daemon.report.report import Report
from tests.daemon.export.session_reader import Opened
from tests.daemon.sample_report import sample_analysis

RATE, BPM = 44100, 120.0
WORKING_LUFS = -18.0
BAR_S = 2.0
HOLE_S = 0.3  # after the key change: a dropout of 5 ms
ONE_S, CHANGE_S, SECTION_S = 3.25, 3.25 + 8 * BAR_S, 3.25 + 4 * BAR_S


def grid(drift: float = 0.0, late_s: float = 0.0) -> Grid:
    """Bar one at 3.25 s, 60 beats; with drift each beat is that much longer than the one before.

    Where it starts anew, the beat before bar 4 is so much longer than the others.
    """
    periods = 0.5 * (1 + drift) ** np.arange(60)
    periods[11] += late_s
    later = ONE_S + np.concatenate([[0.0], np.cumsum(periods[:-1])])
    beats = tuple(float(t) for t in (*(ONE_S - 0.5 * k for k in range(6, 0, -1)), *later))
    base = sample_analysis().grid
    curve = ((0.0, BPM),) if not drift else tuple((b, 60 / p) for b, p in zip(later, periods, strict=True))
    anew = float(later[12])
    curve = ((0.0, BPM), (anew, BPM)) if late_s else curve
    return replace(
        base,
        tempo_bpm=BPM,
        tempo_alternatives=(),
        constant_tempo=not drift and not late_s,
        bar_one_s=ONE_S,
        beats_s=beats,
        downbeats=tuple((k - 6) % 4 == 0 for k in range(len(beats))),
        tempo_curve=curve,
        proof=None,
        restarts=(BeatRestart(float(later[11]), anew),) if late_s else (),
    )


def published(
    folder: Path,
    *,
    pickup_s: float = 0.0,
    drift: float = 0.0,
    late_s: float = 0.0,
    lead: int = 0,
    level: float = 0.3,
    band_limited: bool = False,
    click: bool = False,
    correction: Correction | None = None,
    **out: object,
) -> tuple[Report, Path]:
    """A noise beat with a key change at bar 9 and section B at bar 5, through the renderer; with `click`
    one lies so far ahead that it is cut off."""
    found = grid(drift, late_s)
    lines = [t for t, down in zip(found.beats_s, found.downbeats, strict=True) if down and t >= ONE_S]
    start = ONE_S - pickup_s
    noise = np.random.default_rng(5).normal(0, level / 3, (round(34 * RATE), 2))
    if band_limited:  # meters read peaks near half the sampling rate apart
        noise = sosfilt(butter(8, 9000, fs=RATE, output="sos"), noise, axis=0)
    noise = noise.clip(-1.5, 1.5)
    noise[: round(start * RATE)] = 0.0
    noise[round((lines[8] + HOLE_S) * RATE) :][: RATE // 200] = 0.0
    if click:
        noise[round(0.3 * RATE) :][:2] = 0.95
    sf.write(folder / "beat.wav", noise, RATE, subtype="FLOAT")
    base = sample_analysis()
    analysis = replace(
        base,
        duration_s=34.0,
        grid=found,
        lead_in=replace(base.lead_in, first_sound_s=start, first_sound_sample=round(start * RATE)),
        key=replace(base.key, changes=(KeyChange(lines[8], "F", "minor", 0.7),)),
        sections=(Section(ONE_S, lines[4], "A", 1, 0.9), Section(lines[4], 34.0, "B", 5, 0.9)),
        chords=(),
        flags=find_faults(Features(Signal(noise.astype(np.float32), RATE)), base.lead_in, base.loudness),
    )
    settings = Settings.model_validate(
        {
            "output": {"lead_in_bars": lead, **out},
        }
    )
    (folder / "out").mkdir()
    decoded = decode(folder / "beat.wav", limits=settings.limits)
    analysis = replace(analysis, loudness=measure_loudness(Features(decoded.signal)))
    report = render_drop(decoded, analysis, settings, folder / "out", "beat", correction=correction)
    return report, folder / "out"


def marker_seconds(path: Path) -> dict[str, float]:
    """Markers, note sets and key signatures of a Standard MIDI File at their seconds, read by mido."""
    file, found, now, tempo = mido.MidiFile(path), {}, 0.0, 500000
    for message in mido.merge_tracks(file.tracks):
        now += mido.tick2second(message.time, file.ticks_per_beat, tempo)
        if message.type == "set_tempo":
            tempo = message.tempo
        elif message.type == "marker":
            found.setdefault(message.text, now)
        elif message.type == "text" and message.text.startswith("notes: "):
            found[f"set {sum(name.startswith('set') for name in found)}"] = now
        elif message.type == "key_signature":
            found[f"key {message.key}"] = now
    return found


def marker_bars(path: Path) -> dict[str, int]:
    """Bars of the markers and key signatures, counted through the file's own time signatures."""
    file, now, bar, line, length, found = mido.MidiFile(path), 0, 1, 0, 4 * 960, {}
    for message in mido.merge_tracks(file.tracks):
        now += message.time
        while now >= line + length:
            bar, line = bar + 1, line + length
        if message.type == "time_signature":
            assert now == line, "a meter changes on a bar line"
            length = file.ticks_per_beat * 4 * message.numerator // message.denominator
        elif message.type == "marker":
            found.setdefault(message.text, bar)
        elif message.type == "key_signature":
            found[f"key {message.key}"] = bar
    return found


CASES = {
    "plain": {},
    "pickup": {"pickup_s": 0.5},
    "played early": {"pickup_s": 0.012},
    "drift": {"drift": 0.0004},
    "beat starts anew": {"late_s": 0.19, "lead": 1},
    "pickup and lead-in bars": {"pickup_s": 0.5, "lead": 2},
    "from the first sound": {"pickup_s": 0.5, "start": "first_sound"},
    "from the first sound, in thirds": {"pickup_s": 0.83, "start": "first_sound"},
    "from the first sound, drift": {"pickup_s": 0.5, "start": "first_sound", "drift": 0.0004},
    "from the first sound after lead-in bars": {"pickup_s": 0.5, "start": "first_sound", "lead": 2},
}


@pytest.mark.parametrize("case", CASES)
def test_one_event_has_one_bar_and_one_second_everywhere(tmp_path: Path, case: str) -> None:
    report, out = published(tmp_path, **CASES[case])  # type: ignore[arg-type]
    shape = CASES[case]
    pickup = shape["pickup_s"] if shape.get("pickup_s", 0) >= 0.5 else 0.0
    before = (1 if pickup else 0) + shape.get("lead", 0)
    record = report.session
    assert record is not None
    assert record.bar_one is not None
    change, section = record.key_changes[0], record.sections[1]
    assert f", then {change.tonic} {change.mode}" in report.files.aligned_copy

    assert record.bar_one.bar == before + 1
    assert (change.bar, section.bar) == (before + 9, before + 5)

    copy, rate = sf.read(out / report.files.aligned_copy)
    first = float(np.flatnonzero(np.abs(copy).max(axis=1) > 1e-4)[0]) / rate
    assert first == pytest.approx(record.bar_one.at_s - pickup, abs=0.002)
    if "start" in shape:
        assert first == pytest.approx(BAR_S * shape.get("lead", 0), abs=0.002)

    marks = marker_seconds(out / str(report.files.map))
    assert marks["B"] == pytest.approx(section.at_s, abs=1e-3)
    assert marks["key Fm"] == pytest.approx(change.at_s, abs=1e-3)
    guide = marker_seconds(out / str(report.files.guide))
    assert [guide["set 1"], guide["set 2"]] == pytest.approx([section.at_s, change.at_s], abs=1e-3)

    if "drift" in shape:
        midi = mido.MidiFile(out / str(report.files.map))
        tempi = [mido.tempo2bpm(m.tempo) for m in midi.tracks[0] if m.type == "set_tempo"]
        assert [bpm for _, bpm in record.tempo_curve] == pytest.approx(tempi, abs=0.01)
        assert f"{min(tempi):.0f} to {max(tempi):.0f} BPM" in report.files.aligned_copy

    if "late_s" in shape:
        [restart] = report.in_session().grid.restarts
        assert restart.at_s == pytest.approx(section.at_s - BAR_S, abs=1e-3)
        assert f"BPM, beat starts anew at bar {section.bar - 1}" in (out / str(report.files.card)).read_text()

    bars = marker_bars(out / str(report.files.map))
    assert (bars["B"], bars["key Fm"]) == (section.bar, change.bar)
    session = Opened(out / str(report.files.session))
    marked = {name: (bar, at_s) for name, bar, at_s in session.marker_bars()}
    assert marked["B"] == (section.bar, pytest.approx(section.at_s, abs=1e-3))

    page = (out / report.files.page).read_text().replace("\N{NO-BREAK SPACE}", " ")
    said = f"bar {change.bar} ({change.at_s:.2f} s)"
    assert said in page
    assert said in "\n".join(report.check_by_ear)
    assert f"bar {change.bar}" in (out / str(report.files.card)).read_text()
    hole_s = (
        grid(shape.get("drift", 0.0), shape.get("late_s", 0.0)).beats_s[6 + 32] + HOLE_S - report.cut.zero_s
    )
    hole = f"Dropouts of up to 5.0 ms at bar {change.bar} ({hole_s:.2f} s)"
    assert hole in page
    assert hole in "\n".join(report.check_by_ear)

    data = (out / report.files.aligned_copy).read_bytes()
    assert f"B bar {section.bar}".encode() in data  # cue label; its sample is tested with the writer
    assert b"key: F minor?" in data
    assert (
        json.loads((out / report.files.report).read_text())["session"]["key_changes"][0]["bar"] == change.bar
    )


LATE_KEY = grid(0.004).beats_s[6 + 40]  # bar 11 of the grid that nobody corrected
CORRECTED = {
    "a beat later": Correction(bar_one_s=grid(0.004).beats_s[7]),
    "half": Correction(tempo_bpm=BPM / 2),
    "three to the bar": Correction(meter="3/4"),
    "another key before another tempo": Correction(
        tempo_bpm=110.0, key="E flat minor", key_changes=((LATE_KEY, "G minor"),)
    ),
}


@pytest.mark.parametrize("case", CORRECTED)
def test_after_a_correction_sections_and_keys_begin_on_lines_of_the_new_grid(
    tmp_path: Path, case: str
) -> None:
    """Of a beat that slows down: no mean tempo counts its bars."""
    report, out = published(tmp_path, drift=0.004, correction=CORRECTED[case])
    record, view = report.session, report.in_session()
    assert record is not None
    [change], section = record.key_changes, record.sections[-1]
    key = f"key {change.tonic[0]}m"
    lines = dict(bar_lines(view.grid))
    for place in (change, section):
        assert lines[place.bar] == pytest.approx(place.at_s, abs=1e-9)

    path = out / str(report.files.map)
    bars, marks = marker_bars(path), marker_seconds(path)
    assert (bars["B"], bars[key]) == (section.bar, change.bar)
    assert marks["B"] == pytest.approx(section.at_s, abs=1e-3)
    assert marks[key] == pytest.approx(change.at_s, abs=1e-3)
    data = (out / report.files.aligned_copy).read_bytes()
    assert f"B bar {section.bar}".encode() in data
    assert f"bar {change.bar} ({change.at_s:.2f} s)" in (out / report.files.page).read_text().replace(
        "\N{NO-BREAK SPACE}", " "
    )


def test_the_view_counts_from_the_copys_first_bar() -> None:
    analysis = sample_analysis()
    plan = plan_cut(analysis, frames=round(66 * RATE), rate=RATE, lead_in_bars=1)
    view = in_session(analysis, plan)

    assert view.grid.bar_one_s == pytest.approx(0.0, abs=1e-4)
    assert view.grid.beats_s[0] == pytest.approx(0.0, abs=1e-4)
    assert view.grid.downbeats[0]
    assert view.sections[0].first_bar == analysis.sections[0].first_bar + plan.bars_before_bar_one


def test_levels_are_those_of_the_copy_by_another_meter(tmp_path: Path) -> None:
    """ITU-R BS.1770 by pyloudnorm on the written file; a source over full scale is turned down."""
    report, out = published(tmp_path, level=1.6, bit_depth=24)
    copy, rate = sf.read(out / report.files.aligned_copy)
    loud = pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(copy)

    assert report.aligned_copy.gain_db < -1.0
    assert report.answers.integrated_loudness.value == pytest.approx(loud, abs=0.1)
    evidence = {item.what: item.value for item in report.answers.integrated_loudness.evidence}
    assert evidence["the producer's file"] == pytest.approx(loud - report.aligned_copy.gain_db, abs=0.1)
    assert evidence["suggested gain"] <= -18.0 - loud + 0.1
    assert report.analysis.loudness.integrated_lufs == evidence["the producer's file"]


CLIPPED = {"level": 1.6, "bit_depth": 24}
QUIET = {"level": 0.03, "click": True}
WRITTEN = {
    "as it is": {},
    "resampled": {"sample_rate": 48000},
    "resampled up": {"sample_rate": 96000},
    "dithered": {"bit_depth": 16, "level": 0.004},
    "turned down": CLIPPED,
    "turned down and resampled": {**CLIPPED, "sample_rate": 48000},
    "at the working level": {"apply_gain": True, "bit_depth": 16, "sample_rate": 88200},
    "without a click": QUIET,
    "without a click, in 16 bits": {**QUIET, "bit_depth": 16},
    "without a click, at the working level": {**QUIET, "apply_gain": True, "lead": 1},
}


@pytest.mark.parametrize("case", WRITTEN)
def test_peaks_and_loudness_are_those_of_the_written_file(tmp_path: Path, case: str) -> None:
    """By libebur128 (ITU-R BS.1770-4) on the file; EBU Tech 3341 allows a true-peak meter +0.2 / -0.4 dB."""
    report, out = published(tmp_path, band_limited=True, **WRITTEN[case])  # type: ignore[arg-type]
    copy, rate = sf.read(out / report.files.aligned_copy, always_2d=True)
    mode = pyebur128.MeasurementMode
    meter = pyebur128.R128State(copy.shape[1], rate, mode.MODE_I | mode.MODE_TRUE_PEAK)
    meter.add_frames(np.ascontiguousarray(copy).ravel(), len(copy))
    peak = max(pyebur128.get_true_peak(meter, channel) for channel in range(copy.shape[1]))
    level = report.aligned_copy

    assert level.sample_peak_dbfs == pytest.approx(20 * np.log10(np.abs(copy).max()), abs=1e-4)
    assert level.true_peak_dbtp == pytest.approx(20 * np.log10(peak), abs=0.2)
    assert level.integrated_lufs == pytest.approx(pyebur128.get_loudness_global(meter), abs=0.05)
    assert report.answers.true_peak.value == level.true_peak_dbtp
    assert report.in_session().loudness.true_peak_dbtp == level.true_peak_dbtp
    header = (out / report.files.aligned_copy).read_bytes()[:1024]
    said, _, said_peak = struct.unpack_from("<3h", header, header.index(b"bext") + 8 + 412)
    assert said / 100 == pytest.approx(level.integrated_lufs, abs=0.0051)
    assert said_peak / 100 == pytest.approx(level.true_peak_dbtp, abs=0.0051)
    if "click" in WRITTEN[case]:
        wanted = WORKING_LUFS - level.integrated_lufs
        evidence = {item.what: item.value for item in report.answers.integrated_loudness.evidence}
        assert evidence["suggested gain"] == pytest.approx(wanted, abs=0.051)
    source = report.analysis.loudness.true_peak_dbtp
    evidence = {item.what: item.value for item in report.answers.integrated_loudness.evidence}
    assert evidence.get("its true peak", source) == source


def test_the_loudness_that_resampling_takes_off_is_measured(tmp_path: Path) -> None:
    """A resampler has to end before half the rate: white noise loses what lies there."""
    report, out = published(tmp_path, sample_rate=48000)
    copy, rate = sf.read(out / report.files.aligned_copy)
    loud = pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(copy)

    assert report.aligned_copy.integrated_lufs == pytest.approx(loud, abs=0.02)
    assert report.in_session().loudness.integrated_lufs == report.aligned_copy.integrated_lufs
    assert report.aligned_copy.integrated_lufs < report.analysis.loudness.integrated_lufs - 0.1


def test_the_loudness_that_clipping_takes_off_is_measured(tmp_path: Path) -> None:
    """By pyloudnorm (ITU-R BS.1770) on the copy of a source of half as much again as full scale."""
    report, out = published(tmp_path, level=3.0, bit_depth=24, over_full_scale="clip")
    copy, rate = sf.read(out / report.files.aligned_copy)
    loud = pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(copy)

    assert np.abs(copy).max() == pytest.approx(1.0, abs=1e-6)
    assert report.aligned_copy.integrated_lufs == pytest.approx(loud, abs=0.02)
    assert report.aligned_copy.integrated_lufs < report.analysis.loudness.integrated_lufs - 0.5
    evidence = {item.what: item.value for item in report.answers.integrated_loudness.evidence}
    assert evidence["suggested gain"] == pytest.approx(WORKING_LUFS - loud, abs=0.051)


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
@pytest.mark.parametrize("bpm", [92.0, 103.7, 140.0])
def test_bar_one_of_the_session_has_its_line(rate: int, bpm: float) -> None:
    """The copy starts on a whole sample: what the rounding leaves must not lose the first line."""
    found = replace(grid(), tempo_bpm=bpm, tempo_curve=((0.0, bpm),))
    beats = tuple(ONE_S + k * 60 / bpm for k in range(40))
    found = replace(found, beats_s=beats, downbeats=tuple(k % 4 == 0 for k in range(40)))
    base = replace(sample_analysis(), grid=found)
    lead = replace(base.lead_in, first_sound_s=ONE_S - 0.2)
    for bars in range(4):
        plan = plan_cut(replace(base, lead_in=lead), frames=30 * rate, rate=rate, lead_in_bars=bars)
        view = in_session(replace(base, lead_in=lead), plan)
        assert bar_lines(view.grid)[0] == (1, pytest.approx(0.0, abs=1 / rate))
        assert dict(bar_lines(view.grid))[bars + 2] == pytest.approx(plan.bar_one_in_copy_s, abs=1e-9)
