"""Stems that lack their front, told from those that merely end earlier."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.structure.stem_traits import level_of
from analyzers.structure.trimmed_fronts import Outline, lacking_fronts

RATE = 11025
BEAT_S = 0.5
END_S = 34.0


def strokes(every: float, first: float, last: float, seed: int) -> np.ndarray:
    """Bursts of noise at `every` so many beats from beat `first` until `last`, up to the song's end."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round(END_S * RATE), np.float32)
    shape = np.exp(-np.arange(round(0.2 * RATE)) / RATE * 60)
    for beat in np.arange(first, last, every):
        at = round(beat * BEAT_S * RATE)
        out[at : at + len(shape)] += (rng.standard_normal(len(shape)) * shape * rng.uniform(0.3, 0.5)).astype(
            np.float32
        )
    return out


SONG = {
    "hat": strokes(0.5, 0, 64, 1),
    "kick": strokes(2, 16, 64, 2),
    "snare": strokes(2, 17, 64, 3),
    "bass": strokes(1.5, 16, 62, 4),
}


def outline(samples: np.ndarray) -> Outline:
    loud = np.flatnonzero(np.abs(samples) > np.abs(samples).max() / 1000)
    return Outline(level_of(samples[:, None], RATE), len(samples) / RATE, loud[0] / RATE)


def lacking(**stems: np.ndarray) -> dict[str, float | None]:
    return dict(zip(stems, lacking_fronts([outline(samples) for samples in stems.values()]), strict=True))


def without_front(samples: np.ndarray) -> np.ndarray:
    return samples[np.flatnonzero(samples)[0] :]


def test_silence_cut_from_the_front_is_told_with_its_length() -> None:
    """16 beats of half a second are 8 s, the snare's 17 beats 8.5 s."""
    found = lacking(**{name: without_front(samples) for name, samples in SONG.items()})
    assert found.pop("hat") is None
    assert found == {
        "kick": pytest.approx(8.0, abs=0.01),
        "snare": pytest.approx(8.5, abs=0.01),
        "bass": pytest.approx(8.0, abs=0.01),
    }


def test_stems_of_one_length_lack_nothing() -> None:
    assert set(lacking(**SONG).values()) == {None}


@pytest.mark.parametrize("seconds", [1.3, 4.0, 8.0])
def test_stems_that_start_together_and_end_earlier_lack_nothing(seconds: float) -> None:
    """By bars or not, with the sound cut or not: their first strokes say that they start together."""
    stems = dict(SONG)
    for name in ("kick", "bass"):
        stems[name] = SONG[name][: round((END_S - seconds) * RATE)]
    assert set(lacking(**stems).values()) == {None}


@pytest.mark.parametrize("seconds", [3.3, 7.3])
def test_what_begins_at_once_and_ends_earlier_lacks_nothing(seconds: float) -> None:
    """All play from the first sample on; moved to a common end a short one strikes beside the others."""
    stems = {name: strokes(every, 0, 64, 5) for name, every in (("hat", 0.5), ("kick", 2), ("bass", 1.5))}
    stems["kick"] = stems["kick"][: round((END_S - seconds) * RATE)]
    assert set(lacking(**stems).values()) == {None}


def test_what_is_cut_in_its_sound_was_not_cut_at_the_front() -> None:
    pad = strokes(0.5, 0, 64, 6)[: round(26.03 * RATE)]
    assert set(lacking(hat=SONG["hat"], pad=pad).values()) == {None}


def test_silent_stems_say_nothing() -> None:
    silent = Outline(np.zeros(300, np.float32), 3.0, None)
    assert lacking_fronts([outline(SONG["hat"]), silent, silent]) == (None, None, None)
    assert lacking_fronts([silent]) == (None,)
