"""Names on disk stay ASCII, short and distinct whatever a producer types."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.settings import DEFAULT_IGNORE
from daemon.core.names import MAX_STEM_BYTES, copy_name, format_tempo, is_ignored, safe_stem

ANY_NAME = st.text(st.characters(exclude_categories=()), max_size=300)


@given(ANY_NAME)
def test_always_a_safe_path_component(name):
    stem = safe_stem(name)

    assert stem.isascii()
    assert 0 < len(stem) <= MAX_STEM_BYTES
    assert re.fullmatch(r"[A-Za-z0-9 ._()+,=&~-]+", stem)
    assert stem[0] not in " .-"
    assert stem[-1] not in " ."


@given(ANY_NAME, ANY_NAME)
def test_different_names_that_lose_something_stay_different(one, two):
    a, b = safe_stem(one), safe_stem(two)

    if a == b and "~" in a:
        import unicodedata

        assert unicodedata.normalize("NFC", one) == unicodedata.normalize("NFC", two)


def test_both_unicode_forms_of_one_name_are_one_name():
    """Unicode Standard Annex 15: NFC and NFD of the same text are canonically equivalent."""
    assert safe_stem("caf\u00e9") == safe_stem("cafe\u0301")


@pytest.mark.parametrize(
    "name", ["../../etc/passwd", "a/b\\c", "x\ny", "CON", "$(rm -rf)", "<script>", "\u202egpj"]
)
def test_hostile_names(name):
    stem = safe_stem(name)

    assert "/" not in stem
    assert "\\" not in stem
    assert not {"<", ">", "$", "\n", "\u202e"} & set(stem)
    assert stem.lower() != "con"


def test_plain_names_are_left_alone():
    assert safe_stem("amber-lane_v2 (final)") == "amber-lane_v2 (final)"


@pytest.mark.parametrize(
    ("bpm", "text"), [(140.0, "140"), (93.5, "93.5"), (128.0003, "128.0003"), (99.99999, "100")]
)
def test_tempo_is_as_short_as_is_exact(bpm, text):
    assert format_tempo(bpm) == text


def test_copy_name_says_what_is_unknown():
    pattern = "{stem} - {tempo} BPM - {key}"

    assert (
        copy_name(pattern, "amber-lane", 140.0, "E flat minor", None) == "amber-lane - 140 BPM - E flat minor"
    )
    assert copy_name(pattern, "amber-lane", None, None, None) == "amber-lane - no tempo - no key"


@pytest.mark.parametrize(
    "name",
    [
        ".hidden.wav", "._beat.wav", "~$beat.wav", "beat.wav~", "beat.wav.part", "beat.wav.partial",
        "beat.wav.crdownload", "Beat.WAV.TMP", "beat.wav.filepart", ".syncthing.beat.wav.tmp",
        ".beat.wav.aB3xY9",
        "desktop.ini", "Thumbs.db", "@eaDir", "__MACOSX", ".DS_Store", "beat.wav.download",
    ],
)  # fmt: skip
def test_names_of_partial_files_and_litter_are_ignored(name: str) -> None:
    assert is_ignored(name, DEFAULT_IGNORE)


@pytest.mark.parametrize("name", ["beat.wav", "part.wav", "tmp.mp3", "a.part.wav", "BEAT.AIFF", "ün.flac"])
def test_names_of_beats_are_not(name: str) -> None:
    assert not is_ignored(name, DEFAULT_IGNORE)


def test_dotfiles_stay_ignored_when_the_list_is_replaced() -> None:
    assert is_ignored(".x.wav", ("*.foo",))
    assert not is_ignored("x.part", ("*.foo",))
