"""`status NAME`: where one beat stands, by any of its names, in every state."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Iterator
from pathlib import Path

import pytest

from config.settings import Settings
from daemon.core.errors import WrongRequest
from daemon.corrections.apply import Correction
from daemon.corrections.store import add_correction
from daemon.ingest.pending import Phase
from daemon.ledger.ledger import Ledger, Record, ledger_path
from daemon.ops.standing import Standing, as_lines, print_standing, read_standing
from tests.daemon.inline import InlineService, opened
from tests.daemon.service.test_pack_split import ASK, FIRST, zipped
from tests.daemon.service_kit import drop, settings_for


@pytest.fixture
def one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[InlineService]:
    with opened(settings_for(tmp_path, work={"max_workers": 1}), monkeypatch) as service:
        yield service


def deliver(one: InlineService, name: str, data: bytes) -> None:
    drop(one.settings, name, data)
    one.until(lambda: name in one.arrivals.done and one.settled())


def asked(one: InlineService, name: str) -> Standing:
    return read_standing(one.settings, name)


@pytest.mark.parametrize(
    "name",
    [
        "Café Ärmel.wav",
        "cafe armel",
        "CAFE ARMEL.WAV",
        unicodedata.normalize("NFD", "Café Ärmel"),
        "mira/Café Ärmel.wav",
        "cafe",
        "second name",
        "Second Name.wav",
    ],
)
def test_a_ready_beat_is_found_by_every_name(one: InlineService, name: str) -> None:
    deliver(one, "mira/Café Ärmel.wav", b"amber")
    deliver(one, "mira/Second Name.wav", b"amber")
    deliver(one, "other.wav", b"slate")
    standing = asked(one, name)

    assert (standing.state, standing.name) == ("ready", "Café Ärmel.wav")
    assert standing.folder == str(one.settings.folders.ready / "Café Ärmel")
    assert standing.also == ["Second Name.wav"]
    assert "140 BPM, E flat minor" in "\n".join(as_lines(standing))


def test_its_corrections_are_told(one: InlineService) -> None:
    deliver(one, "beat.wav", b"amber")
    [record] = one.ledger.history()
    set_by_hand = Correction(tempo_bpm=70, key="E flat minor")
    add_correction(one.settings.folders.state, record.sha256, "beat.wav", set_by_hand, {}, "0")

    assert (
        "  corrected: tempo 70 BPM, key E flat minor (beatintake undo takes the last one back)"
        in as_lines(asked(one, "beat"))
    )
    two = Correction(key="C minor", key_changes=((24.0, "D minor"),))
    add_correction(one.settings.folders.state, record.sha256, "beat.wav", two, {}, "0")
    assert "  corrected: key C minor, then D minor at 24.00 s (" in "\n".join(as_lines(asked(one, "beat")))


def test_a_rejected_one_says_why(one: InlineService) -> None:
    deliver(one, "broken.wav", b"!damaged\n")
    standing = asked(one, "broken")

    assert standing.state == "rejected"
    assert "it is damaged" in standing.detail
    assert standing.folder == str(one.settings.folders.rejected / "broken")


def test_a_question_is_shown_with_its_answer_line(one: InlineService) -> None:
    deliver(one, "mira/two.zip", zipped(a=ASK, b=b"b"))
    standing = asked(one, "two")

    assert standing.state == "asked"
    assert "beatintake answer two.zip stems (or beats)" in standing.detail


def test_a_pack_says_where_its_beats_stand(one: InlineService) -> None:
    deliver(one, "pack.zip", zipped(a=FIRST, b=b"!damaged\n"))
    standing = asked(one, "pack")

    assert standing.state == "split"
    assert standing.beats == ["a.wav: ready/a", "b.wav: rejected/b"]
    assert asked(one, "pack.zip/a.wav").pack == asked(one, "a").pack


def test_what_is_being_worked_on_and_what_waits(one: InlineService) -> None:
    one.pool.hold = True
    drop(one.settings, "first.wav", b"amber")
    one.until(lambda: one.pool.held, "the first to run")
    drop(one.settings, "second.wav", b"slate")
    one.until(lambda: len(one.arrivals.in_phase(Phase.WAITING)) == 1, "the second to wait")
    one._beat(0.0, force=True)

    assert asked(one, "first").state == "working"
    assert (asked(one, "second").state, asked(one, "second").detail) == ("waiting", "1 of 1")
    one.pool.hold = False
    one.pool.let()


def test_without_a_service_it_waits_for_one(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    drop(settings, "mira/beat.wav", b"amber")
    standing = read_standing(settings, "beat")

    assert (standing.label, standing.state) == ("incoming/mira/beat.wav", "waiting")
    assert standing.detail == "the service is not running"


def test_newer_content_in_its_place_is_told(one: InlineService) -> None:
    deliver(one, "beat.wav", b"amber")
    one.flags.stop = 1
    (one.settings.folders.incoming / "beat.wav").write_bytes(b"another")
    standing = asked(one, "beat")

    assert standing.state == "ready"
    assert [text.partition(":")[0] for text in standing.newer] == ["beat.wav"]


def test_several_are_listed_and_each_can_be_named(one: InlineService) -> None:
    deliver(one, "mira/beat one.wav", b"amber")
    deliver(one, "ode/beat one.wav", b"slate")
    deliver(one, "beat two.wav", b"!damaged\n")

    with pytest.raises(WrongRequest, match=r"ready/beat one, ready/beat one \(2\), rejected/beat two"):
        asked(one, "beat")
    with pytest.raises(WrongRequest, match=r"several fit: ready/beat one, ready/beat one \(2\);"):
        asked(one, "beat one.wav")
    assert asked(one, "beat one").label == "ready/beat one"  # a folder's own name
    assert asked(one, "ready/beat one (2)").label == asked(one, "ode/beat one.wav").label


def test_an_unknown_name_is_the_users_mistake(one: InlineService) -> None:
    deliver(one, "beat.wav", b"amber")
    with pytest.raises(WrongRequest, match="no beat is called so"):
        asked(one, "zinc")


def test_a_result_that_the_ledger_lost_is_found(one: InlineService) -> None:
    deliver(one, "beat.wav", b"amber")
    ledger_path(one.settings.folders.state).unlink()

    assert asked(one, "beat").folder == str(one.settings.folders.ready / "beat")


def test_the_machine_readable_form(one: InlineService, capsys: pytest.CaptureFixture[str]) -> None:
    deliver(one, "beat.wav", b"amber")
    settings: Settings = one.settings

    assert print_standing(settings, "beat", as_json=True) == 0
    facts = json.loads(capsys.readouterr().out)
    assert (facts["state"], facts["label"]) == ("ready", "ready/beat")


def test_all_that_needs_ears_is_listed_and_the_key_is_that_of_the_card(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    ledger = Ledger.open(ledger_path(settings.folders.state))
    said = [f"Signal: fault {number}." for number in range(5)]
    summary = {"tempo_bpm": 90.0, "key": "A major", "key_shown": "blues in A", "check_by_ear": said}
    ledger.record(Record("1" * 64, "ready", "zinc", "zinc.wav", summary=summary | {"needs_ears": 7}))
    ledger.close()
    lines = as_lines(read_standing(settings, "zinc"))

    assert "  found: 90 BPM, blues in A" in lines
    assert [line for line in lines if "by ear" in line] == [
        *(f"  check by ear: {text}" for text in said),
        "  check by ear: 2 more on its page",
    ]


def test_a_bar_one_by_hand_is_told_with_what_its_seconds_count_from() -> None:
    by_hand = {"bar_one_s": 3.96263, "bar_one_exact": True}
    told = as_lines(Standing("ready/zinc", "ready", "zinc.wav", correction=by_hand))
    assert told[1].startswith("  corrected: bar one 3.963 s into the producer's file (")
