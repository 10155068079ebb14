"""Stems or separate beats? Deliveries made of a corpus, and how each is taken.

    python tests/accuracy/packs.py BEATS SONGS [--each 12]

BEATS holds beats and folders of stems (with truth.jsonl), SONGS songs. Of these files deliveries are made as
producers send them: packs of 2 to 8 with their own lengths, cut to one length, of one tempo (stretched by
resampling to the first beat's tempo, and cut), mixes of one beat (full, without drums, without a part, with
a tag); and the stem folders as they are, mono, sparse, with a bounce, with doubled layers, with trimmed ends,
some of them only. Counts of what is taken for stems (summed), split, or asked about; never sum a pack, never
split a stem set.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile
import soxr

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.training.stem_sets import look_at, verdict_of
from tests.training.stem_sets_data import (
    RATE,
    Delivery,
    Files,
    Rng,
    Wave,
    as_long,
    mixes_of,
    stem_deliveries,
    tagged,
)


def read(path: Path, ratio: float = 1.0) -> Wave:
    """[shape=(frames, channels)] at `RATE`, played `ratio` times as fast."""
    samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
    rate = rate * ratio
    out: Wave = samples if rate == RATE else soxr.resample(samples, rate, RATE).astype(np.float32)
    return out


def stereo(wave: Wave) -> Wave:
    return wave if wave.shape[1] == 2 else np.repeat(wave, 2, axis=1)


def single_files(folder: Path) -> dict[str, float | None]:
    """Name and notated tempo of the beats that lie there as single files."""
    rows = [json.loads(line) for line in (folder / "truth.jsonl").read_text().splitlines()]
    tempi = {str(row.get("file") or row["id"]): row.get("tempo_bpm") for row in rows}
    found = {}
    for path in sorted(folder.iterdir()):
        if path.is_file() and path.suffix in (".ogg", ".mp3", ".flac", ".wav"):
            found[path.name] = tempi.get(path.name, tempi.get(path.stem))
    return found


def packs(folder: Path, rng: Rng, each: int) -> Iterator[Delivery]:
    files = single_files(folder)
    names = list(files)
    for _ in range(each):
        chosen = [str(n) for n in rng.choice(names, size=int(rng.integers(2, 9)), replace=False)]
        own = {name: read(folder / name) for name in chosen}
        yield Delivery("beats", "own lengths", own)
        yield Delivery("beats", "one length", as_long(own))
        yield Delivery(
            "beats", "one length, level", {n: w / np.abs(w).max() for n, w in as_long(own).items()}
        )
        yield from _one_tempo(folder, files, chosen)
        wave = stereo(own[chosen[0]])
        yield Delivery("beats", "with a tag and without", {"tag": tagged(wave, rng), "free": wave})
        both = {**own, "tag": tagged(wave, rng)}
        yield Delivery("beats", "others, one with a tag and without", both)


def _one_tempo(folder: Path, files: dict[str, float | None], chosen: list[str]) -> Iterator[Delivery]:
    first = files[chosen[0]]
    near = [n for n in chosen if (bpm := files[n]) and first and 0.6 < first / bpm < 1.7]
    if first and len(near) >= 2:
        same = {n: read(folder / n, first / float(files[n] or first)) for n in near}
        yield Delivery("beats", "one tempo", same)
        yield Delivery("beats", "one tempo and length", as_long(same))


def stem_sets(folder: Path, rng: Rng, times: int) -> Iterator[Delivery]:
    for place in sorted(path for path in folder.iterdir() if path.is_dir()):
        raw = {path.stem: read(path) for path in sorted(place.iterdir())}
        yield Delivery("stems", "as delivered", raw)
        stems: Files = {name: stereo(wave) for name, wave in raw.items()}
        for _ in range(times):
            yield from stem_deliveries(stems, rng)
            yield Delivery("beats", "mixes of one beat", mixes_of(stems, rng))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("beats", type=Path)
    parser.add_argument("songs", type=Path, nargs="?")
    parser.add_argument("--each", type=int, default=12, help="packs of each kind and folder")
    parser.add_argument("--seed", type=int, default=1)
    a = parser.parse_args()
    rng = np.random.default_rng(a.seed)
    counts: dict[tuple[str, str], list[str]] = defaultdict(list)
    sources = [packs(a.beats, rng, a.each), stem_sets(a.beats, rng, max(1, a.each // 4))]
    sources += [packs(a.songs, rng, a.each)] if a.songs else []
    for source in sources:
        for delivery in source:
            verdict = verdict_of(look_at(0, delivery.truth, delivery.kind, delivery.files))
            counts[delivery.truth, delivery.kind].append(verdict.kind)
            if (delivery.truth == "stems") != (verdict.kind == "stems"):
                names = " ".join(delivery.files)
                print(f"{delivery.truth}, {delivery.kind}: {verdict.kind} {verdict.confidence:.2f}: {names}")
    print(f"\n{'truth':6} {'delivery':36} {'n':>4} {'summed':>7} {'split':>6} {'one mix':>8} {'asked':>6}")
    for (truth, kind), kinds in sorted(counts.items()):
        said = [kinds.count(word) for word in ("stems", "beats", "one mix", "unclear")]
        print(f"{truth:6} {kind:36} {len(kinds):4} {said[0]:7} {said[1]:6} {said[2]:8} {said[3]:6}")
    summed = sum(k.count("stems") for (truth, _), k in counts.items() if truth == "beats")
    split = sum(k.count("beats") for (truth, _), k in counts.items() if truth == "stems")
    print(f"\npacks summed: {summed}; stem sets split: {split}")
    return 1 if summed or split else 0


if __name__ == "__main__":
    raise SystemExit(main())
