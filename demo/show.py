"""`beatintake demo`: the scenario's beats through the real service, truth beside result.

The service runs as a process of its own on folders of its own; the beats are dropped while it watches.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import yaml

from demo.outcome import read_outcomes, table
from demo.scenario import STUDIO, DemoBeat, make_demo

START_S = 60.0
DEADLINE_S = 180.0
STOP_S = 30.0
BETWEEN_DROPS_S = 0.4


def write_config(root: Path) -> Path:
    """A configuration for folders inside `root`, quick to settle."""
    folders = {name: str(root / name) for name in ("incoming", "ready", "rejected", "state")}
    for folder in folders.values():
        Path(folder).mkdir(parents=True, exist_ok=True)
    settings = {
        "folders": folders,
        "arrival": {"settle_seconds": 0.5, "rescan_seconds": 5},
        "work": {"max_workers": min(2, os.cpu_count() or 1), "nice": 0},
    }
    path = root / "beatintake.yaml"
    path.write_text(yaml.safe_dump(settings, sort_keys=False), encoding="utf-8")
    return path


@contextmanager
def service(config: Path, log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """The service as a process; stopped with SIGTERM, killed only when that does not help."""
    command = [sys.executable, "-m", "daemon.cli", "run", "--config", str(config)]
    with log.open("wb") as out:
        process = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL)
    try:
        yield process
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
        try:
            process.wait(STOP_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def wait_until_watching(process: subprocess.Popen[bytes], state: Path) -> bool:
    """True when the service of this process says that it runs; False when it ended or took too long."""
    limit = time.monotonic() + START_S
    while time.monotonic() < limit and process.poll() is None:
        try:
            facts = json.loads((state / "health.json").read_bytes())
        except (OSError, ValueError):
            facts = {}
        if facts.get("state") == "running" and facts.get("pid") == process.pid:
            return True
        time.sleep(0.1)
    return False


def drop(beat: DemoBeat, incoming: Path) -> None:
    """Copy a beat into its producer's folder, as an upload would."""
    place = incoming / beat.producer / beat.path.name
    place.parent.mkdir(parents=True, exist_ok=True)
    if beat.path.is_dir():
        shutil.copytree(beat.path, place, dirs_exist_ok=True)
    else:
        shutil.copyfile(beat.path, place)


def wait_until_done(process: subprocess.Popen[bytes], beats: Sequence[DemoBeat], root: Path) -> None:
    """Until each beat is published or rejected, the service ends, or the deadline passes."""
    limit = time.monotonic() + DEADLINE_S
    shown = -1
    while time.monotonic() < limit and process.poll() is None:
        done = sum(o.state != "missing" for o in read_outcomes(beats, root / "ready", root / "rejected"))
        if done != shown:
            print(f"  {done} of {len(beats)} done", flush=True)
            shown = done
        if done == len(beats):
            return
        time.sleep(0.3)


def run_demo(target: Path | None, titles: tuple[str, ...] = ()) -> int:
    """Make the beats, run the service on them, print truth against result.

    Returns 0 when every drop ended as it must (the broken upload rejected, the others published without a
    wrong answer), else 1.
    """
    root = (target or Path(tempfile.mkdtemp(prefix="beatintake-demo-"))).resolve()
    root.mkdir(parents=True, exist_ok=True)
    begun = time.monotonic()
    print(f"{STUDIO}, an invented studio. Making its beats in {root / 'made'}", flush=True)
    beats = make_demo(root / "made", titles)
    config = write_config(root)
    log = root / "service.log"
    print("Starting the service", flush=True)
    with service(config, log) as process:
        watching = wait_until_watching(process, root / "state")
        if watching:
            print(f"Dropping {len(beats)} beats into {root / 'incoming'} while it watches", flush=True)
            for beat in beats:
                drop(beat, root / "incoming")
                time.sleep(BETWEEN_DROPS_S)
            wait_until_done(process, beats, root)
    if not watching:
        print(f"The service did not start; the reason is in {log}", file=sys.stderr)
        return 1
    outcomes = read_outcomes(beats, root / "ready", root / "rejected")
    print(f"\nTruth and result\n\n{table(outcomes)}\n")
    for o in outcomes:
        if o.reason:
            print(f"Rejected, {o.reason}")
    print("Bar one is found minus true. The gap is what lies before the first sound: in the producer's file,")
    print("as found, and in the copy. A pickup lies in the bar before bar one, which the copy keeps.")
    print("Look at the level before you listen: beats arrive loud.")
    print(f"Board:    {root / 'ready' / 'index.html'}\nOutputs:  {root / 'ready'}")
    print(f"Rejected: {root / 'rejected'}\nLog:      {log}")
    print(f"{time.monotonic() - begun:.0f} s")
    failed = [o.beat.title for o in outcomes if not o.as_expected]
    if failed:
        print(f"Not as it must be: {', '.join(failed)}", file=sys.stderr)
    return 1 if failed else 0
