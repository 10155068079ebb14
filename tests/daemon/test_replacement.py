"""A part of a file was published, then the rest came: the whole replaces it under its name, and says so."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from config.settings import Limits, Settings
from daemon.corrections.apply import Correction
from daemon.corrections.store import add_correction, carry_over, stored_correction
from daemon.decode.identity import beginning, continues, identify, identity_of
from daemon.decode.inside import continues_inner
from daemon.ledger.ledger import Record
from daemon.ops.status import as_lines, read_status
from daemon.pipeline.job import JobRequest, run_job
from daemon.report.report import read_report
from tests.daemon.inline import InlineService, opened
from tests.daemon.make_audio import file_bytes, noise
from tests.daemon.service.test_pack_split import FIRST, zipped
from tests.daemon.service_kit import ready, rejected, settings_for
from tests.faults.kit import beat

WAV = file_bytes(noise(1.0, rate=8000), rate=8000)
HALF = len(WAV) // 2


@pytest.fixture
def one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[InlineService]:
    """A service that has no patience with what looks incomplete."""
    monkeypatch.setattr("daemon.ingest.settling.PATIENCE_S", 0.0)
    settings = settings_for(tmp_path, arrival={"settle_seconds": 0.1, "rescan_seconds": 1})
    with opened(settings, monkeypatch) as service:
        yield service


def copy_of(settings: Settings, name: str = "beat") -> bytes:
    return next((settings.folders.ready / name).glob("*.wav")).read_bytes()


def grow(one: InlineService, first: bytes, then: bytes, name: str = "beat.wav") -> None:
    """Write and have it published, twice."""
    path = one.settings.folders.incoming / name
    for data in (first, then):
        path.write_bytes(data)
        digest = identify(path)
        one.until(lambda digest=digest: one.ledger.find(digest) and one.settled())  # type: ignore[misc]


def test_the_whole_replaces_its_part_under_the_same_name(one: InlineService) -> None:
    grow(one, WAV[:HALF], WAV)

    assert ready(one.settings) == ["beat"]
    assert copy_of(one.settings) == WAV
    assert [record.folder for record in one.ledger.history()] == ["beat"]
    assert not list((one.settings.folders.ready / ".staging").glob("job-*"))


def test_part_after_part(one: InlineService) -> None:
    grow(one, WAV[: HALF // 2], WAV[:HALF])
    grow(one, WAV[: HALF + 100], WAV)

    assert ready(one.settings) == ["beat"]
    assert copy_of(one.settings) == WAV


def test_another_file_of_that_name_is_a_version_beside_it(one: InlineService) -> None:
    other = file_bytes(noise(2.0, rate=8000, seed=9), rate=8000)
    grow(one, WAV, other)

    assert sorted(ready(one.settings)) == ["beat", "beat (2)"]
    assert {copy_of(one.settings, name) for name in ready(one.settings)} == {WAV, other}


def test_an_upload_that_is_begun_again_leaves_no_part(one: InlineService) -> None:
    """The whole is known; its part comes again, is published, and goes when the rest is there again."""
    grow(one, WAV, WAV[:HALF])
    assert sorted(ready(one.settings)) == ["beat", "beat (2)"]
    (one.settings.folders.incoming / "beat.wav").write_bytes(WAV)
    one.until(lambda: ready(one.settings) == ["beat"])

    assert copy_of(one.settings) == WAV


def test_a_rejected_part_goes_when_the_whole_is_ready(one: InlineService) -> None:
    whole = b"!damaged" + bytes(range(1, 200))
    grow(one, b"!damaged\n", b"!damaged\n" + whole)  # rejected again: one rejection, not two
    assert rejected(one.settings) == ["beat"]
    # what is rejected by its first line stays rejected; a file of the same length was filled meanwhile
    grow(one, b"!damaged\nxxx", b"beat of twelv", "other.wav")
    grow(one, b"!damaged\nyyy", b"beat of 12 b", "third.wav")

    assert rejected(one.settings) == ["beat", "other"]
    assert ready(one.settings) == ["other", "third"]


def test_what_people_keep_in_the_folder_stays(one: InlineService) -> None:
    path, folder = one.settings.folders.incoming / "beat.wav", one.settings.folders.ready / "beat"
    path.write_bytes(WAV[:HALF])
    one.until(lambda: ready(one.settings) and one.settled())
    (folder / "notes.txt").write_text("use the second chorus")
    (folder / "takes").mkdir()
    (folder / "takes" / "1.wav").write_bytes(b"a take")
    path.write_bytes(WAV)
    one.until(lambda: copy_of(one.settings) == WAV)

    assert (folder / "notes.txt").read_text() == "use the second chorus"
    assert (folder / "takes" / "1.wav").read_bytes() == b"a take"


def test_status_says_it(one: InlineService) -> None:
    record = Record("a" * 64, "ready", "beat", "beat.wav", summary={"replaces_part": True}, at=1.0)
    one.ledger.record(record)
    lines = as_lines(read_status(one.settings), one.settings)

    assert any("replaces an incomplete copy" in line for line in lines)


def test_an_interruption_before_it_is_written_down(
    one: InlineService, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The new files lie in the folder, the ledger knows only the part: the next look puts it right."""
    path = one.settings.folders.incoming / "beat.wav"
    path.write_bytes(WAV[:HALF])
    one.until(lambda: ready(one.settings) and one.settled())
    real = type(one.ledger).record
    with monkeypatch.context() as broken:
        broken.setattr(type(one.ledger), "record", lambda *_: (_ for _ in ()).throw(OSError(5, "on purpose")))
        path.write_bytes(WAV)
        one.until(lambda: copy_of(one.settings) == WAV)
    assert type(one.ledger).record is real
    monkeypatch.setattr("daemon.service.dispatcher.BACKOFF_S", (0.1,))
    for entry in one.arrivals.entries.values():
        entry.not_before = 0.0
    one.until(one.settled)

    assert ready(one.settings) == ["beat"]
    assert [record.folder for record in one.ledger.history()] == ["beat"]


