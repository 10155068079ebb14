"""Throw damaged files of every format, zips and stem folders at `decode`, and see that it stands.

    python tests/faults/fuzz_decode.py --count 5000 --seed 1

Each case is a healthy file changed at random (bits, interesting values, cuts, repeats, splices; half
of them in the header). It runs in a child process with limits on memory, processor time and file
size. Right outcomes: a result whose samples are finite and within the limits, or an error that
names the drop (`DropError`). Wrong: any other exception, a crash, a hang, more memory than allowed,
a changed original, or anything written outside the private folder. A case is told by its seed and
number and can be run alone: `--seed 1 --first 4711 --count 1`.
"""

from __future__ import annotations

import argparse
import io
import os
import random
import resource
import select
import subprocess
import sys
import tempfile
import time
import zipfile
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
CASE_SECONDS = 10.0
START_SECONDS = 60.0
MEMORY_BYTES = 2 << 30
FILE_BYTES = 64 << 20
RATE = 44100
FORMS = (
    ("wav", "WAV", "PCM_16"),
    ("wav", "WAV", "PCM_24"),
    ("wav", "WAV", "FLOAT"),
    ("wav", "WAVEX", "PCM_24"),
    ("wav", "RF64", "PCM_24"),
    ("w64", "W64", "PCM_16"),
    ("aiff", "AIFF", "PCM_24"),
    ("aiff", "AIFF", "FLOAT"),
    ("caf", "CAF", "PCM_16"),
    ("au", "AU", "PCM_16"),
    ("flac", "FLAC", "PCM_16"),
    ("flac", "FLAC", "PCM_24"),
    ("ogg", "OGG", "VORBIS"),
    ("opus", "OGG", "OPUS"),
    ("mp3", "MP3", "MPEG_LAYER_III"),
)
VALUES = (
    b"\0",
    b"\xff",
    b"\x7f",
    b"\x80",
    b"\xff" * 4,
    b"\0" * 4,
    b"\x7f\xff\xff\xff",
    b"\xff\xff\xff\x7f",
    b"\xff" * 8,
)


