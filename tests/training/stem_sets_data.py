"""Deliveries of several files with known truth, from our own generator: stems of one song, packs of beats.

`deliveries(seed, cache)` yields them. A song is rendered once (seconds) and kept in `cache`; seeds of songs
and of beats never meet (beats: seed + 5000).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from demo.extras import add_risers, babble
from demo.mix import play_drums, play_part
from demo.render import render, set_up
from demo.spec import BeatSpec, random_spec
from demo.stems import PEAK, _take

Wave = npt.NDArray[np.float32]
Files = dict[str, Wave]
Rng = np.random.Generator
RATE = 44100
DRUMS = ("drums", "kick", "snare", "hats")
ALL_DRUMS = ("kick", "snare", "hats", "perc", "crash")


@dataclass(frozen=True, slots=True)
class Delivery:
    """Files by name, [shape=(frames, channels)] at `RATE`, and what they are: "stems" or "beats"."""

    truth: str
    kind: str
    files: Files


def song_stems(seed: int) -> Files:
    """Stems of one song; every other song has its drums in several files."""
    rng = np.random.default_rng([seed, 77])
    kind = str(rng.choice(["beat", "song"], p=[0.7, 0.3]))
    spec = replace(random_spec(seed, kind=kind, length_s=float(rng.uniform(35, 60))), rate=RATE)
    score, _, stage = set_up(spec)
    found: Files = {}
    kicks = np.zeros(0, np.int64)
    for layers in [("kick",), ("snare",), ("hats", "perc", "crash")] if seed % 2 else [ALL_DRUMS]:
        hits = [hit for hit in score.hits if hit.layer in layers]
        if hits:
            _, strokes = play_drums(stage, hits)
            kicks = strokes if len(strokes) else kicks
            found[layers[0] if seed % 2 else "drums"] = _take(stage)
    for part in score.parts:
        play_part(stage, part, kicks)
        found[part.role] = _take(stage)
    add_risers(stage)
    found["effects"] = _take(stage)
    found = {name: wave for name, wave in found.items() if wave.any()}
    gain = np.float32(PEAK / np.abs(sum(found.values())).max())
    return {name: wave * gain for name, wave in found.items()}


def beat_mix(seed: int) -> Wave:
    """A mastered beat. Of three seeds in a row the second has the tempo of the first, the third all of its
    tempo, style, key and start.
    """
    spec = random_spec(seed + 5000, length_s=45 if seed % 3 else None)
    first = random_spec(seed // 3 * 3 + 5000)
    if seed % 3 == 1:
        spec = replace(spec, bpm=first.bpm, lead_in_s=0.0 if seed % 2 else spec.lead_in_s)
    if seed % 3 == 2:
        spec = _twin(spec, first)
    return render(replace(spec, rate=RATE))[0]


def _twin(spec: BeatSpec, first: BeatSpec) -> BeatSpec:
    return replace(
        spec,
        bpm=first.bpm,
        style=first.style,
        kind="beat",
        tonic=first.tonic,
        mode=first.mode,
        lead_in_s=first.lead_in_s,
        pickup_beats=0.0,
    )


def kept(path: Path, make: Callable[[], Any]) -> Any:
    """What was rendered before (16 bits), or what is rendered now."""
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        made = make()
        files = made if isinstance(made, dict) else {"mix": made}
        np.savez(path, **{name: np.round(wave * 32767).astype(np.int16) for name, wave in files.items()})
    with np.load(path) as stored:
        files = {name: stored[name].astype(np.float32) / 32767 for name in stored.files}
    return files.get("mix", files)


def mastered(wave: Wave, rng: Rng) -> Wave:
    driven = np.tanh(wave / max(float(np.abs(wave).max()), 1e-9) * rng.uniform(0.3, 3))
    out: Wave = (driven / max(float(np.abs(driven).max()), 1e-9) * rng.uniform(0.6, 1)).astype(np.float32)
    return out


def trimmed(wave: Wave, rng: Rng) -> Wave:
    """Without its silence at the end."""
    size = np.abs(wave).max(axis=1)
    heard = np.flatnonzero(size > 1e-3 * max(float(size.max()), 1e-9))
    last = int(heard[-1]) if len(heard) else RATE // 10
    return wave[: min(len(wave), last + 1 + int(rng.integers(0, RATE // 20)))]


def sparse(wave: Wave, rng: Rng) -> Wave:
    """Heard for one stretch only, more often than not."""
    if rng.random() > 0.6:
        return wave
    length = len(wave)
    first, count = int(rng.uniform(0, 0.8) * length), int(rng.uniform(0.06, 0.4) * length)
    out = np.zeros_like(wave)
    out[first : first + count] = wave[first : first + count]
    return out


def doubled(stems: Files, rng: Rng) -> Files:
    """One or two parts played twice: later, turned, detuned by a comb, softer."""
    out = dict(stems)
    for name in rng.choice(list(stems), size=min(len(stems), int(rng.integers(1, 3))), replace=False):
        wave = np.roll(stems[name], int(rng.choice([0, rng.integers(0, 1300)])), axis=0)
        wave = wave[:, ::-1] if rng.random() < 0.4 else wave
        wave = wave + np.roll(wave, -7, axis=0) * 0.5 if rng.random() < 0.3 else wave
        out[f"{name} double"] = (wave * rng.uniform(0.4, 1)).astype(np.float32)
    return out


def tagged(wave: Wave, rng: Rng) -> Wave:
    """A voice-like tag over it, one to three times."""
    out = wave.copy()
    for _ in range(int(rng.integers(1, 4))):
        voice = babble(rng, float(rng.uniform(1, 3)), RATE)[:, None] * rng.uniform(0.2, 0.6)
        at = int(rng.integers(0, max(1, len(out) - len(voice))))
        out[at : at + len(voice)] += voice[: len(out) - at].astype(np.float32)
    clipped: Wave = np.clip(out, -1, 1)
    return clipped


def stem_deliveries(stems: Files, rng: Rng) -> Iterator[Delivery]:
    """One song's stems the ways in which they are sent."""
    names = list(stems)
    total = np.sum(list(stems.values()), axis=0)
    loud = {n: w / np.abs(w).max() * rng.uniform(0.5, 1) for n, w in stems.items()}
    yield Delivery("stems", "plain", stems)
    yield Delivery("stems", "each at its own level", loud)
    yield Delivery("stems", "mono", {n: w.mean(axis=1, keepdims=True) for n, w in stems.items()})
    yield Delivery("stems", "trimmed", {n: trimmed(w, rng) for n, w in stems.items()})
    yield Delivery("stems", "sparse", {n: sparse(w, rng) for n, w in stems.items()})
    yield Delivery("stems", "doubled layers", doubled(stems, rng))
    if len(names) >= 3:
        bounce = mastered(total, rng) if rng.random() < 0.6 else total
        yield Delivery("stems", "with a bounce", {**stems, "all": bounce})
        few = rng.choice(names, size=int(rng.integers(2, len(names))), replace=False)
        yield Delivery("stems", "some of them", {n: stems[n] for n in few})


