"""Files that grow in every format by every way of writing, under a running service: is a part ever published?

    python -m tests.faults.growing                 the table of everything
    python -m tests.faults.growing --settle 2 --patience 30      with the times of the default configuration

Each file is written in pieces with pauses longer than the settling time, once where the kernel tells whether
a file has a writer and once where it cannot (the file of another user, a share). A stand-in publishes a copy
of what it read. ``right``: published once, whole. ``partial n``: whole in the end and alone, after n parts
had been published and replaced. Anything else is wrong.
"""

from __future__ import annotations

import argparse
import hashlib
import itertools
import os
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from config.settings import Settings
from tests.daemon.make_audio import file_bytes, flac_claiming, noise, without_delay_tag
from tests.daemon.make_packets import packets
from tests.daemon.service_kit import log_events, ready, rejected, running, settings_for
from tests.faults.fuzz_decode import zipped

PIECES = 4
PAUSE_SETTLES = 2.5
NO_LEASES = "from daemon.ingest import completeness\ncompleteness.has_writer = lambda descriptor: None\n"
PATIENCE = "from daemon.ingest import settling\nsettling.PATIENCE_S = {patience}\n"


def _sound(seed: int, rate: int = 44100, **form: object) -> bytes:
    return file_bytes(noise(2.0, rate, seed=seed), rate=rate, **form)


def _mp3(seed: int) -> bytes:
    return _sound(seed, format="MP3", subtype="MPEG_LAYER_III")


FORMATS: dict[str, tuple[str, Callable[[int], bytes]]] = {  # extension, a whole file of a number's noise
    "WAV": ("wav", _sound),
    "WAV 24": ("wav", lambda seed: _sound(seed, subtype="PCM_24")),
    "AIFF": ("aiff", lambda seed: _sound(seed, format="AIFF")),
    "FLAC": ("flac", lambda seed: _sound(seed, format="FLAC")),
    "FLAC, no length": ("flac", lambda seed: flac_claiming(_sound(seed, format="FLAC"), 0)),
    "OGG": ("ogg", lambda seed: _sound(seed, format="OGG", subtype="VORBIS")),
    "Opus": ("opus", lambda seed: _sound(seed, 48000, format="OGG", subtype="OPUS")),
    "MP3": ("mp3", _mp3),
    "MP3, no length": ("mp3", lambda seed: without_delay_tag(_mp3(seed))),
    "M4A AAC": ("m4a", lambda seed: packets(noise(2.0, 48000, seed=seed), 48000, "M4A AAC")),
    "M4A ALAC": ("m4a", lambda seed: packets(noise(2.0, 48000, seed=seed), 48000, "M4A ALAC")),
    "AAC": ("aac", lambda seed: packets(noise(2.0, 48000, seed=seed), 48000, "AAC")),
    "ZIP": ("zip", lambda seed: zipped({"a.wav": _sound(seed), "b.wav": _sound(seed + 5000)})),
}


@dataclass(frozen=True, slots=True)
class Writer:
    """Writes one file in pieces; the last pause is twice as long."""

    path: Path
    data: bytes
    pause_s: float

    def paused(self) -> Iterator[tuple[int, bytes]]:
        """(place, bytes) of the pieces, with a pause before each but the first."""
        size = len(self.data) // PIECES + 1
        places = range(0, len(self.data), size)
        for at in places:
            if at:
                time.sleep(self.pause_s * (2 if at == places[-1] else 1))
            yield at, self.data[at : at + size]

    def held_open(self) -> None:
        with open(self.path, "wb", buffering=0) as file:
            for _, piece in self.paused():
                file.write(piece)

    def append_close(self) -> None:
        for _, piece in self.paused():
            with open(self.path, "ab") as file:
                file.write(piece)

    def reserve_held_open(self) -> None:
        with open(self.path, "wb", buffering=0) as file:
            self._reserve(file.fileno())
            for _, piece in self.paused():
                file.write(piece)

    def reserve_close(self) -> None:
        with open(self.path, "wb") as file:
            self._reserve(file.fileno())
        self._fill()

    def zeros_close(self) -> None:
        """Space reserved by writing zeros: the file system has no holes to tell."""
        self.path.write_bytes(bytes(len(self.data)))
        self._fill()

    def rename(self) -> None:
        part = self.path.with_name(f"{self.path.name}.part")
        with open(part, "wb", buffering=0) as file:
            for _, piece in self.paused():
                file.write(piece)
        part.rename(self.path)

    def copy_over(self) -> None:
        """Over the beginning of itself that lies there: an upload that is begun again."""
        for _, piece in itertools.islice(self.paused(), 2):
            with open(self.path, "ab") as file:
                file.write(piece)
        time.sleep(self.pause_s)
        with open(self.path, "wb", buffering=0) as file:
            for _, piece in self.paused():
                file.write(piece)

    def _reserve(self, descriptor: int) -> None:
        os.posix_fallocate(descriptor, 0, len(self.data))

    def _fill(self) -> None:
        for at, piece in self.paused():
            with open(self.path, "r+b") as file:
                file.seek(at)
                file.write(piece)


