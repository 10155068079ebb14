"""A small disk that fills up, and one that turns read-only, under a working service.

    sudo python -m tests.faults.disk        needs root on Linux (it mounts small file systems of its own)

Outputs and state lie on a tmpfs of a few megabytes. It is filled to the last byte while drops wait and run,
emptied, filled again; then remounted read-only and back. At each point: nothing partial is visible, nothing
is there twice, the service lives. At the end: nothing is lost. Then each of the four folders lies on a
small disk of its own, which is full, has no inodes left, is read-only, or is not mounted for a while.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from tests.daemon.service_kit import health, wait_for
from tests.faults.kit import PROMISES, STAND_IN, Broken, World, begin, finish

SIZE_MB, INODES = 6, 500
TROUBLES = ("full", "no inodes", "read-only", "away")
QUICK = "from daemon.service import dispatcher; dispatcher.BACKOFF_S = (0.3,)"


@contextlib.contextmanager
def small_disk(base: Path) -> Iterator[None]:
    """Mount a tmpfs on ``base``. OSError where that is not allowed."""
    options = f"size={SIZE_MB}m,nr_inodes={INODES},mode=0777"
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", options, "tmpfs", base], capture_output=True)
    if done.returncode:
        raise OSError(done.stderr.decode())
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", base], check=True)


def fill(folder: Path) -> Path:
    """Use every byte that is left."""
    path = folder / "filler"
    with contextlib.suppress(OSError), open(path, "ab", buffering=0) as file:
        while file.write(b"x" * 4096):
            pass
    return path


def cover_read_only(place: Path) -> None:
    """Mount ``place`` read-only over itself, in one step as seen from there: a view that is made read-only
    elsewhere first is never busy with what a service is writing.
    """
    view = Path(tempfile.mkdtemp(prefix="read-only-"))
    _bind(place, view)
    try:
        subprocess.run(["mount", "-o", "remount,bind,ro", view], check=True)
        _bind(view, place)
    finally:
        subprocess.run(["umount", "-l", view], check=True)
        view.rmdir()


def full_disk(base: Path) -> int:
    """Fill and empty three times while drops arrive. Returns how many drops came through."""
    with small_disk(base):
        world = World.at(base)
        process = begin(world, STAND_IN, more=QUICK)
        wait_for(lambda: health(world.settings).get("state") == "running")
        try:
            for cycle in range(3):
                for number in range(6):
                    order = b"!sleep 0.1\n" if number % 2 else b"!damaged\n" if number == 4 else b""
                    data = order + b"%d-%d " % (cycle, number)
                    world.drop(f"c{cycle}n{number}.wav", data + os.urandom(100_000 if number != 4 else 10))
                time.sleep(0.2 * cycle)
                filler = fill(base)
                time.sleep(2.0)
                assert process.poll() is None, "the service died of a full disk"
                world.check()
                filler.unlink()
                wait_for(world.all_done, "the drops after the disk was emptied", 60)
        finally:
            process.terminate()
            process.wait(60)
        world.check_end()
        return len(world.wanted)


def read_only(base: Path) -> int:
    """Turn the outputs read-only and back while drops arrive."""
    ready = base / "ready"
    ready.mkdir()
    with small_disk(ready):
        world = World.at(base)
        process = begin(world, STAND_IN, more=QUICK)
        wait_for(lambda: health(world.settings).get("state") == "running")
        try:
            world.drop("before.wav", b"before")
            wait_for(world.all_done, "the first drop")
            wait_for(lambda: not subprocess.run(["mount", "-o", "remount,ro", ready]).returncode)
            for number in range(4):
                world.drop(f"n{number}.wav", b"n%d" % number)
            wait_for(lambda: health(world.settings).get("problems"), "the problem to be shown")
            assert process.poll() is None, "the service died of a read-only output"
            print(f"  shown: {health(world.settings)['problems']}")
            world.check()
            subprocess.run(["mount", "-o", "remount,rw", ready], check=True)
            wait_for(world.all_done, "the drops after the output could be written again", 60)
        finally:
            process.terminate()
            process.wait(60)
        finish(world, STAND_IN)
        return len(world.wanted)


def share_away(base: Path) -> int:
    """Unmount the incoming folder and mount it again under a running service."""
    incoming = base / "incoming"
    incoming.mkdir()
    backing = base / "backing"
    backing.mkdir()
    subprocess.run(["mount", "--bind", backing, incoming], check=True)
    try:
        world = World.at(base)
        process = begin(
            world, STAND_IN, more="from daemon.service import supervisor; supervisor.LIVENESS_S = 0.3"
        )
        wait_for(lambda: health(world.settings).get("state") == "running")
        try:
            world.drop("before.wav", b"before")
            wait_for(world.all_done, "the first drop")
            subprocess.run(["umount", "-l", incoming], check=True)
            time.sleep(2.0)
            (backing / "meanwhile.wav").write_bytes(b"dropped while away")
            world.wanted["meanwhile.wav"] = b"dropped while away"
            subprocess.run(["mount", "--bind", backing, incoming], check=True)
            wait_for(world.all_done, "what was dropped while the share was away", 30)
            world.drop("after.wav", b"after")
            wait_for(world.all_done, "what was dropped after it came back", 30)
        finally:
            process.terminate()
            process.wait(60)
        world.check_end()
        return len(world.wanted)
    finally:
        subprocess.run(["umount", "-l", incoming], check=True)


def one_trouble(base: Path, folder: str, kind: str) -> int:
    """One of TROUBLES on one of our folders, on a small disk of its own, while drops wait and arrive. Returns
    how many drops came through.
    """
    backing, place = base / "backing", base / folder
    for path in (backing, place):
        path.mkdir()
    with small_disk(backing):
        _bind(backing, place)
        try:
            world = World.at(base)
            process = begin(world, STAND_IN, more=QUICK)
            try:
                wait_for(lambda: health(world.settings).get("state") == "running")
                world.drop("before.wav", b"before")
                world.drop("bad.wav", b"!damaged\n")
                wait_for(world.all_done, "the first drops")
                world.drop("during.wav", b"!sleep 1\nduring")
                _begin_trouble(kind, backing, place)
                if folder != "incoming":
                    world.drop("meanwhile.wav", b"meanwhile")
                    world.drop("bad meanwhile.wav", b"!damaged\n meanwhile")
                time.sleep(3.0)
                assert process.poll() is None, "the service died of it"
                _end_trouble(kind, backing, place)
                world.check()
                world.drop("after.wav", b"after")
                wait_for(world.all_done, "the drops after it")
            finally:
                process.terminate()
                process.wait(60)
            finish(world, STAND_IN)
            return len(world.wanted)
        finally:
            while os.path.ismount(place):
                subprocess.run(["umount", "-l", place], check=True)


def _begin_trouble(kind: str, backing: Path, place: Path) -> None:
    if kind == "full":
        fill(backing)
    elif kind == "no inodes":
        (backing / "filler").mkdir()
        with contextlib.suppress(OSError):
            for number in range(INODES):
                (backing / "filler" / str(number)).touch()
    elif kind == "read-only":
        cover_read_only(place)
    else:
        subprocess.run(["umount", "-l", place], check=True)


def _end_trouble(kind: str, backing: Path, place: Path) -> None:
    if kind == "read-only":
        subprocess.run(["umount", "-l", place], check=True)
    elif kind == "away":
        _bind(backing, place)
    elif kind == "full":
        (backing / "filler").unlink()
    else:
        shutil.rmtree(backing / "filler")


def _bind(source: Path, target: Path) -> None:
    subprocess.run(["mount", "--bind", source, target], check=True)


def each_trouble() -> int:
    """Every trouble on every folder. Returns how many promises were broken."""
    total: Counter[str] = Counter()
    for folder in ("incoming", "ready", "rejected", "state"):
        for kind in TROUBLES:
            with tempfile.TemporaryDirectory() as base:
                try:
                    print(
                        f"{folder} {kind}: {one_trouble(Path(base), folder, kind)} drops came through",
                        flush=True,
                    )
                except Broken as broken:
                    total[broken.promise] += 1
                    print(f"{folder} {kind}: {broken}", flush=True)
    print(", ".join(f"{promise}: {total[promise]}" for promise in PROMISES))
    return sum(total.values())


def main() -> int:
    if os.geteuid() != 0 or sys.platform != "linux":
        print("needs root on Linux")
        return 4
    for name, run in (("full disk", full_disk), ("read-only output", read_only), ("share away", share_away)):
        with tempfile.TemporaryDirectory() as base:
            print(f"{name}: {run(Path(base))} drops, none lost, none partial, none twice", flush=True)
    return int(each_trouble() > 0)


if __name__ == "__main__":
    raise SystemExit(main())
