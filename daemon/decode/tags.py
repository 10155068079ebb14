"""Tags of a file and what its producer claims about tempo and key.

Everything here is text written by strangers: it is kept as plain text, without control
characters, capped in length and number, and never interpreted. A claim is a hint that is shown
beside the measurement; it never replaces one.

Sources: ID3v2.3/2.4 (id3.org): `TBPM` an integer as text, `TKEY` at most three characters
("Ebm"; "Eb" is major; "o" is off key). Vorbis comments: `BPM`, `TEMPO`, `KEY`, `INITIALKEY` are
habit, not standard. File names: common practice of producers ("140bpm", "Ebm").
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from analyzers.harmony.key_names import parse_key
from daemon.core.text import tidy
from daemon.decode.headers import AUDIO_NAMES

MAX_TEXT = 300
MAX_TAGS = 24
TEMPO_RANGE_BPM = (30.0, 300.0)
TEMPO_TAGS = ("TBPM", "BPM", "TEMPO")
KEY_TAGS = ("TKEY", "KEY", "INITIALKEY")
TEXT_TAGS = ("title", "comment")
INNER_NAME = "file"  # the name of a file inside a folder or zip, kept among its tags

_NUMBER = r"(\d{2,3}(?:[.,]\d{1,4})?)"
_TEMPO = re.compile(
    rf"(?<![\d.,]){_NUMBER}[ _-]{{0,2}}bpm(?![a-z])|(?<![a-z])bpm[ _:=-]{{0,2}}{_NUMBER}(?![\d])", re.I
)
_TONIC = r"([A-Ga-g])[ _-]?(b|#|♭|♯|flat|sharp)?"
_MODES = r"(minor|major|min|maj|dorian|phrygian|lydian|mixolydian|harmonic[ _-]minor|melodic[ _-]minor)"
_WORDY_KEY = re.compile(rf"(?<![A-Za-z0-9#]){_TONIC}[ _-]?{_MODES}(?![A-Za-z])", re.I)
_SHORT_KEY = re.compile(r"(?<![A-Za-z0-9#♯♭])([A-G])(b|#|♭|♯)?(m)(?![A-Za-z0-9#'’])")
_BARE = re.compile(rf"(?<![\d.,]){_NUMBER}(?![\d.,%a-zA-Z])")


@dataclass(frozen=True, slots=True)
class ProducerClaim:
    """What the producer says."""

    question: str  # "tempo", "key"
    text: str  # as found
    where: str  # "file name", "tag TBPM"
    value: float | str  # BPM, or a key such as "E flat minor"


def clean_tags(tags: Mapping[str, str]) -> dict[str, str]:
    """At most `MAX_TAGS` tags with cleaned names and texts; empty ones left out."""
    cleaned = {tidy(name, 40): tidy(text, MAX_TEXT) for name, text in list(tags.items())[:MAX_TAGS]}
    return {name: text for name, text in cleaned.items() if name and text}


def claims(name: str, tags: Mapping[str, str]) -> tuple[ProducerClaim, ...]:
    """Tempo and key claims in a file name (with or without extension) and in tags.

    Each question and value is told once, by the first place that says it. Nothing that could as
    well be a word ("I Am", "A") counts as a key.
    """
    found: list[ProducerClaim] = []
    known: set[tuple[str, float | str]] = set()
    for claim in (*_from_text(_stem(name), "file name"), *_from_tags(tags)):
        if (claim.question, claim.value) not in known:
            known.add((claim.question, claim.value))
            found.append(claim)
    return tuple(found)


def _stem(name: str) -> str:
    plain = unicodedata.normalize("NFC", name)
    stem, _dot, extension = plain.rpartition(".")
    return stem if stem and extension.lower() in {*AUDIO_NAMES, "zip"} else plain


def _from_tags(tags: Mapping[str, str]) -> Iterator[ProducerClaim]:
    for name, text in tags.items():
        if name.upper() in TEMPO_TAGS:
            yield from _tempo(text, f"tag {name}")
        elif name.upper() in KEY_TAGS:
            yield from _key(text, f"tag {name}", text)
        elif name == INNER_NAME:
            yield from _from_text(_stem(text), "file name")
        elif name.lower() in TEXT_TAGS:
            yield from _from_text(text, f"tag {name}")


def _tempo(text: str, where: str, shown: str | None = None) -> Iterator[ProducerClaim]:
    match = re.search(_NUMBER, text)
    value = float(match[1].replace(",", ".")) if match else 0.0
    if TEMPO_RANGE_BPM[0] <= value <= TEMPO_RANGE_BPM[1]:
        yield ProducerClaim("tempo", tidy(shown or text, 40), where, value)


def _key(text: str, where: str, shown: str) -> Iterator[ProducerClaim]:
    parsed = parse_key(text)
    if parsed:
        yield ProducerClaim("key", tidy(shown, 40), where, " ".join(parsed))


def _from_text(text: str, where: str) -> Iterator[ProducerClaim]:
    tempi = list(_TEMPO.finditer(text))
    for match in tempi:
        yield from _tempo(match[0], where, match[0])
    keys = [match for match in _WORDY_KEY.finditer(text) if not _is_phrase(match)]
    keys += [match for match in _SHORT_KEY.finditer(text) if match[2] or _stands_alone(match, text)]
    for match in keys:
        letter, accidental, mode = match[1], match[2] or "", match[3]
        yield from _key(f"{letter.upper()}{accidental.lower()} {_mode(mode)}", where, match[0])
    if not tempi:
        for match in _BARE.finditer(text):
            if any(_between(match, key, text).strip(" _-,;|()[]") == "" for key in keys):
                yield from _tempo(match[0], where, match[0])


def _mode(text: str) -> str:
    return text if text == "m" else re.sub("[ _-]", " ", text.lower())


def _is_phrase(match: re.Match[str]) -> bool:
    """ "be min..." or "a major deal" in running text: lower case without an accidental."""
    return (
        match[1].islower()
        and not match[2]
        and match[3].lower() in ("major", "min", "maj")
        and " " in match[0]
    )


def _stands_alone(match: re.Match[str], text: str) -> bool:
    """A short key such as "Am" must not be a word of the title: delimited, or beside the tempo."""
    before, after = text[: match.start()], text[match.end() :]
    opened_before = re.search(r"(^|[_\-(\[,|~]\s*|bpm[\s_-]*|\d\s*)$", before, re.I)
    closed_after = re.match(r"($|\s*[_\-)\],|~]|\s*\d)", after)
    return bool(opened_before and closed_after)


def _between(a: re.Match[str], b: re.Match[str], text: str) -> str:
    return text[a.end() : b.start()] if a.end() <= b.start() else text[b.end() : a.start()]
