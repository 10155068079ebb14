"""Functions that tests run inside a worker process."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from typing import Any

from daemon.core.errors import DiskFull


def add(a: int, b: int) -> int:
    return a + b


def in_stages(on_stage: Callable[[str], None]) -> str:
    on_stage("one")
    on_stage("two")
    return "end"


def full() -> None:
    raise DiskFull("ready", "no space left", "free some")


def bug() -> None:
    raise ZeroDivisionError


def kill_me(number: int) -> None:
    os.kill(os.getpid(), number)
    time.sleep(10)


def complain_and_die() -> None:
    os.write(2, b"mpg123 says goodbye\n")
    os._exit(1)


def hang() -> None:
    time.sleep(3600)


def spin() -> None:
    while True:
        pass


def eat(size: int) -> int:
    return len(bytearray(size))


def tick(path: str, times: int) -> int:
    """Write a byte every 0.2 s."""
    for _ in range(times):
        with open(path, "ab") as file:
            file.write(b".")
        time.sleep(0.2)
    return times


def describe() -> dict[str, Any]:
    """How this process lives."""
    import psutil

    me = psutil.Process()
    facts: dict[str, Any] = {
        "nice": os.nice(0),
        "threads": os.environ.get("OPENBLAS_NUM_THREADS"),
        "ionice": None,
        "core": None,
        "ignores_ctrl_c": signal.getsignal(signal.SIGINT) is signal.SIG_IGN,
    }
    if hasattr(me, "ionice"):
        facts["ionice"] = "idle" if me.ionice().ioclass == psutil.IOPRIO_CLASS_IDLE else "other"
    try:
        import resource

        facts["core"] = resource.getrlimit(resource.RLIMIT_CORE)[0]
    except ImportError:
        pass
    return facts


def write_to_a_full_disk() -> None:
    with open("/dev/full", "wb", buffering=0) as file:
        file.write(b"x")


def heaps(report: str) -> int:
    """How many heaps glibc has after a second thread took memory (`malloc_info`)."""
    import ctypes
    import threading
    from pathlib import Path

    libc = ctypes.CDLL(None)
    libc.malloc.restype = libc.fopen.restype = ctypes.c_void_p
    thread = threading.Thread(target=lambda: [libc.malloc(1000) for _ in range(100)])
    thread.start()
    thread.join()
    file = ctypes.c_void_p(libc.fopen(report.encode(), b"w"))
    libc.malloc_info(0, file)
    libc.fclose(file)
    return Path(report).read_text().count("<heap nr=")
