"""Names on disk keep their script, fit every common file system, and stay distinct whatever is typed."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from config.settings import DEFAULT_IGNORE
from daemon.core.atomic import free_name
from daemon.core.names import (
    MAX_STEM_BYTES,
    MAX_STEM_UNITS,
    copy_name,
    folded,
    format_tempo,
    is_ignored,
    safe_stem,
)
from daemon.core.text import one_line

ANY_NAME = st.text(st.characters(exclude_categories=()), max_size=300)
FORBIDDEN = set('<>:"/\\|?*')  # Microsoft, "Naming Files, Paths, and Namespaces"
DEVICES = {
    "con",
    "prn",
    "aux",
    "nul",
    *(f"{k}{n}" for k in ("com", "lpt") for n in "123456789\u00b9\u00b2\u00b3"),
}
SCRIPTS = [
    "\u05e9\u05d9\u05e8 \u05dc\u05d9\u05dc\u05d4",  # Hebrew
    "\u05d1\u05bc\u05b0\u05e8\u05b5\u05d0\u05e9\u05c1\u05b4\u05d9\u05ea",  # Hebrew with points
    "\u0623\u063a\u0646\u064a\u0629 \u0627\u0644\u0644\u064a\u0644",  # Arabic
    "\u0645\u06cc\u200c\u062e\u0648\u0627\u0647\u0645",  # Persian, with the joiner that its spelling needs
    "\u591c\u306e\u6b4c\u30d3\u30fc\u30c8",  # Chinese characters and kana
    "\ubc24\uc758 \ub178\ub798",  # Korean
    "\u0930\u093e\u0924 \u0915\u093e \u0917\u0940\u0924",  # Devanagari
    "\u0e40\u0e1e\u0e25\u0e07\u0e01\u0e25\u0e32\u0e07\u0e04\u0e37\u0e19",  # Thai
    "\u041d\u043e\u0447\u043d\u0430\u044f \u043f\u0435\u0441\u043d\u044f",  # Cyrillic
    "\u039d\u03c5\u03c7\u03c4\u03b5\u03c1\u03b9\u03bd\u03cc",  # Greek
    "na\u00efve \u00c5ngstr\u00f6m \u0142\u00f3d\u017a",  # accents
    "fire \U0001f525 \u2764\ufe0f \U0001f469\u200d\U0001f3a4 \U0001f44d\U0001f3fd",  # emoji of several
    "Ti\u1ebfng Vi\u1ec7t",  # two marks on one letter
    "z\u0336\u0310a\u0316",  # marks that no letter has a form for
    "don't stop (part 2) [F\u266f]".replace("[", "(").replace("]", ")"),
]


@pytest.mark.parametrize("name", ["index.html", "Index.HTML"])
def test_no_beat_takes_the_place_of_the_board(name):
    """'index.html.wav': README, "The board, `ready/index.html`"; many file systems ignore letter case."""
    assert safe_stem(name) == f"_{name}"
    assert safe_stem("index") == "index"


@pytest.mark.parametrize("name", SCRIPTS)
def test_a_name_in_any_script_keeps_it(name):
    assert safe_stem(name) == unicodedata.normalize("NFC", name)
    assert safe_stem(unicodedata.normalize("NFD", name)) == safe_stem(name)
    assert one_line(safe_stem(name)) == safe_stem(name)


@given(ANY_NAME)
@example("CON")
@example("com\u00b9.x")
@example("\uff23\uff2f\uff2e")
@example("aux .wav")
@example("\u05d0" * 300)
@example("\U0001f469\u200d\U0001f3a4" * 60)
@example("e" + "\u0301" * 200)
@example("\u0301start")
@example("a" * 300 + ".")
def test_always_a_safe_path_component(name):
    stem = safe_stem(name)

    assert 0 < len(stem.encode()) <= MAX_STEM_BYTES
    assert len(stem.encode("utf-16-le")) // 2 <= MAX_STEM_UNITS
    assert len(f"{stem}.clickcheck.flac".encode()) <= 255
    assert not FORBIDDEN & set(unicodedata.normalize("NFKC", stem))
    assert one_line(stem) == stem  # nothing that cannot be seen
    assert unicodedata.is_normalized("NFC", stem)
    assert stem[0] not in " .-"
    assert stem[-1] not in " ."
    assert unicodedata.category(stem[0])[0] != "M"
    assert unicodedata.normalize("NFKC", stem).split(".")[0].rstrip().casefold() not in DEVICES
    assert not is_ignored(stem, DEFAULT_IGNORE) or not name.isprintable() or is_ignored(name, DEFAULT_IGNORE)


@given(ANY_NAME, ANY_NAME)
def test_different_names_that_lose_something_stay_different(one, two):
    a, b = safe_stem(one), safe_stem(two)

    if a == b and "~" in a:
        assert unicodedata.normalize("NFC", one) == unicodedata.normalize("NFC", two)


@given(ANY_NAME)
def test_a_safe_name_is_left_alone(name):
    stem = safe_stem(name)

    if "~" not in stem and stem[0] != "_":  # put before device names
        assert safe_stem(stem) == stem


def test_both_unicode_forms_of_one_name_are_one_name():
    """Unicode Standard Annex 15: NFC and NFD of the same text are canonically equivalent."""
    assert safe_stem("caf\u00e9") == safe_stem("cafe\u0301") == "caf\u00e9"


@pytest.mark.parametrize(
    "name",
    [
        "../../etc/passwd", "a/b\\c", "x\ny", "CON", "$(rm -rf)", "<script>", "\u202egpj", "a\u2044b",
        "a\uff0fb", "a\uff1ab", "a\u2215b", "NUL.txt", "\ue000", "\udcff\udcfe", "zero\u200bwidth",
    ],
)  # fmt: skip
def test_hostile_names(name):
    stem = safe_stem(name)

    bad = {
        "/",
        "\\",
        "<",
        ">",
        "$",
        "\n",
        "\u202e",
        "\u2044",
        "\uff0f",
        "\uff1a",
        "\u2215",
        "\u200b",
        "\ue000",
    }
    assert not bad & set(stem)
    assert stem.lower().split(".")[0] not in ("con", "nul")
    stem.encode()


def test_a_long_name_is_cut_between_signs():
    stem = safe_stem("\U0001f469\u200d\U0001f3a4" * 60)  # 11 bytes, one sign

    assert stem[:-9] == "\U0001f469\u200d\U0001f3a4" * (len(stem[:-9]) // 3)
    assert safe_stem("e\u0323\u0301" * 100)[:-9].endswith("\u0301")


def test_names_that_differ_only_in_case_or_form_get_folders_of_their_own(tmp_path):
    (tmp_path / unicodedata.normalize("NFD", "\u00c9t\u00e9")).mkdir()

    assert free_name(tmp_path, "\u00e9t\u00e9") == "\u00e9t\u00e9 (2)"
    assert free_name(tmp_path, "ete") == "ete"


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("\u00c9t\u00e9", "ete"), ("STRASSE", "stra\u00dfe"), ("\u0141\u00f3d\u017a", "lodz"),
        ("\uff21\uff22", "ab"),
        (SCRIPTS[1], "\u05d1\u05e8\u05d0\u05e9\u05d9\u05ea"),
        ("\u0645\u064f\u062d\u0645\u0651\u062f", "\u0645\u062d\u0645\u062f"), ("\u2764\ufe0f", "\u2764"),
        ("S\u00f8ren  Two", "soren two"), ("\u0130stanbul", "istanbul"), ("\u30ac", "\u30ab\u3099"),
    ],
)  # fmt: skip
def test_names_are_looked_for_without_case_accents_and_form(one, other):
    assert folded(one) == folded(other)


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
        copy_name(pattern, "amber-lane", "140", "E flat minor", None) == "amber-lane - 140 BPM - E flat minor"
    )
    moving = copy_name(pattern, "amber-lane", "85 to 87", "E flat minor", None)
    assert moving == "amber-lane - 85 to 87 BPM - E flat minor"
    assert copy_name(pattern, "amber-lane", None, None, None) == "amber-lane - no tempo - no key"


def test_copy_name_says_what_the_tempo_counts_where_that_is_no_quarter():
    pattern = "{stem} - {tempo} BPM - {key}"
    named = copy_name(pattern, "amber-lane", "75", "C minor", None, "dotted quarter")
    assert named == "amber-lane - 75 BPM dotted quarter - C minor"
    assert copy_name(pattern, "amber-lane", None, None, None, "dotted quarter").endswith("no tempo - no key")


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
