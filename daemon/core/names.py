"""Names on disk: which are ignored, and ours: in any script, fit for every common file system, never hostile.

A producer's file name is hostile input. `safe_stem` keeps letters, digits, accents, emoji and harmless
marks of all scripts (NFC), and adds a hash when anything was lost or shortened, so that two different names
never meet. Names are compared by `folded`: without regard to case, accents and Unicode form.

Sources: forbidden characters, device names, trailing dots and spaces: Microsoft, "Naming Files, Paths, and
Namespaces"; 255 bytes: POSIX NAME_MAX as file systems have it; NFC and NFKC: Unicode Standard Annex 15.
"""

from __future__ import annotations

import fnmatch
import hashlib
import re
import unicodedata
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from daemon.core.text import can_be_seen

MAX_STEM_BYTES = 120  # of UTF-8; endings, tempo, key and a number come after it
MAX_STEM_UNITS = 80  # of UTF-16, in which other systems count names and paths
PLAIN = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789 ._()+,=&'-")
FORBIDDEN = frozenset('<>:"/\\|?*')  # on some file system
EDGES = " ._-"
EARS_KEPT = 10  # sentences of what to check by ear that are kept of a beat; its report has all
STEMS_FOLDER = "stems"  # in a published folder
BOARD_FILE = "index.html"  # beside the published folders, none of which may have its name
ALWAYS_IGNORED = (".*", "~*", "*~")
RESERVED = {
    "con",
    "prn",
    "aux",
    "nul",
    *(f"com{i}" for i in range(1, 10)),
    *(f"lpt{i}" for i in range(1, 10)),
}


UNACCENTED = str.maketrans({"ø": "o", "ł": "l", "đ": "d", "ħ": "h", "ı": "i", "æ": "ae", "œ": "oe"})
"""Letters whose stroke or joining is no accent to Unicode."""


def is_ignored(name: str, patterns: tuple[str, ...]) -> bool:
    """Temporary, partial and system names (``arrival.ignore``), compared without regard to case.

    What is ignored belongs to no drop: it is neither hashed nor listed, unpacked or summed.
    """
    return _ignore_expression(patterns).fullmatch(name.casefold()) is not None


@lru_cache(maxsize=8)
def _ignore_expression(patterns: tuple[str, ...]) -> re.Pattern[str]:
    everything = (*ALWAYS_IGNORED, *patterns)
    return re.compile("|".join(fnmatch.translate(pattern.casefold()) for pattern in everything))


def safe_stem(name: str, limit: int = MAX_STEM_BYTES) -> str:
    """A name without its extension as a name on disk: NFC, at most `limit` bytes, never empty.

    Names that differ in more than spacing keep differing: a lossy change appends 8 hex digits.
    """
    wanted = unicodedata.normalize("NFC", name)
    spaced = re.sub(r"\s+", " ", wanted)
    plain = "".join(char if _is_safe(spaced, at) else "_" for at, char in enumerate(spaced)).strip(EDGES)
    if plain and unicodedata.category(plain[0])[0] == "M":  # it would sit on whatever is shown before it
        plain = f"_{plain}"
    lossy = plain != wanted.strip() or not plain
    plain = plain or "beat"
    device = unicodedata.normalize("NFKC", plain).split(".")[0].rstrip(" ").lower() in RESERVED
    if device or same_case(plain) == BOARD_FILE:
        plain = f"_{plain}"
    most_units = max(MAX_STEM_UNITS, limit - 40)
    if _shortened(plain, limit, most_units) != plain or lossy:
        digest = hashlib.sha256(wanted.encode("utf-8", "surrogatepass")).hexdigest()[:8]
        plain = f"{_shortened(plain, limit - 9, most_units - 9).rstrip(EDGES) or 'beat'}~{digest}"
    return plain


def _is_safe(text: str, at: int) -> bool:
    """May this character stand in a name on any file system, and can it be seen?"""
    char = text[at]
    if char.isascii():
        return char in PLAIN
    if not can_be_seen(text, at) or (unicodedata.category(char) == "Sm" and char != "♯"):
        return False  # mathematical signs: code pages make slashes and colons of some
    return FORBIDDEN.isdisjoint(unicodedata.normalize("NFKC", char))


