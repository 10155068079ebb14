"""What a polled folder tells. A real folder and the real observer."""

from __future__ import annotations

import time
from pathlib import Path

from daemon.ingest.watch import Inbox, Watch


def test_polling_tells_nothing_from_behind_a_link(tmp_path: Path) -> None:
    incoming, elsewhere = tmp_path / "incoming", tmp_path / "elsewhere"
    for folder in (incoming, incoming / "own", elsewhere):
        folder.mkdir()
    (incoming / "linked").symlink_to(elsewhere)
    (incoming / "round").symlink_to(incoming)
    inbox = Inbox()
    watch = Watch(incoming, "polling", 0.05, inbox)
    watch.start()
    try:
        time.sleep(0.15)  # the first look
        (elsewhere / "secret.wav").write_bytes(b"secret")
        (incoming / "own" / "beat.wav").write_bytes(b"beat")
        seen: set[str] = set()
        limit = time.monotonic() + 20
        while str(incoming / "own" / "beat.wav") not in seen and time.monotonic() < limit:
            time.sleep(0.05)
            seen |= set(inbox.take()[0])
        time.sleep(0.15)  # what the same look may still have to tell
        seen |= set(inbox.take()[0])
    finally:
        watch.stop()

    assert str(incoming / "own" / "beat.wav") in seen
    assert not [path for path in seen if "linked" in path or "round" in path]