def mixes_of(stems: Files, rng: Rng) -> Files:
    """Masters of one beat: full, and one to three of: without drums, without a part, tagged, quieter, cut."""
    total, drums = np.sum(list(stems.values()), axis=0), [n for n in stems if n in DRUMS]
    others = [n for n in stems if n not in DRUMS]
    full = mastered(total, rng)
    found = {"tagged": tagged(full, rng), "quieter": full * np.float32(0.7)}
    if drums and others:
        found["no drums"] = mastered(total - np.sum([stems[n] for n in drums], axis=0), rng)
    if len(others) > 1:
        found["no part"] = mastered(total - stems[str(rng.choice(others))], rng)
    chosen = rng.choice(list(found), size=int(rng.integers(1, min(4, len(found) + 1))), replace=False)
    short = {n: rng.uniform(0.6, 1) if rng.random() < 0.2 else 1.0 for n in chosen}
    return {"full": full, **{n: found[n][: int(len(full) * short[n])] for n in chosen}}


def as_long(files: Files) -> Files:
    """All cut to the shortest."""
    shortest = min(map(len, files.values()))
    return {name: wave[:shortest] for name, wave in files.items()}


def deliveries(seed: int, cache: Path, seeds: range) -> Iterator[Delivery]:
    """All deliveries around one song. `seeds`: those of the beats that packs are made of."""
    rng = np.random.default_rng([seed, 5])

    def beat(number: int) -> Wave:
        made: Wave = kept(cache / f"beat{number}.npz", lambda: beat_mix(number))
        return made

    def some(count: int) -> Files:
        return {f"b{n}": beat(int(n)) for n in rng.choice(list(seeds), count, replace=False)}

    stems = kept(cache / f"song{seed}.npz", lambda: song_stems(seed))
    if len(stems) >= 2:
        yield from stem_deliveries(stems, rng)
        mixes = mixes_of(stems, rng)
        yield Delivery("beats", "mixes of one beat", mixes)
        yield Delivery("beats", "mixes of one beat and others", {**mixes, **some(int(rng.integers(1, 3)))})
    yield Delivery("beats", "any lengths", some(int(rng.integers(2, 6))))
    yield Delivery("beats", "two of one length", as_long(some(2)))
    yield Delivery("beats", "one length", as_long(some(int(rng.integers(2, 6)))))
    first = seed // 3 * 3
    same = {f"b{n}": beat(n) for n in range(first, first + 3) if n in seeds}
    if len(same) > 1:
        yield Delivery("beats", "one tempo", same)
        yield Delivery("beats", "one tempo and length", as_long(same))
