"""The board: what is in the ready folder, newest first, safe, searchable, usable with 5,000 drops."""

from __future__ import annotations

import json
import shutil
import time
from pathlib import Path

import pytest

from daemon.report import board
from daemon.report.board import read_rows, rebuild_board, render_board
from tests.daemon.browser import CHROMIUM, DRIVER, Browser
from tests.daemon.sample_report import sample_report, sample_source

KEYS = ("E flat minor", "C minor", "F sharp minor", "G major", None)
PRODUCERS = ("tin-roof", "north-stair", "lowlight", None)


def put(ready: Path, folder: str, made_at: str, **source) -> Path:
    report = sample_report(source=sample_source(f"{folder}.wav", **source), made_at=made_at)
    (ready / folder).mkdir(parents=True)
    (ready / folder / report.files.report).write_text(report.to_json())
    return ready / folder


def row(k: int) -> dict:
    """A row such as 5,000 drops give."""
    ears = k % 3
    return {
        "name": f"amber-lane-{k:04}.wav",
        "producer": PRODUCERS[k % 4],
        "folder": f"amber-lane-{k:04}",
        "address": f"amber-lane-{k:04}/amber-lane-{k:04}.report.html",
        "tempo_bpm": None if k % 7 == 0 else 60.0 + k % 120,
        "constant_tempo": True,
        "key": KEYS[k % 5],
        "needs_ears": ears,
        "ear_topics": ["tempo", "key"][:ears],
        "check_by_ear": ["Tempo: is 62 % sure.", "Key: is 50 % sure."][:ears],
        "set_by_hand": [],
        "lufs": -14 + k % 9,
        "made_at": f"2026-{1 + k % 12:02}-{1 + k % 28:02}T{k % 24:02}:{k % 60:02}:00+00:00",
    }


def test_newest_first_and_only_our_folders(tmp_path: Path) -> None:
    ready, state = tmp_path / "ready", tmp_path / "state"
    put(ready, "older", "2026-11-01")
    put(ready, "newer", "2026-11-20")
    put(ready, ".staging", "2026-11-21")
    (ready / "holiday pictures").mkdir()
    (ready / "broken").mkdir()
    (ready / "broken" / "broken.report.json").write_text("{")
    assert [r["folder"] for r in read_rows(ready, state)] == ["newer", "older"]
    page = rebuild_board(ready, state).read_text()
    assert page.index("newer/newer.report.html") < page.index("older/older.report.html")


def test_removed_and_changed_folders_are_noticed(tmp_path: Path) -> None:
    ready, state = tmp_path / "ready", tmp_path / "state"
    first, second = put(ready, "first", "2026-11-01"), put(ready, "second", "2026-11-02")
    read_rows(ready, state)
    shutil.rmtree(first)
    changed = sample_report(source=sample_source("renamed.wav"), made_at="2026-11-02")
    (second / "second.report.json").unlink()
    (second / changed.files.report).write_text(changed.to_json())
    assert [r["name"] for r in read_rows(ready, state)] == ["renamed.wav"]


def test_unchanged_folders_are_not_read_again(tmp_path: Path, monkeypatch) -> None:
    ready, state = tmp_path / "ready", tmp_path / "state"
    put(ready, "first", "2026-11-01")
    before = read_rows(ready, state)
    monkeypatch.setattr(board, "read_report", lambda path: pytest.fail("read again"))
    assert read_rows(ready, state) == before


@pytest.mark.parametrize("text", ["", "{", "[]", '{"form": "0", "folders": {}}', '{"form": 2}'])
def test_a_damaged_cache_costs_only_time(tmp_path: Path, text: str) -> None:
    ready, state = tmp_path / "ready", tmp_path / "state"
    put(ready, "first", "2026-11-01")
    read_rows(ready, state)
    (state / board.CACHE_FILE).write_text(text)
    assert len(read_rows(ready, state)) == 1


def test_an_empty_board_says_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "ready").mkdir()
    assert "Put one into the incoming folder" in rebuild_board(tmp_path / "ready", tmp_path).read_text()


def test_hostile_names_stay_text() -> None:
    name = '"><script>alert(1)</script>.wav'
    page = render_board([{**row(1), "name": name, "producer": name, "folder": name}])
    assert page.count("<script") == 1
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)" in page


