"""Rows 1 to 20 of daemon/RELIABILITY.md: what can go wrong while a drop arrives.

Each test is named after its row. Waits poll a condition with a deadline. The settling time is 0.1 s here,
and other times are shortened likewise.
"""

from __future__ import annotations

import logging
import os
import random
import shutil
import socket
import subprocess
import sys
import threading
import time
import unicodedata
from pathlib import Path
from typing import Any

import pytest

from daemon.ingest import watch as watch_module
from daemon.ingest.pending import Phase
from tests.daemon.inline import InlineService, Opener
from tests.daemon.make_audio import file_bytes, noise
from tests.daemon.service_kit import drop, health, ready, rejected, running, settings_for, wait_for

SETTLE = 0.1


def published(one: InlineService) -> dict[str, bytes]:
    """Content of the published copies by folder name."""
    root = one.settings.folders.ready
    return {name: next((root / name).glob("*.wav")).read_bytes() for name in ready(one.settings)}


def wav(seconds: float) -> bytes:
    return file_bytes(noise(seconds, rate=8000), rate=8000)


WATCH = pytest.mark.parametrize("mode", ["native", "polling"])


@WATCH
@pytest.mark.parametrize("gesture", ["keeps it open", "opens for each piece", "preallocates"])
def test_row_01_still_being_copied(service: Opener, mode: str, gesture: str) -> None:
    one = service(arrival={"settle_seconds": SETTLE, "watch": mode, "polling_seconds": 0.2})
    path = one.settings.folders.incoming / "beat.wav"
    whole = wav(1.0)
    writer = threading.Thread(target=_write_slowly, args=(path, whole, gesture))
    writer.start()
    while writer.is_alive():
        one._tick()
    one.until(lambda: ready(one.settings))
    one.turn(0.5)

    assert published(one) == {"beat": whole}  # one result, made from the whole file
    assert one.pool.calls.count("tests.daemon.fake_jobs:obedient") == 1