WAYS: dict[str, Callable[[Writer], None]] = {
    "held open": Writer.held_open,
    "append, close": Writer.append_close,
    "reserve, held open": Writer.reserve_held_open,
    "reserve, close": Writer.reserve_close,
    "zeros, close": Writer.zeros_close,
    "rename": Writer.rename,
    "copy over": Writer.copy_over,
}


@dataclass(frozen=True, slots=True)
class Case:
    number: int
    form: str
    way: str

    @property
    def name(self) -> str:
        return f"{self.number:03d}.{FORMATS[self.form][0]}"


@dataclass(slots=True)
class World:
    """One service and the files that grow under it. ``told``: does the kernel tell about writers?"""

    base: Path
    told: bool
    settle_s: float
    patience_s: float
    verdicts: dict[tuple[str, str], str] = field(default_factory=dict)

    def run(self, cases: list[Case]) -> None:
        self.base.mkdir()
        settings = settings_for(self.base, arrival={"settle_seconds": self.settle_s, "rescan_seconds": 5})
        whole = {case: FORMATS[case.form][1](case.number) for case in cases}
        more = PATIENCE.format(patience=self.patience_s) + ("" if self.told else NO_LEASES)
        with running(settings, more=more):
            writers = [threading.Thread(target=self._write, args=(settings, *item)) for item in whole.items()]
            for writer in writers:
                writer.start()
            for writer in writers:
                writer.join()
            quiet_s = 12 * PAUSE_SETTLES * self.settle_s + self.patience_s
            limit = time.monotonic() + 60 + quiet_s
            while time.monotonic() < limit and not all(_done(settings, whole).values()):
                time.sleep(0.1)
            time.sleep(quiet_s / 4)  # for what should not come
        done = _done(settings, whole)
        for case, data in whole.items():
            self.verdicts[case.form, case.way] = _verdict(settings, case, data, done[case])

    def _write(self, settings: Settings, case: Case, data: bytes) -> None:
        WAYS[case.way](Writer(settings.folders.incoming / case.name, data, PAUSE_SETTLES * self.settle_s))


def _done(settings: Settings, whole: dict[Case, bytes]) -> dict[Case, bool]:
    """Is the whole file published, and nothing else of that name?"""
    published: dict[str, list[bytes]] = {}
    for name in ready(settings):
        with suppress(OSError, StopIteration):  # it is being replaced
            copy = next((settings.folders.ready / name).glob("*.wav")).read_bytes()
            published.setdefault(name[:3], []).append(copy)
    left = {name[:3] for name in rejected(settings)}
    return {
        case: published.get(case.name[:3]) == [data] and case.name[:3] not in left
        for case, data in whole.items()
    }


def _verdict(settings: Settings, case: Case, data: bytes, done: bool) -> str:
    wanted = hashlib.sha256(data).hexdigest()[:12]
    results = [
        line
        for line in log_events(settings)
        if line["event"] in ("ready", "rejected") and line.get("drop") == case.name
    ]
    parts = sum(line.get("sha256") != wanted for line in results)
    if not done:
        return f"WRONG ({', '.join(line['event'] for line in results) or 'nothing'})"
    return f"partial {parts}" if parts else "right"


def campaign(
    forms: Iterable[str], ways: Iterable[str], settle_s: float = 0.3, patience_s: float = 4.5
) -> dict[bool, dict[tuple[str, str], str]]:
    """Verdicts by (format, way): with and without a kernel that tells about writers."""
    cases = [Case(number, *pair) for number, pair in enumerate(itertools.product(forms, ways))]
    with tempfile.TemporaryDirectory(prefix="growing-") as base:
        worlds = [World(Path(base) / str(told), told, settle_s, patience_s) for told in (True, False)]
        for world in worlds:
            world.run(cases)
    return {world.told: world.verdicts for world in worlds}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--settle", type=float, default=0.3, help="arrival.settle_seconds")
    parser.add_argument("--patience", type=float, default=4.5, help="for what looks incomplete, in seconds")
    parser.add_argument("--formats", nargs="*", default=list(FORMATS))
    parser.add_argument("--ways", nargs="*", default=list(WAYS))
    options = parser.parse_args()
    verdicts = campaign(options.formats, options.ways, options.settle, options.patience)
    for told, table in verdicts.items():
        print(f"\n{'the kernel tells about writers' if told else 'nobody can tell about writers'}")
        print(" " * 18 + "".join(f"{way:20s}" for way in options.ways))
        for form in options.formats:
            print(f"{form:18s}" + "".join(f"{table[form, way]:20s}" for way in options.ways))
    every = [verdict for table in verdicts.values() for verdict in table.values()]
    wrong = sum(verdict.startswith("WRONG") for verdict in every)
    parts = sum(verdict.startswith("partial") for verdict in every)
    right = len(every) - wrong - parts
    print(f"\n{len(every)} files: {right} right, {parts} published in part first, {wrong} wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
