"""The map: a Standard MIDI File that carries what the session needs beside the aligned copy.

Format 1, 960 ticks a quarter note. Track 1 (conductor): title, meter, tempo, key signatures,
section markers. Track 2: the chords as held notes with voice leading in the vocal range, names as
text events. Track 3: their roots as a bass line. Tick 0 is the copy's sample 0: an instant ``t`` of
the source lies at ``t - plan.zero_s`` seconds here. Before bar one the first tempo holds.

Source: Standard MIDI File 1.0 (MMA/AMEI RP-001): tempo in whole microseconds a quarter note, text
in ASCII because the standard names no encoding, key signature as sharps or flats and major or minor.
"""

from __future__ import annotations

import unicodedata
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import mido

from analyzers.harmony.spelling import parse_chord, pitch_class_of, signature
from analyzers.harmony.voicing import bass_notes, voice_chords
from analyzers.model import Analysis, Chord, Grid, Key
from daemon.export.plan import CutPlan, first_bar_seconds

TICKS_PER_QUARTER = 960
RULER_BPM = 120.0  # without a grid: the default of the standard
LONGEST_RUN_BEATS = 64
TEMPO_TOLERANCE_S = 0.001  # one tempo event serves as long as no beat is further off
CHORD_CHANNEL, BASS_CHANNEL = 0, 1
CHORD_VELOCITY, BASS_VELOCITY = 80, 90
VOCAL_RANGE = (53, 76)

Event = tuple[int, mido.Message | mido.MetaMessage]  # absolute tick


@dataclass(frozen=True, slots=True)
class Ruler:
    """Seconds in the copy to ticks: straight between the anchors, the outer lines carried on."""

    seconds: tuple[float, ...]
    ticks: tuple[float, ...]
    tempi: tuple[tuple[int, int], ...]  # (tick, microseconds a quarter)

    def tick(self, copy_s: float) -> int:
        """Tick of an instant, never below 0."""
        i = min(max(bisect_right(self.seconds, copy_s) - 1, 0), len(self.seconds) - 2)
        share = (copy_s - self.seconds[i]) / (self.seconds[i + 1] - self.seconds[i])
        return max(0, round(self.ticks[i] + share * (self.ticks[i + 1] - self.ticks[i])))


def write_map(
    path: Path, analysis: Analysis, plan: CutPlan, title: str, vocal_range: tuple[int, int] = VOCAL_RANGE
) -> None:
    """Write the map of one aligned copy; an existing file is replaced."""
    ruler = make_ruler(analysis.grid, plan)
    end_s = plan.source_end / analysis.rate - plan.zero_s
    chords = _chords_in_copy(analysis.chords, ruler, plan.zero_s, end_s)
    last = ruler.tick(end_s)
    midi = mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_QUARTER, charset="ascii")
    midi.tracks.append(_track(ascii_text(title), _conductor(analysis, plan, ruler), last))
    midi.tracks.append(_track("Chords", _chord_events(chords, vocal_range), last))
    midi.tracks.append(_track("Bass", _bass_events(chords), last))
    midi.save(path)


def make_ruler(grid: Grid, plan: CutPlan) -> Ruler:
    """Time map of the copy: constant, following every beat, or a plain 120 BPM ruler without a grid."""
    bar_s = first_bar_seconds(grid)
    if bar_s is None or plan.bar_one_in_copy_s is None or not grid.beats_per_bar:
        return _even_ruler(60.0 / RULER_BPM, 0.0, 0.0)
    beats, quarters = grid.beats_per_bar, _quarters_per_bar(grid)
    bar_one_tick = plan.bars_before_bar_one * quarters * TICKS_PER_QUARTER
    later = [
        b - plan.zero_s for b in grid.beats_s if grid.bar_one_s is not None and b > grid.bar_one_s + 1e-3
    ]
    if grid.constant_tempo or len(later) < 2:
        return _even_ruler(bar_s / quarters, plan.bar_one_in_copy_s, bar_one_tick)
    step = quarters / beats * TICKS_PER_QUARTER
    seconds = [plan.bar_one_in_copy_s - bar_s, plan.bar_one_in_copy_s, *later]
    ticks = [
        bar_one_tick - quarters * TICKS_PER_QUARTER,
        *(bar_one_tick + i * step for i in range(len(later) + 1)),
    ]
    return Ruler(tuple(seconds), tuple(ticks), tuple(_tempo_events(seconds, ticks)))