def test_rows_of_old_caches_do_not_break_the_page(tmp_path: Path) -> None:
    ready, state = tmp_path / "ready", tmp_path / "state"
    folder = put(ready, "first", "2026-11-01")
    state.mkdir()
    old = {"mark": folder.stat().st_mtime_ns, "row": {"name": "first.wav"}}
    (state / board.CACHE_FILE).write_text(json.dumps({"form": "older", "folders": {"first": old}}))
    assert "first.wav" in rebuild_board(ready, state).read_text()


def test_five_thousand_rows_are_written_quickly() -> None:
    rows = [row(k) for k in range(5000)]
    begin = time.process_time()
    page = render_board(rows)
    assert time.process_time() - begin < 5
    assert page.count('<tr role="row" data-name') == 5000
    assert len(page) < 6_000_000


# --- in a real browser ----------------------------------------------------------------------------

needs_browser = pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="needs chromium and chromedriver")


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    folder = tmp_path_factory.mktemp("board")
    rows = sorted((row(k) for k in range(5000)), key=lambda r: r["made_at"], reverse=True)
    (folder / "index.html").write_text(render_board(rows))
    browser = Browser(folder / "profile", 1280, 900)
    browser.open(folder / "index.html")
    yield browser
    browser.close()


def visible(browser: Browser) -> int:
    return browser.run("return [...document.querySelectorAll('tbody tr')].filter(r => !r.hidden).length")


def set_field(browser: Browser, name: str, value: str) -> float:
    """Set a filter; returns how many ms the page was busy with it."""
    return browser.run(
        f"""const field = document.forms[0].elements[{name!r}], begin = performance.now();
        if (field.type === 'checkbox') field.checked = {value!r} === 'true'; else field.value = {value!r};
        field.dispatchEvent(new Event('input', {{bubbles: true}}));
        document.body.offsetHeight; return performance.now() - begin"""
    )


@needs_browser
def test_browser_loads_five_thousand_rows_and_fits(shown: Browser) -> None:
    assert shown.messages() == []
    loaded = shown.run(
        "const t = performance.getEntriesByType('navigation')[0]; return t.loadEventEnd - t.startTime"
    )
    assert loaded < 60_000  # about 1 s on an idle core; work that grew by the square would take minutes
    assert visible(shown) == 5000
    assert shown.run("return document.documentElement.scrollWidth <= innerWidth")


@needs_browser
@pytest.mark.parametrize(
    ("fields", "keep"),
    [
        ({"search": "lane-0042"}, lambda r: "lane-0042" in r["name"]),
        ({"search": "tin-roof flat"}, lambda r: r["producer"] == "tin-roof" and r["key"] == "E flat minor"),
        ({"producer": "lowlight"}, lambda r: r["producer"] == "lowlight"),
        ({"key": "C minor", "ears": "true"}, lambda r: r["key"] == "C minor" and r["needs_ears"]),
        ({"from": "90", "to": "93.5"}, lambda r: r["tempo_bpm"] and 90 <= r["tempo_bpm"] <= 93.5),
    ],
)
def test_browser_filters(shown: Browser, fields: dict[str, str], keep) -> None:
    for name, value in fields.items():
        assert set_field(shown, name, value) < 30_000
    assert visible(shown) == sum(bool(keep(row(k))) for k in range(5000)) > 0
    for name in fields:
        set_field(shown, name, "false" if name == "ears" else "")
    assert visible(shown) == 5000


@needs_browser
def test_browser_sorts_by_tempo_both_ways_with_unknown_last(shown: Browser) -> None:
    def tempi() -> list[str]:
        return shown.run("return [...document.querySelectorAll('tbody tr')].map(r => r.dataset.tempo)")

    button = "document.querySelector('th[data-sort=tempo] button').click()"
    shown.run(button)
    up = tempi()
    assert (
        shown.run("return document.querySelector('th[data-sort=tempo]').getAttribute('aria-sort')")
        == "ascending"
    )
    known = [float(t) for t in up if t]
    assert known == sorted(known)
    assert up[-1] == ""
    shown.run(button)
    down = tempi()
    assert [float(t) for t in down if t] == known[::-1]
    assert down[-1] == ""
