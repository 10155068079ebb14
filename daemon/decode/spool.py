"""Where decoded samples are kept: in memory while they are few, else in a file without a name.

An hour of stereo is 1.3 GB of float32. Beyond `MOST_IN_MEMORY` bytes they go into a temporary file of the
job's own, and pieces of it are read like slices of an array: what is kept of it in memory is the system's
cache, which gives way, and not the process's own. The file has no name, so nothing stays after a crash.

A `Scratch` owns all that one job puts aside and is left when the job ends.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from threading import Lock
from types import TracebackType
from typing import Any

import numpy as np
import numpy.typing as npt

from analyzers.signal.samples import SampleArray
from daemon.core.atomic import machine_error
from daemon.core.errors import MachineError

Floats = npt.NDArray[np.float32]

MOST_IN_MEMORY = 256_000_000  # bytes: 12 minutes of stereo at 44.1 kHz
PREFIX = "beatintake-"


class Scratch:
    """The private place of one job; nothing of it is left on leaving.

    Parameters
    ----------
    folder : made when it is needed, removed on leaving; without one the system's place for temporary files
        is used
    most_in_memory : bytes of one signal that are kept in memory, by default `MOST_IN_MEMORY`
    within : another one, in whose place the files lie
    """

    def __init__(
        self,
        folder: Path | None = None,
        most_in_memory: float | None = None,
        within: Scratch | None = None,
    ) -> None:
        self.most_in_memory = MOST_IN_MEMORY if most_in_memory is None else most_in_memory
        self._folder, self._within = folder, within
        self._spools: list[Spooled] = []

    def inner(self) -> Scratch:
        """One for signals that are needed for a shorter time."""
        return Scratch(None, self.most_in_memory, self)

    @property
    def folder(self) -> Path:
        """Raises MachineError when it cannot be made."""
        try:
            if self._folder is None:
                self._folder = Path(tempfile.mkdtemp(prefix=PREFIX))
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError as error:
            raise machine_error(error, self._folder or tempfile.gettempdir()) from error
        return self._folder

    def spool(self, channels: int) -> Spooled:
        """A new, empty signal in a file."""
        self._spools.append(Spooled(self._place(), channels))
        return self._spools[-1]

    def release(self, samples: SampleArray) -> None:
        """This signal is not needed any more."""
        if isinstance(samples, Spooled):
            samples.close()
            self._spools.remove(samples)

    def _place(self) -> Path | None:
        """Where files without a name are made; None: among the system's temporary files."""
        if self._within is not None:
            return self._within._place()
        return self.folder if self._folder else None

    def __enter__(self) -> Scratch:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for spooled in self._spools:
            spooled.close()
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)


class Spooled:
    """A signal in a file [shape=(frames, channels)], read by slices (see `SampleArray`).

    Raises MachineError when the disk is full or fails.
    """

    ndim = 2

    def __init__(self, folder: Path | None, channels: int) -> None:
        self._folder = folder or tempfile.gettempdir()
        self._frames, self._channels = 0, channels
        self._turn = Lock()  # several threads read from one file
        try:
            self._file: Any = tempfile.TemporaryFile(buffering=0, prefix=PREFIX, dir=folder)  # noqa: SIM115
        except OSError as error:
            raise machine_error(error, self._folder) from error

    @property
    def shape(self) -> tuple[int, int]:
        return self._frames, self._channels

    def __len__(self) -> int:
        return self._frames

    def __getitem__(self, part: slice | tuple[slice, int]) -> Floats:
        rows, channel = part if isinstance(part, tuple) else (part, None)
        first, last, step = rows.indices(self._frames)
        if step != 1:
            raise ValueError("a spooled signal is cut without a step")
        block = np.empty((max(last - first, 0), self._channels), np.float32)
        self._read(first, block)
        return block if channel is None else block[:, channel]

    def __setitem__(self, part: slice, block: Floats) -> None:
        """Put frames where the slice begins, at most at the end; it grows with them."""
        first: int = part.start
        left = _bytes_of(block)
        try:
            with self._turn:
                self._file.seek(first * self._channels * 4)
                while left:
                    left = left[self._file.write(left) :]
        except OSError as error:
            raise machine_error(error, self._folder) from error
        self._frames = max(self._frames, first + len(block))

    def cut(self, frames: int) -> None:
        """Keep only so many."""
        self._frames = frames

    def close(self) -> None:
        self._file.close()

    def _read(self, first: int, block: Floats) -> None:
        left = _bytes_of(block)
        try:
            with self._turn:
                self._file.seek(first * self._channels * 4)
                while left and (got := self._file.readinto(left)):
                    left = left[got:]
        except OSError as error:
            raise machine_error(error, self._folder) from error
        if left:
            raise MachineError(str(self._folder), "a temporary file lost its end", "look at the disk")


class Collector:
    """Samples as they come: `room` is to be written into, `take` makes its beginning part of the signal.

    Parameters
    ----------
    expected : frames there may be; more may come
    """

    def __init__(self, scratch: Scratch, channels: int, expected: int) -> None:
        self.frames = 0
        self._scratch, self._channels = scratch, channels
        self._most = int(min(scratch.most_in_memory, 2**62) // (4 * channels))  # frames in memory
        few = expected <= self._most
        self._spooled = None if few else scratch.spool(channels)
        self._held = np.empty((expected if few else 0, channels), np.float32)

    def room(self, frames: int) -> Floats:
        """Room for the next frames [shape=(frames, channels)]."""
        needed = self.frames + frames
        if self._spooled is None and needed > self._most:
            self._spooled = self._scratch.spool(self._channels)
            self._spooled[0:] = self._held[: self.frames]
            self._held = np.empty((0, self._channels), np.float32)
        if self._spooled is not None:
            if len(self._held) < frames:
                self._held = np.empty((frames, self._channels), np.float32)
            return self._held[:frames]
        if needed > len(self._held):
            self._resize(max(min(2 * len(self._held), self._most), needed))
        return self._held[self.frames : needed]

    def append(self, block: Floats) -> None:
        """More frames, from elsewhere."""
        room = self.room(len(block))
        room[:] = block
        self.take(room)

    def take(self, block: Floats) -> None:
        """The beginning of the last room is part of the signal now."""
        if self._spooled is not None:
            self._spooled[self.frames :] = block
        self.frames += len(block)

    def cut(self, frames: int) -> None:
        """Keep only so many."""
        self.frames = frames
        if self._spooled is not None:
            self._spooled.cut(frames)

    def done(self) -> SampleArray:
        """All of them: an array when they are few after all."""
        if self._spooled is None:
            self._resize(self.frames)
            return self._held
        self._held = np.empty((0, self._channels), np.float32)
        if self.frames > self._most:
            return self._spooled
        few = self._spooled[: self.frames]
        self._scratch.release(self._spooled)
        return few

    def _resize(self, frames: int) -> None:
        self._held.resize((frames, self._channels), refcheck=False)  # in place where it can be


def _bytes_of(block: Floats) -> memoryview:
    return block.reshape(-1).view(np.uint8).data
