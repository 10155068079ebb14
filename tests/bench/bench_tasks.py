"""One measured piece of work in a process of its own: `bench_tasks.py TASK FILE [RUNS]`.

Prints one JSON line: processor and wall seconds of each run in the warm process (the first run, which pays
compilation and first use, left out when there are several), stages where there are some, peak memory.
Imports are inside the tasks, so that a cold run pays exactly its own.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

MAJOR = (6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88)
MINOR = (6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17)


def ours(path: Path, workers: int = 1) -> Callable[[], dict[str, float]]:
    """The whole job, all outputs, as a warm worker of so many does it. Returns the seconds of each stage."""
    from config.settings import Settings
    from daemon.pipeline.job import JobRequest, run_job
    from daemon.pipeline.warm_up import warm_up
    from daemon.workers.process import share_heap

    share_heap()
    warm_up()

    def once() -> dict[str, float]:
        with tempfile.TemporaryDirectory(dir=path.parent) as folder:
            names = ("incoming", "ready", "rejected", "state", "staging")
            places = {name: Path(folder) / name for name in names}
            for place in places.values():
                place.mkdir()
            staging = places.pop("staging")
            settings = Settings.model_validate({"folders": places, "work": {"max_workers": workers}})
            marks = [("", time.process_time())]

            def mark(stage: str) -> None:
                marks.append((stage, time.process_time()))

            result = run_job(JobRequest(path, staging, settings), mark)
            mark("end")
            assert result.outcome == "ready", result.reason
        steps = pairwise(marks[1:])
        return {name: round(end - begin, 4) for (name, begin), (_, end) in steps}

    return once


def one_thread(path: Path) -> Callable[[], dict[str, float]]:
    """The same where each processor has a worker: the job has no second thread."""
    return ours(path, workers=min(os.cpu_count() or 1, 64))  # no configuration allows more


def script(path: Path) -> Callable[[], dict[str, float]]:
    """What one writes in an afternoon: librosa for tempo and key, pyloudnorm, 4x oversampled peak."""
    import librosa
    import numpy as np
    import pyloudnorm
    import soundfile as sf
    from scipy.signal import resample_poly

    profiles = [np.roll(profile, k) for profile in (MAJOR, MINOR) for k in range(12)]

    def once() -> dict[str, float]:
        y, rate = librosa.load(path)
        librosa.beat.beat_track(y=y, sr=rate)
        chroma = librosa.feature.chroma_cqt(y=y, sr=rate).mean(axis=1)
        max(range(24), key=lambda k: np.corrcoef(chroma, profiles[k])[0, 1])
        samples, full_rate = sf.read(path)
        pyloudnorm.Meter(full_rate).integrated_loudness(samples)
        np.abs(resample_poly(samples, 4, 1, axis=0)).max()
        return {}

    return once


def essentia(path: Path) -> Callable[[], dict[str, float]]:
    """Another general-purpose library: tempo, key, loudness, true peak."""
    import essentia
    import essentia.standard as es
    import soundfile as sf

    essentia.log.infoActive = False

    def once() -> dict[str, float]:
        samples, rate = sf.read(path, dtype="float32")
        mono = samples.mean(axis=1)
        es.RhythmExtractor2013(method="multifeature")(mono)
        es.KeyExtractor(sampleRate=rate)(mono)
        es.LoudnessEBUR128(sampleRate=rate)(samples)
        for channel in samples.T:
            es.TruePeakDetector(sampleRate=rate)(channel.copy())
        return {}

    return once


def aubio(path: Path) -> Callable[[], dict[str, float]]:
    """Another general-purpose library: tempo only."""
    import aubio
    import soundfile as sf

    def once() -> dict[str, float]:
        samples, rate = sf.read(path, dtype="float32")
        mono = samples.mean(axis=1)
        find = aubio.tempo("default", 1024, 512, rate)
        for start in range(0, len(mono) - 512, 512):
            find(mono[start : start + 512])
        find.get_bpm()
        return {}

    return once


def floor(path: Path) -> Callable[[], dict[str, float]]:
    """The least anyone can pay: decode, one STFT (2048, hop 512), K-weighting of both channels."""
    import numpy as np
    import soundfile as sf
    from scipy.fft import rfft
    from scipy.signal import sosfilt

    from analyzers.level.loudness import k_weighting

    window = np.hanning(2048).astype(np.float32)

    def once() -> dict[str, float]:
        begin = time.process_time()
        samples, rate = sf.read(path, dtype="float32")
        decoded = time.process_time()
        frames = np.lib.stride_tricks.sliding_window_view(samples.mean(axis=1), 2048)[::512]
        for k in range(0, len(frames), 128):
            np.abs(rfft(frames[k : k + 128] * window, axis=1))
        transformed = time.process_time()
        sections = np.array([np.concatenate(section) for section in k_weighting(rate)])
        sosfilt(sections, samples.T)
        end = time.process_time()
        return {"decode": decoded - begin, "STFT": transformed - decoded, "K-weighting": end - transformed}

    return once


def peak_memory_mb() -> float:
    """Largest resident size of this process so far, in units of 10^6 bytes."""
    try:
        lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
        return int(next(line.split()[1] for line in lines if line.startswith("VmHWM"))) * 1024 / 1e6
    except (OSError, StopIteration):
        import resource

        unit = 1 if sys.platform == "darwin" else 1024
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e6


TASKS = {
    "ours": ours,
    "one thread": one_thread,
    "script": script,
    "essentia": essentia,
    "aubio": aubio,
    "floor": floor,
}


def main() -> None:
    name, path, runs = sys.argv[1], Path(sys.argv[2]), int((sys.argv[3:] or ["1"])[0])
    try:
        once = TASKS[name](path)
    except ImportError:
        sys.exit(9)
    cpu: list[float] = []
    wall: list[float] = []
    stages: dict[str, Any] = {}
    for number in range(runs + (runs > 1)):
        begin = time.process_time(), time.perf_counter()
        found = once()
        if number or runs == 1:
            cpu.append(time.process_time() - begin[0])
            wall.append(time.perf_counter() - begin[1])
            for stage, seconds in found.items():
                stages.setdefault(stage, []).append(seconds)
    print(json.dumps({"cpu_s": cpu, "wall_s": wall, "stages": stages, "peak_mb": peak_memory_mb()}))


if __name__ == "__main__":
    main()
