"""How long the board takes with many drops: ``python -m tests.accuracy.board_speed --rows 5000``."""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from config.settings import Folders, Settings
from daemon.report.board import read_rows, rebuild_board
from tests.daemon.browser import CHROMIUM, DRIVER, Browser
from tests.daemon.sample_report import sample_report, sample_source


def fill(ready: Path, rows: int) -> None:
    """Ready folders with nothing but a report."""
    for k in range(rows):
        name = f"amber-lane-{k:05}"
        source = sample_source(f"{name}.wav", sha256=f"{k:064x}", producer=f"producer {k % 40}")
        report = sample_report(source=source, made_at=f"2026-{1 + k % 12:02}-{1 + k % 28:02}T10:00:00")
        (ready / name).mkdir(parents=True)
        (ready / name / report.files.report).write_text(report.to_json())


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=5000)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        ready, state, rejected = (Path(folder, name) for name in ("ready", "state", "rejected"))
        settings = Settings(folders=Folders(ready=ready, state=state, rejected=rejected))
        fill(ready, arguments.rows)
        for what in ("nothing known yet", "nothing has changed"):
            begin = time.perf_counter()
            page = rebuild_board(settings)
            print(f"board written, {what}: {time.perf_counter() - begin:.2f} s")
        begin = time.perf_counter()
        count = len(read_rows(ready, state))
        print(f"rows read: {count} in {time.perf_counter() - begin:.2f} s, page {page.stat().st_size} bytes")
        if CHROMIUM and DRIVER:
            for width, height, phone in ((1280, 900, False), (390, 844, True)):
                _load(page, Path(folder, f"profile{width}"), width, height, phone)
    return 0


def _load(page: Path, profile: Path, width: int, height: int, phone: bool) -> None:
    browser = Browser(profile, width, height, phone=phone)
    try:
        browser.open(page)
        loaded = browser.run("return performance.getEntriesByType('navigation')[0].loadEventEnd")
        spent = []
        for action in (
            "const f = document.forms[0].elements.search; f.value = '0042';"
            "f.dispatchEvent(new Event('input', {bubbles: true}))",
            "document.querySelector('th[data-sort=tempo] button').click()",
        ):
            timed = f"{action}; document.body.offsetHeight; return performance.now() - begin"
            spent.append(browser.run(f"const begin = performance.now(); {timed}"))
        print(f"{width} px wide: loaded in {loaded:.0f} ms, search {spent[0]:.0f} ms, sort {spent[1]:.0f} ms")
    finally:
        browser.close()


if __name__ == "__main__":
    raise SystemExit(main())
