"""What `analyse` prints for a person: the same words and digits as the card, times of the file."""

from __future__ import annotations

from dataclasses import replace

from analyzers.model import Analysis, KeyChange, Tuning
from config.settings import Settings
from daemon.pipeline.analyse import as_text
from daemon.report.machine import machine_line
from tests.daemon.sample_report import key_of, moving_grid, no_steady_beat, sample_analysis, steady_grid


def lines_of(analysis: Analysis) -> list[str]:
    return as_text(machine_line("a.wav", analysis, settings=Settings())).splitlines()


def test_a_beat() -> None:
    key = replace(key_of(), changes=(KeyChange(20.0, "F", "minor", 0.9),))
    lines = lines_of(sample_analysis(key=key, tuning=Tuning(-0.04, 439.99, 0.95)))
    assert lines[:6] == [
        "a.wav",
        "  tempo    140 BPM, constant, 4/4 (97 % sure)",
        "  bar one  0.750 s into the file (93 % sure)",
        "  key      E flat minor, then F minor (91 % sure)",
        "  tuning   0 cents from A4 = 440 Hz",
        "  level    −8.4 LUFS, true peak +0.4 dBTP",
    ]


def test_dotted_quarters_a_moving_tempo_and_none() -> None:
    six = replace(steady_grid(43.0), meter="6/8", beats_per_bar=2)
    assert (
        "43 BPM (dotted quarter; 64.5 in quarters), constant, 6/8" in lines_of(sample_analysis(grid=six))[1]
    )
    moving = replace(moving_grid((31, 94.1), (32, 96.55)), tempo_bpm=95.3172)
    assert "  tempo    moves around 95.3 BPM, 4/4" in lines_of(sample_analysis(grid=moving))[1]
    nothing = sample_analysis(grid=no_steady_beat(), key=replace(key_of(), tonic=None, mode=None))
    assert lines_of(nothing)[1:3] == ["  tempo    none found", "  key      none found"]
