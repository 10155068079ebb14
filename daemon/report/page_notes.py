"""What became known of a ready beat after its page was made, told on that page: other names of the same
bytes, a newer version. A page that is made again loses it until the board is next written.
"""

from __future__ import annotations

import html
import re
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import quote

from daemon.core.atomic import atomic_write
from daemon.core.regular import read_regular
from daemon.core.text import lines

BEGIN, END = "<!--notes-->", "<!--/notes-->"
PLACE = re.compile(f"{BEGIN}.*?{END}", re.S)

_told: dict[Path, tuple[int, str]] = {}


def also_words(names: Sequence[str]) -> str:
    """'also delivered as a.wav, b.wav'; empty without names."""
    return f"also delivered as {', '.join(names)}" if names else ""


def tell(page: Path, also: Sequence[str], newer: tuple[str, str] | None) -> None:
    """Put the notes below the heading, in place of earlier ones; nothing is written where they stand already.

    Parameters
    ----------
    also : other names of the same bytes
    newer : folder and address, relative to the ready folder, of the newest beat of the same name

    Raises OSError when the page cannot be read or written; a page without the place for it stays as it is.
    """
    note = _markup(also, newer)
    if not note and page not in _told:
        return
    stamp = page.stat().st_mtime_ns
    if _told.get(page) == (stamp, note):
        return
    text = read_regular(page).decode("utf-8", "replace")
    fresh = PLACE.sub(lambda _: note or BEGIN + END, text, count=1)
    if fresh != text and page.stat().st_mtime_ns == stamp:  # not made again meanwhile
        atomic_write(page, fresh.encode(), durable=False)
    _told[page] = (page.stat().st_mtime_ns, note)


def _markup(also: Sequence[str], newer: tuple[str, str] | None) -> str:
    said, css = [], "note newer" if newer is not None else "note"
    if newer is not None:
        folder, address = newer
        said.append(
            "<strong>This is an older version. A newer version is here:</strong> "
            f'<a href="../{quote(address, safe="/%~")}">'
            f"{html.escape(lines(folder))}</a>."
        )
    if also:
        words = also_words(also)
        said.append(html.escape(f"{words[0].upper()}{words[1:]}."))
    return f'{BEGIN}<p class="{css}">{" ".join(said)}</p>{END}' if said else ""
