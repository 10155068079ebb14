"""`beatintake analyse`: one drop in, one machine line out, nothing written.

The machine line is a contract; `daemon.report.machine.machine_line` builds it.
"""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from config.settings import Settings
from daemon.core.errors import BeatintakeError
from daemon.core.names import format_tempo
from daemon.core.text import one_line, valid


def analyse_path(name: str, settings: Settings) -> dict[str, Any]:
    """The machine line of one argument; {"file", "error"} when it cannot be analysed."""
    from analyzers.pipeline import analyse
    from daemon.decode.decoder import decode
    from daemon.decode.spool import Scratch
    from daemon.pipeline.render import analysis_options
    from daemon.report.machine import machine_line

    begin = time.perf_counter()
    try:
        with Scratch() as scratch:
            decoded = decode(
                Path(name).resolve(),
                limits=settings.limits,
                ignore=settings.arrival.ignore,
                scratch=scratch,
                several=None,
            )
            analysis = analyse(decoded.signal, analysis_options(decoded.source, settings))
    except BeatintakeError as error:
        return {"file": valid(name), "error": valid(str(error))}
    return machine_line(
        valid(name),
        analysis,
        warnings=decoded.source.warnings,
        settings=settings,
        seconds=time.perf_counter() - begin,
    )


def as_text(line: dict[str, Any]) -> str:
    """A few readable lines for a person."""
    rows = [str(line["file"])]
    if line["tempo_bpm"] is None:
        rows.append("  tempo    none found")
    else:
        steady = "constant" if line["constant_tempo"] else "NOT constant"
        rows.append(
            f"  tempo    {format_tempo(line['tempo_bpm'])} BPM, {steady}, {line['meter']}"
            f"  (confidence {line['tempo_confidence']:.2f})"
        )
    if line["first_downbeat_s"] is not None:
        rows.append(
            f"  bar one  {line['first_downbeat_s']:.4f} s  (confidence {line['bar_one_confidence']:.2f})"
        )
    key = f"{line['key_tonic']} {line['key_mode']}" if line["key_tonic"] else "none found"
    rows.append(f"  key      {key}  (confidence {line['key_confidence'] or 0:.2f})")
    if line["tuning_cents"] is not None:
        rows.append(f"  tuning   {line['tuning_cents']:+.1f} cents from A4 = 440 Hz")
    if line["lufs"] is not None:
        rows.append(f"  level    {line['lufs']:.1f} LUFS, true peak {line['true_peak_dbtp']:.1f} dBTP")
    rows += [f"  note     {flag}" for flag in line["flags"]]
    return "\n".join(map(one_line, rows))
