"""Damage the ledger or the whole state folder in every way, deliver the same bytes again, and count.

    python -m tests.faults.ledger_damage [WORDS]     every case, or those whose name holds the words

For each damage, with the service stopped and (where that makes sense) under a running one: some drops are
done, the damage is done, the same bytes are delivered under other names, and something new. Nothing may be
published twice, nothing lost; `status` must count right before the service has put anything right.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path

from daemon.ops.status import read_status
from tests.daemon.service_kit import count_events, stop, wait_for
from tests.faults.kit import PROMISES, STAND_IN, Broken, World, begin, finish, up

DROPS = 6
FILE = "ledger.sqlite3"


def _older_copy(state: Path) -> None:
    for path in state.glob("older-*"):
        shutil.copy(path, state / path.name.removeprefix("older-"))


def _scribble(suffix: str) -> Callable[[Path], None]:
    def damage(state: Path) -> None:
        path = state / f"{FILE}{suffix}"
        if path.exists():
            path.write_bytes(b"\xa5" * path.stat().st_size)

    return damage


def _no_bytes(state: Path) -> None:
    (state / FILE).write_bytes(b"")


def _empty_beside(state: Path) -> None:
    """Whatever files the database keeps beside it: under a running service one may be in its memory."""
    for path in state.glob(f"{FILE}-*"):
        os.truncate(path, 0)


def _half(state: Path) -> None:
    data = (state / FILE).read_bytes()
    (state / FILE).write_bytes(data[: len(data) // 2])


def _remove(pattern: str) -> Callable[[Path], None]:
    def damage(state: Path) -> None:
        for path in state.glob(pattern):
            path.unlink()

    return damage


STOPPED: dict[str, Callable[[Path], None]] = {
    "0 bytes": _no_bytes,
    "cut in half": _half,
    "an older copy put back": _older_copy,
    "its journal is gone": _remove(f"{FILE}-*"),
    "its journal is scribbled over": _scribble("-journal"),
    "what lies beside it has 0 bytes": _empty_beside,
    "it is scribbled over": _scribble(""),
    "it is gone": _remove(f"{FILE}*"),
    "the state folder is gone": shutil.rmtree,
}
RUNNING = {name: damage for name, damage in STOPPED.items() if name != "an older copy put back"}


def one_case(base: Path, damage: Callable[[Path], None], running: bool) -> int:
    """Returns how many contents were delivered. Raises Broken."""
    world = World.at(base)
    state = world.settings.folders.state
    for number in range(DROPS):
        world.drop(f"beat{number}.wav", b"beat %d" % number if number else b"!damaged\n")
    process = begin(world, STAND_IN)
    try:
        _done(world, process)
        for path in state.glob(f"{FILE}*"):
            shutil.copy(path, state / f"older-{path.name}")
        for number in range(DROPS, 2 * DROPS):
            world.drop(f"beat{number}.wav", b"beat %d" % number)
        _done(world, process)
        if not running:  # killed, so that the journal is not folded in
            process.kill()
            process.wait()
        damage(state)
        status = read_status(world.settings)
        if not running and status.ready_count + status.rejected_count != 2 * DROPS:
            raise Broken("lost", f"status counts {status.ready_count} + {status.rejected_count}")
        for name, data in list(world.wanted.items()):
            world.drop(f"again/{name}", data)
        world.drop("new.wav", b"new")
        if not running:
            state.mkdir(exist_ok=True)
            process = begin(world, STAND_IN)
        _done(world, process)
        wait_for(lambda: count_events(world.settings, "same bytes as before: nothing to do") >= DROPS)
        world.check()
        stop(process)
    finally:
        process.kill()
        process.wait()
    finish(world, STAND_IN)
    return len(world.contents())


def _done(world: World, process: object) -> None:
    wait_for(partial(up, process, world), "the service to start")  # type: ignore[arg-type]
    wait_for(world.all_done, "everything to be done")
    time.sleep(0.3)


def main(only: str = "") -> int:
    total: Counter[str] = Counter()
    for when, cases in (("stopped", STOPPED), ("running", RUNNING)):
        for name, damage in cases.items():
            if only not in f"{when}, {name}":
                continue
            with tempfile.TemporaryDirectory() as base:
                try:
                    total["contents"] += one_case(Path(base), damage, when == "running")
                    print(f"{when}, {name}: right", flush=True)
                except Broken as broken:
                    total[broken.promise] += 1
                    print(f"{when}, {name}: {broken}", flush=True)
            total["cases"] += 1
    print(f"cases: {total['cases']}, contents: {total['contents']}, each delivered twice")
    print(", ".join(f"{promise}: {total[promise]}" for promise in PROMISES))
    return int(any(total[promise] for promise in PROMISES))


if __name__ == "__main__":
    raise SystemExit(main(*sys.argv[1:2]))
