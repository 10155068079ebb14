"""Notes that are played and notes that are but partials, by where they lie (equal temperament)."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.harmony.heard import heard_notes, unheard_forms
from analyzers.harmony.spelling import scale_names
from tests.analyzers.harmony_kit import RATE, features

EDGES = np.array([0.0, 2.0, 4.0])


def sines(*notes: float, seconds: float = 2.0) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    return sum(0.1 * np.sin(2 * np.pi * 440 * 2 ** ((note - 69) / 12) * t) for note in notes)


@pytest.mark.parametrize("cents", [0.0, -20.0, 35.0])
def test_a_partial_beside_its_note_is_not_played(cents: float) -> None:
    """1200 log2(5/4) = 386 cents: the fifth partial lies 14 cents below the third; the third one 2 above."""
    off = cents / 100
    fifth, third = 12 * np.log2(3), 12 * np.log2(5)
    wave = np.concatenate((sines(48 + off, 48 + off + fifth, 48 + off + third), sines(60 + off, 64 + off)))
    heard = heard_notes(features(wave).spectrum, cents, EDGES)
    assert heard.shape == (2, 12)
    assert heard[0, 4] < 0.05 * heard[0, 0]
    assert heard[0, 7] > 0.8 * heard[0, 0]
    assert heard[1, 4] > 0.8 * heard[1, 0]
    assert heard_notes(features(wave).spectrum, cents, EDGES, 50.0)[0, 4] > 0.8 * heard[0, 0]


def test_silence_has_no_notes() -> None:
    assert not heard_notes(features(np.zeros(4 * RATE)).spectrum, 0.0, EDGES).any()


@pytest.mark.parametrize(("mode", "silent", "unheard"), [
    ("minor", (8, 9), ("A flat",)), ("minor", (8,), ()), ("minor", (9,), ()), ("dorian", (8, 9), ("A",)),
    ("minor", (10, 11), ("B flat",)), ("harmonic minor", (8, 9), ()), ("major", (8, 9, 10, 11), ()),
])  # fmt: skip
def test_sixth_and_seventh_of_which_no_form_sounds(
    mode: str, silent: tuple[int, ...], unheard: tuple[str, ...]
) -> None:
    played = np.full(12, 0.11)
    played[0] = 1.0
    played[list(silent)] = 0.09
    assert unheard_forms(scale_names("C", mode), mode, played) == unheard