def healthy() -> dict[str, bytes]:
    """One small file of each form, with tags, and zips of them. Names tell the form."""
    import numpy as np
    import soundfile as sf

    from tests.daemon.make_packets import CODINGS, EXTENSIONS, packets

    rng = np.random.default_rng(7)
    wave = (rng.standard_normal((RATE // 2, 2)) * 0.1).astype(np.float32)
    files = {}
    for extension, form, subtype in FORMS:
        stream = io.BytesIO()
        rate = 48000 if subtype == "OPUS" else RATE
        with sf.SoundFile(stream, "w", rate, 2, format=form, subtype=subtype) as sound:
            if form in ("WAV", "AIFF", "FLAC", "OGG", "MP3"):
                sound.title, sound.comment = "amber lane", "140 bpm, E flat minor"
            sound.write(wave)
        files[f"{form}-{subtype}.{extension}"] = stream.getvalue()
    for coding in CODINGS:
        files[f"{coding.replace(' ', '-')}.{EXTENSIONS[CODINGS[coding][0]]}"] = packets(wave, 48000, coding)
    flac, mp3 = files["FLAC-PCM_16.flac"], files["MP3-MPEG_LAYER_III.mp3"]
    files["tagged.mp3"] = b"ID3\x04\0\0\0\0\0\x1eTBPM\0\0\0\4\0\0\x00140TKEY\0\0\0\4\0\0\x00Ebm\0\0" + mp3
    members = {"a/drums.flac": flac, "a/keys.mp3": mp3, "a/read me.txt": b"thanks"}
    files["stored.zip"] = zipped(members, zipfile.ZIP_STORED)
    files["deflated.zip"] = zipped(members)
    return files


def zipped(members: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", method, compresslevel=1) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return stream.getvalue()


def damaged(data: bytes, other: bytes, rng: random.Random) -> bytes:
    """`data` with one to eight random changes."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 3, 8))):
        if not out:
            break
        reach = len(out) if rng.random() < 0.5 else min(len(out), rng.choice((64, 256, 1024)))
        at = rng.randrange(reach) if rng.random() < 0.9 else len(out) - 1 - rng.randrange(min(len(out), 200))
        match rng.randrange(9):
            case 0 | 1:
                out[at] ^= 1 << rng.randrange(8)
            case 2 | 3:
                value = rng.choice(VALUES)
                out[at : at + len(value)] = value
            case 4:
                del out[at:]
            case 5:
                del out[at : at + rng.choice((1, 2, 4, 100, 5000))]
            case 6:
                out[at:at] = out[at : at + rng.choice((1, 4, 100, 5000))]
            case 7:
                out[at : at + 64] = rng.randbytes(rng.randrange(64))
            case 8:
                start = rng.randrange(len(other))
                out[at:] = other[start:]
    return bytes(out)


def run_case(number: int, seed: int, files: dict[str, bytes], work: Path) -> str:
    """Run one case in `work` (empty); returns the outcome, "wrong: ..." when it is not right."""
    from config.settings import Limits
    from daemon.core.errors import DropError
    from daemon.decode.decoder import decode
    from daemon.decode.identity import identify
    from daemon.decode.spool import Scratch

    rng = random.Random(f"{seed}/{number}")
    names = sorted(files)
    name = rng.choice(names)
    drop = work / "drop"
    wrapping = rng.choices(("", "folder of ", "zip of "), (8, 1, 1))[0]
    data = damaged(files[name], files[rng.choice(names)], rng)
    if wrapping == "zip of ":
        data, target = zipped({name: data, "healthy.wav": files["WAV-PCM_16.wav"]}), work / "drop"
    elif wrapping:
        drop.mkdir()
        (drop / "healthy.wav").write_bytes(files["WAV-PCM_16.wav"])
        target = drop / name
    else:
        target = drop = work / name
    target.write_bytes(data)
    limits = Limits(min_seconds=0.1, max_minutes=1, max_file_mb=50)
    form = wrapping + name
    try:
        with Scratch(work / "private", most_in_memory=rng.choice((10_000, 100_000_000))) as scratch:
            found = decode(drop, limits=limits, scratch=scratch)
            samples = found.signal.samples[0:]
    except DropError as error:
        outcome = f"{form}: {type(error).__name__}"
        if not (error.subject and error.cause and error.next_step and str(error).isprintable()):
            outcome = f"wrong: {form}: an error without help: {error}"
    except BaseException as error:
        return f"wrong: {form}: {type(error).__name__}: {error}"
    else:
        outcome = f"{form}: read"
        if found.source.sha256 != identify(drop):
            outcome = f"wrong: {form}: identity"
        outcome = _checked(samples, limits.max_minutes, found.signal.rate) or outcome
    if target.read_bytes() != data:
        return f"wrong: {form}: the original was changed"
    if not {entry.name for entry in work.iterdir()} <= {drop.name, "private"}:
        return f"wrong: {form}: written outside the private folder"
    return outcome


def _checked(samples, minutes: float, rate: int) -> str | None:
    import numpy as np

    if not np.isfinite(samples).all():
        return "wrong: not finite"
    if len(samples) > minutes * 60 * rate:
        return "wrong: longer than the limit"
    return None


def child(first: int, count: int, seed: int) -> None:
    """Run cases in this process under limits; a line before and after each one on stdout."""
    sys.path.insert(0, str(ROOT))
    files = healthy()
    import av  # noqa: F401
    import scipy.fft
    import scipy.optimize  # noqa: F401

    import daemon.decode.decoder  # noqa: F401  (imports are not part of a case's limits)

    for what, most in (
        (resource.RLIMIT_AS, MEMORY_BYTES),
        (resource.RLIMIT_CORE, 0),
        (resource.RLIMIT_FSIZE, FILE_BYTES),
        (resource.RLIMIT_NOFILE, 64),
    ):
        resource.setrlimit(what, (most, most))
    print("ready", flush=True)
    for number in range(first, first + count):
        print(f"begin {number}", flush=True)
        started = time.monotonic()
        with tempfile.TemporaryDirectory(prefix="fuzz-") as work:
            outcome = run_case(number, seed, files, Path(work))
        outcome = " ".join(outcome.encode("ascii", "backslashreplace").decode().split())
        print(f"end {time.monotonic() - started:.4f} {outcome}", flush=True)
    print(f"peak {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss}", flush=True)


class Tally:
    """What has been seen so far."""

    def __init__(self) -> None:
        self.outcomes: Counter[str] = Counter()
        self.wrong: list[str] = []
        self.slowest_s = 0.0
        self.slowest = ""
        self.peak_kib = 0

    def end(self, number: int, seconds: float, outcome: str) -> None:
        if outcome.startswith("wrong"):
            self.wrong.append(f"case {number}: {outcome}")
        self.outcomes["wrong" if outcome.startswith("wrong") else outcome.rpartition(": ")[2]] += 1
        if seconds > self.slowest_s:
            self.slowest_s, self.slowest = seconds, f"case {number}, {outcome}"


def campaign(count: int, seed: int, first: int = 0) -> Tally:
    """Run cases first..first+count-1, with a fresh child after every one that killed or hung its own."""
    tally, at = Tally(), first
    while at < first + count:
        at = _watch(at, first + count - at, seed, tally)
    return tally


def _watch(first: int, count: int, seed: int, tally: Tally) -> int:
    """Follow one child; returns the next case to run."""
    command = [
        sys.executable,
        __file__,
        "--child",
        "--first",
        str(first),
        "--count",
        str(count),
        "--seed",
        str(seed),
    ]
    environment = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    number = first - 1
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment
    ) as process:
        assert process.stdout is not None
        limit, buffer = START_SECONDS, b""
        while True:
            ready, _, _ = select.select([process.stdout], [], [], limit)
            block = os.read(process.stdout.fileno(), 1 << 16) if ready else b""
            if not block:
                break
            *lines, buffer = (buffer + block).split(b"\n")
            for line in lines:
                word, _, rest = line.decode().partition(" ")
                if word == "begin":
                    number, limit = int(rest), CASE_SECONDS
                elif word == "end":
                    seconds, _, outcome = rest.partition(" ")
                    tally.end(number, float(seconds), outcome)
                elif word == "peak":
                    tally.peak_kib = max(tally.peak_kib, int(rest))
                    return first + count
        process.kill()
    if number < first:
        raise SystemExit("the child did not start: run it by hand with --child to see why")
    died = f"signal {-process.returncode}" if ready else f"no answer within {CASE_SECONDS:g} s"
    tally.end(number, 0.0, f"wrong: {died}")
    return number + 1


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        child(options.first, options.count, options.seed)
        return 0
    started = time.monotonic()
    tally = campaign(options.count, options.seed, options.first)
    for outcome, number in tally.outcomes.most_common():
        print(f"{number:7d}  {outcome}")
    print(f"{time.monotonic() - started:.0f} s; slowest {tally.slowest_s:.2f} s ({tally.slowest});", end=" ")
    print(f"peak memory {tally.peak_kib / 1024:.0f} MiB")
    print("\n".join(tally.wrong[:50]) or "nothing wrong")
    return 1 if tally.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
