"""daemon/RELIABILITY.md is complete, and the tests that it names exist. Also the rows about content."""

from __future__ import annotations

import contextlib
import io
import re
import resource
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.daemon.inline import InlineService, opened
from tests.daemon.make_audio import file_bytes, flac_claiming, noise, wav_claiming
from tests.daemon.service_kit import drop, ready, reason, rejected, settings_for

HERE = Path(__file__).parent
TABLE = HERE.parents[1] / "daemon" / "RELIABILITY.md"
ROWS = 40


def test_every_row_is_there_and_its_tests_exist() -> None:
    text = TABLE.read_text(encoding="utf-8")
    rows = {int(n): line for n, line in re.findall(r"^\| (\d+) \|(.*)$", text, re.MULTILINE)}
    defined = {
        name
        for file in HERE.glob("test_reliability_*.py")
        for name in re.findall(r"def (test_\w+)", file.read_text())
    }

    assert sorted(rows) == list(range(1, ROWS + 1))
    for number, line in rows.items():
        named = re.findall(rf"`(test_row_{number:02d}_\w+)`", line)
        assert named, f"row {number} names no test of its own"
        assert set(named) <= defined, f"row {number}: {set(named) - defined}"
    numbered = {name for name in defined if name.startswith("test_row_")}
    assert numbered <= set(re.findall(r"`(test_row_\w+)`", text)), "a test that no row names"


@pytest.fixture
def service(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., InlineService]]:
    """An inline service whose job really decodes (but does not analyse)."""
    with contextlib.ExitStack() as stack:

        def make(**sections: dict[str, Any]) -> InlineService:
            one = stack.enter_context(opened(settings_for(tmp_path, **sections), monkeypatch))
            one.dispatcher.run_function = "tests.daemon.fake_jobs:decode_only"
            monkeypatch.setattr("daemon.ingest.settling.PATIENCE_S", 0.2)
            return one

        yield make


def outcome(one: InlineService, drops: dict[str, bytes]) -> dict[str, str]:
    """Drop them all; the reason of each rejected one, "" for each that is ready."""
    for name, data in drops.items():
        drop(one.settings, name, data)
    one.until(lambda: len(ready(one.settings)) + len(rejected(one.settings)) == len(drops))
    reasons = {name: reason(one.settings, name) for name in rejected(one.settings)}
    assert not any("Traceback" in text for text in reasons.values())
    return {**reasons, **dict.fromkeys(ready(one.settings), "")}


def test_row_22_disk_full_while_a_long_drop_is_decoded(
    service: Callable[..., InlineService], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A kernel that lets no file grow (EFBIG, treated like ENOSPC): the drop waits and is done later."""
    monkeypatch.setattr("daemon.service.dispatcher.BACKOFF_S", (0.2,))
    monkeypatch.setattr("daemon.decode.spool.MOST_IN_MEMORY", 1_000_000)
    one = service()
    path = drop(one.settings, "long.wav", file_bytes(noise(20.0)))
    before = path.read_bytes()
    usual = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (3_000_000, usual[1]))
    try:
        one.until(lambda: "disk" in one.problems.current)
        assert "no space left to write; free some space" in one.problems.current["disk"].text
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, usual)
    assert (ready(one.settings), rejected(one.settings)) == ([], [])
    one.until(lambda: ready(one.settings) == ["long"])

    assert path.read_bytes() == before
    assert "disk" not in one.problems.current


def test_row_27_too_long_is_refused_before_it_is_read(service: Callable[..., InlineService]) -> None:
    one = service(limits={"max_minutes": 0.05, "max_channels": 2})
    found = outcome(
        one,
        {
            "long.wav": file_bytes(noise(4.0, rate=8000), rate=8000),
            "wide.wav": file_bytes(noise(2.0, rate=8000, channels=8), rate=8000),
            "claims.flac": flac_claiming(
                file_bytes(noise(2.0, rate=8000), rate=8000, format="FLAC"), 2**36 - 1
            ),
            "fine.wav": file_bytes(noise(2.0, rate=8000), rate=8000),
        },
    )

    assert found["fine"] == ""
    assert "max_minutes" in found["long"] or "minutes" in found["long"]
    assert "channels" in found["wide"]


def test_row_28_lying_and_cut_headers(service: Callable[..., InlineService]) -> None:
    whole = file_bytes(noise(3.0, rate=8000), rate=8000)
    found = outcome(
        service(),
        {
            "claims two gigabytes.wav": wav_claiming(whole, 2**31),
            "cut in half.wav": whole[: len(whole) // 2],
            "really an mp3.wav": file_bytes(noise(3.0), format="MP3", subtype="MPEG_LAYER_III"),
            "only a header.wav": whole[:44],
        },
    )

    assert found["claims two gigabytes"] == found["cut in half"] == found["really an mp3"] == ""
    assert found["only a header"]


def test_row_31_hostile_archives(service: Callable[..., InlineService]) -> None:
    def archive(**entries: bytes) -> bytes:
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
            for name, data in entries.items():
                file.writestr(name, data)
        return out.getvalue()

    beat = file_bytes(noise(2.0, rate=8000), rate=8000)
    one = service()
    found = outcome(
        one,
        {
            "good.zip": archive(**{"beat.wav": beat}),
            "slip.zip": archive(**{"../../slip.wav": beat}),
            "bomb.zip": archive(**{"bomb.wav": bytes(50 << 20)}),
            "broken.zip": archive(**{"beat.wav": beat})[:-30],
        },
    )

    assert found["good"] == ""
    assert found["slip"]
    assert found["bomb"]
    assert found["broken"]
    assert not list(one.settings.folders.ready.parent.rglob("slip.wav"))


def test_row_40_empty_tiny_and_silent_drops(service: Callable[..., InlineService]) -> None:
    silent = noise(2.0, rate=8000) * 0
    broken = noise(2.0, rate=8000)
    broken[100:200] = float("nan")
    found = outcome(
        service(),
        {
            "empty.wav": b"",
            "tiny.wav": file_bytes(noise(0.01, rate=8000), rate=8000),
            "silent.wav": file_bytes(silent, rate=8000),
            "offset.wav": file_bytes(silent + 0.5, rate=8000),
            "not numbers.wav": file_bytes(broken, rate=8000, subtype="FLOAT"),
        },
    )

    assert found.pop("not numbers") == ""  # read, with a warning in the report
    assert all(found.values())
    assert len({text.split(": ", 1)[1] for text in found.values()}) >= 1
