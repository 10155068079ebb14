"""When is a quiet drop taken? Real files, a clock of the test's own."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from config.settings import Arrival
from daemon.core.problems import Problems
from daemon.ingest.arrivals import Arrivals
from daemon.ingest.incoming import Incoming
from daemon.ingest.pending import Phase
from daemon.ingest.settling import PATIENCE_S, UNPROVEN_SETTLES, Settling
from tests.daemon.make_audio import file_bytes, noise

SETTLE_S = 1.0
WAV = file_bytes(noise(2.0, rate=8000), rate=8000)
SILENT_END = WAV[:-8000] + bytes(8000)


class Folder:
    """A folder of stems in incoming/, looked at once a second."""

    def __init__(self, base: Path, name: str = "amber stems") -> None:
        self.path = base / name
        self.path.mkdir(exist_ok=True)
        self.settling = Settling(Incoming(base, Arrival()), Arrivals(SETTLE_S), Problems())
        self.now, self._written = 0.0, 0

    def write(self, name: str, data: bytes) -> None:
        self._written += 1
        (self.path / name).write_bytes(data)
        os.utime(self.path / name, (self._written, self._written))

    def taken_after_s(self, most_s: float = 100.0) -> float:
        """Seconds from now until it waits for its analysis."""
        begun = self.now
        while self.now - begun < most_s:
            assert self.settling.scan(self.now)
            self.settling.settle(self.now)
            if self.settling.arrivals.in_phase(Phase.WAITING):
                return self.now - begun
            self.now += 1.0
        return most_s


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    return Folder(tmp_path)


def test_stems_that_end_in_sound_are_taken_when_the_folder_has_settled(folder: Folder) -> None:
    folder.write("bass.wav", WAV)
    folder.write("keys.wav", WAV)

    assert folder.taken_after_s() <= 4 * SETTLE_S


def test_stems_that_end_in_silence_wait_a_little_longer(folder: Folder) -> None:
    folder.write("bass.wav", SILENT_END)
    folder.write("keys.wav", WAV)

    assert UNPROVEN_SETTLES * SETTLE_S <= folder.taken_after_s() <= (UNPROVEN_SETTLES + 2) * SETTLE_S


def test_a_stem_whose_space_is_reserved_is_waited_for_though_others_came_after_it(folder: Folder) -> None:
    """The folder grew by the other stem; the one that is being filled is as long as it will be."""
    folder.write("bass.wav", WAV[:44] + bytes(len(WAV) - 44))
    assert folder.taken_after_s(2.0) == 2.0
    folder.write("bass.wav", WAV[:8000] + bytes(len(WAV) - 8000))
    assert folder.taken_after_s(2.0) == 2.0
    folder.write("keys.wav", WAV)
    assert folder.taken_after_s() >= PATIENCE_S


def test_a_stem_that_was_filled_to_its_end_is_not_waited_for(folder: Folder) -> None:
    folder.write("bass.wav", WAV[:44] + bytes(len(WAV) - 44))
    assert folder.taken_after_s(2.0) == 2.0
    folder.write("bass.wav", WAV)
    folder.write("keys.wav", WAV)

    assert folder.taken_after_s() <= 3 * 2.0  # three times the pause that was seen


class File(Folder):
    """One file in incoming/; every write is told by an event, and looked at."""

    def __init__(self, base: Path) -> None:
        super().__init__(base, "")

    def write(self, name: str, data: bytes) -> None:
        super().write(name, data)
        self.settling.hints({str(self.path / name): None}, self.now)


@pytest.fixture
def file(tmp_path: Path) -> File:
    return File(tmp_path)


def test_who_appends_wrote_the_silence_at_the_end_too(file: File) -> None:
    file.write("a.wav", SILENT_END[:8000])
    file.write("a.wav", SILENT_END)

    assert file.taken_after_s() <= 2 * SETTLE_S


def test_who_appends_in_a_folder_of_a_folder_wrote_the_silence_too(tmp_path: Path) -> None:
    """There one file is looked at with all of its folder, which may become stems."""
    (tmp_path / "copper" / "moth").mkdir(parents=True)
    file = File(tmp_path)
    for end in (4000, 8000, len(SILENT_END)):
        file.write("copper/moth/a.wav", SILENT_END[:end])

    assert file.taken_after_s() <= 2 * SETTLE_S


def test_zeros_seen_growing_are_space_being_reserved(file: File) -> None:
    """A copy that reserves its space by writing zeros, looked at while it does, and then fills it."""
    file.write("a.wav", bytes(len(WAV) // 2))
    file.write("a.wav", WAV[:8000] + bytes(len(WAV) - 8000))
    assert file.taken_after_s() >= UNPROVEN_SETTLES * SETTLE_S


def test_zeros_seen_growing_are_filled_by_who_writes_within_them(file: File) -> None:
    file.write("a.wav", bytes(len(WAV) // 2))
    file.write("a.wav", bytes(len(WAV)))
    file.write("a.wav", WAV[:8000] + bytes(len(WAV) - 8000))
    assert file.taken_after_s() >= PATIENCE_S


def test_a_copy_begun_again_in_reserved_space_is_not_appended_to(file: File) -> None:
    file.write("a.wav", WAV[:8000])
    file.write("a.wav", bytes(100))
    file.write("a.wav", WAV[:8000] + bytes(len(WAV) - 8000))
    assert file.taken_after_s() >= UNPROVEN_SETTLES * SETTLE_S


@pytest.mark.parametrize("name", ["linked/secret.wav", "round/round/linked/secret.wav"])
def test_what_an_event_names_behind_a_link_is_not_looked_at(file: File, tmp_path: Path, name: str) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "secret.wav").write_bytes(WAV)
    (file.path / "linked").symlink_to(tmp_path / "elsewhere")
    (file.path / "round").symlink_to(file.path)
    file.settling.hints({str(file.path / name): None}, file.now)
    assert not file.settling.arrivals.entries

    file.write("own.wav", WAV)
    assert list(file.settling.arrivals.entries) == ["own.wav"]
