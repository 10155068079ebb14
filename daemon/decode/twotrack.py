"""Which of several files is the two-track of the others, and do they fit together?

Each file is looked at through the same few seconds at full bandwidth (`Windows`). A two-track is
a positive combination of its stems, or the negative of one where its polarity is inverted: least
squares with non-negative gains explains it, while a stem is explained by nothing but itself. How
well the two cancel over the whole beat is the question of `daemon.decode.nulltest`. Versions of
one beat (WAV beside MP3, with and without a spoken tag) all explain each other.

Source: ordinary and non-negative least squares (Lawson and Hanson 1974); the thresholds are set
on generated material, see tests/daemon/decode/test_stems.py.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analyzers.signal.samples import SampleArray

COUNT = 8  # windows spread over the beat ...
LENGTH_S = 2.0  # ... of this length each
THIN = 4  # samples that become one for the look around 1 kHz
LAG_S = 0.06  # a lossy two-track may start this much later
EXPLAINED = 0.6  # share of a two-track's power that its stems explain at least
PART = 0.002  # share of its power that makes a stem a part of it
COVERED = 0.75  # share of the audible stems that a two-track holds at least; less is a group ...
AS_WELL = 0.01  # so much less of it explained makes no difference
GROUP = 0.95  # ... when it is explained this well ("drums" beside kick, snare and hats)
SAME = 0.8  # correlation between versions of one beat
ALIKE = 0.9  # correlation between copies of one file beside others
LIKE_SUM = 0.5  # correlation with the sum of the others that allows to align a file by it
OPPOSED = -0.5  # correlation with the rest that points to inverted polarity
PRESENT = 1e-3  # share of the sum's power below which a stem cannot be judged
HINT = re.compile(
    r"(?<![a-z])(full|mix ?down|mix(ed)?|master(ed)?|two ?track|2 ?tra?c?ks?|reference|bounce)(?![a-z])"
)


def hinted(name: str) -> bool:
    """Does a file name call itself a mix of all? "beat MASTER.wav", "2trk.wav"."""
    last = re.sub(r"[-_. ]+", " ", name.rsplit("/", 1)[-1].lower())
    return HINT.search(last) is not None


class Windows:
    """The same stretches of several files, mono, through a band-pass around 4 kHz.

    The band (a Haar wavelet: mean of some samples minus the mean of those before) balances bass
    and hats, and leaves out the top octave, which lossy codecs do not keep.
    """

    def __init__(self, rate: int, seconds: float) -> None:
        self.rate = rate
        self.length = max(1, int(min(LENGTH_S, seconds / COUNT) * rate))
        last = max(0, int(seconds * rate) - self.length)
        self.starts = [round(last * (i + 0.5) / COUNT) for i in range(COUNT)]
        half = max(1, round(rate / 11025))
        self.wavelet = np.repeat(np.array([1.0, -1.0], np.float32), half) / np.float32(half)
        self._rows: list[npt.NDArray[np.float32]] = []
        self._low: list[npt.NDArray[np.float32]] = []

    def take(self, samples: SampleArray) -> None:
        """Add one file [shape=(frames, channels)]; windows beyond its end are silent."""
        row = np.zeros((COUNT, self.length), np.float32)
        low = np.zeros((COUNT, self.length // THIN), np.float32)
        for i, start in enumerate(self.starts):
            part = samples[start : start + self.length].mean(axis=1, dtype=np.float32)
            if len(part) >= len(self.wavelet):
                row[i, : len(part)] = np.convolve(part, self.wavelet)[: len(part)]
                thin = part[: len(part) // THIN * THIN].reshape(-1, THIN).mean(axis=1)
                low[i, : len(thin)] = np.convolve(thin, self.wavelet)[: len(thin)]
        self._rows.append(row.ravel())
        self._low.append(low.ravel())

    def only(self, files: Sequence[int]) -> Windows:
        """The same windows of some of the files."""
        some = copy(self)
        some._rows, some._low = [self._rows[k] for k in files], [self._low[k] for k in files]
        return some

    @property
    def rows(self) -> npt.NDArray[np.float32]:
        """All files taken so far [shape=(files, samples)]."""
        return np.stack(self._rows)

    def low_likeness(self, lags: Sequence[int]) -> npt.NDArray[np.float64]:
        """Correlation of each two files around 1 kHz, where drums do not hide what else they share."""
        moved = [
            np.roll(row.reshape(COUNT, -1), -round(lag / THIN), axis=1).ravel()
            for row, lag in zip(self._low, lags, strict=True)
        ]
        rows = np.stack(moved)
        return _likeness((rows @ rows.T).astype(np.float64))


@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """One entry a file, in the order they were taken."""

    late: tuple[int, ...]  # samples by which it starts after the others, where that is clear
    roles: tuple[str, ...]  # "stem"; "two-track", "group": left out of the sum; "version": all of them
    inverted: tuple[bool | None, ...]
    notes: tuple[tuple[str, ...], ...]
    warnings: tuple[str, ...]
    likeness: npt.NDArray[np.float64]  # correlation of each two around 1 or 4 kHz, the larger


def compare(names: Sequence[str], windows: Windows) -> Verdict:
    """Find the two-track and groups among files, or that all are versions of one beat."""
    rows, lags = _aligned(windows)
    gram = (rows @ rows.T).astype(np.float64)
    heard = np.diag(gram) > 0
    likeness = _likeness(gram)
    shared = _larger(likeness, windows.low_likeness(lags))
    if heard.sum() > 1 and (likeness[np.ix_(heard, heard)] > SAME).all():
        none: tuple[tuple[str, ...], ...] = ((),) * len(names)
        return Verdict(tuple(lags), ("version",) * len(names), (None,) * len(names), none, (), shared)
    roles = _roles(names, gram, likeness, heard)
    stems = np.flatnonzero((roles == "stem") & heard)
    inverted: list[bool | None] = [None] * len(names)
    notes: list[list[str]] = [[] for _ in names]
    warnings: list[str] = []
    two_tracks = [int(i) for i in np.flatnonzero(roles == "two-track")]
    if two_tracks:
        _check(names, gram, stems, two_tracks[0], inverted, notes, warnings)
    else:
        _against_rest(gram, stems, inverted)
    groups = [name for name, role in zip(names, roles, strict=True) if role == "group"]
    if groups:
        warnings.append(f"Already in other stems and left out of the sum: {', '.join(groups)}.")
    return Verdict(
        tuple(lags),
        tuple(map(str, roles)),
        tuple(inverted),
        tuple(map(tuple, notes)),
        tuple(warnings),
        shared,
    )


def _aligned(windows: Windows) -> tuple[npt.NDArray[np.float32], list[int]]:
    """Rows moved onto the sum of the others where they are clearly like it, and by how much."""
    rows = windows.rows
    lags = [0] * len(rows)
    total = rows.sum(axis=0)
    for i, row in enumerate(rows):
        lag, likeness = _lag(total - row, row, windows)
        if lag and abs(likeness) > LIKE_SUM:
            moved = np.roll(row.reshape(COUNT, -1), -lag, axis=1).ravel()
            total += moved - row
            rows[i], lags[i] = moved, lag
    return rows, lags


def _lag(a: npt.NDArray[np.float32], b: npt.NDArray[np.float32], windows: Windows) -> tuple[int, float]:
    """Samples by which `b` is later than `a`, and their correlation there."""
    from scipy.fft import irfft, next_fast_len, rfft

    most = min(int(LAG_S * windows.rate), windows.length - 1)
    size = next_fast_len(windows.length + most, real=True)
    x, y = (rfft(v.reshape(COUNT, -1), size, axis=1) for v in (a, b))
    cross = irfft((np.conj(x) * y).sum(axis=0), size)
    around = np.concatenate([cross[size - most :], cross[: most + 1]])
    best = int(np.argmax(np.abs(around)))
    scale = float(np.linalg.norm(a)) * float(np.linalg.norm(b))
    return best - most, float(around[best]) / scale if scale else 0.0


def _likeness(gram: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Correlation of each file with each other; 0 for silent ones."""
    size = np.sqrt(np.diag(gram))
    scale = np.outer(size, size)
    return gram / np.where(scale > 0, scale, np.inf)


