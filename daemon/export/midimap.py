"""The map: a Standard MIDI File that carries what the session needs beside the aligned copy.

Format 1, 960 ticks a quarter note. Track 1 (conductor): title, meter (a shortened first bar has a
time signature of its own), tempo, key signatures, section markers. Track 2: the chords as held notes
with voice leading in the vocal range, names as text events. Track 3: their roots as a bass line.
Tick 0 is the copy's sample 0 (`ruler`, `score`).

Source: Standard MIDI File 1.0 (MMA/AMEI RP-001): tempo in whole microseconds a quarter note, text
in ASCII because the standard names no encoding, key signature as sharps or flats and major or minor.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from pathlib import Path

import mido

from analyzers.harmony.spelling import is_minor, signature
from daemon.export.ruler import TICKS_PER_QUARTER
from daemon.export.score import Held, Score

CHORD_CHANNEL, BASS_CHANNEL = 0, 1
CHORD_VELOCITY, BASS_VELOCITY = 80, 90
QUARTER_CLOCKS, DOTTED_CLOCKS = 24, 36  # MIDI clocks from click to click: 6/8 counts dotted quarters

Event = tuple[int, mido.Message | mido.MetaMessage]  # absolute tick


def write_map(path: Path, score: Score, title: str) -> None:
    """Write the map of one aligned copy; an existing file is replaced."""
    names = [(held.start, mido.MetaMessage("text", text=held.written)) for held in score.chords]
    tracks = [
        (title, conductor(score)),
        ("Chords", [*names, *notes(score.chords, CHORD_CHANNEL, CHORD_VELOCITY)]),
        ("Bass", notes(score.bass, BASS_CHANNEL, BASS_VELOCITY)),
    ]
    write_midi(path, tracks, score.end_tick)


def write_midi(path: Path, tracks: Sequence[tuple[str, list[Event]]], end_tick: int) -> None:
    """Write named tracks of events, each closed at the end of the copy."""
    midi = mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_QUARTER, charset="ascii")
    midi.tracks.extend(_track(ascii_text(name), events, end_tick) for name, events in tracks)
    midi.save(path)


def ascii_text(text: str) -> str:
    """The text without what ASCII cannot write (accents fall off their letters)."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii").strip()
    return plain or "untitled"


def conductor(score: Score) -> list[Event]:
    """Meter, tempo, key signatures and section markers."""
    events: list[Event] = [
        (
            tick,
            mido.MetaMessage("time_signature", numerator=upper, denominator=lower, clocks_per_click=clocks),
        )
        for tick, (upper, lower) in score.ruler.meters
        for clocks in [DOTTED_CLOCKS if (upper, lower) == (6, 8) else QUARTER_CLOCKS]
    ]
    events += [(tick, mido.MetaMessage("set_tempo", tempo=tempo)) for tick, tempo in score.ruler.tempi]
    if not score.has_grid:
        note = "no steady beat was found: the tempo here is a ruler only"
        events.append((0, mido.MetaMessage("text", text=note)))
    if not score.keys:
        events.append((0, mido.MetaMessage("text", text="no key")))
    for key in score.keys:
        name = _signature_name(key.tonic, key.mode)
        events.append((key.tick, mido.MetaMessage("key_signature", key=name)))
        events.append((key.tick, mido.MetaMessage("text", text=f"key: {key.written}")))
    events += [(tick, mido.MetaMessage("marker", text=letter)) for tick, letter in score.sections]
    return events


def notes(track: Sequence[Held], channel: int, velocity: int) -> list[Event]:
    """Note on and off of everything that is held."""
    events: list[Event] = []
    for held in track:
        for note in held.notes:
            # mido's own checks of each field cost more than the rest of the file
            on = mido.Message("note_on", skip_checks=True, note=note, velocity=velocity, channel=channel)
            off = mido.Message("note_off", skip_checks=True, note=note, velocity=0, channel=channel)
            events += [(held.start, on), (held.end, off)]
    return events


def _signature_name(tonic: str, mode: str) -> str:
    """The major or minor key that is written with this key's sharps or flats: 'Ebm', 'D'."""
    sharps = signature(tonic, mode)
    minor = is_minor(mode)
    position = sharps + (3 if minor else 0) + 1
    return "FCGDAEB"[position % 7] + ("b", "", "#")[position // 7 + 1] + ("m" if minor else "")


def _track(name: str, events: list[Event], last_tick: int) -> mido.MidiTrack:
    """Events in order, offs before ons of the same tick, closed at the end of the copy."""
    rank = {"note_off": 0, "note_on": 2}
    track = mido.MidiTrack([mido.MetaMessage("track_name", name=name, time=0)])
    now = 0
    for tick, message in sorted(events, key=lambda e: (e[0], rank.get(e[1].type, 1))):
        vars(message)["time"] = tick - now  # each event is in one track only
        track.append(message)
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=max(0, last_tick - now)))
    return track