def ascii_text(text: str) -> str:
    """The text without what ASCII cannot write (accents fall off their letters)."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii").strip()
    return plain or "untitled"


def _even_ruler(quarter_s: float, at_s: float, at_tick: float) -> Ruler:
    tempo = (0, _microseconds(quarter_s))
    return Ruler((at_s, at_s + quarter_s), (at_tick, at_tick + TICKS_PER_QUARTER), (tempo,))


def _tempo_events(seconds: Sequence[float], ticks: Sequence[float]) -> Iterable[tuple[int, int]]:
    """As few tempo events as keep every beat within the tolerance; rounding does not add up."""
    at, clock = 0, seconds[0]  # clock: where playback of the events so far stands
    while at < len(seconds) - 1:
        reach = at + 1
        for to in range(at + 2, min(at + LONGEST_RUN_BEATS, len(seconds))):
            slope = (seconds[to] - clock) / (ticks[to] - ticks[at])
            off = (abs(clock + slope * (ticks[i] - ticks[at]) - seconds[i]) for i in range(at + 1, to))
            if max(off) > TEMPO_TOLERANCE_S:
                break
            reach = to
        quarters = (ticks[reach] - ticks[at]) / TICKS_PER_QUARTER
        tempo = _microseconds((seconds[reach] - clock) / quarters)
        yield (0 if at == 0 else round(ticks[at])), tempo
        clock += tempo * 1e-6 * quarters
        at = reach


def _microseconds(quarter_s: float) -> int:
    return min(max(round(quarter_s * 1e6), 1), 0xFFFFFF)


def _meter(grid: Grid) -> tuple[int, int] | None:
    if grid.meter is None:
        return None
    upper, lower = grid.meter.split("/")
    return int(upper), int(lower)


def _quarters_per_bar(grid: Grid) -> float:
    meter = _meter(grid) or (grid.beats_per_bar or 4, 4)
    return meter[0] * 4 / meter[1]


def _conductor(analysis: Analysis, plan: CutPlan, ruler: Ruler) -> list[Event]:
    grid, key = analysis.grid, analysis.key
    events: list[Event] = []
    meter = _meter(grid)
    if meter is not None:
        events.append((0, mido.MetaMessage("time_signature", numerator=meter[0], denominator=meter[1])))
    events += [(tick, mido.MetaMessage("set_tempo", tempo=tempo)) for tick, tempo in ruler.tempi]
    if grid.tempo_bpm is None:
        note = "no steady beat was found: the tempo here is a ruler only"
        events.append((0, mido.MetaMessage("text", text=note)))
    events += _key_events(key, plan, ruler)
    for section in analysis.sections:
        tick = ruler.tick(section.start_s - plan.zero_s)
        events.append((tick, mido.MetaMessage("marker", text=section.letter)))
    return events


def _key_events(key: Key, plan: CutPlan, ruler: Ruler) -> list[Event]:
    if key.tonic is None or key.mode is None:
        return [(0, mido.MetaMessage("text", text="no key"))]
    keys = [(0, key.tonic, key.mode)]
    keys += [(ruler.tick(c.at_s - plan.zero_s), c.tonic, c.mode) for c in key.changes]
    events: list[Event] = []
    for tick, tonic, mode in keys:
        events.append((tick, mido.MetaMessage("key_signature", key=_signature_name(tonic, mode))))
        events.append((tick, mido.MetaMessage("text", text=f"key: {tonic} {mode}")))
    return events


def _signature_name(tonic: str, mode: str) -> str:
    """The major or minor key that is written with this key's sharps or flats: 'Ebm', 'D'."""
    sharps = signature(pitch_class_of(tonic), mode)
    minor = mode not in ("major", "mixolydian")
    position = sharps + (3 if minor else 0) + 1
    return "FCGDAEB"[position % 7] + ("b", "", "#")[position // 7 + 1] + ("m" if minor else "")


def _chords_in_copy(
    chords: Sequence[Chord], ruler: Ruler, zero_s: float, end_s: float
) -> list[tuple[int, int, str]]:
    """(first tick, end tick, label) of what the copy holds of each chord, never overlapping."""
    out: list[tuple[int, int, str]] = []
    for chord in chords:
        start = ruler.tick(max(chord.start_s - zero_s, 0.0))
        end = ruler.tick(min(chord.end_s - zero_s, end_s))
        start = max(start, out[-1][1]) if out else start
        if end > start:
            out.append((start, end, chord.label))
    return out


def _chord_events(chords: list[tuple[int, int, str]], vocal_range: tuple[int, int]) -> list[Event]:
    voices = voice_chords([parse_chord(label) for _, _, label in chords], vocal_range)
    events: list[Event] = []
    for (start, end, label), notes in zip(chords, voices, strict=True):
        events.append((start, mido.MetaMessage("text", text="N.C." if label == "N" else label)))
        for note in notes:
            events += _held(note, start, end, CHORD_CHANNEL, CHORD_VELOCITY)
    return events


def _bass_events(chords: list[tuple[int, int, str]]) -> list[Event]:
    events: list[Event] = []
    notes = bass_notes([parse_chord(label) for _, _, label in chords])
    for (start, end, _), note in zip(chords, notes, strict=True):
        if note is not None:
            events += _held(note, start, end, BASS_CHANNEL, BASS_VELOCITY)
    return events


def _held(note: int, start: int, end: int, channel: int, velocity: int) -> list[Event]:
    return [
        (start, mido.Message("note_on", note=note, velocity=velocity, channel=channel)),
        (end, mido.Message("note_off", note=note, velocity=0, channel=channel)),
    ]


def _track(name: str, events: list[Event], last_tick: int) -> mido.MidiTrack:
    """Events in order, offs before ons of the same tick, closed at the end of the copy."""
    rank = {"note_off": 0, "note_on": 2}
    track = mido.MidiTrack([mido.MetaMessage("track_name", name=name, time=0)])
    now = 0
    for tick, message in sorted(events, key=lambda e: (e[0], rank.get(e[1].type, 1))):
        track.append(message.copy(time=tick - now))
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=max(0, last_tick - now)))
    return track
