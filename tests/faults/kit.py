"""What the fault commands share: drops to work on, a service to hurt, and the promises to check on disk."""

from __future__ import annotations

import hashlib
import json
import random
import subprocess
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psutil

from config.settings import Settings
from daemon.decode.identity import identify
from daemon.ingest.watch import PROBE
from daemon.ledger.ledger import Ledger, ledger_path
from tests.daemon.make_audio import file_bytes
from tests.daemon.service_kit import PATIENCE_S, health, settings_for, start, visible, wait_for

REAL = {
    "run": "daemon.pipeline.job:run_job",
    "warm": "daemon.pipeline.warm_up:warm_up",
    "board": "daemon.report.board:rebuild_board",
}
STAND_IN: dict[str, str] = {}


def beat(seed: int, seconds: float = 3.0, rate: int = 22050) -> bytes:
    """A small WAV with a pulse and a chord, different for every seed."""
    import numpy as np

    generator = np.random.default_rng(seed)
    time_s = np.arange(int(seconds * rate)) / rate
    period = 60 / generator.uniform(90, 150)
    pulse = np.exp(-30 * (time_s % period)) * np.sin(2 * np.pi * 90 * time_s)
    root = 110 * 2 ** (generator.integers(12) / 12)
    chord = sum(np.sin(2 * np.pi * root * ratio * time_s) for ratio in (1, 1.2, 1.5))
    mono = 0.4 * pulse + 0.05 * chord + 0.001 * generator.standard_normal(len(time_s))
    return file_bytes(np.column_stack([mono, mono]).astype(np.float32), rate=rate, subtype="PCM_16")


PROMISES = ("lost", "partial", "doubled", "escaped", "changed")


class Broken(AssertionError):
    """A promise was not kept; ``promise`` is one of PROMISES."""

    def __init__(self, promise: str, text: str) -> None:
        super().__init__(f"{promise}: {text}")
        self.promise = promise


@dataclass(slots=True)
class World:
    """The producer's side: what was dropped, and what must become of it."""

    settings: Settings
    wanted: dict[str, bytes] = field(default_factory=dict)  # path in incoming/ -> content
    folders: dict[str, str] = field(default_factory=dict)  # folder of stems in incoming/ -> its hash

    @classmethod
    def at(cls, base: Path, **sections: dict[str, Any]) -> World:
        sections = {"limits": {"max_attempts": 10}, "arrival": {"rescan_seconds": 1}, **sections}
        return cls(settings_for(base, **sections))

    def drop(self, name: str, data: bytes) -> None:
        path = self.settings.folders.incoming / name
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary = path.with_name(f".{path.name}.part")
        temporary.write_bytes(data)
        temporary.rename(path)
        self.wanted[name] = data

    def drop_folder(self, name: str, files: dict[str, bytes]) -> None:
        """A folder of stems, which appears at once."""
        path = self.settings.folders.incoming / name
        temporary = path.with_name(f".{path.name}.part")
        temporary.mkdir(parents=True)
        for file, data in files.items():
            (temporary / file).write_bytes(data)
            self.wanted[f"{name}/{file}"] = data
        self.folders[name] = identify(temporary)
        temporary.rename(path)

    def rename(self, old: str, new: str) -> None:
        """The producer gives a file another name, whatever is done with it at the moment."""
        incoming = self.settings.folders.incoming
        (incoming / new).parent.mkdir(parents=True, exist_ok=True)
        (incoming / old).rename(incoming / new)
        self.wanted[new] = self.wanted.pop(old)

    def contents(self) -> set[str]:
        single = [data for path, data in self.wanted.items() if path.rpartition("/")[0] not in self.folders]
        return {*self.folders.values(), *(hashlib.sha256(data).hexdigest() for data in single)}

    def nothing_escaped(self) -> None:
        """Nothing was written beside our own folders, nor into incoming/."""
        base, incoming = self.settings.folders.incoming.parent, self.settings.folders.incoming
        known = {"incoming", "ready", "rejected", "state", "account", "backing", "filler", "beatintake.yaml"}
        strange = {path.name for path in base.iterdir()} - known
        files = {str(p.relative_to(incoming)) for p in incoming.rglob("*") if p.is_file()}
        strange |= {name for name in files - set(self.wanted) if not name.startswith(PROBE)}
        if strange:
            raise Broken("escaped", f"nobody's files: {sorted(strange)[:5]}")

    def published(self) -> Counter[str]:
        """How often each content is visible. AssertionError when anything visible is not whole."""
        found: Counter[str] = Counter()
        for name in visible(self.settings.folders.ready):
            folder = self.settings.folders.ready / name
            if folder.is_dir():
                found[whole_result(folder)] += 1
        for name in visible(self.settings.folders.rejected):
            folder = self.settings.folders.rejected / name
            record = json.loads((folder / "rejected.json").read_bytes())
            assert (folder / "reason.txt").stat().st_size > 0
            found[record["drop"]["sha256"]] += 1
        return found

    def check(self) -> Counter[str]:
        """The promises that hold at every moment."""
        for name, data in self.wanted.items():
            if (self.settings.folders.incoming / name).read_bytes() != data:
                raise Broken("changed", f"{name} was touched")
        self.nothing_escaped()
        try:
            found = self.published()
        except (AssertionError, OSError, ValueError, KeyError, StopIteration) as error:
            raise Broken("partial", str(error)) from error
        if max(found.values(), default=0) > 1:
            raise Broken("doubled", f"published twice: {found.most_common(3)}")
        if strange := set(found) - self.contents():
            raise Broken("partial", f"a result for something that was never dropped: {strange}")
        return found

    def check_end(self) -> None:
        """The promises that hold once all is done and the service has stopped."""
        found = self.check()
        missing = self.contents() - set(found)
        if missing:
            raise Broken("lost", f"{len(missing)} drops lost")
        for root in (self.settings.folders.ready, self.settings.folders.rejected):
            left = [p.name for p in (root / ".staging").iterdir() if p.name != "claim.json"]
            assert not left, f"left behind: {left}"
        ledger = Ledger.open(ledger_path(self.settings.folders.state))
        known = {record.sha256 for record in ledger.history(limit=1_000_000)}
        ledger.close()
        assert known == self.contents(), "the ledger and the folders disagree"

    def all_done(self) -> bool:
        return set(self.published()) >= self.contents()


