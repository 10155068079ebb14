"""Folders of stems: the sum, the common zero, a line for each, two-tracks recognised and checked."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import numpy as np
import pytest

from config.settings import Limits
from daemon.core.errors import ChangedWhileReading, TooLong, UnreadableAudio
from daemon.decode.decoder import decode
from daemon.decode.stems import read_stems
from daemon.decode.tags import claims
from daemon.decode.twotrack import Windows, compare, hinted
from tests.daemon.make_audio import (
    Samples,
    clicks,
    file_bytes,
    flac_claiming,
    lag,
    noise,
    without_delay_tag,
    write,
)

RATE = 44100
LENGTH_S = 12.0
FLOAT = {"subtype": "FLOAT"}
MP3 = {"format": "MP3", "subtype": "MPEG_LAYER_III", "bitrate_mode": "CONSTANT", "compression_level": 0.0}


def part(seed: int, low_hz: float, high_hz: float, level: float = 0.1, mono: bool = False) -> Samples:
    """Noise in one band with an envelope of its own: as unlike the other parts as stems are."""
    rng = np.random.default_rng(seed)
    frames = int(LENGTH_S * RATE)
    spectrum = np.fft.rfft(rng.standard_normal((frames, 1 if mono else 2)), axis=0)
    hz = np.fft.rfftfreq(frames, 1 / RATE)
    spectrum[(hz < low_hz) | (hz > high_hz)] = 0
    wave = np.fft.irfft(spectrum, frames, axis=0)
    gate = np.repeat(rng.random(int(LENGTH_S * 4)) > 0.4, RATE // 4)[:, None]
    wave = wave / wave.std() * level * gate
    return wave.astype(np.float32)


PARTS = {
    "drums": part(1, 50, 16000, 0.15),
    "bass": part(2, 40, 300, 0.2, mono=True),
    "keys": part(3, 200, 4000, 0.05),
    "lead": part(4, 400, 8000, 0.07),
    "hats": part(5, 6000, 16000, 0.03),
}
TOTAL = sum(PARTS.values()).astype(np.float32)
MASTERED = (np.tanh(TOTAL / np.abs(TOTAL).max() * 3) * 0.95).astype(np.float32)


def folder_of(tmp_path: Path, **files: Samples) -> Path:
    folder = tmp_path / "amber lane"
    folder.mkdir(exist_ok=True)
    for name, samples in files.items():
        write(folder / f"{name}.wav", samples, RATE, **FLOAT)
    return folder


def read(folder: Path, **limits: float):
    return decode(folder, limits=Limits(**limits))


def role_of(decoded, name: str) -> str:
    return next(stem.role for stem in decoded.stems if stem.name.startswith(name))


def test_the_signal_is_the_plain_sum(tmp_path):
    """Mono stems go into both channels at full level; nothing is normalised."""
    found = read(folder_of(tmp_path, **PARTS))

    assert np.allclose(found.signal.samples, TOTAL, atol=1e-6)
    assert found.source.format == "stems"
    assert found.source.channels == 2
    assert found.source.bit_depth is None
    assert found.path == tmp_path / "amber lane"
    assert [stem.name for stem in found.stems] == sorted(f"{name}.wav" for name in PARTS)
    assert found.source.warnings == ()


def test_a_sum_above_full_scale_is_kept(tmp_path):
    found = read(
        folder_of(tmp_path, a=noise(11, level=0.2, seed=1) + 0.7, b=noise(11, level=0.2, seed=2) + 0.7)
    )

    assert found.signal.samples.max() > 1.4


def test_common_zero(tmp_path):
    one, two = clicks(RATE * 11, 1, (100,)), clicks(RATE * 11, 2, (RATE,))
    found = read(folder_of(tmp_path, one=one, two=two))

    assert np.flatnonzero(found.signal.samples.any(axis=1)).tolist() == [100, RATE]
    assert [stem.first_sound_sample for stem in found.stems] == [100, RATE]


def test_a_line_for_each_stem(tmp_path):
    sine = np.sin(2 * np.pi * 441 * np.arange(RATE * 11) / RATE)[:, None].astype(np.float32)
    found = read(
        folder_of(
            tmp_path,
            same=np.repeat(sine * 0.5, 2, axis=1),
            wide=noise(11, level=0.01),
            silent=np.zeros((RATE * 11, 2), np.float32),
            opposite=np.hstack([sine, -sine]) * 0.1,
        )
    )
    lines = {stem.name.removesuffix(".wav"): stem for stem in found.stems}

    # a sine of peak A has an RMS of A / sqrt(2): 3.01 dB below (arithmetic)
    assert lines["same"].peak_dbfs == pytest.approx(-6.02, abs=0.01)
    assert lines["same"].rms_dbfs == pytest.approx(-9.03, abs=0.01)
    assert [lines[name].mono for name in ("same", "wide", "opposite")] == [True, False, False]
    assert lines["silent"].silent
    assert lines["silent"].peak_dbfs is None
    assert lines["silent"].first_sound_sample is None
    assert any("disappears in mono" in note for note in lines["opposite"].notes)
    assert any(text == "Silent: silent.wav." for text in found.source.warnings)


def test_faults_of_one_stem_are_said_of_it(tmp_path):
    """The sum of all four shows none of them."""
    one_sided = PARTS["keys"] * np.array([1, 0], np.float32)
    found = read(
        folder_of(
            tmp_path,
            drums=np.clip(PARTS["drums"] * 20, -0.9, 0.9),
            bass=PARTS["bass"] + np.float32(0.02),
            keys=one_sided,
            lead=PARTS["lead"],
        )
    )
    notes = {stem.name.removesuffix(".wav"): stem.notes for stem in found.stems}

    assert [text[:10] for text in notes["drums"]] == ["clipped in"]
    assert notes["bass"] == ("constant offset of +2.00 % of full scale",)
    assert notes["keys"] == ("the right channel is silent",)
    assert notes["lead"] == ()


def test_other_rate_is_converted_and_named(tmp_path):
    folder = folder_of(tmp_path, drums=PARTS["drums"], keys=PARTS["keys"])
    burst = np.zeros((int(48000 * LENGTH_S), 2), np.float32)
    burst[48000 : 48000 + 4800] = noise(0.1, 48000)
    write(folder / "vox.wav", burst, 48000, **FLOAT)

    found = read(folder)

    assert found.source.rate == RATE
    rest = found.signal.samples - PARTS["drums"] - PARTS["keys"]
    assert np.abs(rest[: RATE - 200]).max() < 1e-3
    assert np.abs(rest[RATE : RATE + 100]).max() > 0.05
    named = [text for text in found.source.warnings if text.startswith("Other sample rate")]
    assert len(named) == 1
    assert "vox.wav (48000 Hz)" in named[0]
    assert not any("Other length" in text for text in found.source.warnings)


def test_other_length_is_named_and_taken_from_the_common_start(tmp_path):
    short = PARTS["keys"][: RATE * 11]
    found = read(folder_of(tmp_path, drums=PARTS["drums"], bass=PARTS["bass"], keys=short))

    assert found.source.frames == len(PARTS["drums"])
    assert np.allclose(
        found.signal.samples[RATE * 11 :], (PARTS["drums"] + PARTS["bass"])[RATE * 11 :], atol=1e-6
    )
    assert any("Other length" in text and "keys.wav (11.000 s)" in text for text in found.source.warnings)


def test_stems_whose_front_was_cut_away_put_bar_one_in_doubt(tmp_path):
    """Eight beats of half a second; the hits of both parts coincide again at their common end."""
    hits = clicks(round(LENGTH_S * RATE), 2, tuple(range(0, 11 * RATE, RATE // 2)))
    late = hits * np.float32(0.5)
    late[: 4 * RATE] = 0
    found = read(folder_of(tmp_path, hats=hits, kick=late[4 * RATE :]))

    assert [stem.lacks_s for stem in found.stems] == [None, pytest.approx(4.0)]
    assert not any("taken to start together" in text for text in found.source.warnings)
    assert found.source.start_doubted
    assert not read(folder_of(tmp_path, hats=hits, kick=late)).source.start_doubted


def test_where_most_lengths_differ_none_is_called_the_usual_one(tmp_path):
    parts = {name: PARTS[name][: RATE * (12 - k)] for k, name in enumerate(("drums", "bass", "keys"))}
    found = read(folder_of(tmp_path, **parts))

    wanted = "They differ in length: bass.wav (11.000 s), drums.wav (12.000 s), keys.wav (10.000 s); all are"
    assert any(text.startswith(wanted) for text in found.source.warnings)


@pytest.mark.parametrize("name", ["amber lane", "MASTER", "amber 2trk"])
@pytest.mark.parametrize("mix", ["plain", "quieter", "mastered"])
def test_two_track_beside_its_stems_is_left_out(tmp_path, name, mix):
    two_track = {"plain": TOTAL, "quieter": TOTAL / 2, "mastered": MASTERED}[mix]
    found = read(folder_of(tmp_path, **PARTS, **{name: two_track}))

    assert role_of(found, name) == "two-track"
    assert [stem.role for stem in found.stems].count("stem") == len(PARTS)
    assert np.allclose(found.signal.samples, TOTAL, atol=1e-6)
    null = next(stem.null for stem in found.stems if stem.role == "two-track")
    assert null.kind == ("processed" if mix == "mastered" else "same")
    if mix != "mastered":
        assert null.gain_db == pytest.approx({"plain": 0.0, "quieter": -6.02}[mix], abs=0.01)


@pytest.mark.parametrize("seed", range(10, 22))
def test_which_of_files_that_cancel_is_the_two_track_does_not_hang_on_rounding(seed: int) -> None:
    """All of them with the inverted mix add up to nothing: each is the inverted mix of the others."""
    rng = np.random.default_rng(seed)
    parts = [(rng.standard_normal((RATE, 2)) * level).astype(np.float32) for level in (0.15, 0.2, 0.05, 0.03)]
    windows = Windows(RATE, 1.0)
    for samples in (*parts, -np.sum(parts, axis=0)):
        windows.take(samples)
    verdict = compare(["drums", "bass", "keys", "hats", "amber lane"], windows)

    assert verdict.roles == ("stem",) * 4 + ("two-track",)


@pytest.mark.parametrize("name", ["amber lane", "MASTER"])
def test_two_track_with_inverted_polarity(tmp_path, name):
    """Summed with its stems it would cancel them."""
    found = read(folder_of(tmp_path, **PARTS, **{name: -TOTAL}))

    assert role_of(found, name) == "two-track"
    assert np.allclose(found.signal.samples, TOTAL, atol=1e-6)
    assert next(stem.null for stem in found.stems if stem.role == "two-track").inverted
    assert not any(stem.inverted for stem in found.stems)


def test_two_track_mp3_that_starts_late(tmp_path):
    folder = folder_of(tmp_path, **PARTS)
    data = without_delay_tag(file_bytes(MASTERED, RATE, **MP3))
    (folder / "amber.mp3").write_bytes(data)
    found = read(folder)

    assert role_of(found, "amber") == "two-track"
    null = next(stem.null for stem in found.stems if stem.role == "two-track")
    assert null.delay_s == pytest.approx(1105 / RATE, abs=0.5 / RATE)


def test_two_tracks_in_two_formats(tmp_path):
    folder = folder_of(tmp_path, **PARTS, amber=MASTERED)
    write(folder / "amber.mp3", MASTERED, RATE, **MP3)

    assert [stem.name for stem in read(folder).stems if stem.role == "two-track"] == [
        "amber.mp3",
        "amber.wav",
    ]


def test_inverted_stem_is_told_from_the_two_track(tmp_path):
    found = read(folder_of(tmp_path, **PARTS | {"bass": -PARTS["bass"]}, amber=MASTERED))

    assert {stem.name: stem.inverted for stem in found.stems if stem.role == "stem"} == {
        f"{name}.wav": name == "bass" for name in PARTS
    }
    assert any("Polarity looks inverted: bass.wav" in text for text in found.source.warnings)


def test_stem_that_is_not_in_the_two_track(tmp_path):
    found = read(folder_of(tmp_path, **PARTS, amber=(TOTAL - PARTS["lead"]).astype(np.float32)))

    assert role_of(found, "amber") == "two-track"
    assert any("lead.wav is not heard in the two-track" in text for text in found.source.warnings)


def test_stem_that_works_against_the_rest(tmp_path):
    found = read(folder_of(tmp_path, kick=PARTS["drums"], kick_low=-0.9 * PARTS["drums"], keys=PARTS["keys"]))

    assert any(stem.inverted for stem in found.stems if stem.name.startswith("kick"))


def test_group_beside_its_parts_is_left_out(tmp_path):
    group = (PARTS["keys"] + PARTS["lead"]).astype(np.float32)
    found = read(folder_of(tmp_path, **PARTS, music=group))

    assert role_of(found, "music") == "group"
    assert np.allclose(found.signal.samples, TOTAL, atol=1e-6)
    assert any("left out of the sum: music.wav" in text for text in found.source.warnings)


@pytest.mark.parametrize("count", [2, 3, 5])
def test_plain_stems_are_never_taken_for_a_two_track(tmp_path, count):
    found = read(folder_of(tmp_path, **dict(list(PARTS.items())[:count])))

    assert {stem.role for stem in found.stems} == {"stem"}


def test_a_stem_that_is_only_named_like_a_mix_is_summed(tmp_path):
    files = PARTS | {"drum mix": PARTS["hats"]}
    del files["hats"]
    found = read(folder_of(tmp_path, **files))

    assert {stem.role for stem in found.stems} == {"stem"}
    assert np.allclose(found.signal.samples, TOTAL, atol=1e-6)


def test_one_beat_in_two_formats_is_no_stem_set(tmp_path):
    folder = folder_of(tmp_path, amber=MASTERED)
    (folder / "amber.mp3").write_bytes(without_delay_tag(file_bytes(MASTERED, RATE, **MP3)))
    found = read(folder)

    assert found.source.format == "WAV"
    assert found.stems == ()
    assert found.path == folder / "amber.wav"
    assert any("same beat in several files: amber.wav was used" in text for text in found.source.warnings)


def test_one_file_in_a_folder_is_that_file(tmp_path):
    folder = folder_of(tmp_path, amber=MASTERED)
    (folder / "read me.txt").write_text("thanks")
    found = read(folder)

    assert (found.source.format, found.source.name, found.path) == ("WAV", "amber lane", folder / "amber.wav")
    assert "Not audio, left out: read me.txt." in found.source.warnings


def test_stems_named_after_samples_of_other_tempi(tmp_path):
    """Equal lengths: one session exported them (common practice); their names are no claims."""
    found = read(folder_of(tmp_path, **{"loop 120bpm": PARTS["drums"], "keys 93bpm Am": PARTS["keys"]}))

    assert len(found.stems) == 2
    assert claims(found.source.name, found.source.tags) == ()


def test_untagged_version_is_preferred(tmp_path):
    rest = {"subtype": "PCM_24"}
    folder = folder_of(tmp_path, **{"amber (tagged)": MASTERED})
    write(folder / "amber (untagged).wav", MASTERED, RATE, **rest)

    assert read(folder).path.name == "amber (untagged).wav"


def test_a_stem_in_a_form_that_cannot_be_read(tmp_path):
    folder = folder_of(tmp_path, **PARTS)
    (folder / "pad.wma").write_bytes(b"\x30\x26\xb2\x75\x8e\x66\xcf\x11" + b"x" * 100)

    with pytest.raises(UnreadableAudio, match=r"\(pad\.wma: a WMA file\)"):
        read(folder)


def test_names_that_differ_only_in_unicode_form(tmp_path):
    names = [unicodedata.normalize(form, "é mix") for form in ("NFC", "NFD")]
    folder = folder_of(tmp_path, **dict(zip(names, (PARTS["drums"], PARTS["keys"]), strict=True)))
    if len(list(folder.iterdir())) < 2:
        pytest.skip("this file system takes them for one name")

    assert np.allclose(read(folder).signal.samples, PARTS["drums"] + PARTS["keys"], atol=1e-6)


def test_half_and_double_tempo_in_names_is_one_beat(tmp_path):
    assert read(folder_of(tmp_path, **{"drums 140bpm": PARTS["drums"], "keys 70bpm": PARTS["keys"]})).stems


def test_broken_stems_are_named(tmp_path):
    folder = folder_of(tmp_path, **PARTS)
    (folder / "pad.wav").write_bytes(b"RIFF\x10\0\0\0WAVEfmt ")

    with pytest.raises(
        UnreadableAudio, match=r"amber lane: 1 of 6 stems cannot be decoded \(pad\.wav: damaged\)"
    ):
        read(folder)


def test_a_cut_stem_is_named(tmp_path):
    folder = folder_of(tmp_path, drums=PARTS["drums"])
    data = file_bytes(PARTS["keys"], RATE, format="FLAC")
    (folder / "keys.flac").write_bytes(data[: len(data) // 2])

    assert any(text.startswith("keys.flac: Cut off or damaged") for text in read(folder).source.warnings)


def test_a_stem_that_lies_about_its_length_does_not_blow_up(tmp_path):
    folder = folder_of(tmp_path, drums=PARTS["drums"])
    (folder / "keys.flac").write_bytes(
        flac_claiming(file_bytes(PARTS["keys"], RATE, format="FLAC"), 2**36 - 1)
    )

    assert read(folder).source.frames == len(PARTS["drums"])


def test_too_many_stems(tmp_path):
    with pytest.raises(TooLong, match=r"limits\.max_stems"):
        read(folder_of(tmp_path, **PARTS), max_stems=4)


@pytest.mark.parametrize("names", [("kick", "kick (1)"), ("toms", "toms copy", "toms copy copy")])
@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_a_stem_that_is_there_twice_is_summed_once(tmp_path, names, subtype):
    """The same bytes, or the same samples in other words; the shortest name stays."""
    folder = folder_of(tmp_path, **PARTS)
    (folder / "drums.wav").rename(folder / f"{names[0]}.wav")
    for name in names[1:]:
        write(folder / f"{name}.wav", PARTS["drums"], RATE, subtype=subtype)
    found = read(folder)

    assert np.allclose(found.signal.samples, TOTAL, atol=1e-6)
    assert {stem.name for stem in found.stems if stem.role == "copy"} == {f"{n}.wav" for n in names[1:]}
    for name in names[1:]:
        assert f"{name}.wav is the same as {names[0]}.wav: used once." in found.source.warnings


def test_a_beat_that_is_there_twice_beside_a_version_is_no_stems(tmp_path):
    folder = folder_of(tmp_path, beat=TOTAL, **{"beat (1)": TOTAL, "beat 16": TOTAL * np.float32(0.5)})
    found = read(folder)

    assert found.source.format == "WAV"


def test_a_two_track_beside_stems_that_are_there_twice(tmp_path):
    found = read(folder_of(tmp_path, **PARTS, **{"bass (1)": PARTS["bass"], "amber master": MASTERED}))

    assert (role_of(found, "amber"), role_of(found, "bass (1)"), role_of(found, "bass.")) == (
        "two-track",
        "copy",
        "stem",
    )
    assert next(stem.null for stem in found.stems if stem.role == "two-track") is not None
    assert np.allclose(found.signal.samples, TOTAL, atol=1e-6)


def test_silent_stems_are_no_copies(tmp_path):
    silent = np.zeros_like(PARTS["keys"])
    found = read(folder_of(tmp_path, **PARTS, fx=silent, vox=silent))
    assert {stem.role for stem in found.stems} == {"stem"}
    assert not any("same as" in text for text in found.source.warnings)


def test_folder_that_changes_while_it_is_read(tmp_path, monkeypatch):
    folder = folder_of(tmp_path, **PARTS)

    def late(*args, **judge):
        found = read_stems(*args, **judge)
        write(folder / "late.wav", noise(1.2))
        return found

    monkeypatch.setattr("daemon.decode.decoder.read_stems", late)
    with pytest.raises(ChangedWhileReading):
        read(folder)


def test_stems_in_sub_folders(tmp_path):
    folder = folder_of(tmp_path, drums=PARTS["drums"])
    (folder / "Stems").mkdir()
    write(folder / "Stems" / "keys.wav", PARTS["keys"], RATE, **FLOAT)

    assert [stem.name for stem in read(folder).stems] == ["Stems/keys.wav", "drums.wav"]


def test_names_of_a_mix():
    assert all(map(hinted, ["amber MASTER.wav", "two track.wav", "2trk.wav", "Full_Mix.wav", "mixdown.mp3"]))
    assert not any(map(hinted, ["drums.wav", "remixer.wav", "fullness.wav", "bass.wav"]))


def test_lag_of_the_test_itself():
    assert lag(TOTAL[:50000], np.roll(TOTAL[:50000], 300, axis=0), 1000) == 300
