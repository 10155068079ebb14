"""What makes one drop. Expected values follow from the rule in the module's docstring."""

from __future__ import annotations

import pytest

from config.settings import AUDIO_EXTENSIONS
from daemon.ingest.grouping import FileFact, Kind, group, has_extension, is_stem_name, stat_digest


def facts(*paths: str) -> list[FileFact]:
    return [FileFact(path, 10, 1, 1, number) for number, path in enumerate(paths)]


def grouped(*paths: str, **more: object) -> dict[str, Kind]:
    return {c.key: c.kind for c in group(facts(*paths), AUDIO_EXTENSIONS, **more)}  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "name",
    [
        "stems",
        "Amber Lane STEMS",
        "amber_lane-stems",
        "amberlanestems",
        "Multitrack",
        "amber MULTI-TRACK",
        "multi tracks",
        "Sub Systems Stems",
        "beat.stems",
    ],
)
def test_stem_names(name: str) -> None:
    assert is_stem_name(name)


@pytest.mark.parametrize("name", ["Sound Systems", "ecosystems", "stems old", "stem", "track", "", "beats"])
def test_other_names(name: str) -> None:
    assert not is_stem_name(name)


def test_files_are_single_drops_and_the_folder_names_the_producer() -> None:
    found = group(facts("a.wav", "mira/b.WAV", "mira/c.mp3"), AUDIO_EXTENSIONS)

    assert {c.key: (c.kind, c.producer) for c in found} == {
        "a.wav": (Kind.FILE, None),
        "mira/b.WAV": (Kind.FILE, "mira"),
        "mira/c.mp3": (Kind.FILE, "mira"),
    }


def test_a_named_stem_folder_is_one_drop_with_everything_below() -> None:
    found = group(
        facts("mira/x stems/a.wav", "mira/x stems/deep/b.wav", "mira/x stems/notes.txt"), AUDIO_EXTENSIONS
    )

    assert [(c.key, c.kind, len(c.members), c.producer) for c in found] == [
        ("mira/x stems", Kind.STEMS, 3, "mira")
    ]


def test_the_outermost_stem_folder_wins() -> None:
    assert grouped("x stems/drum stems/a.wav") == {"x stems": Kind.STEMS}


def test_a_marker_makes_any_folder_a_stem_drop() -> None:
    assert grouped("x/stems.txt", "x/a.wav", "x/b.wav") == {"x": Kind.STEMS}
    assert grouped("x/y/STEMS.TXT", "x/y/a.wav") == {"x/y": Kind.STEMS}


def test_a_marker_in_the_incoming_folder_itself_means_nothing() -> None:
    assert grouped("stems.txt", "a.wav") == {"a.wav": Kind.FILE}


def test_a_marker_known_from_before_counts_for_a_part_of_the_folder() -> None:
    assert grouped("x/a.wav", marked=["x"]) == {"x": Kind.STEMS}


def test_two_files_in_a_producers_folder_may_be_stems() -> None:
    assert grouped("mira/x/a.wav", "mira/x/b.wav") == {"mira/x": Kind.MAYBE_STEMS}


def test_one_file_or_zips_in_a_producers_folder_are_no_stems() -> None:
    assert grouped("mira/x/a.wav") == {"mira/x/a.wav": Kind.FILE}
    assert grouped("mira/x/a.zip", "mira/x/b.zip") == {"mira/x/a.zip": Kind.FILE, "mira/x/b.zip": Kind.FILE}


def test_a_folder_found_to_be_no_stems_stays_split_unless_it_is_marked() -> None:
    files = ("m/x/a.wav", "m/x/b.wav", "m/x/c.wav")

    assert grouped(*files, split={"m/x"}) == dict.fromkeys(files, Kind.FILE)
    assert grouped(*files, "m/x/stems.txt", split={"m/x"}) == {"m/x": Kind.STEMS}


def test_deeper_files_are_single_drops() -> None:
    assert grouped("m/x/y/a.wav", "m/x/y/b.wav") == {"m/x/y/a.wav": Kind.FILE, "m/x/y/b.wav": Kind.FILE}


def test_what_is_no_audio_is_left_alone_but_refused_kinds_get_a_reason() -> None:
    assert grouped("a.txt", "b.jpg", "noextension", "c.m4a", "d.rar") == {
        "c.m4a": Kind.FILE,
        "d.rar": Kind.FILE,
    }


def test_a_stem_folder_without_audio_is_no_drop() -> None:
    assert grouped("x stems/readme.txt") == {}


def test_extension_is_compared_without_case() -> None:
    assert has_extension("a.WaV", ("wav",))
    assert not has_extension("wav", ("wav",))


def test_the_stat_digest_sees_every_change_but_not_the_order() -> None:
    base = FileFact("a", 1, 2, 3, 4)
    other = [
        FileFact("b", 1, 2, 3, 4),
        FileFact("a", 9, 2, 3, 4),
        FileFact("a", 1, 9, 3, 4),
        FileFact("a", 1, 2, 9, 4),
        FileFact("a", 1, 2, 3, 9),
    ]

    assert len({stat_digest([f]) for f in [base, *other]}) == 6
    assert stat_digest([base, other[0]]) == stat_digest([other[0], base])


def test_names_that_are_no_text_can_be_digested() -> None:
    assert len(stat_digest([FileFact("b\udcff.wav", 1, 1, 1, 1)])) == 16


def test_a_folder_changes_with_the_partial_files_in_it_but_a_file_does_not() -> None:
    members = facts("x stems/a.wav", "x stems/b.wav", "c.wav")
    partial = [FileFact("x stems/c.wav.part", size, 1, 1, 9) for size in (1, 2)]
    one, two = (
        {c.key: c.stat_digest for c in group(members, AUDIO_EXTENSIONS, ignored=[fact])} for fact in partial
    )

    assert one["x stems"] != two["x stems"]
    assert one["c.wav"] == two["c.wav"]
