"""A real service in a process of its own, on real folders, for tests that kill, flood and replace."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psutil

from config.settings import Settings
from daemon.service.heartbeat import read_heartbeat

REPOSITORY = Path(__file__).parents[2]
PATIENCE_S = 90.0  # no measure of speed: how long a broken test takes to fail, however busy the machine
MAIN = """
import json, sys
from pathlib import Path
sys.path[:0] = [{repository!r}]
from daemon.core import openssl
openssl.leave_out()  # as the command does
from config.settings import Settings
from daemon.ingest import settling
from daemon.service import board_refresh
from daemon.service import entry, service
settling.PATIENCE_S = 1.0
settings = Settings.model_validate_json({settings!r})
service.STOP_GRACE_S = {grace}
entry.WARM_UP = {warm!r}
service.RUN = {run!r}
board_refresh.FUNCTION = {board!r}
{more}
sys.exit(entry.run_service(settings, once={once}))
"""


def settings_for(base: Path, **sections: dict[str, Any]) -> Settings:
    """Quick settings with all folders below ``base``."""
    facts: dict[str, Any] = {
        "folders": {name: base / name for name in ("incoming", "ready", "rejected", "state")},
        "arrival": {"settle_seconds": 0.1, "rescan_seconds": 2},
        "limits": {"free_space_mb": 0, "job_timeout_seconds": 600},
        "work": {"nice": 0},
        "digest": {"at": None},
    }
    for name, values in sections.items():
        facts[name] = {**facts.get(name, {}), **values}
    for name in ("incoming", "ready", "rejected", "state"):
        Path(facts["folders"][name]).mkdir(parents=True, exist_ok=True)
    return Settings.model_validate(facts)


def start(
    settings: Settings,
    run: str = "tests.daemon.fake_jobs:obedient",
    warm: str = "tests.daemon.fake_jobs:warm",
    board: str = "tests.daemon.fake_jobs:board",
    grace: float = 20.0,
    once: bool = False,
    more: str = "",
    prefix: tuple[str, ...] = (),
    environment: dict[str, str] | None = None,
) -> subprocess.Popen[bytes]:
    """Start a service; do not wait. ``prefix``: a command to run it under."""
    code = MAIN.format(
        repository=str(REPOSITORY),
        settings=settings.model_dump_json(),
        grace=grace,
        warm=warm,
        run=run,
        board=board,
        more=more,
        once=once,
    )
    command = [*prefix, sys.executable, "-c", code]
    account = {"XDG_STATE_HOME": str(settings.folders.state.with_name("account"))}
    with open(settings.folders.state / "stderr.txt", "ab") as log:
        return subprocess.Popen(
            command, stderr=log, stdout=log, env={**os.environ, **account, **(environment or {})}
        )


@contextlib.contextmanager
def running(settings: Settings, **how: Any) -> Iterator[subprocess.Popen[bytes]]:
    """A running service, stopped at the end (killed when it does not listen)."""
    process = start(settings, **how)
    try:
        wait_for(lambda: state(settings) == "running" or process.poll() is not None, "the service to start")
        yield process
    finally:
        stop(process)


def stop(process: subprocess.Popen[bytes], timeout_s: float = PATIENCE_S) -> int:
    """SIGTERM, and the exit code."""
    if process.poll() is None:
        process.send_signal(signal.SIGTERM)
    try:
        return process.wait(timeout_s)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
        raise


def wait_for(condition: Callable[[], Any], what: str = "a condition", timeout_s: float = PATIENCE_S) -> Any:
    """Poll until true; AssertionError when it never is."""
    limit = time.monotonic() + timeout_s
    while time.monotonic() < limit:
        if found := condition():
            return found
        time.sleep(0.02)
    raise AssertionError(f"waited in vain for {what}")


def health(settings: Settings) -> dict[str, Any]:
    try:
        return dict(json.loads((settings.folders.state / "health.json").read_bytes()))
    except (OSError, ValueError):
        return {}


def state(settings: Settings) -> str | None:
    return health(settings).get("state")


def visible(root: Path) -> list[str]:
    """Names of the published folders."""
    return sorted(p.name for p in root.iterdir() if p.name[0] != "." and p.is_dir())


def ready(settings: Settings) -> list[str]:
    return visible(settings.folders.ready)


def rejected(settings: Settings) -> list[str]:
    return visible(settings.folders.rejected)


def reason(settings: Settings, name: str) -> str:
    return (settings.folders.rejected / name / "reason.txt").read_text()


def log_events(settings: Settings) -> list[dict[str, Any]]:
    """Lines of the JSON log."""
    path = settings.folders.state / "logs" / "beatintake.log"
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


def count_events(settings: Settings, event: str) -> int:
    return sum(line["event"] == event for line in log_events(settings))


def drop(settings: Settings, name: str, data: bytes) -> Path:
    """Leave a file in incoming/ the way a careful program does: under another name first."""
    path = settings.folders.incoming / name
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name[:40]}.part")
    temporary.write_bytes(data)
    return temporary.rename(path)


def no_leftovers(settings: Settings) -> None:
    """Nothing private is left behind, and every published folder is whole."""
    for root in (settings.folders.ready, settings.folders.rejected):
        assert [p.name for p in (root / ".staging").iterdir() if p.name != "claim.json"] == []
    for name in ready(settings):
        folder = settings.folders.ready / name
        report = json.loads(next(folder.glob("*.report.json")).read_bytes())
        assert report["drop"]["sha256"]
        assert list(folder.glob("*.wav"))


def busy_worker(settings: Settings) -> int | None:
    facts = read_heartbeat(settings.folders.state) or {}
    if not any(job["stage"] == "analyse" for job in facts.get("running", [])):
        return None
    children = psutil.Process(facts["pid"]).children()
    return next((c.pid for c in children if "spawn_main" in " ".join(c.cmdline())), None)