def _shortened(text: str, most_bytes: int, most_units: int) -> str:
    """The longest beginning that fits, cut between what is read as one sign."""
    size = units = end = 0
    for end, char in enumerate(text, start=1):
        size += len(char.encode("utf-8", "surrogatepass"))
        units += 1 + (ord(char) > 0xFFFF)
        if size > most_bytes or units > most_units:
            end -= 1
            break
    while 0 < end < len(text) and (_continues(text[end]) or text[end - 1] == "\u200d"):
        end -= 1
    return text[:end]


def _continues(char: str) -> bool:
    """Is it drawn together with the one before: a mark, a joiner, an emoji's skin tone?"""
    return unicodedata.category(char)[0] == "M" or char == "\u200d" or "\U0001f3fb" <= char <= "\U0001f3ff"


def same_case(name: str) -> str:
    """What file systems that ignore letter case and Unicode form take for the same name."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def folded(text: str) -> str:
    """A name as people look for it: without case, accents, points of vowels, width and spacing."""
    apart = unicodedata.normalize("NFKD", text.casefold()).translate(UNACCENTED)
    bare = "".join(char for char in apart if unicodedata.category(char) not in ("Mn", "Me", "Cf"))
    return " ".join(unicodedata.normalize("NFC", bare).casefold().split())


def format_tempo(bpm: float) -> str:
    """Tempo as short as is exact to 4 decimals: 140, 93.5, 128.0003."""
    return f"{bpm:.4f}".rstrip("0").rstrip(".")


def tempo_words(facts: Mapping[str, Any]) -> str:
    """'140 BPM', '85 to 87 BPM, moving', '75 BPM (dotted quarter; 112.5 in quarters)', 'no tempo': of the
    few facts that are kept of a beat.
    """
    bpm, shown = facts.get("tempo_bpm"), facts.get("tempo_shown")
    moving = ", moving" if shown and facts.get("constant_tempo") is False else ""
    motion = facts.get("tempo_motion", moving)  # older rows do not have it
    quarters = f"; {facts['tempo_quarters']} in quarters" if facts.get("tempo_quarters") else ""
    note = f" ({facts['tempo_note']}{quarters})" if facts.get("tempo_note") else ""
    return "no tempo" if bpm is None else f"{shown or format_tempo(bpm)} BPM{note}{motion}"


def key_words(facts: Mapping[str, Any]) -> str:
    """'C minor, then D minor', 'blues in A' or 'no key', of the same facts."""
    return str(facts.get("key_shown") or facts.get("key") or "no key")


def ears_words(facts: Mapping[str, Any]) -> str:
    """'check tempo, key by ear', of the same facts; 'check 2 by ear' of older rows; empty where nothing is to
    be checked.
    """
    about = facts.get("ear_words") or facts.get("ear_topics")
    what = ", ".join(map(str, about)) if about else facts.get("needs_ears")
    return f"check {what} by ear" if what else ""


def copy_name(
    pattern: str,
    stem: str,
    tempo: str | None,
    key: str | None,
    producer: str | None,
    beat_note: str | None = None,
) -> str:
    """File name (without extension) of the aligned copy, e.g. 'amber-lane - 140 BPM - E flat minor'.

    `tempo` : in digits as it is shown, '140' or '85 to 87'; unknown values are said, never invented:
    'no tempo', 'no key'. `beat_note` : what it counts where that is no quarter, '75 BPM dotted quarter'.
    """
    if tempo is None:
        pattern = pattern.replace("{tempo} BPM", "{tempo}")
    elif beat_note is not None:
        pattern = pattern.replace("{tempo} BPM", f"{{tempo}} BPM {beat_note}")
    filled = pattern.format(
        stem=stem,
        tempo=tempo or "no tempo",
        key=key or "no key",
        producer=safe_stem(producer) if producer else "unknown",
    )
    return filled if len(filled.encode()) <= 200 else safe_stem(filled, 200)