def whole_result(folder: Path) -> str:
    """The content's hash of a published folder in which nothing is missing. AssertionError otherwise."""
    report = json.loads(next(folder.glob("*.report.json")).read_bytes())
    files = report.get("files")
    names = [name for name in files.values() if name] if files else [p.name for p in folder.glob("*.wav")]
    assert names, f"{folder} holds no audio"
    for name in names:
        path = folder / name
        assert path.stat().st_size > 0, f"{path} is empty"
        if path.suffix == ".wav":
            head = path.read_bytes()
            if not files:  # a stand-in copies the drop
                assert hashlib.sha256(head).hexdigest() == report["drop"]["sha256"], f"{path} is cut"
            else:
                assert int.from_bytes(head[4:8], "little") + 8 == len(head), f"{path} is cut"
    return str(report["drop"]["sha256"])


def workers_of(process: subprocess.Popen[bytes]) -> list[psutil.Process]:
    """The living worker processes of a service."""
    try:
        children = psutil.Process(process.pid).children()
        return [child for child in children if "spawn_main" in " ".join(child.cmdline())]
    except psutil.Error:
        return []


def no_orphans(before: set[int]) -> None:
    """Workers of a dead service are dead, too. AssertionError when one lives on."""
    limit = time.monotonic() + PATIENCE_S
    while left := [pid for pid in before if _alive(pid)]:
        assert time.monotonic() < limit, f"orphans: {left}"
        time.sleep(0.01)


def _alive(pid: int) -> bool:
    try:
        return psutil.Process(pid).status() != psutil.STATUS_ZOMBIE
    except psutil.Error:
        return False


def begin(world: World, job: dict[str, str], **more: Any) -> subprocess.Popen[bytes]:
    return start(world.settings, **job, **more)


def up(process: subprocess.Popen[bytes], world: World) -> bool:
    """Is this very service running (or dead already)?"""
    facts = health(world.settings)
    return process.poll() is not None or (facts.get("pid") == process.pid and facts["state"] == "running")


def finish(world: World, job: dict[str, str], timeout_s: float = 120.0) -> None:
    """An undisturbed service does what is left; then the final promises are checked."""
    process = begin(world, job)
    try:
        wait_for(lambda: up(process, world), "the service to start", timeout_s)
        wait_for(world.all_done, "the rest to be done", timeout_s)
    finally:
        process.terminate()
        process.wait(PATIENCE_S)
    assert process.returncode == 0
    world.check_end()


def seeded(seed: int) -> random.Random:
    print(f"seed {seed}")
    return random.Random(seed)
