"""A refused correction file, told on the page that it was meant to correct (the next one makes it anew)."""

from __future__ import annotations

import html
import re
from pathlib import Path

from daemon.core.atomic import atomic_write
from daemon.core.regular import read_regular
from daemon.core.text import lines

BEGIN, END = "<!-- refused -->", "<!-- /refused -->"
PLACE = re.compile(f"{BEGIN}.*?{END}|(?<=</h1>)", re.S)


def show_refusal(page: Path, reason: str) -> None:
    """Put the reason below the heading, in place of an earlier one. A page without a heading stays as it is.

    Raises OSError when the page cannot be read or written.
    """
    text = read_regular(page).decode("utf-8", "replace")
    words = html.escape(lines(reason).strip())
    said = f'{BEGIN}<p class="ears"><strong>The correction file was refused.</strong> {words}</p>{END}'
    atomic_write(page, PLACE.sub(lambda _: said, text, count=1).encode())
