"""One worker process as the parent sees it."""

from __future__ import annotations

import multiprocessing
import signal
import time
from contextlib import suppress
from dataclasses import replace
from typing import Any

import psutil

from daemon.workers.process import Setup, work

START_TIMEOUT_S = 300.0
STDERR_TAIL = 2000


class Worker:
    """One process and what the parent knows about it."""

    def __init__(self, setup: Setup, number: int) -> None:
        context = multiprocessing.get_context("spawn")
        self.setup = replace(setup, stderr=setup.stderr and setup.stderr.with_name(f"worker-{number}.stderr"))
        self.pipe, theirs = context.Pipe()
        self.process = context.Process(target=work, args=(theirs, self.setup), name=f"beatintake-{number}")
        self.process.start()
        theirs.close()
        self.task: Any = None
        self.warm = False
        self.started = time.monotonic()
        self.suspended_at: float | None = None
        self.kill_reason: str | None = None

    @property
    def idle(self) -> bool:
        return self.warm and self.task is None

    @property
    def deadline(self) -> float:
        if self.idle or self.suspended_at is not None:
            return float("inf")
        return self.started + (self.task.timeout_s if self.task else START_TIMEOUT_S)

    def rss(self) -> int:
        try:
            return int(psutil.Process(self.process.pid).memory_info().rss)
        except psutil.Error:
            return 0

    def kill(self, reason: str | None = None) -> None:
        self.kill_reason = self.kill_reason or reason
        self.process.kill()

    def cause_of_death(self) -> str:
        """Why it died, in words."""
        self.process.join(5)
        code = self.process.exitcode
        if self.kill_reason:
            return self.kill_reason
        if code is not None and code < 0:
            name = signal.Signals(-code).name if -code in set(signal.Signals) else str(-code)
            hint = " (perhaps by the system, for lack of memory)" if name == "SIGKILL" else ""
            return f"the worker process was ended by {name}{hint}"
        return f"the worker process ended by itself (exit code {code})"

    def stderr_tail(self) -> str:
        """The end of what it printed on its standard error."""
        if self.setup.stderr is None:
            return ""
        try:
            return self.setup.stderr.read_bytes()[-STDERR_TAIL:].decode("utf-8", "replace")
        except OSError:
            return ""

    def suspend(self) -> None:
        """Halt it where it is; the clock of its task stands still."""
        if self.suspended_at is None:
            with suppress(psutil.Error):
                psutil.Process(self.process.pid).suspend()
                self.suspended_at = time.monotonic()

    def resume(self) -> None:
        if self.suspended_at is not None:
            self.started += time.monotonic() - self.suspended_at
            self.suspended_at = None
            with suppress(psutil.Error):
                psutil.Process(self.process.pid).resume()

    def close(self, patience_s: float) -> None:
        """Let it go, kill it when it does not, and remove its traces."""
        self.pipe.close()
        self.process.join(patience_s)
        if self.process.is_alive():
            self.process.kill()
            self.process.join(5)
        self.process.close()
        if self.setup.stderr is not None:
            with suppress(OSError):
                self.setup.stderr.unlink(missing_ok=True)