def _larger(a: npt.NDArray[np.float64], b: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Of each entry the one further from 0."""
    return np.where(np.abs(a) >= np.abs(b), a, b)


def _roles(
    names: Sequence[str],
    gram: npt.NDArray[np.float64],
    likeness: npt.NDArray[np.float64],
    heard: npt.NDArray[np.bool_],
) -> npt.NDArray[np.str_]:
    """Take out, best explained first, what the remaining files explain as their mix.

    Stems and a two-track of inverted polarity cancel, so that each of them is the others' mix turned over: of
    those that are explained as well the loudest is taken.
    """
    roles = np.full(len(names), "stem", dtype="<U9")
    while True:
        found = [
            (explained + (0.1 if hinted(names[i]) else 0.0), role, i)
            for i in map(int, np.flatnonzero((roles == "stem") & heard))
            for explained, role in [
                _explain(gram, likeness, np.flatnonzero((roles == "stem") & heard), int(i))
            ]
            if role != "stem"
        ]
        if not found:
            return roles
        best = max(explained for explained, _, _ in found)
        as_well = [(gram[i, i], role, i) for explained, role, i in found if explained > best - AS_WELL]
        _, role, i = max(as_well)
        roles[i] = role


def _explain(
    gram: npt.NDArray[np.float64],
    likeness: npt.NDArray[np.float64],
    candidates: npt.NDArray[np.intp],
    i: int,
) -> tuple[float, str]:
    """Share of the power of file `i` that a positive mix of others explains, and its role by that.

    Asked with all others, and without those that are much like it: a second copy of a two-track
    would explain it alone, while a loud stem may be much like it and still be one of its parts.
    """
    rest = candidates[candidates != i]
    unlike = rest[likeness[i, rest] <= ALIKE]
    others = [rest] + ([unlike] if len(unlike) < len(rest) else [])
    tries = [_mix_of(gram[np.ix_(held, held)], gram[held, i], gram[i, i]) for held in others]
    turned = [_mix_of(gram[np.ix_(held, held)], -gram[held, i], gram[i, i]) for held in others]
    tries += [found for found in turned if found[1] == "two-track"]
    return max(tries, key=lambda found: (found[1] != "stem", found[0]))


def _mix_of(
    inner: npt.NDArray[np.float64], with_mix: npt.NDArray[np.float64], mix: float
) -> tuple[float, str]:
    """The same from the products of the others, their products with the file, and the file's power."""
    from scipy.optimize import nnls

    if len(inner) < 2:
        return 0.0, "stem"
    values, vectors = np.linalg.eigh(inner)
    root = np.sqrt(np.maximum(values, values[-1] * 1e-9))[:, None] * vectors.T  # rootᵀ root = inner
    gains, _ = nnls(root, np.linalg.solve(root.T, with_mix))
    explained = float(2 * gains @ with_mix - gains @ inner @ gains) / mix
    power = np.diag(inner)
    parts = gains > 0.1
    if np.count_nonzero(parts & (gains**2 * power > PART * mix)) < 2:
        return explained, "stem"
    if explained > EXPLAINED and parts.sum() >= COVERED * np.count_nonzero(power > PRESENT * power.sum()):
        return explained, "two-track"
    return explained, "group" if explained > GROUP else "stem"


def _check(
    names: Sequence[str],
    gram: npt.NDArray[np.float64],
    stems: npt.NDArray[np.intp],
    i: int,
    inverted: list[bool | None],
    notes: list[list[str]],
    warnings: list[str],
) -> None:
    """Polarity and presence of each stem in two-track `i`, which is turned first if it is inverted itself."""
    inner, with_mix = gram[np.ix_(stems, stems)], gram[stems, i]
    with_mix = with_mix if with_mix.sum() >= 0 else -with_mix
    gains = np.linalg.lstsq(inner, with_mix, rcond=1e-9)[0]
    total = float(inner.sum())
    for j, gain in zip(stems, gains, strict=True):
        if gram[j, j] < PRESENT * total:
            continue
        inverted[j] = bool(gain < -0.2)
        if abs(gain) < 0.1:
            notes[j].append(f"not heard in {names[i]}")
            warnings.append(f"{names[j]} is not heard in the two-track {names[i]}.")


def _against_rest(
    gram: npt.NDArray[np.float64], stems: npt.NDArray[np.intp], inverted: list[bool | None]
) -> None:
    """Without a two-track only a stem that works against the others can be told."""
    for j in stems:
        others = stems[stems != j]
        rest = float(gram[np.ix_(others, others)].sum())
        if rest > 0 and float(gram[j, others].sum()) / (rest * gram[j, j]) ** 0.5 < OPPOSED:
            inverted[j] = True
