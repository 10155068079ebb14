"""The machine line: one flat object a drop, for scripts; its fields are a contract."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from analyzers.model import Analysis
from config.settings import Settings
from daemon.report.ears import check_by_ear
from daemon.report.words import flag_words


def machine_line(
    file: str,
    analysis: Analysis,
    *,
    settings: Settings,
    seconds: float | None = None,
    warnings: Iterable[str] = (),
) -> dict[str, Any]:
    """One flat object a drop, for scripts: the fields are a contract; null where unknown.

    `flags` holds sentences: why there is no tempo or key, faults of the signal, decoding
    `warnings`, and what else check by ear would list under these settings.
    """
    grid, key, loud = analysis.grid, analysis.key, analysis.loudness
    return {
        "file": file,
        "tempo_bpm": grid.tempo_bpm,
        "tempo_confidence": grid.tempo_confidence,
        "tempo_alternatives": [[c.bpm, c.probability] for c in grid.tempo_alternatives],
        "constant_tempo": grid.constant_tempo,
        "meter": grid.meter,
        "first_downbeat_s": grid.bar_one_s,
        "bar_one_confidence": grid.bar_one_confidence,
        "first_sound_s": analysis.lead_in.first_sound_s,
        "beats": [[at, int(down)] for at, down in zip(grid.beats_s, grid.downbeats, strict=True)],
        "key_tonic": key.tonic,
        "key_mode": key.mode,
        "key_confidence": key.confidence,
        "key_alternatives": [[f"{c.tonic} {c.mode}", c.probability] for c in key.alternatives],
        "key_changes": [[c.at_s, f"{c.tonic} {c.mode}", c.confidence] for c in key.changes],
        "tuning_cents": analysis.tuning.cents,
        "chords": [[c.start_s, c.end_s, c.label] for c in analysis.chords],
        "sections": [[s.start_s, s.end_s, s.letter] for s in analysis.sections],
        "lufs": loud.integrated_lufs,
        "lra": loud.range_lu,
        "true_peak_dbtp": loud.true_peak_dbtp,
        "flags": list(flag_sentences(analysis, warnings, settings)),
        "seconds": None if seconds is None else round(seconds, 3),
    }


def flag_sentences(analysis: Analysis, warnings: Iterable[str], settings: Settings) -> tuple[str, ...]:
    """Check by ear, then the notes that need no ears."""
    look = settings.analysis
    ears = check_by_ear(
        analysis,
        warnings=warnings,
        below=look.check_by_ear_below,
        tuning_flag_cents=look.tuning_flag_cents,
    )
    notes = (flag_words(flag, analysis.grid) for flag in analysis.flags if flag.severity != "warning")
    return tuple(dict.fromkeys((*ears, *notes)))
