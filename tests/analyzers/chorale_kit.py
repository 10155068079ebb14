"""Composed music with a key that everybody can check: four-part chorales of J. S. Bach.

The scores are those that music21 brings along (public domain). The key is read off the score, as any
handbook of harmony does: key signature and the bass note of the last chord. Scores in which the two do
not agree (modal tunes) and those for more than four parts are left out; nothing else is chosen.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from music21 import corpus
from music21 import key as m21key

from analyzers.harmony.key import find_key
from analyzers.harmony.key_belief import PLAIN, PLAIN_NAMES
from analyzers.harmony.spelling import pitch_class_of
from analyzers.harmony.tuning import find_tuning
from analyzers.model import Key
from tests.analyzers.harmony_kit import BEAT_S, RATE, Wave, features, no_grid, tone

Home = tuple[int, str]  # pitch class, "major" or "minor"


def chorales() -> Iterator[tuple[str, Home, Wave]]:
    """Name, written key and sound of each, in order of their file names."""
    for path in sorted(str(p) for p in corpus.getComposer("bach") if str(p).endswith(".mxl")):
        score = corpus.parse(path)
        home = written_key(score) if len(score.parts) == 4 else None
        if home is not None:
            yield path.replace("\\", "/").rsplit("/", 1)[1], home, played(score)


def written_key(score: Any) -> Home | None:
    signatures = {s.sharps for s in score.recurse().getElementsByClass(m21key.KeySignature)}
    bass = list(score.parts[-1].flatten().notes)
    if len(signatures) != 1 or not bass:
        return None
    signature = m21key.KeySignature(signatures.pop())
    last = bass[-1].pitches[0].pitchClass
    return next((home for mode in ("major", "minor")
                 if (home := (signature.asKey(mode).tonic.pitchClass, mode))[0] == last), None)  # fmt: skip


def played(score: Any) -> Wave:
    """A plain tone for every note, half a second to the quarter."""
    out = np.zeros(round((float(score.duration.quarterLength) + 4) * BEAT_S * RATE))
    for note in score.flatten().notes:
        at = round(float(note.offset) * BEAT_S * RATE)
        for pitch in note.pitches:
            sound = tone(pitch.midi, float(note.quarterLength) * BEAT_S)
            out[at : at + len(sound)] += sound
    return out


def key_of(wave: Wave) -> Key:
    f = features(wave)
    return find_key(f, find_tuning(f), no_grid())


def heard(key: Key) -> Home | None:
    if key.tonic is None or key.mode is None:
        return None
    return pitch_class_of(key.tonic), PLAIN_NAMES[PLAIN[key.mode]]
