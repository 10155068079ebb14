"""A real headless Chromium through its driver's HTTP interface (W3C WebDriver); for tests only."""

from __future__ import annotations

import base64
import json
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


class Browser:
    """One window. `close` it."""

    def __init__(self, profile: Path, width: int, height: int, *, phone: bool = False) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        self._driver = subprocess.Popen(
            [str(DRIVER), f"--port={port}"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        self._base = f"http://127.0.0.1:{port}"
        self._wait()
        options: dict[str, Any] = {
            "binary": CHROMIUM,
            "args": [*FLAGS, f"--user-data-dir={profile}", f"--window-size={width},{height}"],
        }
        if phone:
            metrics = {"width": width, "height": height, "pixelRatio": 2, "touch": True}
            options["mobileEmulation"] = {"deviceMetrics": metrics}
        wanted = {"goog:chromeOptions": options, "goog:loggingPrefs": {"browser": "ALL"}}
        try:
            session = self._call("/session", {"capabilities": {"alwaysMatch": wanted}})["sessionId"]
        except BaseException:
            self._driver.kill()
            raise
        self._session = f"/session/{session}"

    def _wait(self) -> None:
        for _ in range(600):
            try:
                urllib.request.urlopen(f"{self._base}/status", timeout=5)
                return
            except OSError:
                time.sleep(0.1)
        raise TimeoutError("the driver does not answer")

    def _call(self, path: str, data: dict[str, Any] | None = None, method: str | None = None) -> Any:
        body = None if data is None else json.dumps(data).encode()
        request = urllib.request.Request(self._base + path, body, method=method)
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                return json.load(answer)["value"]
        except urllib.error.HTTPError as error:
            raise RuntimeError(error.read().decode()[:500]) from error

    def cdp(self, command: str, **parameters: Any) -> Any:
        return self._call(f"{self._session}/goog/cdp/execute", {"cmd": command, "params": parameters})

    def open(self, path: Path) -> None:
        self._call(f"{self._session}/url", {"url": path.as_uri()})

    def run(self, script: str) -> Any:
        return self._call(f"{self._session}/execute/sync", {"script": script, "args": []})

    def messages(self) -> list[str]:
        """What the page logged: errors, blocked loads."""
        return [entry["message"] for entry in self._call(f"{self._session}/se/log", {"type": "browser"})]

    def emulate(self, *, dark: bool = False, media: str = "") -> None:
        features = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        self.cdp("Emulation.setEmulatedMedia", media=media, features=features)

    def without_scripts(self, off: bool) -> None:
        self.cdp("Emulation.setScriptExecutionDisabled", value=off)

    def screenshot(self, path: Path) -> None:
        path.write_bytes(base64.b64decode(self.cdp("Page.captureScreenshot", format="png")["data"]))

    def close(self) -> None:
        try:
            self._call(self._session, method="DELETE")
        finally:
            self._driver.terminate()
            self._driver.wait(60)
