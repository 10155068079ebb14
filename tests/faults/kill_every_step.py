"""Kill the service at every single step that touches the disk: the first, the second, and so on to the last.

    python -m tests.faults.kill_every_step             every step
    python -m tests.faults.kill_every_step --stride 7  every seventh

A step is a call of fsync, rename, replace, unlink, rmdir, mkdir, or a statement to the ledger, in the
service's own process, while it works on two good drops and one that is rejected. Before the step is done,
the process kills itself with SIGKILL. Then the disk is checked, a new service finishes, and the disk is
checked again.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from tests.daemon.service_kit import wait_for
from tests.faults.kit import STAND_IN, World, begin, finish

TRAP = """
import os, signal, sqlite3, shutil
count = 0
def step(name):
    global count
    count += 1
    if count == {at}:
        os.kill(os.getpid(), signal.SIGKILL)
def trap(module, name):
    real = getattr(module, name)
    def trapped(*a, **k):
        step(name)
        return real(*a, **k)
    setattr(module, name, trapped)
for name in ("fsync", "rename", "replace", "unlink", "rmdir", "mkdir"):
    trap(os, name)
real_connect = sqlite3.connect
class Connection(sqlite3.Connection):
    def execute(self, sql, *a):
        if sql.split()[0] in ("BEGIN", "COMMIT", "INSERT", "UPDATE", "DELETE"):
            step(sql)
        return super().execute(sql, *a)
sqlite3.connect = lambda *a, **k: real_connect(*a, factory=Connection, **k)
"""


def kill_at(base: Path, at: int) -> bool:
    """One run with a kill before step ``at``. False when the work had fewer steps."""
    world = World.at(base)
    world.drop("one.wav", b"the first")
    world.drop("two.wav", b"the second")
    world.drop("bad.wav", b"!damaged\n")
    process = begin(world, STAND_IN, more=TRAP.format(at=at))
    try:
        wait_for(lambda: process.poll() is not None or world.all_done(), "a kill or the end")
        if process.poll() is None:
            wait_for(lambda: process.poll() is not None or _recorded(world), "the record")
    finally:
        killed = process.poll() == -9
        process.kill()
        process.wait()
    world.check()
    finish(world, STAND_IN)
    return killed


def _recorded(world: World) -> bool:
    from daemon.ledger.ledger import Ledger, ledger_path

    ledger = Ledger.read_only(ledger_path(world.settings.folders.state))
    try:
        return len(ledger.history()) == len(world.contents())
    finally:
        ledger.close()


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--stride", type=int, default=1)
    parser.add_argument("--first", type=int, default=1)
    chosen = parser.parse_args(arguments)
    at, kills = chosen.first, 0
    while True:
        with tempfile.TemporaryDirectory() as base:
            if not kill_at(Path(base), at):
                break
        kills += 1
        at += chosen.stride
        if kills % 10 == 0:
            print(f"{kills} kills survived (up to step {at - chosen.stride})", flush=True)
    print(f"kills survived: {kills}; drops lost: 0, partial outputs: 0, duplicates: 0")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
