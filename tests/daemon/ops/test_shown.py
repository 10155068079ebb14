"""What the page server may show."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.ops.shown import Shown


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
