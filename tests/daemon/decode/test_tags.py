"""Claims in names and tags: what producers write, and what must not be taken for a claim."""

from __future__ import annotations

import io

import pytest

from daemon.decode.headers import recognise
from daemon.decode.tagformats import id3_frames, read_tags, vorbis_comments
from daemon.decode.tags import claims, clean_tags
from tests.daemon.make_audio import file_bytes, noise
from tests.daemon.make_tags import comments, id3, ogg_pages, with_tag


def told(name: str, **tags: str) -> dict[str, list[float | str]]:
    found = claims(name, tags)
    return {
        question: [claim.value for claim in found if claim.question == question]
        for question in ("tempo", "key")
    }


@pytest.mark.parametrize(
    ("name", "tempo", "key"),
    [
        ("amber lane 140bpm Ebm.wav", [140.0], ["E flat minor"]),
        ("amber_lane_140_BPM_Eb_minor.wav", [140.0], ["E flat minor"]),
        ("Amber Lane (93.5 BPM) [F# minor].mp3", [93.5], ["F sharp minor"]),
        ("amber-lane-93,5bpm-F#min.wav", [93.5], ["F sharp minor"]),
        ("BPM 87 amber.wav", [87.0], []),
        ("bpm_128.wav", [128.0], []),
        ("amber 174 bpm Bb maj.flac", [174.0], ["B flat major"]),
        ("amber E flat minor 70BPM.wav", [70.0], ["E flat minor"]),
        ("amber A minor.wav", [], ["A minor"]),
        ("amber 120bpm Am.wav", [120.0], ["A minor"]),
        ("Am - amber - 120.wav", [], ["A minor"]),
        ("amber 140 Ebm.wav", [140.0], ["E flat minor"]),
        ("amber_Gm_92.wav", [92.0], ["G minor"]),
        ("amber D dorian 100bpm.wav", [100.0], ["D dorian"]),
        ("amber B♭ minor.wav", [], ["B flat minor"]),
        ("A harmonic minor 90bpm.wav", [90.0], ["A harmonic minor"]),
        ("93.5bpm", [93.5], []),
    ],
)
def test_what_producers_write(name, tempo, key):
    assert told(name) == {"tempo": tempo, "key": key}


@pytest.mark.parametrize(
    "name",
    [
        "I Am Free.wav",
        "Who I Am.wav",
        "amber lane 2024.wav",
        "track 140.wav",
        "Em and me.wav",
        "a major deal.wav",
        "Big Bass.wav",
        "Ab fab.wav",
        "beat 12bpm.wav",
        "beat 900bpm.wav",
        "v2 final 48k 24bit.wav",
        "mix A.wav",
        "Dm me.wav",
        "I'm gone.wav",
        "wham minor.wav",
        "abpm 140.wav",
    ],
)
def test_what_is_no_claim(name):
    assert told(name) == {"tempo": [], "key": []}


def test_tags_and_where_they_were_found():
    """ID3v2.4 frames: TBPM an integer in text; TKEY at most three characters."""
    found = claims("amber 140bpm.wav", {"TBPM": "141", "TKEY": "Ebm", "comment": "key: A minor"})

    assert [(claim.question, claim.value, claim.where) for claim in found] == [
        ("tempo", 140.0, "file name"),
        ("tempo", 141.0, "tag TBPM"),
        ("key", "E flat minor", "tag TKEY"),
        ("key", "A minor", "tag comment"),
    ]
    assert found[0].text == "140bpm"


@pytest.mark.parametrize(
    ("tkey", "wanted"),
    [("C", ["C major"]), ("F#m", ["F sharp minor"]), ("o", []), ("Bb", ["B flat major"]), ("5A", [])],
)
def test_key_tags(tkey, wanted):
    assert told("x.mp3", TKEY=tkey)["key"] == wanted


def test_equal_claims_are_told_once():
    assert len(claims("amber 140bpm.wav", {"TBPM": "140"})) == 1


@pytest.mark.parametrize("version", [3, 4])
@pytest.mark.parametrize(
    "text",
    [
        b"\0" + b"93.5",
        b"\1" + "93.5".encode("utf-16"),
        b"\2" + "93.5".encode("utf-16-be"),
        b"\3" + b"93.5\0junk",
    ],
)
def test_id3_text_frames(version, text):
    data = id3(version, TXXX=b"\0" + b"x" * 200, TBPM=text, TKEY=b"\0Ebm")

    assert id3_frames(data) == {"TBPM": "93.5", "TKEY": "Ebm"}


def test_id3_version_2_2():
    assert id3_frames(id3(2, TBP=b"\x00128", TKE=b"\0Am")) == {"TBPM": "128", "TKEY": "Am"}


def test_damaged_id3_is_left_out():
    data = id3(3, TBPM=b"\x00140", TKEY=b"\0Ebm")
    for end in range(len(data)):
        id3_frames(data[:end])
    assert id3_frames(b"ID3\x03\0\x80" + data[6:]) == {}


def test_vorbis_comments_by_any_case():
    block = comments("TITLE=x", "bpm=140", "InitialKey=Ebm", "broken", "KEY=A=b")

    assert vorbis_comments(block) == {"BPM": "140", "INITIALKEY": "Ebm", "KEY": "A=b"}
    for end in range(len(block)):
        vorbis_comments(block[:end])


@pytest.mark.parametrize(
    ("form", "subtype"),
    [("MP3", "MPEG_LAYER_III"), ("WAV", "PCM_16"), ("AIFF", "PCM_16"), ("FLAC", "PCM_16")],
)
def test_tags_in_files(form, subtype):
    stream = io.BytesIO(with_tag(file_bytes(noise(0.5), format=form, subtype=subtype), form))

    found = read_tags(stream, recognise(stream))

    assert {name: found[name] for name in found if name in ("TBPM", "BPM")} in (
        {"TBPM": "140"},
        {"BPM": "140"},
    )
    assert "Ebm" in found.values()
    assert stream.tell() == 0


@pytest.mark.parametrize("before", [10, 254, 255, 70_000])
def test_ogg_comments_over_several_pages(before):
    """A cover picture before the tempo makes the comment packet run over page ends."""
    block = comments("PICTURE=" + "x" * before, "BPM=140", "KEY=Ebm")
    stream = io.BytesIO(ogg_pages(b"\x03vorbis" + block))

    assert read_tags(stream, recognise(stream)) == {"BPM": "140", "KEY": "Ebm"}


def test_tags_are_few_and_tidy():
    assert len(clean_tags({str(i): "x" for i in range(100)})) == 24
    assert clean_tags({"a": "\x00", "": "b"}) == {}
    assert clean_tags({"TIT2\u202e": "a\r\nb\x1b"}) == {"TIT2": "a b"}
