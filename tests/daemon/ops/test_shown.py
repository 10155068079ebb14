"""What the page server may show."""

from __future__ import annotations

import os
from argparse import Namespace
from pathlib import Path
from urllib.parse import urljoin, urlsplit

import pytest

from daemon.ops.shown import Shown
from daemon.report.rejection import way_to_board


@pytest.mark.parametrize("place", ["rejected", "ready/rejected", "else/where"])
def test_pages_of_rejected_drops_lie_where_the_board_links_to(tmp_path: Path, place: str) -> None:
    """A browser that follows ../rejected/x from the root of a server asks for /rejected/x (RFC 3986)."""
    ready, rejected = tmp_path / "ready", tmp_path / place
    ready.mkdir()
    (rejected / "torn").mkdir(parents=True)
    (rejected / "torn" / "rejected.html").write_text("why")
    (rejected / "torn" / "rejected.json").write_text("{}")
    way = place.removeprefix("ready/")
    shown = Shown.of(ready, rejected)
    assert shown.find(f"/{way}/torn/rejected.html") == rejected / "torn" / "rejected.html"
    assert shown.find(f"/{way}/torn/rejected.json") is None
    assert shown.find(f"/{way}/../torn/rejected.html") is None
    assert Shown.of(ready).find(f"/{way}/torn/rejected.html") is None


@pytest.mark.parametrize("place", ["rejected", "ready/rejected", "else/where"])
def test_the_page_of_a_rejected_drop_leads_back_to_the_board(tmp_path: Path, place: str) -> None:
    """Its address is resolved as a browser does it, and so are those on the board that comes (RFC 3986)."""
    ready, rejected = tmp_path / "ready", tmp_path / place
    for folder in (ready / "amber", rejected / "torn"):
        folder.mkdir(parents=True)
    (ready / "index.html").write_text("board")
    (ready / "amber" / "amber.report.html").write_text("page")
    (rejected / "torn" / "rejected.html").write_text("why")
    shown = Shown.of(ready, rejected)
    here = f"http://x/{place.removeprefix('ready/')}/torn/rejected.html"
    board = urljoin(here, way_to_board(Namespace(ready=ready, rejected=rejected)))
    assert shown.find(urlsplit(board).path) == ready / "index.html"
    assert shown.find(urlsplit(urljoin(board, "amber/amber.report.html")).path) is not None
    again = urljoin(board, f"{os.path.relpath(rejected, ready)}/torn/rejected.html")
    assert shown.find(urlsplit(again).path) == rejected / "torn" / "rejected.html"
    assert shown.find("/ready/torn/rejected.json") is None


def test_cards_are_shown_and_other_texts_are_not(tmp_path: Path) -> None:
    folder = tmp_path / "amber"
    folder.mkdir()
    for name in ("amber.txt", "amber.report.json", "notes.txt"):
        (folder / name).write_text("x")
    shown = Shown.of(tmp_path)
    assert shown.find("/amber/amber.txt") == folder / "amber.txt"
    assert shown.find("/amber/notes.txt") is None


def test_it_never_leaves(tmp_path: Path) -> None:
    (tmp_path / "index.html").write_text("board")
    assert Shown.of(tmp_path).find("/index.html") == tmp_path / "index.html"
    assert Shown.of(tmp_path).find("/%zz/../..") is None
    assert Shown.of(tmp_path).find("index.html") is None
