"""What it may be instead: the other answers that are worth naming, most probable first."""

from __future__ import annotations

from typing import TypeVar

from analyzers.harmony.spelling import is_minor, pitch_class_of
from analyzers.model import Grid, Key, KeyCandidate, KeyChange, MeterCandidate, TempoCandidate
from analyzers.rhythm.shares import LEVEL, OPEN_LEVEL
from daemon.export.cutwords import beats_words
from daemon.report.words import percent, tempi_words

Rival = TypeVar("Rival", TempoCandidate, KeyCandidate)
WORTH_SAYING = 0.01  # a rival less probable than this is not named
WORTH_A_LOOK = 0.05  # a meter, a place of bar one, or a second rival, less probable than this is not named
WORTH_HEARING = 0.1  # a tempo less probable than this is not named where no steady beat was found
SAME_LEVEL = 0.005  # two tempi so near are one, counted at two levels
SAME_TEMPO = 0.001  # two tempi so near are no rivals


def other_tempi(grid: Grid) -> list[TempoCandidate]:
    """Tempi that are worth offering beside the found one, most probable first."""
    likely = [c for c in grid.tempo_alternatives if c.probability >= WORTH_SAYING]
    bpm = grid.tempo_bpm
    return [] if bpm is None else [c for c in likely if abs(c.bpm / bpm - 1) > SAME_TEMPO]


def rival_tempi(grid: Grid) -> list[TempoCandidate]:
    """Those of them that make the found one wrong: other grids."""
    return [c for c in other_tempi(grid) if level_of(grid.tempo_bpm, c.bpm) is None]


def counted_tempi(grid: Grid) -> list[TempoCandidate]:
    """Half and double the tempo, where the song may be counted so: no rivals, the grid is the same, so that
    their probability is none beside how sure the tempo is (`analyzers.rhythm.shares`)."""
    levels = [c for c in other_tempi(grid) if level_of(grid.tempo_bpm, c.bpm)]
    return [c for c in levels if c.probability >= LEVEL]


def counted_words(grid: Grid) -> str:
    """ "may be counted as 70", "may as well be counted as 70": such a tempo; empty without one."""
    found = counted_tempi(grid)
    as_well = "as well " if open_level(grid) else ""
    return f"may {as_well}be counted as {tempi_words(grid, found[0].bpm)}" if found else ""


def level_of(bpm: float | None, other: float) -> float | None:
    """0.5 or 2, where the other tempo is half or twice the first."""
    ratio = other / bpm if bpm else 0.0
    return next((level for level in (0.5, 2.0) if abs(ratio / level - 1) <= SAME_LEVEL), None)


def other_meter(grid: Grid, bpm: float) -> str | None:
    """'3/4' of a song in 6/8 whose bars hold three quarters at that tempo; '6/8' the other way round."""
    meter, ratio = {"6/8": ("3/4", 1.5), "3/4": ("6/8", 2 / 3)}.get(grid.meter or "", ("", 0.0))
    beat = (grid.tempo_bpm or 0.0) * ratio
    return meter if beat and abs(bpm / beat - 1) <= SAME_LEVEL else None


def in_meter(grid: Grid, bpm: float) -> str:
    """' in 3/4' after such a tempo, else nothing."""
    meter = other_meter(grid, bpm)
    return f" in {meter}" if meter else ""


def open_level(grid: Grid) -> TempoCandidate | None:
    """Half or double the tempo, where the song may as well be counted so."""
    return next((c for c in counted_tempi(grid) if c.probability >= OPEN_LEVEL), None)


def rival_meters(grid: Grid) -> list[MeterCandidate]:
    """Meters that it may have instead and that are worth naming, most probable first."""
    return [c for c in grid.meter_alternatives if c.probability >= WORTH_A_LOOK]


def rival_places(grid: Grid) -> list[tuple[float, str]]:
    """Where bar one may be instead and that are worth naming, most probable first: beats after the one that
    was found, and "2 beats later (31 %)"."""
    likely = [c for c in grid.bar_one_alternatives if c.probability >= WORTH_A_LOOK]
    return [(c.late_beats, f"{place_words(c.late_beats, grid)} ({percent(c.probability)})") for c in likely]


def place_words(late_beats: float, grid: Grid) -> str:
    """ "2 beats later", "1/2 of a beat earlier", "a bar earlier", "6 bars later"."""
    far = abs(late_beats)
    bars, rest = divmod(far, grid.beats_per_bar or far + 1)
    text = beats_words(far) if rest or not bars else "a bar" if bars == 1 else f"{bars:.0f} bars"
    return f"{text} {'later' if late_beats > 0 else 'earlier'}"


def if_any(grid: Grid) -> str | None:
    """Of music without a steady beat: the tempo that it has if it has one, "at some 61 BPM (31 %)"."""
    likely = max(grid.tempo_alternatives, key=lambda c: c.probability, default=None)
    if grid.tempo_bpm is not None or likely is None or likely.probability < WORTH_HEARING:
        return None
    return f"at some {likely.bpm:.0f} BPM ({percent(likely.probability)})"


def worth_naming(rivals: list[Rival]) -> list[Rival]:
    """Those that a sentence names: the likeliest, and the second where it is worth a look."""
    return [c for k, c in enumerate(rivals[:2]) if k == 0 or c.probability >= WORTH_A_LOOK]


def or_else(rivals: list[str]) -> str:
    """'; it could be C minor (30 %) or G minor (10 %).' after what is doubtful; a full stop without any."""
    return f"; it could be {' or '.join(rivals)}." if rivals else "."


def rival_keys(key: Key | KeyChange) -> list[KeyCandidate]:
    """Keys that it may be instead and that are worth naming, most probable first; C minor is no rival of C
    harmonic minor, which is a kind of it, but of C dorian where both are told apart.
    """
    likely = [c for c in key.alternatives if c.probability >= WORTH_SAYING]
    if key.tonic is None or key.mode is None:
        return likely
    own = key.tonic, key.mode
    if own in ((c.tonic, c.mode) for c in key.alternatives):
        return [c for c in likely if (c.tonic, c.mode) != own]
    found = pitch_class_of(key.tonic), is_minor(key.mode)
    return [c for c in likely if (pitch_class_of(c.tonic), is_minor(c.mode)) != found]


def rival_key(key: Key) -> str | None:
    """The likeliest of them, where a key was found at all: 'B flat minor'."""
    rivals = rival_keys(key) if key.tonic else []
    return f"{rivals[0].tonic} {rivals[0].mode}" if rivals else None