def _write_slowly(path: Path, data: bytes, gesture: str) -> None:
    """20 pieces, some of the pauses longer than the settling time."""
    pauses = [0.01] * 16 + [2.5 * SETTLE] * 3
    random.Random(1).shuffle(pauses)
    pieces = [data[at : at + len(data) // 20 + 1] for at in range(0, len(data), len(data) // 20 + 1)]
    file = open(path, "wb", buffering=0)  # noqa: SIM115
    if gesture == "preallocates":
        file.truncate(len(data))
    for piece, pause in zip(pieces, [*pauses, 0.0], strict=True):
        if gesture == "opens for each piece":
            file.close()
            file = open(path, "ab", buffering=0)  # noqa: SIM115
        file.write(piece)
        time.sleep(pause)
    file.close()


@pytest.mark.parametrize("how", ["from outside", "from a partial name", "dated, unseen"])
def test_row_01_what_is_renamed_into_place_starts_at_once(service: Opener, how: str) -> None:
    """The settling time is far longer here than the test."""
    watch = "polling" if how == "dated, unseen" else "native"
    one = service(arrival={"settle_seconds": 60, "watch": watch, "polling_seconds": 0.2})
    one.turn(0.3)
    incoming, data = one.settings.folders.incoming, wav(1.0)
    part = incoming / "beat.wav.part" if how == "from a partial name" else one.settings.folders.state / "x"
    part.write_bytes(data)
    if how == "dated, unseen":
        os.utime(part, (1_000_000_000, 1_000_000_000))
    begun = time.monotonic()
    part.rename(incoming / "beat.wav")
    one.until(lambda: ready(one.settings))

    assert published(one) == {"beat": data}
    assert time.monotonic() - begun < 5


def test_row_01_a_rename_is_not_believed_against_the_content(service: Opener) -> None:
    one = service(arrival={"settle_seconds": 0.2})
    part, data = one.settings.folders.state / "x", wav(1.0)
    part.write_bytes(data[:-1000])
    part.rename(one.settings.folders.incoming / "beat.wav")
    one.turn(1.0)
    assert one.arrivals.entries["beat.wav"].why == "it looks incomplete"
    with open(one.settings.folders.incoming / "beat.wav", "ab") as file:
        file.write(data[-1000:])
    one.until(lambda: ready(one.settings))

    assert published(one) == {"beat": data}


def test_row_02_waits_and_never_gives_up(service: Opener) -> None:
    one = service()
    path = one.settings.folders.incoming / "beat.wav"
    whole = wav(1.0)
    with open(path, "wb", buffering=0) as file:
        file.write(whole[:1000])
        one.until(lambda: any(e.why for e in one.arrivals.entries.values()))
        one.turn(10 * SETTLE)
        assert one.arrivals.entries["beat.wav"].phase is Phase.ARRIVING
        assert one.arrivals.entries["beat.wav"].why == "somebody still has it open for writing"
        file.write(whole[1000:])
    one.until(lambda: ready(one.settings))

    assert published(one)["beat"] == whole


def test_row_03_endless_writer(service: Opener) -> None:
    one = service(arrival={"settle_seconds": 1.0})  # a busy machine may hold the writer up for a while
    path = one.settings.folders.incoming / "beat.wav"
    begun, turns = time.monotonic(), 0
    while time.monotonic() - begun < 1.5:
        with open(path, "ab") as file:
            file.write(b"more")
        limit = time.monotonic() + SETTLE / 2
        while time.monotonic() < limit:
            one._tick()
            turns += 1

    assert "tests.daemon.fake_jobs:obedient" not in one.pool.calls
    [entry] = one.arrivals.entries.values()
    assert entry.phase is Phase.ARRIVING
    assert time.monotonic() - entry.first_seen >= 1.2  # "arriving since" is kept
    assert turns < 200  # no busy loop: some turns for each event


@WATCH
def test_row_04_no_close_event_needed(service: Opener, mode: str) -> None:
    one = service(arrival={"settle_seconds": SETTLE, "watch": mode, "polling_seconds": 0.2})
    elsewhere = one.settings.folders.state / "beat.wav"
    elsewhere.write_bytes(b"moved in")
    elsewhere.rename(one.settings.folders.incoming / "beat.wav")  # gives Created and nothing else

    assert one.until(lambda: ready(one.settings)) == ["beat"]


@WATCH
def test_row_05_move_copy_and_replace(service: Opener, mode: str) -> None:
    one = service(arrival={"settle_seconds": SETTLE, "watch": mode, "polling_seconds": 0.2})
    incoming = one.settings.folders.incoming
    (incoming / "a.wav.part").write_bytes(b"renamed inside")
    (incoming / "a.wav.part").rename(incoming / "a.wav")
    shutil.copyfile(incoming / "a.wav", incoming / "b.wav.tmp")
    (incoming / "b.wav.tmp").write_bytes(b"copied")
    os.rename(incoming / "b.wav.tmp", incoming / "b.wav")
    one.until(lambda: len(ready(one.settings)) == 2)
    (incoming / ".new").write_bytes(b"replaced")
    os.replace(incoming / ".new", incoming / "a.wav")
    one.until(lambda: len(ready(one.settings)) == 3)
    (incoming / "b.wav").write_bytes(b"overwritten in place")
    one.until(lambda: len(ready(one.settings)) == 4)

    assert sorted(published(one).values()) == [
        b"copied",
        b"overwritten in place",
        b"renamed inside",
        b"replaced",
    ]


@WATCH
@pytest.mark.parametrize("how", ["moved in whole", "copied slowly"])
def test_row_06_folder_of_stems(service: Opener, mode: str, how: str) -> None:
    one = service(arrival={"settle_seconds": 0.4, "watch": mode, "polling_seconds": 0.2})
    target = one.settings.folders.incoming / "mira" / "amber STEMS"
    stems = [b"kick", b"snare", b"keys", b"bass"]
    if how == "moved in whole":
        source = one.settings.folders.state / "x"
        source.mkdir()
        for number, data in enumerate(stems):
            (source / f"{number}.wav").write_bytes(data)
        target.parent.mkdir()
        source.rename(target)
    else:
        target.mkdir(parents=True)
        for number, data in enumerate(stems):
            (target / f"{number}.wav").write_bytes(data)
            one.turn(0.45)  # longer than the settling time of a file
    one.until(lambda: ready(one.settings))
    one.turn(0.4)

    assert published(one) == {"amber STEMS": b"kicksnarekeysbass"}
    assert one.pool.calls.count("tests.daemon.fake_jobs:obedient") == 1


def test_row_06_folder_that_may_be_stems_is_asked_and_split(service: Opener) -> None:
    one = service()
    for name, data in (("a/1", b"kick"), ("a/2", b"snare"), ("b/1", b"!beats 1"), ("b/2", b"other")):
        drop(one.settings, f"mira/{name}.wav", data)
    one.until(lambda: len(ready(one.settings)) == 3 and one.settled())

    assert sorted(path for path, _, sha in one.ledger.drops() if sha) == [
        "mira/a",
        "mira/b",
        "mira/b/1.wav",
        "mira/b/2.wav",
    ]


def test_row_06_a_folder_is_not_quiet_while_a_partial_file_in_it_grows(service: Opener) -> None:
    one = service(arrival={"settle_seconds": 0.3})
    drop(one.settings, "amber stems/kick.wav", b"kick")
    partial = one.settings.folders.incoming / "amber stems" / "snare.wav.part"
    for _ in range(12):
        with open(partial, "ab") as file:
            file.write(b"snare")
        one.turn(0.1)
    assert ready(one.settings) == []
    partial.rename(partial.with_suffix(""))
    one.until(lambda: ready(one.settings))

    assert published(one) == {"amber stems": b"kick" + 12 * b"snare"}


def test_row_06_a_marker_that_comes_late_is_seen_at_once(service: Opener) -> None:
    one = service(arrival={"settle_seconds": 1.0, "rescan_seconds": 3600})
    for name in ("kick.wav", "snare.wav", "stems.txt"):
        drop(one.settings, f"amber/{name}", name.encode())
        one.turn(0.2)
    one.until(lambda: ready(one.settings))

    assert ready(one.settings) == ["amber"]


def test_row_06_another_beat_in_a_split_folder_asks_only_for_itself(service: Opener) -> None:
    one = service()
    for number, data in enumerate((b"!beats 1", b"other")):
        drop(one.settings, f"mira/2026/{number}.wav", data)
    one.until(lambda: len(ready(one.settings)) == 2 and one.settled())
    before = list(one.pool.calls)
    drop(one.settings, "mira/2026/2.wav", wav(2.0))
    one.until(lambda: len(ready(one.settings)) == 3 and one.settled())
    new = one.pool.calls[len(before) :]

    assert new.count("tests.daemon.fake_jobs:obedient") == 1
    assert new.count("daemon.decode.identity:identity_of") == 1


def test_row_07_duplicates_of_one_event(service: Opener) -> None:
    one = service()
    one.pool.hold = True
    path = drop(one.settings, "beat.wav", b"slow")
    one.until(lambda: one.pool.held)
    for _ in range(500):
        one.inbox.touch(str(path))
        one.inbox.ask("scan")
        if random.random() < 0.05:
            one._tick()
    one.turn(0.3)
    one.pool.let()
    one.until(one.settled)
    one.turn(0.3)

    assert one.pool.calls.count("tests.daemon.fake_jobs:obedient") == 1
    assert ready(one.settings) == ["beat"]


def test_row_08_missed_event(service: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watch_module._Handler, "on_any_event", lambda self, event: None)
    one = service(arrival={"settle_seconds": SETTLE, "rescan_seconds": 1, "watch": "native"})
    one.turn(0.2)
    drop(one.settings, "beat.wav", b"nobody told us")

    one.until(lambda: ready(one.settings))


def test_row_09_kernel_queue_overflow(service: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    one = service(arrival={"settle_seconds": SETTLE, "rescan_seconds": 3600})
    one.turn(0.2)
    monkeypatch.setattr(watch_module._Handler, "on_any_event", lambda self, event: None)  # the lost events
    drop(one.settings, "beat.wav", b"lost")
    one.turn(3 * SETTLE)
    assert one.arrivals.entries == {}
    logging.getLogger("watchdog.observers.inotify").warning("the event queue overflowed")

    one.until(lambda: ready(one.settings))


def test_row_09_more_events_than_the_inbox_holds(service: Opener) -> None:
    one = service()
    for number in range(watch_module.MAX_PATHS + 5000):
        one.inbox.touch(f"/nowhere/{number}")
    paths, requests = one.inbox.take()

    assert len(paths) == watch_module.MAX_PATHS
    assert "scan" in requests


@pytest.mark.skipif(sys.platform != "linux", reason="inotify")
def test_row_10_watch_limit_reached(tmp_path: Path) -> None:
    settings = settings_for(
        tmp_path, arrival={"rescan_seconds": 1, "watch": "native", "polling_seconds": 0.3}
    )
    limit = ("unshare", "-Ur", "sh", "-c", 'echo 0 > /proc/sys/user/max_inotify_watches && exec "$@"', "sh")
    if subprocess.run([*limit, "true"], capture_output=True).returncode:
        pytest.skip("user name spaces are not allowed here")
    with running(settings, prefix=limit):
        drop(settings, "beat.wav", b"polled")
        wait_for(lambda: ready(settings) == ["beat"])
        wait_for(lambda: health(settings).get("watch") == "polling")

        note = health(settings)["watch_note"]
        assert "fs.inotify.max_user_watches" in note
        assert "space" not in note


@pytest.mark.skipif(sys.platform != "linux", reason="inotify")
def test_row_10_watch_limit_swallowed_in_sub_folders(tmp_path: Path) -> None:
    settings = settings_for(tmp_path, arrival={"rescan_seconds": 1, "watch": "native"})
    for number in range(6):
        (settings.folders.incoming / f"p{number}").mkdir()
    limit = ("unshare", "-Ur", "sh", "-c", 'echo 3 > /proc/sys/user/max_inotify_watches && exec "$@"', "sh")
    if subprocess.run([*limit, "true"], capture_output=True).returncode:
        pytest.skip("user name spaces are not allowed here")
    with running(settings, prefix=limit):
        for number in range(6):
            drop(settings, f"p{number}/beat{number}.wav", b"x%d" % number)
        wait_for(lambda: len(ready(settings)) == 6)


def test_row_11_network_share_is_polled(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from types import SimpleNamespace

    mounts = [
        SimpleNamespace(mountpoint="/", fstype="ext4"),
        SimpleNamespace(mountpoint=str(tmp_path), fstype="CIFS"),
    ]
    monkeypatch.setattr(watch_module.psutil, "disk_partitions", lambda all: mounts)
    watch = watch_module.Watch(tmp_path, "auto", 0.3, watch_module.Inbox())
    watch.start()
    try:
        assert watch.mode == "polling"
        assert watch.note
        assert "cifs" in watch.note
    finally:
        watch.stop()


def test_row_11_a_folder_without_events_is_found_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watch_module._Handler, "on_any_event", lambda self, event: None)
    monkeypatch.setattr(watch_module, "PROBE_S", 0.3)
    watch = watch_module.Watch(tmp_path, "auto", 0.3, watch_module.Inbox())
    watch.start()
    try:
        assert watch.mode == "polling"
        assert os.listdir(tmp_path) == []  # the probe is gone
    finally:
        watch.stop()


def test_row_11_a_folder_with_events_is_watched_natively(tmp_path: Path) -> None:
    watch = watch_module.Watch(tmp_path, "auto", 0.3, watch_module.Inbox())
    watch.start()
    try:
        assert (watch.mode, watch.note) == ("native", None)
    finally:
        watch.stop()


def test_row_11_a_share_that_makes_up_inodes(service: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some network file systems answer with another inode number at every look."""
    import itertools

    from daemon.ingest import scan

    real, numbers = scan.FileFact, itertools.count(1)
    monkeypatch.setattr(scan, "FileFact", lambda *a: real(*a[:4], a[4] and next(numbers), *a[5:]))
    monkeypatch.setattr("daemon.ingest.watch.file_system_type", lambda folder: "cifs")
    one = service()
    drop(one.settings, "beat.wav", b"x")

    one.until(lambda: ready(one.settings) == ["beat"])


@WATCH
def test_row_12_share_goes_away_and_returns(
    service: Opener, mode: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.service.supervisor.LIVENESS_S", 0.1)
    one = service(
        arrival={"settle_seconds": SETTLE, "watch": mode, "rescan_seconds": 1, "polling_seconds": 0.2}
    )
    incoming = one.settings.folders.incoming
    drop(one.settings, "before.wav", b"before")
    one.until(lambda: ready(one.settings))
    away = incoming.rename(incoming.with_name("away"))
    one.until(lambda: "incoming" in one.problems.current)
    one.turn(1.1)  # a full look while it is away concludes nothing
    assert "before.wav" in one.arrivals.done
    away.rename(incoming)
    one.until(lambda: not one.problems.current)
    drop(one.settings, "after.wav", b"after")
    one.until(lambda: len(ready(one.settings)) == 2)

    assert one.watch.problem() is None
    assert one.pool.calls.count("tests.daemon.fake_jobs:obedient") == 2


def test_row_13_exception_in_the_watchers_thread(service: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daemon.service.supervisor.LIVENESS_S", 0.1)
    one = service(arrival={"settle_seconds": SETTLE, "rescan_seconds": 3600, "watch": "native"})
    real, raised = watch_module._Handler.on_any_event, []

    def fail_once(self: Any, event: Any) -> None:
        if not raised:
            raised.append(event)
            raise RuntimeError("on purpose")
        real(self, event)

    monkeypatch.setattr(watch_module._Handler, "on_any_event", fail_once)
    monkeypatch.setattr(threading, "excepthook", lambda args: None)
    drop(one.settings, "one.wav", b"1")
    one.until(lambda: ready(one.settings) == ["one"])  # the watch was set anew, and a full look followed
    drop(one.settings, "two.wav", b"2")

    one.until(lambda: ready(one.settings) == ["one", "two"])
    assert raised


def test_row_14_rename_storm(service: Opener) -> None:
    one = service()
    incoming = one.settings.folders.incoming
    for number in range(10):
        (incoming / f"{number}.wav").write_bytes(b"beat %d" % number)
    for turn in range(200):
        for number in range(10):
            a, b = incoming / f"{number}.wav", incoming / f"{number}.renamed.wav"
            (a if turn % 2 == 0 else b).rename(b if turn % 2 == 0 else a)
        if turn % 20 == 0:
            one._tick()
    one.until(lambda: len(ready(one.settings)) == 10 and one.settled())
    one.turn(0.3)

    assert ready(one.settings) == [str(number) for number in range(10)]
    assert one.pool.calls.count("tests.daemon.fake_jobs:obedient") == 10


def test_row_15_partial_names_are_never_opened(service: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    one = service()
    names = ["x.wav.part", "x.wav.crdownload", "x.wav.filepart", ".x.wav.Ab12Cd", "~$x.wav", "x.tmp"]
    for name in names:
        (one.settings.folders.incoming / name).write_bytes(b"partial")
    real, seen = os.open, []

    def spy(path: Any, *more: Any, **named: Any) -> int:
        seen.append(os.fsdecode(path))
        return real(path, *more, **named)

    monkeypatch.setattr(os, "open", spy)
    one.turn(4 * SETTLE)

    assert one.arrivals.entries == {}
    assert one.pool.calls == ["tests.daemon.fake_jobs:board"]
    assert not [path for path in seen if os.path.basename(path) in names]


def test_row_16_litter_of_systems(service: Opener) -> None:
    one = service()
    for name in ("._beat.wav", ".DS_Store", "@eaDir/beat.wav", "__MACOSX/beat.wav", "desktop.ini"):
        path = one.settings.folders.incoming / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"litter")
    one.turn(4 * SETTLE)

    assert (ready(one.settings), rejected(one.settings), one.arrivals.entries) == ([], [], {})


def test_row_17_unicode_twins_and_names_that_are_no_text(service: Opener) -> None:
    one = service()
    incoming = os.fsencode(one.settings.folders.incoming)
    names = [unicodedata.normalize(form, "Grün.wav").encode() for form in ("NFC", "NFD")]
    for number, name in enumerate([*names, b"latin-\xfcmlaut.wav", b"line\nbreak.wav"]):
        with open(os.path.join(incoming, name), "wb") as file:
            file.write(b"beat %d" % number)
    one.until(lambda: len(ready(one.settings)) == 4 and one.settled())
    one._beat(time.monotonic(), force=True)

    for name in ready(one.settings):
        assert name.isprintable()
        assert name == unicodedata.normalize("NFC", name)
        name.encode()  # no halves of signs
    assert len({name.casefold() for name in ready(one.settings)}) == 4
    assert set(os.listdir(incoming)) == {*names, b"latin-\xfcmlaut.wav", b"line\nbreak.wav"}  # never renamed
    assert health(one.settings)["ready_since_start"] == 4


def test_row_18_names_that_differ_in_case_only(service: Opener) -> None:
    one = service()
    drop(one.settings, "Beat.WAV", b"1")
    drop(one.settings, "beat.wav", b"2")
    one.until(lambda: len(ready(one.settings)) == 2)

    assert len({name.casefold() for name in ready(one.settings)}) == 2


@pytest.mark.parametrize("name", ["x" * 251 + ".wav", "好" * 83 + ".wav"], ids=["ascii", "three bytes each"])
def test_row_19_long_names(service: Opener, name: str) -> None:
    assert len(name.encode()) in (253, 255)
    one = service()
    (one.settings.folders.incoming / name).write_bytes(b"long")
    one.until(lambda: ready(one.settings))

    [folder] = ready(one.settings)
    assert len(folder.encode()) <= 120


def test_row_20_links_pipes_sockets_and_devices(service: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    one = service(arrival={"settle_seconds": SETTLE, "watch": "polling", "polling_seconds": 0.3})
    incoming, private = one.settings.folders.incoming, one.settings.folders.state / "private.wav"
    private.write_bytes(b"secret")
    (incoming / "link.wav").symlink_to(private)
    (incoming / "loop.wav").symlink_to(incoming / "loop.wav")
    (incoming / "folder").symlink_to(one.settings.folders.state)
    (incoming / "round").symlink_to(incoming)
    os.mkfifo(incoming / "pipe.wav")
    names = ["link", "loop", "pipe"]
    with socket.socket(socket.AF_UNIX) as unix:
        monkeypatch.chdir(incoming)
        unix.bind("sock.wav")
        names.append("sock")
        real, seen = os.open, []
        monkeypatch.setattr(
            os, "open", lambda path, *more, **named: (seen.append(str(path)), real(path, *more, **named))[1]
        )
        one.until(lambda: len(rejected(one.settings)) == len(names))

    assert ready(one.settings) == []
    assert rejected(one.settings) == names
    assert not [path for path in seen if path.endswith((".wav", "private.wav"))]
    for name in names:
        text = (one.settings.folders.rejected / name / "reason.txt").read_text()
        assert "not opened" in text or "link" in text or "regular" in text
