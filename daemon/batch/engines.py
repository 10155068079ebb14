"""Where the work of a batch runs: worker processes here, or an existing dask.distributed cluster.

Both run the same functions ("module:name" with plain arguments) and give results back in any order.
"""

from __future__ import annotations

import importlib
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Protocol

from config.settings import Settings
from daemon.core.errors import BeatintakeError, ConfigError, InternalError, MachineError
from daemon.workers.pool import Died, Done, Failed, Task, WorkerPool
from daemon.workers.process import Setup, end_helper, resolve

Outcome = Done | Failed | Died


class Engine(Protocol):
    @property
    def room(self) -> int:
        """How many more tasks it takes now."""

    def submit(self, task: Task) -> None: ...

    def outcomes(self, timeout_s: float) -> list[Outcome]:
        """What ended within the time; possibly nothing."""


class LocalEngine:
    """Worker processes on this machine, with the limits of the settings."""

    def __init__(self, pool: WorkerPool) -> None:
        self._pool = pool

    @property
    def room(self) -> int:
        return self._pool.idle

    def submit(self, task: Task) -> None:
        self._pool.submit(task)

    def outcomes(self, timeout_s: float) -> list[Outcome]:
        return [event for event in self._pool.poll(timeout_s) if isinstance(event, Outcome)]


@contextmanager
def local_engine(settings: Settings, workers: int) -> Iterator[LocalEngine]:
    """Spawn workers; stop them at the end, whatever happened. Each loads what it needs with its first job."""
    with tempfile.TemporaryDirectory(prefix="beatintake-") as private:
        setup = Setup(
            memory_bytes=settings.limits.job_memory_mb << 20,
            nice=settings.work.nice,
            stderr=Path(private) / "worker.stderr",
        )
        pool = WorkerPool(workers, setup)
        pool.start()
        try:
            pool.wait_until_warm()
            yield LocalEngine(pool)
        finally:
            pool.stop()
            end_helper()


class ClusterEngine:
    """An existing dask.distributed cluster whose machines see the same folders under the same paths."""

    def __init__(self, client: Any) -> None:
        self._client = client
        self._running: dict[Any, str] = {}

    @property
    def room(self) -> int:
        threads = sum(self._client.nthreads().values())
        return int(threads) - len(self._running)

    def submit(self, task: Task) -> None:
        future = self._client.submit(
            _call, task.function, task.arguments, key=f"beatintake-{task.id}", pure=False
        )
        self._running[future] = task.id

    def outcomes(self, timeout_s: float) -> list[Outcome]:
        distributed = _distributed()
        if self._running:
            with suppress(distributed.TimeoutError):
                distributed.wait(list(self._running), timeout=timeout_s, return_when="FIRST_COMPLETED")
        return [self._outcome(future) for future in list(self._running) if future.done()]

    def _outcome(self, future: Any) -> Outcome:
        task_id = self._running.pop(future)
        try:
            return Done(task_id, future.result())
        except BeatintakeError as error:
            return Failed(task_id, error)
        except Exception as error:  # the cluster's own errors (a lost worker) are of many types
            if type(error).__name__ == "KilledWorker":
                return Died(task_id, "the cluster lost the workers that tried it")
            text = f"{type(error).__name__}: {error}"
            return Failed(task_id, InternalError("analysis", text, "please report it"))


def _distributed() -> Any:
    try:
        return importlib.import_module("distributed")
    except ImportError:
        cause = "the package dask.distributed is not installed"
        raise ConfigError("--scheduler", [cause], "install the extra: pip install '.[cluster]'") from None


def _call(function: str, arguments: tuple[Any, ...]) -> Any:
    return resolve(function)(*arguments)


@contextmanager
def cluster_engine(address: str) -> Iterator[ClusterEngine]:
    """Connect to the scheduler at `address` (e.g. tcp://127.0.0.1:8786)."""
    try:
        client = _distributed().Client(address, timeout="10s")
    except (OSError, ValueError) as error:
        cause = f"no scheduler answers there ({error})"
        raise MachineError(address, cause, "start it, or leave --scheduler out") from error
    try:
        yield ClusterEngine(client)
    finally:
        client.close()
