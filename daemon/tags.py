"""Tags of a file and what its producer claims about tempo and key.

Everything here is text written by strangers: it is kept as plain text, without control
characters, capped in length and number, and never interpreted. A claim is a hint that is shown
beside the measurement; it never replaces one.

Sources: ID3v2.3/2.4 text frames (`TBPM` an integer as text, `TKEY` at most three characters,
"Ebm"), Vorbis comments (`BPM`, `TEMPO`, `KEY`, `INITIALKEY` are habit only), check of both by
position. File names: common practice of producers ("140bpm", "Ebm").
"""

from __future__ import annotations

import unicodedata
from typing import BinaryIO

from daemon.headers import Content

MAX_TEXT = 300
MAX_TAGS = 24


def clean_text(text: str, limit: int = MAX_TEXT) -> str:
    """Plain one-line text: NFC, no control or invisible formatting characters, capped."""
    kept = (" " if char in "\t\r\n" else char for char in unicodedata.normalize("NFC", text[: 4 * limit]))
    shown = "".join(
        char for char in kept if unicodedata.category(char)[0] != "C" and char not in "\u2028\u2029"
    )
    shown = " ".join(shown.split())
    return shown if len(shown) <= limit else f"{shown[: limit - 1]}…"


def clean_tags(tags: dict[str, str]) -> dict[str, str]:
    """At most `MAX_TAGS` tags with cleaned names and texts; empty ones left out."""
    cleaned = {clean_text(name, 40): clean_text(text) for name, text in list(tags.items())[:MAX_TAGS]}
    return {name: text for name, text in cleaned.items() if name and text}


def read_tags(file: BinaryIO, content: Content) -> dict[str, str]:
    """Tempo, key and text tags that libsndfile does not hand out."""
    return {}
