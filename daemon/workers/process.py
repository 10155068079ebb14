"""Inside a worker process: limits and priority first, then one task after the other.

Imported by the parent for its types only; nothing heavy at module level.
"""

from __future__ import annotations

import errno
import importlib
import multiprocessing
import os
import signal
import sys
import threading
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from daemon.core.atomic import FULL, machine_error
from daemon.core.errors import BeatintakeError, InternalError

THREAD_VARIABLES = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
    "NUMEXPR_NUM_THREADS",
)
M_ARENA_MAX = -8  # malloc.h of glibc
PR_SET_PDEATHSIG = 1
DISK_TROUBLE = (*FULL, errno.EROFS, errno.EIO, errno.ESTALE, errno.ENOTCONN)
"""What a job can run into that is neither the drop's fault nor a bug of ours."""


@dataclass(frozen=True, slots=True)
class Setup:
    """How a worker lives. Bytes; ``warm_up`` is "module:function", called once before the first task."""

    memory_bytes: int
    nice: int = 10
    stderr: Path | None = None  # decoders print there; the tail goes into the log when a worker dies
    warm_up: str | None = None
    recycle_bytes: int = 1 << 30
    environment: dict[str, str] = field(default_factory=dict)


def work(pipe: Connection, setup: Setup) -> None:
    """Main function of the process."""
    _prepare(setup)
    if setup.warm_up:
        try:
            resolve(setup.warm_up)()
        except Exception:
            traceback.print_exc()  # the first real task will show whether it matters
    pipe.send(("warm",))
    while True:
        try:
            task = pipe.recv()
        except (EOFError, OSError):
            return
        try:
            pipe.send(_answer(task, pipe))
        except OSError:
            return


def _answer(task: Any, pipe: Connection) -> tuple[Any, ...]:
    def on_stage(name: str) -> None:
        pipe.send(("stage", name))

    try:
        function = resolve(task.function)
        more = (on_stage,) if task.stages else ()
        return ("done", function(*task.arguments, *more))
    except MemoryError:
        return ("failed", "memory", traceback.format_exc())
    except BeatintakeError as error:
        return ("failed", error, "")
    except Exception as error:
        if isinstance(error, OSError) and error.errno in DISK_TROUBLE:
            return ("failed", machine_error(error, error.filename or "the disk"), traceback.format_exc())
        text = f"{type(error).__name__}: {error}"
        wrapped = InternalError("analysis", text, "please report it with the log")
        return ("failed", wrapped, traceback.format_exc())


def resolve(name: str) -> Callable[..., Any]:
    """The function that "module:function" names."""
    module, _, attribute = name.partition(":")
    found: Callable[..., Any] = getattr(importlib.import_module(module), attribute)
    return found


def _prepare(setup: Setup) -> None:
    for name in THREAD_VARIABLES:
        os.environ[name] = "1"
    os.environ.update(setup.environment)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to the whole group; the parent decides
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    if setup.stderr is not None:
        _capture_stderr(setup.stderr)
    share_heap()
    _die_with_parent()
    _yield_to_others(setup.nice)
    _limit(setup.memory_bytes)


def _capture_stderr(path: Path) -> None:
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        os.dup2(descriptor, 2)
        os.close(descriptor)
        sys.stderr = os.fdopen(2, "w", closefd=False, errors="replace")


def share_heap() -> None:
    """One heap for all threads: glibc gives each its own, which keeps what it once held (7 MB of a worker).

    Before the first thread is started; elsewhere than with glibc nothing happens.
    """
    if sys.platform == "linux":
        import ctypes

        with suppress(OSError, AttributeError):
            ctypes.CDLL(None).mallopt(M_ARENA_MAX, 1)


def _die_with_parent() -> None:
    """A worker without a parent would write into a staging folder that somebody else now owns."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return
    if sys.platform == "linux":
        import ctypes  # nothing that the parent needs

        with suppress(OSError, AttributeError):
            ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)

    def watch() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=watch, name="parent", daemon=True).start()


def _yield_to_others(nice: int) -> None:
    import psutil

    with suppress(OSError, AttributeError):
        os.nice(nice)
    with suppress(psutil.Error, OSError, AttributeError, ValueError):
        me = psutil.Process()
        if sys.platform == "linux" and nice > 0:
            me.ionice(psutil.IOPRIO_CLASS_IDLE)
        elif sys.platform == "win32" and nice > 0:
            me.nice(psutil.BELOW_NORMAL_PRIORITY_CLASS)


def end_helper(patience_s: float = 2.0) -> None:
    """In the parent, when no worker is left: see multiprocessing's own helper process end, so that nothing of
    ours outlives a command.
    """
    tracker: Any = resource_tracker._resource_tracker
    descriptor, pid = tracker._fd, tracker._pid
    if descriptor is None or pid is None:
        return
    tracker._fd = tracker._pid = None  # the next worker starts another one
    os.close(descriptor)
    limit = time.monotonic() + patience_s
    with suppress(ChildProcessError):
        while os.waitpid(pid, os.WNOHANG) == (0, 0) and time.monotonic() < limit:
            time.sleep(0.005)


def _limit(memory_bytes: int) -> None:
    try:
        import resource
    except ImportError:  # Windows: the parent watches
        return
    for kind, value in ((resource.RLIMIT_AS, memory_bytes), (resource.RLIMIT_CORE, 0)):
        with suppress(OSError, ValueError):
            hard = resource.getrlimit(kind)[1]
            resource.setrlimit(kind, (value if hard < 0 else min(value, hard), hard))