def test_the_report_says_it_and_corrections_are_kept(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    drop, staging = settings.folders.incoming / "beat.wav", tmp_path / "staging"
    staging.mkdir()
    drop.write_bytes(beat(1))
    add_correction(settings.folders.state, "a" * 64, "beat.wav", Correction(tempo_bpm=123.0), {}, "0")
    result = run_job(JobRequest(drop, staging, settings, part="a" * 64))
    report = read_report(next(staging.glob("*.report.json")))

    assert result.summary["replaces_part"] is True
    assert result.sha256 is not None
    assert stored_correction(settings.folders.state, result.sha256) == Correction(tempo_bpm=123.0)
    assert report.answers.tempo.value == 123.0
    [said] = [text for text in report.check_by_ear if "incomplete copy" in text]
    assert "corrections made on it were kept" in said


def test_own_corrections_win(tmp_path: Path) -> None:
    for sha256, tempo in (("a" * 64, 100.0), ("b" * 64, 90.0)):
        add_correction(tmp_path, sha256, "beat.wav", Correction(tempo_bpm=tempo), {}, "0")

    assert carry_over(tmp_path, "a" * 64, "b" * 64)
    assert stored_correction(tmp_path, "b" * 64) == Correction(tempo_bpm=90.0)
    assert not carry_over(tmp_path, "c" * 64, "d" * 64)


def test_beginnings(tmp_path: Path) -> None:
    (tmp_path / "part").write_bytes(b"abc")
    (tmp_path / "reserved").write_bytes(b"abc" + bytes(3_000_000))
    (tmp_path / "whole").write_bytes(b"abcdef")
    (tmp_path / "other").write_bytes(b"abxdef")
    part = {"": (identify(tmp_path / "part"), 3)}

    assert beginning(tmp_path / "part") is None
    assert beginning(tmp_path / "reserved") == part[""]
    assert continues(tmp_path / "whole", part)
    assert continues(tmp_path / "part", part)
    assert not continues(tmp_path / "other", part)
    assert not continues(tmp_path / "part", {"": (identify(tmp_path / "whole"), 6)})


def test_beginnings_of_folders(tmp_path: Path) -> None:
    """Every file must be there, the same or longer; one that is only added is no sequel."""
    folder = tmp_path / "beat stems"
    folder.mkdir()
    (folder / "drums.wav").write_bytes(b"abc")
    (folder / "bass.wav").write_bytes(b"xyz")
    before = identity_of(folder).parts
    (folder / "keys.wav").write_bytes(b"new")
    assert not continues(folder, before)
    (folder / "drums.wav").write_bytes(b"abcdef")
    assert continues(folder, before)
    (folder / "bass.wav").write_bytes(b"xyw")
    assert not continues(folder, before)
    (folder / "bass.wav").unlink()
    assert not continues(folder, before)


STEMS = {"drums.wav": b"the drums of it", "bass.wav": b"the bass of it"}


def put_stems(one: InlineService, files: dict[str, bytes], name: str = "beat stems") -> None:
    for file, data in files.items():
        path = one.settings.folders.incoming / name / file
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(data)
    digest = identify(one.settings.folders.incoming / name)
    one.until(lambda: one.ledger.find(digest) and one.settled())


def test_a_folder_of_stems_with_a_part_in_it_is_replaced(one: InlineService) -> None:
    put_stems(one, STEMS | {"drums.wav": b"the dr"})
    assert ready(one.settings) == ["beat stems"]
    put_stems(one, STEMS | {"keys.wav": b"the keys"})

    assert ready(one.settings) == ["beat stems"]
    assert copy_of(one.settings, "beat stems") == b"the bass of itthe drums of itthe keys"
    assert len(one.ledger.history()) == 1


def test_a_folder_of_stems_with_other_stems_is_a_version_beside_it(one: InlineService) -> None:
    put_stems(one, STEMS)
    put_stems(one, STEMS | {"keys.wav": b"the keys"})

    assert ready(one.settings) == ["beat stems", "beat stems (2)"]


def test_a_rejected_folder_goes_when_its_files_are_whole(one: InlineService) -> None:
    put_stems(one, {"a.wav": b"!dama", "b.wav": b"b"})
    put_stems(one, {"a.wav": b"!damaged\nhalf", "b.wav": b"b"}, "other stems")
    assert rejected(one.settings) == ["other stems"]
    put_stems(one, {"a.wav": b"!damaged\nhalf and half", "b.wav": b"b"}, "other stems")

    assert rejected(one.settings) == ["other stems"]
    assert ready(one.settings) == ["beat stems"]


def test_a_zip_sent_whole_after_its_rejected_part(one: InlineService) -> None:
    """A sum, and a pack: of neither does the rejection stay."""
    for name, first in (("sum.zip", b"amber"), ("pack.zip", FIRST)):
        data = zipped(a=first, b=b"slate and more of it")
        path = one.settings.folders.incoming / name
        path.write_bytes(data[:60])
        one.until(lambda name=name: rejected(one.settings) == [name[:-4]] and one.settled())  # type: ignore[misc]
        path.write_bytes(data)
        one.until(lambda: not rejected(one.settings) and one.settled())

    assert ready(one.settings) == ["a", "b", "sum"]


def test_a_beat_in_a_zip_that_was_zipped_half(one: InlineService) -> None:
    path = one.settings.folders.incoming / "pack.zip"
    for second in (b"sla", b"slate and more of it"):
        path.write_bytes(zipped(a=FIRST, b=second))
        digest = hashlib.sha256(second).hexdigest()
        one.until(lambda digest=digest: one.ledger.find(digest) and one.settled())  # type: ignore[misc]

    assert ready(one.settings) == ["a", "b"]
    assert copy_of(one.settings, "b") == b"slate and more of it"


def test_what_lay_in_a_zip(tmp_path: Path) -> None:
    """The files in a zip of stems go on, though the zip's own bytes are others."""
    before = {"": ("0" * 64, 10), "a.wav": (hashlib.sha256(b"am").hexdigest(), 2)}
    path = tmp_path / "stems.zip"
    for data, goes_on in ((b"amber", True), (b"am", False), (b"slate", False)):
        path.write_bytes(zipped(a=data))
        assert continues_inner(path, None, before, Limits(), ()) is goes_on
    path.write_bytes(b"no zip at all")
    assert not continues_inner(path, None, before, Limits(), ())
