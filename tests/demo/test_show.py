"""The demo run: the real service on folders of its own."""

import contextlib
import json
import subprocess
import sys

import pytest
import soundfile

from config.load import load_settings
from daemon.cli import main
from demo import show
from demo.scenario import make_demo
from demo.show import drop, run_demo, wait_until_watching, write_config


def test_the_demo_configuration_is_valid_and_stays_inside_its_folder(tmp_path):
    settings = load_settings(write_config(tmp_path))
    for folder in ("incoming", "ready", "rejected", "state"):
        assert getattr(settings.folders, folder) == tmp_path / folder


def test_drops_land_in_the_folder_of_their_producer(tmp_path):
    (beat,) = make_demo(tmp_path / "made", ("half a song",))
    drop(beat, tmp_path / "incoming")
    landed = tmp_path / "incoming" / "lamplight-row" / "half a song.flac"
    assert landed.read_bytes() == beat.path.read_bytes()


def test_a_service_that_ends_at_once_is_not_waited_for(tmp_path):
    with subprocess.Popen([sys.executable, "-c", "pass"]) as process:
        assert not wait_until_watching(process, tmp_path)


def test_two_drops_go_through_the_real_service(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("OMP_NUM_THREADS", "1")
    assert run_demo(tmp_path, ("bare drums", "half a song")) == 0
    shown = capsys.readouterr().out
    assert "2 of 2 done" in shown
    assert "rejected with a reason, as it must be" in shown
    assert "108.5" in shown
    assert list((tmp_path / "ready").glob("*/*.report.html"))
    assert (tmp_path / "incoming" / "lamplight-row" / "bare drums.wav").exists()  # the original stays


@pytest.mark.parametrize(("seconds_late", "keyless", "code"), [(0, False, 0), (0.02, False, 1), (0, True, 1)])
def test_a_wrong_row_makes_the_command_fail(tmp_path, capsys, monkeypatch, seconds_late, keyless, code):
    """A service that says what is true of the beat, but for what the test changes."""

    def publish(beat, incoming):
        truth = beat.truth
        says = {
            "tempo": truth.tempo_bpm,
            "bar_one": truth.first_downbeat_s + seconds_late,
            "key": None if keyless else f"{truth.key_tonic} {truth.key_mode}",
            "first_sound": truth.first_sound_s,
        }
        answers = {name: {"value": value, "confidence": 0.95} for name, value in says.items()}
        place = incoming.parent / "ready" / beat.title
        place.mkdir(parents=True)
        start = round(truth.first_sound_s * truth.samplerate)
        samples, rate = soundfile.read(beat.path)
        soundfile.write(place / "copy.wav", samples[start:], rate)
        record = {
            "drop": {"producer": beat.producer, "name": beat.path.name, "rate": rate},
            "answers": answers,
            "cut": {"source_start": start, "pad_samples": 0},
            "aligned_copy": {"file": "copy.wav", "gain_db": 0.0},
        }
        (place / "a.report.json").write_text(json.dumps(record))

    monkeypatch.setattr(show, "make_demo", lambda place, titles: make_demo(place, ("linen kites",)))
    monkeypatch.setattr(show, "service", lambda config, log: contextlib.nullcontext())
    monkeypatch.setattr(show, "wait_until_watching", lambda process, state: True)
    monkeypatch.setattr(show, "wait_until_done", lambda process, beats, root: None)
    monkeypatch.setattr(show, "drop", publish)

    assert main(["demo", "--to", str(tmp_path)]) == code
    told = capsys.readouterr()
    assert ("WRONG" in told.out) == bool(code)
    assert ("linen kites" in told.err) == bool(code)
