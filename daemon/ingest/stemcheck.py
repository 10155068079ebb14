"""Are the files of this folder stems of one beat? Runs in a worker: it opens strangers' files."""

from __future__ import annotations

import os
from pathlib import Path

from config.settings import AUDIO_EXTENSIONS
from daemon.core.errors import DropError
from daemon.core.names import is_ignored
from daemon.decode.safeopen import opened
from daemon.ingest.grouping import has_extension


def are_stems(folder: Path, ignore: tuple[str, ...]) -> bool:
    """True when at least two audio files lie directly in the folder and all have the same length and rate.

    Common practice: stems of one session are exported over one span. Names that the settings ignore do not
    count. Files that cannot be read say nothing here; as drops of their own each gets its reason. Raises
    MachineError when the folder changes meanwhile.
    """
    shapes = []
    for name in sorted(os.listdir(folder)):
        if is_ignored(name, ignore):
            continue
        if has_extension(name, AUDIO_EXTENSIONS) and not has_extension(name, ("zip",)):
            shape = _shape(folder / name)
            if shape is None:
                return False
            shapes.append(shape)
    return len(shapes) >= 2 and len(set(shapes)) == 1


def _shape(path: Path) -> tuple[int, int] | None:
    import soundfile as sf

    try:
        with opened(path) as file:
            info = sf.info(file)
    except (DropError, sf.LibsndfileError, ValueError, TypeError):
        return None
    return int(info.frames), int(info.samplerate)
