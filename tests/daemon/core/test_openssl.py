"""The service without OpenSSL: it hashes all the same, its workers have it, and a build may need it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import psutil
import pytest

from tests.daemon.service_kit import REPOSITORY, drop, health, ready, running, settings_for, stop, wait_for

# SHA-256 of "abc": the example in FIPS 180-4
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
OWN = "_sha2" if sys.version_info >= (3, 12) else "_sha256"
LAST = """
import asyncio, hashlib, hmac, secrets, sys
print(done, hashlib.sha256(b"abc").hexdigest(), sys.modules.get("_ssl") is None, hashlib.sha256.__module__)
"""
linux = pytest.mark.skipif(sys.platform != "linux", reason="/proc")


def told(first: str) -> list[str]:
    """What a fresh process says of itself after ``first``."""
    code = f"import sys; sys.path[:0] = [{str(REPOSITORY)!r}]\nfrom daemon.core import openssl\n{first}{LAST}"
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert not done.stderr
    return done.stdout.split()


def mapped(process: psutil.Process) -> str:
    return Path(f"/proc/{process.pid}/maps").read_text()


def test_python_hashes_by_itself_and_there_is_no_tls() -> None:
    assert told("done = openssl.leave_out()") == ["True", ABC, "True", OWN]


@pytest.mark.parametrize("first", ["import hashlib", "import ssl", "openssl.OWN += ('_no_such_hash',)"])
def test_what_is_loaded_or_needed_stays(first: str) -> None:
    assert told(f"{first}\ndone = openssl.leave_out()") == ["False", ABC, "False", "_hashlib"]


@linux
def test_the_service_has_none_and_its_workers_do(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    with running(settings) as process:
        drop(settings, "a.wav", b"a")
        wait_for(lambda: ready(settings) == ["a"])
        service = psutil.Process(process.pid)

        assert "libcrypto" not in mapped(service)
        assert any("_hashlib" in mapped(worker) for worker in service.children(recursive=True))


@linux
def test_so_does_the_command(tmp_path: Path) -> None:
    settings = settings_for(tmp_path)
    names = ("incoming", "ready", "rejected", "state")
    config = tmp_path / "beatintake.yaml"
    config.write_text(json.dumps({"folders": {name: name for name in names}}))
    command = [sys.executable, "-m", "daemon.cli", "--config", str(config), "run"]
    account = {**os.environ, "XDG_STATE_HOME": str(tmp_path / "account")}
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL, cwd=REPOSITORY, env=account)
    try:
        wait_for(lambda: health(settings) or process.poll() is not None, "the service")

        assert "libcrypto" not in mapped(psutil.Process(process.pid))
    finally:
        stop(process)
