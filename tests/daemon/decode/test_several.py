"""Folders and zips of several files: judged by content, by a person's word, by markers; files of a zip."""

from __future__ import annotations

import hashlib
import pickle
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from analyzers.structure.stem_sets import SetVerdict
from config.settings import DEFAULT_IGNORE, Limits
from daemon.core.errors import SeveralBeats, TooLong, UnreadableAudio, UnsafeArchive
from daemon.decode import stems as stems_module
from daemon.decode.decoder import Decoded, decode
from daemon.decode.inside import identify_inner
from daemon.decode.several import Answer
from daemon.decode.spool import Scratch
from tests.daemon.make_audio import noise, write

RATE = 44100
Judge = Callable[..., list[int]]


def pack(folder: Path, count: int = 3) -> Path:
    folder.mkdir()
    for number in range(count):
        write(folder / f"{number}.wav", noise(11, seed=number), RATE, subtype="PCM_16")
    return folder


def zipped(folder: Path) -> Path:
    path = folder.with_suffix(".zip")
    with zipfile.ZipFile(path, "w") as archive:
        for file in sorted(folder.iterdir()):
            archive.write(file, f"inside/{file.name}")
    return path


@pytest.fixture
def judged(monkeypatch: pytest.MonkeyPatch) -> Judge:
    """Sets the verdict; gives the list of how many files were judged each time."""

    def say(kind: str, mixes: tuple[tuple[int, ...], ...] = ()) -> list[int]:
        asked: list[int] = []

        def judge(traits: list[object], *_: object) -> SetVerdict:
            asked.append(len(traits))
            return SetVerdict(kind, 0.95, mixes)  # type: ignore[arg-type]

        monkeypatch.setattr(stems_module, "judge_set", judge)
        return asked

    return say


def read(path: Path, several: Answer | None = None, **limits: float) -> Decoded:
    return decode(path, limits=Limits(**limits), several=several)


def test_separate_beats_are_told_with_their_names_and_mixes(tmp_path: Path, judged: Judge) -> None:
    judged("beats", ((0, 2),))
    with pytest.raises(SeveralBeats, match="its 3 files are separate beats") as found:
        read(pack(tmp_path / "x"))

    assert found.value.sure
    assert found.value.mixes == {"0.wav": ["2.wav"], "1.wav": [], "2.wav": ["0.wav"]}
    again = pickle.loads(pickle.dumps(found.value))  # it comes from a worker process
    assert (again.mixes, again.sure, str(again)) == (found.value.mixes, True, str(found.value))


def test_in_doubt_nothing_is_summed(tmp_path: Path, judged: Judge) -> None:
    judged("unclear", ((0, 1),))
    with pytest.raises(SeveralBeats, match=r"cannot be told .* beatintake answer") as found:
        read(pack(tmp_path / "x"))

    assert not found.value.sure


def test_what_a_person_said_goes_before_what_is_heard(tmp_path: Path, judged: Judge) -> None:
    asked = judged("unclear")
    folder = pack(tmp_path / "x")

    assert read(folder, "stems").source.format == "stems"
    with pytest.raises(SeveralBeats, match="separate beats"):
        read(folder, "beats")
    (folder / "stems.txt").touch()
    assert read(folder).source.format == "stems"
    (folder / "Beats.TXT").touch()
    with pytest.raises(SeveralBeats, match="separate beats"):
        read(folder)
    assert asked == []


def test_a_zip_is_known_by_its_own_bytes_and_its_files_by_theirs(tmp_path: Path, judged: Judge) -> None:
    judged("beats")
    folder = pack(tmp_path / "x")
    path = zipped(folder)
    with pytest.raises(SeveralBeats) as found:
        read(path)

    assert found.value.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert list(found.value.mixes) == ["inside/0.wav", "inside/1.wav", "inside/2.wav"]
    lone = hashlib.sha256((folder / "1.wav").read_bytes()).hexdigest()
    assert identify_inner(path, "inside/1.wav", Limits(), DEFAULT_IGNORE).sha256 == lone
    with Scratch(tmp_path / "work") as scratch:
        one = decode(path, limits=Limits(), scratch=scratch, inner="inside/1.wav")
        assert (one.source.name, one.source.sha256) == ("1.wav", lone)
        assert np.array_equal(one.signal.samples[:], read(folder / "1.wav").signal.samples[:])


def test_a_file_that_the_zip_no_longer_holds(tmp_path: Path) -> None:
    with pytest.raises(UnsafeArchive, match=r"no longer holds 9\.wav"):
        identify_inner(zipped(pack(tmp_path / "x")), "inside/9.wav", Limits(), DEFAULT_IGNORE)


def test_a_broken_beat_does_not_stop_the_others_but_a_broken_stem_does(tmp_path: Path, judged: Judge) -> None:
    folder = pack(tmp_path / "x")
    (folder / "broken.wav").write_bytes(b"RIFF\0\0\0\0WAVEnothing")
    asked = judged("beats")
    with pytest.raises(SeveralBeats, match="its 4 files") as found:
        read(folder)
    judged("stems")
    with pytest.raises(UnreadableAudio, match=r"1 of 4 stems cannot be decoded"):
        read(folder)

    assert asked == [3]
    assert "broken.wav" in found.value.mixes


def test_more_files_than_stems_may_be(tmp_path: Path, judged: Judge) -> None:
    folder = pack(tmp_path / "x", 5)
    asked = judged("beats")
    with pytest.raises(SeveralBeats, match="its 5 files"):
        read(folder, max_stems=2)
    judged("stems")
    with pytest.raises(TooLong, match=r"more than limits\.max_stems = 2"):
        read(folder, max_stems=2)

    assert asked == [2]
