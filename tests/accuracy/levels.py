"""Measure the level analyzers: ``python tests/accuracy/levels.py CORPUS [CORPUS ...] [--only PART]``.

CORPUS is a folder with audio files and, for the lead-in, a truth.jsonl (`first_sound_s`,
`first_sound_decoded_s`). Parts: meters (integrated loudness against pyloudnorm with De Man's
filters and libebur128), peaks (true peak against soxr at 192 kHz and at 16 times the rate), leadin
(as found, and with beds put under it), faults (found when put in, false on the files as they are),
speed. The standard's own signals are tests: tests/analyzers/level/test_loudness.py and test_truepeak.py.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyebur128
import pyloudnorm
import soundfile as sf
import soxr
from levels_faults import FAULTS, led_in, noise

from analyzers.health.faults import find_faults
from analyzers.level.loudness import measure_loudness
from analyzers.level.silence import find_lead_in
from analyzers.model import Flag, Options
from analyzers.signal.features import Features
from analyzers.signal.samples import Signal
from analyzers.signal.truepeak import measure_peaks

LOSSLESS = (".wav", ".flac", ".aif", ".aiff")
AUDIO = (*LOSSLESS, ".ogg", ".mp3")
Samples = npt.NDArray[np.float32]


def corpus(folders: list[Path], limit: int | None) -> Iterator[tuple[Path, Samples, int, dict[str, Any]]]:
    """(path, samples, rate, truth row or {}) of every audio file; a folder of stems is left out."""
    for folder in folders:
        rows = {}
        if (folder / "truth.jsonl").exists():
            for line in (folder / "truth.jsonl").read_text().splitlines():
                row = json.loads(line)
                rows[Path(row["file"]).name] = row
        files = sorted(p for p in folder.iterdir() if p.suffix.lower() in AUDIO)
        for path in files[:: max(1, len(files) // limit) if limit else 1]:
            samples, rate = sf.read(path, dtype="float32", always_2d=True)
            yield path, samples, rate, rows.get(path.name, {})


def reference_loudness(samples: Samples, rate: int) -> tuple[float, float, float]:
    """(pyloudnorm with De Man's filters, libebur128 integrated, its range)."""
    demanded = pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_LRA
    state = pyebur128.R128State(samples.shape[1], rate, demanded)
    state.add_frames(np.ascontiguousarray(samples).reshape(-1), len(samples))
    first = pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(samples)
    return first, pyebur128.get_loudness_global(state), pyebur128.get_loudness_range(state)


def meters(folders: list[Path], limit: int | None) -> None:
    errors = []
    for _, samples, rate, _ in corpus(folders, limit):
        ours = measure_loudness(Features(Signal(samples, rate)))
        first, second, spread = reference_loudness(samples, rate)
        errors.append((ours.integrated_lufs - first, ours.integrated_lufs - second, ours.range_lu - spread))
    size = np.abs(np.array(errors))
    print(f"meters: {len(size)} files; integrated loudness differs at most {size[:, 0].max():.4f} LU")
    print(f"  from pyloudnorm (De Man) and {size[:, 1].max():.4f} LU from libebur128; loudness range")
    print(f"  from libebur128's (once a second) {np.median(size[:, 2]):.2f} LU in the median,")
    print(f"  within 1 LU for {(size[:, 2] <= 1).mean():.2f} of the files")


def peaks(folders: list[Path], limit: int | None) -> None:
    under, over, fine = [], [], []
    for _, samples, rate, _ in corpus(folders, limit):
        ours = 20 * np.log10(measure_peaks(samples).true_peak)
        for target, into in ((192000, under), (16 * rate, fine)):
            reference = max(float(np.abs(soxr.resample(x, rate, target, "VHQ")).max()) for x in samples.T)
            into.append(20 * np.log10(reference) - ours)
        over.append(-under[-1])
    print(f"peaks: {len(under)} files; true peak against soxr at 192 kHz at most {max(under):.3f} dB under,")
    print(f"  {max(over):.3f} dB over; against soxr at 16 times the rate at most {max(fine):.3f} dB under")


def _lead_error_ms(samples: Samples, rate: int, truth: dict[str, Any], lossy: bool, shift_s: float) -> float:
    """0 anywhere between the codec's pre-echo and the true start."""
    found = find_lead_in(Features(Signal(samples, rate), Options(lossy=lossy))).first_sound_s
    start = truth["first_sound_s"]
    early = min(start, truth.get("first_sound_decoded_s") or start)
    if found is None:
        return float("inf")
    found -= shift_s
    return 1000 * (found - early if found < early else max(0.0, found - start))


def _spread(name: str, errors: list[float]) -> None:
    size = np.abs(errors)
    shares = ", ".join(f"{(size <= ms).mean():.2f} within {ms:g} ms" for ms in (0.05, 1, 5, 15))
    print(f"  {name}: {len(size)} files, {shares}, worst {size.max():.1f} ms")


def leadin(folders: list[Path], limit: int | None) -> None:
    rng = np.random.default_rng(11)
    plain, beds = [], defaultdict(list)
    for path, samples, rate, truth in corpus(folders, limit):
        if truth.get("first_sound_s") is None:
            continue
        lossy = path.suffix.lower() not in LOSSLESS
        plain.append(_lead_error_ms(samples, rate, truth, lossy, 0.0))
        if any("noise" in defect for defect in truth.get("defects") or ()) or samples.shape[1] != 2:
            continue
        for kind, dbfs in (("white", -80), ("white", -55), ("pink", -55), ("brown", -55), ("crackle", -55)):
            longer = led_in(rng, samples[: 30 * rate], rate)
            bed = noise(kind, rng, longer.shape, rate)
            bed *= 10 ** (dbfs / 20) * np.abs(longer).max() / np.sqrt(np.mean(bed**2))
            shift = len(longer) / rate - min(len(samples), 30 * rate) / rate
            laid = (longer + bed).astype(np.float32)
            beds[f"{kind} noise {dbfs} dB under the peak"].append(
                _lead_error_ms(laid, rate, truth, lossy, shift)
            )
    print("leadin: distance to the first musical sample")
    _spread("as they are", plain)
    for name, errors in beds.items():
        _spread(name, errors)


def _flags(samples: Samples, rate: int, options: Options) -> tuple[Flag, ...]:
    features = Features(Signal(samples, rate), options)
    return find_faults(features, find_lead_in(features), measure_loudness(features))


def faults(folders: list[Path], limit: int | None, injections: int, fault: str | None) -> None:
    falsely, warned, clean, found = Counter(), Counter(), [], Counter()
    for path, samples, rate, truth in corpus(folders, limit):
        if truth.get("defects"):
            continue
        depth = {"PCM_16": 16, "PCM_24": 24}.get(sf.info(path).subtype)
        flags = _flags(samples, rate, Options(lossy=path.suffix.lower() not in LOSSLESS, bit_depth=depth))
        falsely.update({flag.code for flag in flags})
        warned.update({flag.code for flag in flags if flag.severity == "warning"})
        clean.append((path, rate))
    print(f"faults: on {len(clean)} clean files, share of files with a flag (with a warning)")
    for code, count in falsely.most_common():
        print(f"  {code}: {count / len(clean):.3f} ({warned[code] / len(clean):.3f})")
    rng = np.random.default_rng(7)
    print(f"faults: share found of {injections} put into clean music")
    for name, (spoil, codes) in FAULTS.items():
        if fault not in (None, name):
            continue
        for k in range(injections):
            path, rate = clean[k % len(clean)]
            music = sf.read(path, dtype="float32", always_2d=True)[0]
            music = np.repeat(music, 2, axis=1) if music.shape[1] == 1 else music
            faulty, options = spoil(rng, music, rate)
            flags = _flags(faulty, rate, options)
            found[name] += any(flag.code in codes for flag in flags)
        print(f"  {name}: {found[name] / injections:.2f}", flush=True)


def speed(folders: list[Path]) -> None:
    _, samples, rate, _ = next(corpus(folders, 1))
    samples = np.tile(samples, (-(-210 * rate // len(samples)), 1))[: 210 * rate]
    best = defaultdict(lambda: float("inf"))
    for _ in range(3):
        features = Features(Signal(np.ascontiguousarray(samples), rate))
        marks = [time.process_time()]
        _ = features.mono
        marks.append(time.process_time())
        lead_in = find_lead_in(features)
        marks.append(time.process_time())
        loudness = measure_loudness(features)
        marks.append(time.process_time())
        find_faults(features, lead_in, loudness)
        marks.append(time.process_time())
        names = ("mono mix", "lead-in with peaks", "loudness", "health")
        for name, seconds in zip(names, np.diff(marks), strict=True):
            best[name] = min(best[name], float(seconds))
    total = sum(best.values())
    parts = ", ".join(f"{name} {seconds:.3f}" for name, seconds in best.items())
    print(f"speed: 210 s, {samples.shape[1]} channels, {rate} Hz: {total:.3f} s of one core ({parts})")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("corpus", type=Path, nargs="+")
    parser.add_argument("--only", choices=("meters", "peaks", "leadin", "faults", "speed"))
    parser.add_argument("--limit", type=int, help="about this many files of each folder")
    parser.add_argument("--injections", type=int, default=50)
    parser.add_argument("--fault", choices=tuple(FAULTS), help="only this one of the faults put in")
    args = parser.parse_args()
    parts = {
        "meters": lambda: meters(args.corpus, args.limit),
        "peaks": lambda: peaks(args.corpus, args.limit),
        "leadin": lambda: leadin(args.corpus, args.limit),
        "faults": lambda: faults(args.corpus, args.limit, args.injections, args.fault),
        "speed": lambda: speed(args.corpus),
    }
    for name, measure in parts.items():
        if args.only in (None, name):
            measure()


if __name__ == "__main__":
    main()
