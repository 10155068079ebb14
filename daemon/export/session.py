"""What a session file holds, whatever its format: sounds from time zero, the score, the studio's own tracks.

The zero of all of it is the copy's sample 0 (`daemon.export.score`). A session file refers to the
audio beside it by a relative path, so it costs neither the time nor the disk of a second copy;
`output.session_audio: inside` puts the audio into the file for those who carry it elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from config.settings import SessionTrack
from daemon.core.names import STEMS_FOLDER
from daemon.core.text import lines, one_line
from daemon.decode.stems import Stem
from daemon.export.copy import CopyFacts
from daemon.export.score import Score


@dataclass(frozen=True, slots=True)
class Sound:
    """One audio file that lies on a track of its own from time zero, played as it is but for the fader."""

    name: str
    path: Path
    place: str  # relative to the ready folder, with forward slashes
    frames: int
    rate: int
    channels: int
    muted: bool = False
    remark: str = ""
    fader_db: float = 0.0

    @property
    def seconds(self) -> float:
        return self.frames / self.rate


@dataclass(frozen=True, slots=True)
class EmptyTrack:
    name: str
    colour: str | None  # "#rrggbb"
    channels: int


@dataclass(frozen=True, slots=True)
class Session:
    title: str
    artist: str
    remarks: tuple[str, ...]  # whole sentences: the key, what needs ears
    sounds: tuple[Sound, ...]
    score: Score
    layout: tuple[tuple[str | None, tuple[EmptyTrack, ...]], ...]  # (group or None, its tracks)
    software: str  # version
    identity: str  # of the drop and its cut: two sessions with the same one are the same


def sounds_of(copy: CopyFacts, stems: Sequence[tuple[Stem, CopyFacts]], title: str) -> tuple[Sound, ...]:
    """The stems where there are any, else the copy.

    What lies beside the stems but is no part of their sum (a two-track) is muted: it would double them.
    The faders make the sum as loud as the copy, which alone was turned down where the sum passes full scale.
    """
    if not stems:
        return (_sound(copy, title, copy.path.name),)
    return tuple(
        _sound(
            facts,
            facts.path.stem,
            f"{STEMS_FOLDER}/{facts.path.name}",
            muted=stem.role != "stem",
            remark="" if stem.role == "stem" else f"{stem.role}: already in the other stems, muted",
            fader_db=copy.gain_db - facts.gain_db,
        )
        for stem, facts in stems
    )


def _sound(
    facts: CopyFacts, name: str, place: str, *, muted: bool = False, remark: str = "", fader_db: float = 0.0
) -> Sound:
    size = facts.frames, facts.rate, facts.channels
    return Sound(one_line(name), facts.path, place, *size, muted, lines(remark), fader_db)


def lay_out(tracks: Sequence[SessionTrack]) -> tuple[tuple[str | None, tuple[EmptyTrack, ...]], ...]:
    """The studio's tracks in its order, numbered where one is wanted several times.

    A group holds all of its tracks and stands where its first one does; tracks without a group stand alone.
    """
    places: list[tuple[str | None, list[EmptyTrack]]] = []
    for track in tracks:
        numbers = [f" {number}" for number in range(1, track.count + 1)] if track.count > 1 else [""]
        made = [EmptyTrack(f"{track.name}{number}", track.colour, track.channels) for number in numbers]
        there = next((held for group, held in places if group is not None and group == track.group), None)
        if there is None:
            places.append((track.group, made))
        else:
            there.extend(made)
    return tuple((group, tuple(held)) for group, held in places)
