"""A published beat decoded from its own aligned copy, for when the producer's file is gone.

The copy holds the source's frames from `source_start` to `source_end`, and all music that was found. What was
cut off is not known any more and is taken for silence: a bar line before the music may begin there, which
is said, but bar one itself may not. Nor is it enough where the copy is not the source at its own rate.
"""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import numpy as np
import soundfile as sf

from analyzers.model import Analysis
from analyzers.signal.samples import Signal
from daemon.core.errors import BeatintakeError, DropWithdrawn
from daemon.decode.decoder import Decoded, Source
from daemon.decode.safeopen import opened
from daemon.decode.spool import Collector, Scratch
from daemon.export.cutaudio import BLOCK, WIDE_SUBTYPES
from daemon.export.plan import CutPlan
from daemon.report.report import Report

NEAR_S = 0.06  # an early hit may lie so much before its line (output.early_hit_ms)
SILENT = "digital silence"
REMARK = "The producer's file is gone: this was cut anew from the copy before."


def decoded_from_copy(folder: Path, report: Report, scratch: Scratch) -> Decoded:
    """The drop as far as its copy holds it. Raises DropWithdrawn with the reason where that is too little."""
    path = folder / report.aligned_copy.file
    if why := _not_enough(report, path):
        raise gone(report, why)
    try:
        return _read(path, report, scratch)
    except (BeatintakeError, sf.LibsndfileError, ValueError) as error:
        raise gone(report, "the aligned copy cannot be read") from error


def remarks(report: Report, corrected: Analysis, plan: CutPlan) -> tuple[str, ...]:
    """What to say about a copy cut from the copy before. Raises DropWithdrawn where it needs more."""
    before, rate, one = report.cut, report.drop.rate, corrected.grid.bar_one_s
    held_s = before.source_start / rate
    if one is not None and one < held_s - NEAR_S and before.source_start > 0:
        raise gone(report, f"the copy holds it from {held_s:.3f} s on: bar one cannot lie at {one:.3f} s")
    if plan.source_end > before.source_end:
        raise gone(report, f"the copy holds it only up to {before.source_end / rate:.3f} s")
    missing_s = (before.source_start - plan.source_start) / rate
    if missing_s <= 0 or report.analysis.lead_in.kind == SILENT:
        return (REMARK,)
    return (REMARK, f"Its first {missing_s:.3f} s are silence in place of what lay there before the music.")


def gone(report: Report, why: str) -> DropWithdrawn:
    """The producer's file is needed and not there."""
    cause = f"the producer's file is no longer in the incoming folder, and {why}"
    mark = report.drop.sha256[:12]
    step = f"the correction is kept; put the file with SHA-256 {mark}... back and correct it again"
    return DropWithdrawn(report.drop.name, cause, step)


def _not_enough(report: Report, path: Path) -> str | None:
    drop, copy = report.drop, report.aligned_copy
    if drop.format == "stems":
        return "stems can be cut only from their own files"
    if drop.subtype in WIDE_SUBTYPES:
        return "32-bit and double samples can be cut only from the file itself"
    if copy.rate != drop.rate:
        return f"the copy has another rate ({copy.rate} Hz, the file {drop.rate} Hz)"
    if Path(copy.file).name != copy.file or not path.is_file():
        return "the aligned copy is not there either"
    return None


def _read(path: Path, report: Report, scratch: Scratch) -> Decoded:
    drop, cut = report.drop, report.cut
    frames = Collector(scratch, drop.channels, drop.frames)
    gain = np.float32(10 ** (report.aligned_copy.gain_db / 20))
    _fill(frames, cut.source_start)
    with opened(path) as raw, sf.SoundFile(raw) as file:
        if (file.frames, file.channels) != (report.aligned_copy.frames, drop.channels):
            raise ValueError("not the copy that the report tells of")
        file.seek(cut.pad_samples)
        while len(block := file.read(BLOCK, dtype="float32", always_2d=True)):
            frames.append(block if gain == 1 else block / gain)
    _fill(frames, drop.frames - frames.frames)
    source = Source(**{field.name: getattr(drop, field.name) for field in fields(Source)})
    return Decoded(source, Signal(frames.done(), drop.rate), path)


def _fill(frames: Collector, count: int) -> None:
    """Silence for what is not known."""
    silence = np.zeros((BLOCK, frames.room(1).shape[1]), np.float32)
    while count > 0:
        frames.append(silence[: min(count, BLOCK)])
        count -= BLOCK
