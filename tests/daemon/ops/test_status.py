"""What status shows when there is more than it can show."""

from __future__ import annotations

from pathlib import Path

from daemon.ledger.ledger import Ledger, Record, ledger_path
from daemon.ops.status import Status, as_lines, read_status
from tests.daemon.service_kit import settings_for


def test_what_is_left_out_is_counted(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    ledger = Ledger.open(ledger_path(settings.folders.state))
    for number in range(13):
        summary = {"needs_ears": 1, "check_by_ear": ["tempo: 70 or 140"]}
        ledger.record(
            Record(f"{number:064}", "ready", f"beat {number}", "a.wav", summary=summary, at=1.0 + number)
        )
    ledger.close()
    lines = as_lines(read_status(settings), settings)

    assert lines.count("  and 3 more") == 2  # by ear, and results
    assert sum(line.startswith("  beat ") for line in lines) == 10


def test_a_beat_takes_one_short_line_and_where_to_read_on_is_said(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    ledger = Ledger.open(ledger_path(settings.folders.state))
    said = ["Key: C minor is 70 % sure. Hear on which note it rests.", "Signal: Clipped in 4 places."]
    summary = {"needs_ears": 2, "check_by_ear": said, "ear_topics": ["key", "signal"]}
    ledger.record(
        Record("1" * 64, "ready", "zinc", "zinc.wav", summary=summary | {"ear_words": ["key", "clipped"]})
    )
    ledger.record(Record("2" * 64, "ready", "jade", "jade.wav", summary=summary))
    ledger.close()
    lines = as_lines(read_status(settings), settings)

    assert {"  zinc: key, clipped", "  jade: key, signal"} <= set(lines)
    assert "Hear on which note" not in "\n".join(lines)
    assert "  'beatintake status NAME' says what to hear and what to do" in lines
    assert any(line.endswith("zinc: no tempo, no key, check key, clipped by ear") for line in lines)


def test_nothing_left_out_is_not_mentioned(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    ledger = Ledger.open(ledger_path(settings.folders.state))
    ledger.record(Record("1" * 64, "rejected", "zinc", "zinc.wav", reason="damaged", at=1.0))
    ledger.close()

    assert not any("more" in line for line in as_lines(read_status(settings), settings))


def test_a_long_queue_says_how_long(tmp_path: Path) -> None:
    queue = [{"drop": f"{k}.wav", "bytes": 1_000_000, "seconds": 3.0} for k in range(50)]
    status = Status(True, True, "running", None, 1.0, 1, "native", waiting_count=2000, waiting=queue)
    lines = as_lines(status, settings_for(tmp_path))

    assert lines[1] == "  waiting: 2000"
    assert lines[-1] == "    and 1995 more"


def test_a_moving_tempo_is_no_one_number_and_all_keys_are_said(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    ledger = Ledger.open(ledger_path(settings.folders.state))
    facts = {"tempo_bpm": 94.8912, "key": "F major"}
    for number, (constant, shown) in enumerate(((False, "94 to 97"), (True, "94.891")), 1):
        key = facts["key"] if constant else "F major, then G major"
        summary = {**facts, "constant_tempo": constant, "tempo_shown": shown, "key_shown": key}
        ledger.record(
            Record(f"{number:064}", "ready", f"beat {number}", "a.wav", summary=summary, at=1.0 + number)
        )
    ledger.close()
    text = "\n".join(as_lines(read_status(settings), settings))

    assert "beat 1: 94 to 97 BPM, moving, F major, then G major" in text
    assert "beat 2: 94.891 BPM, F major" in text
