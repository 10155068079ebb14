"""The main job on real files of every format: a beat with exact truth becomes copy, map and report.

Scores are those of mir_eval (Raffel et al., ISMIR 2014): beat F-measure with its 70 ms window and the
MIREX key weights. The copy is read back with soundfile, the map with mido.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import jsonschema
import mido
import mir_eval
import numpy as np
import pytest
import soundfile as sf

from config.settings import Folders, Output, Settings
from daemon.cli import main
from daemon.pipeline.job import JobRequest, run_job
from demo.render import render
from demo.spec import random_spec

CONTRACT = """
    file tempo_bpm tempo_confidence tempo_alternatives constant_tempo meter first_downbeat_s
    bar_one_confidence first_sound_s beats key_tonic key_mode key_confidence key_alternatives key_changes
    tuning_cents chords sections lufs lra true_peak_dbtp flags seconds
"""
FORMATS = {
    "wav16": ("wav", {"subtype": "PCM_16"}),
    "wav24": ("wav", {"subtype": "PCM_24"}),
    "wav32": ("wav", {"subtype": "PCM_32"}),
    "float": ("wav", {"subtype": "FLOAT"}),
    "rf64": ("wav", {"format": "RF64", "subtype": "PCM_24"}),
    "aiff": ("aiff", {"subtype": "PCM_24"}),
    "flac": ("flac", {"subtype": "PCM_24"}),
    "ogg": ("ogg", {}),
    "mp3": ("mp3", {}),
}
LOSSLESS = [name for name in FORMATS if name not in ("ogg", "mp3")]


@pytest.fixture(scope="module")
def beat():
    """A house beat: sequenced, four kicks a bar."""
    samples, truth = render(random_spec(11, style="house", length_s=30))
    return np.clip(samples, -1, 1 - 2**-15), truth


@pytest.fixture(scope="module", params=FORMATS)
def done(request, beat, tmp_path_factory):
    """(format name, source file, ready folder, report) of one format."""
    samples, truth = beat
    extension, form = FORMATS[request.param]
    folder = tmp_path_factory.mktemp(request.param)
    source = folder / f"mill road.{extension}"
    sf.write(source, samples, truth.samplerate, **form)
    return request.param, source, *publishable(source, folder / "out")


def publishable(source: Path, staging: Path, output: Output | None = None):
    """Run the job into `staging`; (folder, report)."""
    staging.mkdir()
    places = {name: staging.parent / name for name in ("incoming", "ready", "rejected", "state")}
    for place in places.values():
        place.mkdir(exist_ok=True)
    settings = Settings(folders=Folders(**places), output=output or Output())
    result = run_job(JobRequest(source, staging, settings, "test producer"))
    assert result.outcome == "ready", result.reason
    return staging, json.loads((staging / f"{source.stem}.report.json").read_text(encoding="ascii"))


def test_tempo_beats_and_bar_one(done, beat):
    name, _, _, report = done
    truth = beat[1]
    grid = report["analysis"]["grid"]

    assert grid["tempo_bpm"] == pytest.approx(truth.tempo_bpm, abs=0.005)
    reference = np.array([at for at, _ in truth.beats])
    assert mir_eval.beat.f_measure(reference, np.array(grid["beats_s"])) > 0.95
    lines = np.array([at for at, down in truth.beats if down])
    assert np.abs(lines - grid["bar_one_s"]).min() < 0.005, name


def test_key(done, beat):
    """MIREX: 1 for the same key, 0.5 a fifth, 0.3 the relative, 0.2 the parallel."""
    key, truth = done[3]["analysis"]["key"], beat[1]
    flat = {"flat": "b", "sharp": "#"}

    def spelled(tonic: str, mode: str) -> str:
        letter, *sign = tonic.split()
        folded = "major" if mode in ("major", "mixolydian", "lydian") else "minor"
        return f"{letter}{flat[sign[0]] if sign else ''} {folded}"

    score = mir_eval.key.weighted_score(
        spelled(truth.key_tonic, truth.key_mode), spelled(key["tonic"], key["mode"])
    )
    assert score == 1.0


def test_the_copy_starts_on_a_bar_line_and_keeps_every_sound(done, beat):
    _, _, folder, report = done
    cut, truth = report["cut"], beat[1]
    lines = [at for at, down in truth.beats if down]
    bar = lines[1] - lines[0]
    copy, rate = sf.read(folder / report["files"]["aligned_copy"], always_2d=True)

    off = (cut["zero_s"] - cut["session_shift_s"] - lines[0]) / bar
    assert abs(off - round(off)) * bar < 0.005
    assert -0.03 < cut["session_shift_s"] <= 0.008
    assert cut["bars_before_bar_one"] == 0  # no pickup, no bar in front
    assert cut["zero_s"] <= truth.first_sound_s + 0.015  # a lossy codec's pre-echo is no sound
    assert len(copy) == report["aligned_copy"]["frames"]
    assert not copy[: cut["pad_samples"]].any()
    assert rate == truth.samplerate


@pytest.mark.parametrize("done", LOSSLESS, indirect=True)
def test_a_lossless_source_is_copied_bit_for_bit(done):
    _, source, folder, report = done
    cut = report["cut"]
    copy, _ = sf.read(folder / report["files"]["aligned_copy"], always_2d=True, dtype="float64")
    original, _ = sf.read(source, always_2d=True, dtype="float64")

    assert report["aligned_copy"]["bit_identical"]
    assert np.array_equal(copy[cut["pad_samples"] :], original[cut["source_start"] : cut["source_end"]])


def test_the_map_has_the_same_zero_and_tempo(done):
    _, _, folder, report = done
    midi = mido.MidiFile(folder / report["files"]["map"])
    tempi = [message.tempo for message in midi.tracks[0] if message.type == "set_tempo"]

    assert midi.type == 1
    # Standard MIDI File 1.0: microseconds per quarter note
    assert tempi[0] == round(60e6 / report["analysis"]["grid"]["tempo_bpm"])
    assert any(message.type == "key_signature" for message in midi.tracks[0])


def test_report_page_and_click_check(done):
    _, _, folder, report = done
    schema = json.loads(Path("daemon/report/report.schema.json").read_text(encoding="utf-8"))
    page = (folder / report["files"]["page"]).read_text(encoding="utf-8")

    jsonschema.Draft202012Validator(schema).validate(report)
    assert report["answers"]["key"]["value"] in page
    assert "room for the voice" in page  # the working level, in words
    gain = evidence_of(report["answers"]["integrated_loudness"], "suggested gain")
    loudness = report["analysis"]["loudness"]
    turned = report["aligned_copy"]["gain_db"]  # the advice is about the copy
    assert loudness["integrated_lufs"] + turned + gain == pytest.approx(-18.0, abs=0.06)
    assert loudness["true_peak_dbtp"] + turned + gain <= -1.0
    assert sf.info(folder / report["files"]["click_check"]).frames > 0


def evidence_of(estimate: dict, what: str):
    (found,) = [item["value"] for item in estimate["evidence"] if item["what"] == what]
    return found


def test_the_original_is_untouched_and_the_analysis_is_deterministic(done, tmp_path):
    _, source, _, report = done
    before = (source.read_bytes(), source.stat().st_mtime_ns)

    _, again = publishable(source, tmp_path / "again")

    assert again == report
    assert (source.read_bytes(), source.stat().st_mtime_ns) == before


@pytest.mark.parametrize("rate", [44100, 48000, 88200, 96000, 192000])
def test_every_usual_rate_mono(rate, tmp_path):
    """60 / 120 BPM = 0.5 s a beat (arithmetic); attacks at known samples."""
    time = np.arange(rate * 15) / rate
    kick = np.sin(2 * np.pi * 55 * time) * np.exp(-(time % 0.5) * 18) * 0.6
    snare = np.random.default_rng(5).standard_normal(len(time)) * np.exp(-((time - 0.5) % 1.0) * 30) * 0.2
    source = tmp_path / "x.wav"
    sf.write(source, np.r_[np.zeros(rate), kick + snare * (time >= 0.5)], rate, subtype="PCM_24")

    _, report = publishable(source, tmp_path / "out")

    assert report["analysis"]["grid"]["tempo_bpm"] in (
        pytest.approx(120, abs=0.01),
        pytest.approx(60, abs=0.01),
    )
    assert report["analysis"]["lead_in"]["first_sound_s"] == pytest.approx(1.0, abs=0.002)
    assert report["aligned_copy"]["rate"] == rate


def test_lead_in_bars_put_whole_bars_of_silence_in_front(beat, tmp_path):
    samples, truth = beat
    source = tmp_path / "x.wav"
    sf.write(source, samples, truth.samplerate, subtype="PCM_24")
    _, plain = publishable(source, tmp_path / "plain")

    folder, padded = publishable(source, tmp_path / "padded", Output(lead_in_bars=2))

    copy, rate = sf.read(folder / padded["files"]["aligned_copy"], always_2d=True)
    grid = plain["analysis"]["grid"]
    bar = 60 / grid["tempo_bpm"] * grid["beats_per_bar"]
    assert padded["cut"]["zero_s"] == pytest.approx(plain["cut"]["zero_s"] - 2 * bar, abs=2 / rate)
    assert not copy[: int(2 * bar * rate) - 1].any()


def test_analyse_prints_exactly_the_contract_and_goes_on_after_a_failure(beat, tmp_path, capsys, monkeypatch):
    samples, truth = beat
    good = tmp_path / "good.flac"
    sf.write(good, samples, truth.samplerate)
    bad = tmp_path / "bad.wav"
    bad.write_bytes(b"not audio at all")
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.rglob("*"))

    code = main(["analyse", "--json", str(bad), str(good), str(tmp_path / "missing.wav")])

    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert code == 3
    assert [line["file"] for line in lines] == [str(bad), str(good), str(tmp_path / "missing.wav")]
    assert "error" in lines[0]
    assert list(lines[1]) == CONTRACT.split()
    assert "error" in lines[2]
    assert sorted(tmp_path.rglob("*")) == before


PUBLISH = """
import sys
from pathlib import Path
from config.settings import Settings
from daemon.pipeline.job import JobRequest, run_job
from daemon.pipeline.warm_up import warm_up
warm_up()
source, staging, settings = sys.argv[1:]
result = run_job(JobRequest(Path(source), Path(staging), Settings.model_validate_json(settings), "mira"))
heavy = {"librosa", "numba", "sklearn", "scipy.signal", "scipy.stats"}
print(result.outcome, sorted(heavy & set(sys.modules)))
"""


def test_a_plain_beat_is_published_without_the_heavy_libraries(beat, tmp_path):
    samples, truth = beat
    source = tmp_path / "mill road.wav"
    sf.write(source, samples, truth.samplerate)
    places = {name: tmp_path / name for name in ("incoming", "ready", "rejected", "state", "staging")}
    for place in places.values():
        place.mkdir()
    staging = places.pop("staging")
    settings = Settings(folders=Folders(**places)).model_dump_json()
    command = [sys.executable, "-c", PUBLISH, source, staging, settings]
    done = subprocess.run(command, capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "ready []"
