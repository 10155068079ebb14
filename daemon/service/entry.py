"""Into the service: first the locks, then the workers, then everything else.

The workers need the longest to load. They are started as soon as it is sure that this is the only service,
and load the analysis while this process loads the rest of the service and looks at its folders.
"""

from __future__ import annotations

import logging
from pathlib import Path
from types import TracebackType

from config.settings import Settings
from daemon.core.errors import BeatintakeError
from daemon.core.folders import make_state
from daemon.core.logs import set_up
from daemon.service.lock import IncomingGuard, ServiceLock
from daemon.service.signals import Flags, signals
from daemon.workers.pool import WorkerPool
from daemon.workers.process import Setup, end_helper

log = logging.getLogger("beatintake.service")
WARM_UP = "daemon.pipeline.warm_up:warm_up"


def run_service(settings: Settings, config_path: Path | None = None, once: bool = False) -> int:
    """Run until SIGTERM or SIGINT (or, ``once``, until nothing is left). Returns the exit code."""
    make_state(settings)
    set_up(settings.log, settings.folders.state / "logs")
    gate = Gate(settings)
    with signals(gate.flags):
        try:
            with gate:
                from daemon.service.service import Service  # while the workers load

                return Service(settings, gate, config_path, once).run()
        except Exception as error:
            if not isinstance(error, BeatintakeError):
                log.critical("the service ends by an error of its own", exc_info=True)
            raise


class Gate:
    """What the service holds from first to last: the locks of this machine, and the workers."""

    def __init__(self, settings: Settings) -> None:
        folders = settings.folders
        self.flags = Flags()
        self.lock = ServiceLock(folders.state, folders.incoming, folders.ready)
        self.guard = IncomingGuard(settings)
        self.pool = WorkerPool(settings.work.max_workers, worker_setup(settings))

    def __enter__(self) -> Gate:
        """Raises AlreadyRunning; nothing is held or running after a failure."""
        self.lock.hold()
        try:
            self.guard.acquire()
            self.pool.start()
        except BaseException:
            self.leave()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.leave()

    def leave(self) -> None:
        self.pool.stop()
        end_helper()
        self.lock.release()
        self.guard.release()


def worker_setup(settings: Settings) -> Setup:
    return Setup(
        memory_bytes=settings.limits.job_memory_mb << 20,
        nice=settings.work.nice,
        stderr=settings.folders.state / "logs" / "worker.stderr",
        warm_up=WARM_UP,
    )
