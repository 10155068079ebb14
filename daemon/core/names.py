"""Names on disk: which are ignored, and ours: ASCII, short enough for every file system, never hostile.

A producer's file name is hostile input. `safe_stem` keeps letters, digits and a few marks,
transliterates what Unicode NFKD can, and adds a hash when anything was lost or shortened, so
that two different names never meet.
"""

from __future__ import annotations

import fnmatch
import hashlib
import re
import unicodedata
from functools import lru_cache

MAX_STEM_BYTES = 80
ALWAYS_IGNORED = (".*", "~*", "*~")
RESERVED = {
    "con",
    "prn",
    "aux",
    "nul",
    *(f"com{i}" for i in range(1, 10)),
    *(f"lpt{i}" for i in range(1, 10)),
}


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
    """ASCII form of a name without its extension, at most `limit` bytes, never empty.

    Names that differ in more than spacing keep differing: a lossy change appends 8 hex digits.
    """
    wanted = unicodedata.normalize("NFC", name)
    plain = unicodedata.normalize("NFKD", wanted).encode("ascii", "ignore").decode()
    plain = re.sub(r"\s+", " ", plain)
    plain = re.sub(r"[^A-Za-z0-9 ._()+,=&-]", "_", plain).strip(" .-_")
    lossy = plain != wanted.strip() or not plain
    if not plain:
        plain = "beat"
    if plain.split(".")[0].lower() in RESERVED:
        plain = f"_{plain}"
    if len(plain) > limit or lossy:
        digest = hashlib.sha256(wanted.encode("utf-8", "surrogatepass")).hexdigest()[:8]
        plain = f"{plain[: limit - 9].rstrip(' .-_') or 'beat'}~{digest}"
    return plain


def format_tempo(bpm: float) -> str:
    """Tempo as short as is exact to 4 decimals: 140, 93.5, 128.0003."""
    return f"{bpm:.4f}".rstrip("0").rstrip(".")


def tempo_words(bpm: float | None) -> str:
    """'140 BPM', or 'no tempo'."""
    return "no tempo" if bpm is None else f"{format_tempo(bpm)} BPM"


def copy_name(pattern: str, stem: str, tempo_bpm: float | None, key: str | None, producer: str | None) -> str:
    """File name (without extension) of the aligned copy, e.g. 'amber-lane - 140 BPM - E flat minor'.

    Unknown values are said, never invented: 'no tempo', 'no key'.
    """
    tempo = "no tempo" if tempo_bpm is None else format_tempo(tempo_bpm)
    if tempo_bpm is None:
        pattern = pattern.replace("{tempo} BPM", "{tempo}")
    filled = pattern.format(
        stem=stem, tempo=tempo, key=key or "no key", producer=safe_stem(producer) if producer else "unknown"
    )
    return filled if len(filled.encode()) <= 200 else safe_stem(filled, 200)
