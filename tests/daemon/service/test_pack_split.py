"""Folders and zips of several beats in the service: split, asked about, answered, each content once."""

from __future__ import annotations

import contextlib
import io
import json
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from config.settings import Settings
from daemon.core.errors import BeatintakeError
from daemon.ingest.grouping import Candidate
from daemon.ingest.incoming import Incoming
from daemon.ledger.ledger import Record
from daemon.ops.status import as_lines, read_status
from daemon.pipeline.answers import store_answer, stored_answer
from daemon.pipeline.publication import Results
from daemon.service.control import answer_question
from tests.daemon.inline import InlineService, opened
from tests.daemon.service_kit import drop, ready, reason, rejected, settings_for

Opener = Callable[..., Any]
FIRST = b"!beats 1"
ASK = b"!ask\n"


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return settings_for(tmp_path)


@pytest.fixture
def life(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> Opener:
    @contextlib.contextmanager
    def open_one() -> Iterator[InlineService]:
        with opened(settings, monkeypatch) as one:
            yield one

    return open_one


def zipped(**files: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in files.items():
            archive.writestr(zipfile.ZipInfo(f"{name}.wav"), data)
    return out.getvalue()


def reports(settings: Settings) -> dict[str, dict[str, Any]]:
    return {
        name: json.loads(next((settings.folders.ready / name).glob("*.report.json")).read_bytes())["drop"]
        for name in ready(settings)
    }


def done(one: InlineService, count: int) -> None:
    one.until(lambda: len(ready(one.settings)) == count and one.settled(), f"{count} beats")


@pytest.mark.parametrize("folder", ["mira/five beats", "mira/five stems", "five stems"])
def test_a_folder_of_beats_becomes_one_drop_each_that_names_the_pack(life: Opener, folder: str) -> None:
    with life() as one:
        for name, data in (("a", FIRST), ("b", b"slate"), ("c", b"amber")):
            drop(one.settings, f"{folder}/{name}.wav", data)
        done(one, 3)

        found = reports(one.settings)
        assert sorted(found) == ["a", "b", "c"]
        assert {drop["pack"] for drop in found.values()} == {folder.rpartition("/")[2]}
        assert {drop["producer"] for drop in found.values()} == {"mira" if "/" in folder else None}


def test_a_zip_of_beats(life: Opener) -> None:
    with life() as one:
        drop(one.settings, "mira/pack.zip", zipped(a=FIRST, b=b"slate"))
        done(one, 2)

        found = reports(one.settings)
        assert {(name, d["name"], d["producer"], d["pack"]) for name, d in found.items()} == {
            ("a", "a.wav", "mira", "pack.zip"),
            ("b", "b.wav", "mira", "pack.zip"),
        }
        assert one.ledger.count("ready") == 2
        assert [record.outcome for record in one.ledger.history()] == ["ready", "ready"]


def test_a_beat_of_a_pack_is_known_by_its_own_bytes(life: Opener) -> None:
    """Delivered alone before, in another pack, and in the same pack under another name: once."""
    with life() as one:
        drop(one.settings, "lone.wav", b"slate")
        done(one, 1)
        drop(one.settings, "pack.zip", zipped(a=FIRST, b=b"slate"))
        done(one, 2)
        runs = one.pool.calls.count("tests.daemon.fake_jobs:obedient")
        drop(one.settings, "again.zip", zipped(a=FIRST, b=b"slate"))
        one.until(lambda: "again.zip" in one.arrivals.done and one.settled())

        assert ready(one.settings) == ["a", "lone"]
        assert one.pool.calls.count("tests.daemon.fake_jobs:obedient") == runs


def test_one_bad_beat_of_a_pack_is_rejected_with_its_reason(life: Opener) -> None:
    with life() as one:
        drop(one.settings, "pack.zip", zipped(a=FIRST, b=b"!damaged", c=b"amber"))
        one.until(lambda: rejected(one.settings) and one.settled())

        assert ready(one.settings) == ["a", "c"]
        assert "it is damaged" in reason(one.settings, "b")


def test_a_pack_stays_split_in_the_next_life(life: Opener, settings: Settings) -> None:
    with life() as one:
        drop(settings, "pack.zip", zipped(a=FIRST, b=b"slate"))
        drop(settings, "x stems/a.wav", b"!beats 2")
        drop(settings, "x stems/b.wav", b"amber")
        done(one, 4)
    with life() as two:
        two.turn(0.5)

        assert two.settled()
        assert "tests.daemon.fake_jobs:obedient" not in two.pool.calls


def test_a_life_that_ends_in_the_middle_of_a_pack_goes_on_with_the_rest(
    life: Opener, settings: Settings
) -> None:
    with life() as one:
        drop(settings, "pack.zip", zipped(a=FIRST, b=b"slate", c=b"amber"))
        one.until(lambda: one.settling.incoming.packs)
        one.pool.hold = True
        one.turn(0.5)
    assert len(ready(settings)) < 3
    with life() as two:
        done(two, 3)

        assert ready(settings) == ["a", "b", "c"]


def test_a_lost_ledger_publishes_nothing_twice(life: Opener, settings: Settings) -> None:
    with life() as one:
        drop(settings, "pack.zip", zipped(a=FIRST, b=b"slate"))
        done(one, 2)
    for path in settings.folders.state.glob("ledger.sqlite3*"):
        path.unlink()
    with life() as two:
        two.until(lambda: "pack.zip" in two.arrivals.done and two.settled())

        assert ready(settings) == ["a", "b"]


def test_a_zip_that_changes_is_judged_anew(life: Opener) -> None:
    with life() as one:
        drop(one.settings, "pack.zip", zipped(a=FIRST, b=b"slate"))
        done(one, 2)
        drop(one.settings, "pack.zip", zipped(a=b"kick", b=b"snare"))
        done(one, 3)

        assert ready(one.settings) == ["a", "b", "pack"]


PARTIAL = b"slate" * 5_000
WHOLE = PARTIAL * 2
UNEQUAL = b"!beats-under 50000\n" + b"amber" * 12_000


def _split_by_a_partial_file(one: InlineService, first: bytes) -> None:
    drop(one.settings, "amber stems/a.wav", first)
    drop(one.settings, "amber stems/b.wav", PARTIAL)
    done(one, 2)
    assert ready(one.settings) == ["a", "b"]
    drop(one.settings, "amber stems/b.wav", WHOLE)


def test_a_stem_folder_split_by_an_incomplete_file_is_one_again_when_the_file_is_whole(life: Opener) -> None:
    with life() as one:
        _split_by_a_partial_file(one, UNEQUAL)
        one.until(lambda: "amber stems" in ready(one.settings) and one.settled())

        assert ready(one.settings) == ["amber stems"]
        assert one.ledger.count("ready") == 1
        one.turn(0.5)
        assert one.settled()
    with life() as two:
        two.turn(0.5)

        assert ready(two.settings) == ["amber stems"]
        assert "tests.daemon.fake_jobs:obedient" not in two.pool.calls


def test_a_life_that_ends_before_the_folder_is_one_again_leaves_no_single_results(
    life: Opener, settings: Settings
) -> None:
    with life() as one:
        _split_by_a_partial_file(one, UNEQUAL)
        one.until(lambda: one.settling.incoming.doubted)
        one.pool.hold = True
        one.turn(0.2)
    assert ready(settings) == ["a", "b"]
    with life() as two:
        two.until(lambda: "amber stems" in ready(two.settings) and two.settled())

        assert ready(two.settings) == ["amber stems"]
        assert two.ledger.count("ready") == 1
    with life() as three:
        three.turn(0.5)

        assert ready(three.settings) == ["amber stems"]
        assert "tests.daemon.fake_jobs:obedient" not in three.pool.calls


@pytest.mark.parametrize("after", [0, 1])
def test_a_life_that_ends_while_the_single_results_are_withdrawn_is_taken_up_by_the_next(
    life: Opener, settings: Settings, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    """Killed when the whole result is recorded, or when one of the two others is gone."""
    real, gone = Results.drop_part, []

    def until_killed(self: Results, part: Record | None) -> None:
        if "amber stems" in ready(settings):
            if len(gone) == after:
                raise KeyboardInterrupt
            gone.append(part)
        real(self, part)

    with monkeypatch.context() as patch, life() as one:
        patch.setattr(Results, "drop_part", until_killed)
        _split_by_a_partial_file(one, UNEQUAL)
        with pytest.raises(KeyboardInterrupt):
            one.until(lambda: False)
    assert len(ready(settings)) == 3 - after
    with life() as two:
        two.until(lambda: ready(settings) == ["amber stems"] and two.settled())

        assert two.ledger.count("ready") == 1
    with life() as three:
        three.turn(0.5)

        assert ready(settings) == ["amber stems"]
        assert not three.settling.incoming.doubted
        assert "tests.daemon.fake_jobs:obedient" not in three.pool.calls


def test_what_was_delivered_elsewhere_too_stays_when_the_folder_is_one_again(life: Opener) -> None:
    with life() as one:
        drop(one.settings, "lone.wav", UNEQUAL)
        done(one, 1)
        drop(one.settings, "amber stems/a.wav", UNEQUAL)
        drop(one.settings, "amber stems/b.wav", PARTIAL)
        done(one, 2)
        drop(one.settings, "amber stems/b.wav", WHOLE)
        one.until(lambda: "amber stems" in ready(one.settings) and one.settled())

        assert ready(one.settings) == ["amber stems", "lone"]


def test_a_pack_with_an_incomplete_beat_stays_one_and_only_that_beat_is_replaced(life: Opener) -> None:
    with life() as one:
        _split_by_a_partial_file(one, FIRST)
        one.until(lambda: WHOLE in _published(one.settings) and one.settled())
        one.turn(0.5)

        assert ready(one.settings) == ["a", "b"]
        assert PARTIAL not in _published(one.settings)
        assert one.settled()


def test_a_split_folder_that_cannot_be_looked_at_stays_split(
    life: Opener, monkeypatch: pytest.MonkeyPatch
) -> None:
    def denied(self: Incoming, unit: str) -> list[Candidate]:
        if unit == "amber stems":
            raise PermissionError(13, "denied")
        return around(self, unit)

    around = Incoming.around
    with life() as one:
        drop(one.settings, "amber stems/a.wav", UNEQUAL)
        drop(one.settings, "amber stems/b.wav", PARTIAL)
        done(one, 2)
        monkeypatch.setattr(Incoming, "around", denied)
        drop(one.settings, "amber stems/b.wav", WHOLE)
        one.until(lambda: WHOLE in _published(one.settings) and one.settled())

        assert ready(one.settings) == ["a", "b"]


def _published(settings: Settings) -> list[bytes]:
    return [path.read_bytes() for path in settings.folders.ready.glob("*/*.wav")]


@pytest.mark.parametrize("how", ["zip", "folder"])
def test_in_doubt_nothing_is_summed_and_a_person_is_asked(life: Opener, how: str) -> None:
    with life() as one:
        _deliver(one.settings, how)
        one.until(lambda: rejected(one.settings) and one.settled())

        [folder] = rejected(one.settings)
        assert ready(one.settings) == []
        assert "beatintake answer" in reason(one.settings, folder)
        [question] = read_status(one.settings).questions
        assert "stems of one beat, or separate beats? beatintake answer" in question
        assert as_lines(read_status(one.settings), one.settings)[1].startswith("  ? amber")


def _deliver(settings: Settings, how: str) -> str:
    """The name to answer by."""
    if how == "zip":
        drop(settings, "mira/amber.zip", zipped(a=ASK, b=b"slate"))
    else:
        drop(settings, "mira/amber/a.wav", ASK)
        drop(settings, "mira/amber/b.wav", b"slate")
    return "amber"


@pytest.mark.parametrize("how", ["zip", "folder"])
@pytest.mark.parametrize("by", ["command", "file"])
@pytest.mark.parametrize(("answer", "published"), [("stems", ["amber"]), ("beats", ["a", "b"])])
def test_the_answer_settles_it(
    life: Opener, settings: Settings, how: str, by: str, answer: Any, published: list[str]
) -> None:
    with life() as one:
        name = _deliver(settings, how)
        one.until(lambda: rejected(settings) and one.settled())
    if by == "command":  # between two lives: it is kept
        answer_question(settings, name.upper(), answer)
        answer_question(settings, name, answer)
    else:
        (settings.folders.rejected / rejected(settings)[0] / f"{answer}.txt").touch()
    with life() as two:
        two.until(lambda: ready(settings) == published and two.settled(), "the answer to be followed")
        two.turn(0.5)

        assert rejected(settings) == []
        assert read_status(settings).questions == []
        assert two.ledger.count("rejected") == 0


@pytest.mark.parametrize(("marker", "published"), [("stems.txt", ["amber"]), ("beats.txt", ["a", "b"])])
def test_a_marker_beside_the_files_settles_it_too(life: Opener, marker: str, published: list[str]) -> None:
    with life() as one:
        _deliver(one.settings, "folder")
        one.until(lambda: rejected(one.settings) and one.settled())
        data = b"" if marker == "beats.txt" else b"zz"
        drop(one.settings, f"mira/amber/{marker}", data)
        if marker == "stems.txt":  # the stand-in knows no markers: this is what the real job does with one
            one.until(lambda: not one.arrivals.done.get("mira/amber"))
            return
        one.until(lambda: ready(one.settings) == published and one.settled())

        assert rejected(one.settings) == []


def test_the_answer_may_be_changed_and_what_is_published_stays(life: Opener, settings: Settings) -> None:
    with life() as one:
        _deliver(settings, "zip")
        one.until(lambda: rejected(settings) and one.settled())
        answer_question(settings, "amber", "beats")
        done(one, 2)
        answer_question(settings, "amber.zip", "stems")
        done(one, 3)

        assert ready(settings) == ["a", "amber", "b"]


def test_a_name_that_nothing_is_asked_about(life: Opener, settings: Settings) -> None:
    with life() as one:
        _deliver(settings, "zip")
        one.until(lambda: rejected(settings) and one.settled())
        with pytest.raises(BeatintakeError, match=r"slate: no folder or zip .* there are: amber\.zip"):
            answer_question(settings, "slate", "beats")


def test_an_answer_is_kept_by_content(tmp_path: Path) -> None:
    store_answer(tmp_path, "ab" * 32, "x", "beats")
    store_answer(tmp_path, "ab" * 32, "x", "stems")

    assert stored_answer(tmp_path, "ab" * 32) == "stems"
    assert stored_answer(tmp_path, "cd" * 32) is None
    (tmp_path / "answers" / f"{'ef' * 32}.json").write_text('{"answer": "both"}')
    assert stored_answer(tmp_path, "ef" * 32) is None
