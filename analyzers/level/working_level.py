"""Working level: how much to turn a track so that it sits where the session works.

The gain that brings the integrated loudness to the working loudness, held back where the true
peak would pass the ceiling. Common practice: a two-track comes down on arrival so that the
voice has room; broadcasting's ceiling is -1 dBTP (EBU R 128).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from analyzers.model import Loudness

NEGLIGIBLE_DB = 0.05


@dataclass(frozen=True, slots=True)
class GainAdvice:
    """`gain_db` to apply (negative turns down); `limited_by` says what decided it."""

    gain_db: float
    limited_by: Literal["loudness", "true peak", "unknown loudness"]
    peak_after_dbtp: float | None
    sentence: str


def suggest_gain(
    loudness: Loudness, working_loudness_lufs: float = -18.0, true_peak_ceiling_dbtp: float = -1.0
) -> GainAdvice:
    """Gain in dB, rounded to 0.1, toward down where rounding would pass the ceiling.

    Without an integrated loudness (silence, under 400 ms) the gain is 0.
    """
    level, peak = loudness.integrated_lufs, loudness.true_peak_dbtp
    if level is None or peak is None:
        return GainAdvice(0.0, "unknown loudness", peak, "Loudness is unknown: no gain is suggested.")
    wanted = round(working_loudness_lufs - level, 1)
    room = _floor_tenth(true_peak_ceiling_dbtp - peak)
    gain = min(wanted, room) + 0.0
    held_back = room < wanted
    return GainAdvice(
        gain_db=gain,
        limited_by="true peak" if held_back else "loudness",
        peak_after_dbtp=peak + gain,
        sentence=_sentence(gain, held_back, level, peak, working_loudness_lufs, true_peak_ceiling_dbtp),
    )


def _floor_tenth(value: float) -> float:
    rounded = round(value, 1)
    return rounded if rounded <= value + 1e-9 else round(rounded - 0.1, 1)


def _sentence(gain: float, held_back: bool, level: float, peak: float, working: float, ceiling: float) -> str:
    after = level + gain
    if abs(gain) < NEGLIGIBLE_DB and not held_back:
        return f"Already at the level this studio works at, {working:.1f} LUFS; leave the fader where it is."
    turn = f"Turn it {'down' if gain < 0 else 'up'} by {abs(gain):.1f} dB"
    if abs(gain) < NEGLIGIBLE_DB:
        turn = "Leave the level"
    if held_back:
        return (
            f"{turn}: {after:.1f} LUFS, {working - after:.1f} LU short of the level this studio works at, "
            f"because the peaks reach the ceiling of {ceiling:.1f} dBTP."
        )
    return (
        f"{turn} to reach {working:.1f} LUFS, the level this studio works at; its peaks are then "
        f"{-(peak + gain):.0f} dB below full scale, which is room for the voice."
    )


def after_gain(loudness: Loudness, gain_db: float) -> Loudness:
    """The figures of the same programme after a gain in dB; ranges and ratios stay."""
    if gain_db == 0:
        return loudness

    def moved(level: float | None) -> float | None:
        return None if level is None else level + gain_db

    return replace(
        loudness,
        integrated_lufs=moved(loudness.integrated_lufs),
        max_momentary_lufs=moved(loudness.max_momentary_lufs),
        max_short_term_lufs=moved(loudness.max_short_term_lufs),
        true_peak_dbtp=moved(loudness.true_peak_dbtp),
        sample_peak_dbfs=moved(loudness.sample_peak_dbfs),
        short_term_curve=tuple((at, level + gain_db) for at, level in loudness.short_term_curve),
    )
