"""The stems of a drop in its ready folder: their names and their copies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from config.settings import Output
from daemon.core.names import STEMS_FOLDER, safe_stem, same_case
from daemon.decode.stems import Stem
from daemon.export.copy import CopyFacts, write_stem_copies
from daemon.export.plan import CutPlan
from daemon.export.wavfile import WavNotes


@dataclass(frozen=True, slots=True)
class NamedStem:
    name: str  # of its copy, without ending
    path: Path


def copy_stems(
    stems: Sequence[Stem],
    plan: CutPlan,
    rate: int,
    folder: Path,
    output: Output,
    notes: WavNotes,
    fade_frames: int = 0,
) -> tuple[CopyFacts, ...]:
    """Cut every stem like the sum, whose rate and fade-in are given; one entry for each."""
    if not stems:
        return ()
    (folder / STEMS_FOLDER).mkdir()
    return write_stem_copies(named(stems), plan, rate, folder / STEMS_FOLDER, output, notes, fade_frames)


def warnings_of(copies: Sequence[CopyFacts]) -> tuple[str, ...]:
    """What is to be said of the stems' copies, each with its name."""
    return tuple(f"{copy.path.stem}: {text}" for copy in copies for text in copy.warnings)


def named(stems: Sequence[Stem]) -> list[NamedStem]:
    """A safe name for each, different from all others also where letter case does not count."""
    taken: set[str] = set()
    found = []
    for stem in stems:
        plain = safe_stem(" - ".join(PurePosixPath(stem.name).with_suffix("").parts))
        number, name = 1, plain
        while same_case(name) in taken:
            number += 1
            name = f"{plain} ({number})"
        taken.add(same_case(name))
        found.append(NamedStem(name, stem.path))
    return found
