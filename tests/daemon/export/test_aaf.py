"""The AAF file, read back with pyaaf2 and, as a container, with olefile (an independent reader)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from daemon.export.aaf import write_aaf
from daemon.export.session import Session, Sound
from tests.daemon.export.test_dawproject import plain_beat, session_of

aaf2 = pytest.importorskip("aaf2")
RATE = 48000


@pytest.fixture
def session(tmp_path: Path) -> Session:
    sounds = []
    (tmp_path / "stems").mkdir()
    for name, frames, muted in (
        ("drums", 96001, False),
        ("bass & co", 96001, False),
        ("bounce", 96001, True),
    ):
        path = tmp_path / "stems" / f"{name}.wav"
        sf.write(path, np.zeros((frames, 2)), RATE, subtype="PCM_24")
        sounds.append(Sound(name, path, f"stems/{name}.wav", frames, RATE, 2, muted))
    return session_of(plain_beat(), tuple(sounds))


def test_sounds_lie_at_sample_zero_to_the_frame(tmp_path, session):
    write_aaf(tmp_path / "a.aaf", session)
    with aaf2.open(str(tmp_path / "a.aaf")) as file:
        (whole,) = file.content.toplevel()
        assert whole.name == session.title
        assert [slot.name for slot in whole.slots] == ["drums", "bass & co"], (
            "what would double them is left out"
        )
        for slot in whole.slots:
            assert (slot.edit_rate, slot.origin, slot.media_kind) == (RATE, 0, "Sound")
            (clip,) = slot.segment.components
            assert (clip.start, clip.length, slot.segment.length) == (0, 96001, 96001)
            source = clip.mob.slot_at(1).segment
            assert (clip.mob.name, source.start, source.length) == (slot.name, 0, 96001)
            descriptor = source.mob.descriptor
            assert (descriptor["SampleRate"].value, descriptor.length) == (RATE, 96001)


def test_links_are_relative_and_lead_to_the_files(tmp_path, session):
    write_aaf(tmp_path / "a.aaf", session)
    with aaf2.open(str(tmp_path / "a.aaf")) as file:
        found = {}
        for mob in file.content.sourcemobs():
            (locator,) = list(mob.descriptor["Locator"].value)
            found[mob.name] = locator["URLString"].value
            summary = bytes(mob.descriptor["Summary"].value)
            assert summary[:4] == b"RIFF"
            assert summary[8:16] == b"WAVEfmt "
            assert summary[22:24] == (2).to_bytes(2, "little")  # channels, by the RIFF specification
            assert summary[24:28] == RATE.to_bytes(4, "little")
    assert found == {"drums": "stems/drums.wav", "bass & co": "stems/bass%20%26%20co.wav"}


def test_remarks_are_comments(tmp_path, session):
    write_aaf(tmp_path / "a.aaf", session)
    with aaf2.open(str(tmp_path / "a.aaf")) as file:
        (whole,) = file.content.toplevel()
        assert whole.comments["Comment"] == "\n".join(session.remarks)


def test_an_independent_reader_finds_a_sound_container(tmp_path, session):
    """Structured storage (MS-CFB) and the names of the root's properties in the AAF specification."""
    olefile = pytest.importorskip("olefile")
    write_aaf(tmp_path / "a.aaf", session)
    assert olefile.isOleFile(str(tmp_path / "a.aaf"))
    with olefile.OleFileIO(str(tmp_path / "a.aaf")) as container:
        names = {entry[0] for entry in container.listdir(streams=True, storages=True)}
        assert {"Header-2", "MetaDictionary-1"} <= names
        assert not any(name.lower().startswith("tmp") for name in names)
        for stream in container.listdir():
            container.openstream(stream).read()


def test_the_same_session_gives_the_same_bytes(tmp_path, session):
    for name in ("a.aaf", "b.aaf"):
        write_aaf(tmp_path / name, session)
    assert (tmp_path / "a.aaf").read_bytes() == (tmp_path / "b.aaf").read_bytes()


def test_other_sessions_have_other_identifiers(tmp_path, session):
    """Two beats may both have stems called drums: a program would take them for one clip."""
    found = []
    for identity in ("one", "two"):
        write_aaf(tmp_path / "a.aaf", replace(session, identity=identity))
        with aaf2.open(str(tmp_path / "a.aaf")) as file:
            found.append({str(mob.mob_id) for mob in file.content.mobs})
    assert len(found[0]) == 5
    assert not found[0] & found[1]
