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
    """A few readable lines for a person; times are those of the file."""
    from daemon.report.words import cents_words, percent, seconds, signed

    rows = [str(line["file"])]
    if line["tempo_bpm"] is None:
        rows.append("  tempo    none found")
    else:
        rows.append(f"  tempo    {_tempo(line)}, {line['meter']} ({percent(line['tempo_confidence'])} sure)")
    if line["first_downbeat_s"] is not None:
        place = f"{seconds(line['first_downbeat_s'], 3)} into the file"
        rows.append(f"  bar one  {place} ({percent(line['bar_one_confidence'])} sure)")
    if line["key_tonic"]:
        keys = [f"{line['key_tonic']} {line['key_mode']}", *(key for _, key, _ in line["key_changes"])]
        rows.append(f"  key      {', then '.join(keys)} ({percent(line['key_confidence'])} sure)")
    else:
        rows.append("  key      none found")
    if line["tuning_cents"] is not None:
        rows.append(f"  tuning   {cents_words(line['tuning_cents'])} from A4 = 440 Hz")
    if line["lufs"] is not None:
        level, peak = signed(line["lufs"], 1), line["true_peak_dbtp"]
        rows.append(
            f"  level    {level} LUFS" + (f", true peak {signed(peak, 1)} dBTP" if peak is not None else "")
        )
    rows += [f"  note     {flag}" for flag in line["flags"]]
    return "\n".join(map(one_line, rows))


def _tempo(line: dict[str, Any]) -> str:
    """'92 BPM, constant', '43 BPM (dotted quarter; 64.5 in quarters), constant', 'moves around 130.8 BPM'."""
    moves = line["constant_tempo"] is False
    bpm = round(line["tempo_bpm"], 1 if moves else 3)
    note = (
        f" (dotted quarter; {format_tempo(round(1.5 * bpm, 3))} in quarters)"
        if line["meter"] == "6/8"
        else ""
    )
    shown = f"{format_tempo(bpm)} BPM{note}"
    return f"moves around {shown}" if moves else f"{shown}, constant"
