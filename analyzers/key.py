"""Key: tonic and mode, and where the key changes. First version: profiles on tuned chroma."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analyzers.features import Features
from analyzers.model import Grid, Key, KeyCandidate, Tuning
from analyzers.spectrum import LOWEST_NOTE
from analyzers.spelling import scale_names, tonic_name

# Temperley, corpus profiles (MIREX 2005; Music and Probability, 2007)
_MAJOR = np.array([0.748, 0.060, 0.488, 0.082, 0.670, 0.460, 0.096, 0.715, 0.104, 0.366, 0.057, 0.400])
_MINOR = np.array([0.712, 0.084, 0.474, 0.618, 0.049, 0.460, 0.105, 0.747, 0.404, 0.067, 0.133, 0.330])


def find_key(f: Features, tuning: Tuning, grid: Grid) -> Key:
    """Key of the whole track; ``tonic`` is None when there is none."""
    if tuning.cents is None:
        return _no_key("no held notes to take a key from")
    chroma = _chroma(f, tuning.cents)
    if chroma.sum() <= 0:
        return _no_key("no held notes to take a key from")
    profile = chroma / chroma.sum()
    scores = np.array(
        [[np.corrcoef(np.roll(p, k), profile)[0, 1] for p in (_MAJOR, _MINOR)] for k in range(12)]
    )
    odds = np.exp((scores - scores.max()) * 20)
    probability = odds / odds.sum()
    ranked = [divmod(int(i), 2) for i in np.argsort(probability, axis=None)[::-1]]
    modes = ("major", "minor")
    candidate = lambda pc, m: KeyCandidate(
        tonic_name(pc, modes[m]), modes[m], round(float(probability[pc, m]), 4)
    )
    pc, m = ranked[0]
    top = float(scores.max())
    if top < 0.5:
        return _no_key("the notes fit no key")
    relative = candidate((pc + 9) % 12, 1) if m == 0 else candidate((pc + 3) % 12, 0)
    return Key(
        tonic=tonic_name(pc, modes[m]),
        mode=modes[m],
        confidence=round(float(probability[pc, m]), 4),
        scale=scale_names(pc, modes[m]),
        alternatives=tuple(candidate(*r) for r in ranked[:5]),
        relative=relative,
        parallel=candidate(pc, 1 - m),
        changes=(),
        profile=tuple(round(float(v), 4) for v in profile),
    )


def _chroma(f: Features, cents: float) -> npt.NDArray[np.float64]:
    notes = np.sqrt(f.spectrum.steady_notes(cents))
    level = notes.mean(axis=0)
    low = 40 - LOWEST_NOTE
    out = np.zeros(12)
    for i in range(low, 72):
        out[(LOWEST_NOTE + i) % 12] += float(level[i])
    return out


def _no_key(reason: str) -> Key:
    return Key(None, None, 0.0, (), (), None, None, (), (), reason)
