"""The keys that stand beside one: its relative has the same notes, its parallel the same tonic."""

from __future__ import annotations

from analyzers.harmony.spelling import pitch_class_of, tonic_beside
from analyzers.model import Key, KeyCandidate

TO_RELATIVE = {"major": 9, "minor": 3}  # semitones up from the tonic


def relative_key(found: Key, tonic: str, mode: str) -> KeyCandidate | None:
    """E minor beside G major, with the probability that ``found`` gives it; None beside other modes."""
    return _beside(found, tonic, mode, TO_RELATIVE.get(mode, 0))


def parallel_key(found: Key, tonic: str, mode: str) -> KeyCandidate | None:
    """G minor beside G major, likewise."""
    return _beside(found, tonic, mode, 0)


def _beside(found: Key, tonic: str, mode: str, shift: int) -> KeyCandidate | None:
    if mode not in TO_RELATIVE:
        return None
    other = "minor" if mode == "major" else "major"
    note = (pitch_class_of(tonic) + shift) % 12
    known = [c for c in (*found.alternatives, found.relative, found.parallel) if c is not None]
    measured = [c.probability for c in known if (pitch_class_of(c.tonic), c.mode) == (note, other)]
    return KeyCandidate(tonic_beside(note, other, tonic, mode), other, measured[0] if measured else 0.0)
