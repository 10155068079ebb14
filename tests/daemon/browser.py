"""A real headless Chromium through its driver's HTTP interface (W3C WebDriver); for tests only."""

from __future__ import annotations

import base64
import json
import re
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
OVERLAPS = """
const found = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
for (let node; node = walk.nextNode();) {
  if (!node.data.trim() || node.parentElement.closest("script, style, .unseen")) continue;
  const range = document.createRange();
  range.selectNodeContents(node);
  for (const r of range.getClientRects()) {
    const box = {left: r.left, right: r.right, top: r.top, bottom: r.bottom, text: node.data.trim()};
    for (let e = node.parentElement; e && e !== document.body; e = e.parentElement) {
      if (getComputedStyle(e).overflow === "visible") continue;
      const c = e.getBoundingClientRect();
      box.left = Math.max(box.left, c.left); box.right = Math.min(box.right, c.right);
      box.top = Math.max(box.top, c.top); box.bottom = Math.min(box.bottom, c.bottom);
    }
    if (box.right - box.left > 1 && box.bottom - box.top > 1) found.push(box);
  }
}
found.sort((a, b) => a.top - b.top);
const pairs = [];
for (let i = 0; i < found.length; i++)
  for (let k = i + 1; k < found.length && found[k].top < found[i].bottom - 4; k++) {
    const a = found[i], b = found[k];
    if (Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1.5
        && Math.min(a.bottom, b.bottom) - b.top > 4) pairs.push(a.text + " / " + b.text);
  }
return pairs;
"""
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-renderer-backgrounding",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


SCRIPT_S = 60.0  # no measure of speed: how long a script may take, however busy the machine


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
        wanted = {
            "goog:chromeOptions": options,
            "goog:loggingPrefs": {"browser": "ALL"},
            "timeouts": {"script": int(1000 * SCRIPT_S)},
        }
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
            with urllib.request.urlopen(request, timeout=SCRIPT_S + 30) as answer:
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

    def resize(self, width: int, height: int) -> None:
        """The size of the page in CSS pixels."""
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.cdp("Emulation.setDeviceMetricsOverride", **metrics)

    def press(self, key: str) -> None:
        for kind in ("keyDown", "keyUp"):
            self.cdp("Input.dispatchKeyEvent", type=kind, key=key, text=key if len(key) == 1 else "")

    def overlaps(self) -> list[str]:
        """Pairs of texts that are drawn over each other by more than a pixel or two."""
        return list(self.run(OVERLAPS))

    def printed_pages(self) -> int:
        """On A4."""
        pdf = self.cdp("Page.printToPDF", printBackground=True, paperWidth=8.27, paperHeight=11.69)["data"]
        return len(re.findall(rb"/Type\s*/Page\b(?!s)", base64.b64decode(pdf)))

    def screenshot(self, path: Path) -> None:
        path.write_bytes(base64.b64decode(self.cdp("Page.captureScreenshot", format="png")["data"]))

    def close(self) -> None:
        try:
            self._call(self._session, method="DELETE")
        finally:
            self._driver.terminate()
            self._driver.wait(60)
