"""The session as a DAWproject 1.0 file: an open exchange format (MIT), a zip with two XML documents.

Each sound starts at time zero, unwarped: its clip is measured in seconds, so no tempo stretches it.
Chords, bass, markers, tempo and meter lie at the score's ticks, in quarter notes. Below them come
the studio's own empty tracks. Audio is referred to by a path relative to the file (`external`), or
lies in the zip. The same session gives the same bytes: fixed time stamps, nothing compressed
(compressors differ from machine to machine).

Source: the published schemas Project.xsd and MetaData.xsd of version 1.0.
"""

from __future__ import annotations

import shutil
import zipfile
from collections.abc import Iterable
from pathlib import Path
from xml.etree import ElementTree as xml

from daemon.core.atomic import machine_error
from daemon.export.guide import set_words
from daemon.export.midimap import BASS_VELOCITY, CHORD_VELOCITY
from daemon.export.ruler import TICKS_PER_QUARTER
from daemon.export.score import Held, Score
from daemon.export.session import EmptyTrack, Session, Sound

EARLIEST = (1980, 1, 1, 0, 0, 0)  # what a zip can say; no clock is read
REGULAR_FILE = 0o100644 << 16
AUDIO_FOLDER = "audio"
XML_HEAD = b'<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'

Element = xml.Element


def write_dawproject(path: Path, session: Session, *, audio_inside: bool = False) -> None:
    """Write the session file; an existing one is replaced. Raises MachineError when the disk refuses."""
    places = {sound.place: _inner_place(sound) if audio_inside else sound.place for sound in session.sounds}
    try:
        with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as archive:
            archive.writestr(_entry("metadata.xml"), _document(_metadata(session)))
            archive.writestr(_entry("project.xml"), _document(_Project(session, places, audio_inside).tree))
            for sound in session.sounds if audio_inside else ():
                with sound.path.open("rb") as source, archive.open(_entry(places[sound.place]), "w") as out:
                    shutil.copyfileobj(source, out, 1 << 20)
    except OSError as error:
        raise machine_error(error, path) from error


def _inner_place(sound: Sound) -> str:
    return f"{AUDIO_FOLDER}/{sound.path.name}"


def _entry(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, EARLIEST)
    entry.create_system, entry.external_attr = 3, REGULAR_FILE
    return entry


def _document(root: Element) -> bytes:
    xml.indent(root, " ")
    return b"%s%s\n" % (XML_HEAD, xml.tostring(root, encoding="utf-8"))


def _metadata(session: Session) -> Element:
    root = Element("MetaData")
    for tag, text in (
        ("Title", session.title),
        ("Producer", session.artist),
        ("Comment", "\n".join(session.remarks)),
    ):
        if text:
            xml.SubElement(root, tag).text = text
    return root


def _beats(tick: float) -> str:
    """Quarter notes as short as is exact to a millionth."""
    return _number(tick / TICKS_PER_QUARTER)


def _number(value: float) -> str:
    text = f"{value:.9f}".rstrip("0")
    return f"{text}0" if text.endswith(".") else text


class _Project:
    """Builds `tree`; every element that may be referred to gets a number of its own."""

    def __init__(self, session: Session, places: dict[str, str], audio_inside: bool) -> None:
        self.count = 0
        self.places, self.external = places, not audio_inside
        score = session.score
        self.tree = Element("Project", version="1.0")
        xml.SubElement(self.tree, "Application", name="beatintake", version=session.software)
        tempo, meter = self._transport(score)
        structure = xml.SubElement(self.tree, "Structure")
        self.master = self._id()
        lanes = []
        for place, sound in enumerate(session.sounds):
            remark = sound.remark or ("\n".join(session.remarks) if place == 0 else "")
            fader = 10 ** (sound.fader_db / 20)
            track = self._track(structure, sound.name, "audio", sound.channels, remark, sound.muted, fader)
            lanes.append((track, self._audio_clips(sound)))
        for name, held, velocity in (
            ("Chords", score.chords, CHORD_VELOCITY),
            ("Bass", score.bass, BASS_VELOCITY),
        ):
            lanes.append((self._track(structure, name, "notes", 2), self._notes(held, velocity, score)))
        for group, tracks in session.layout:
            self._layout(structure, group, tracks)
        self._master_track(structure)
        self._arrangement(session, lanes, tempo, meter)

    def _id(self) -> str:
        self.count += 1
        return f"id{self.count}"

    def _transport(self, score: Score) -> tuple[str, str]:
        """Ids of tempo and time signature."""
        transport = xml.SubElement(self.tree, "Transport")
        tempo = self._id()
        _, bpm = score.ruler.tempo_points[0]
        xml.SubElement(transport, "Tempo", id=tempo, name="Tempo", unit="bpm", value=_number(bpm))
        (_, first), *_ = score.ruler.meters or ((0, (4, 4)),)
        meter = self._id()
        xml.SubElement(transport, "TimeSignature", {"id": meter, **_meter(first)})
        return tempo, meter

    def _track(
        self,
        parent: Element,
        name: str,
        content: str,
        channels: int,
        remark: str = "",
        muted: bool = False,
        volume: float = 1.0,
        colour: str | None = None,
        to: str = "",
    ) -> str:
        """A track with its channel; returns the track's id."""
        track = xml.SubElement(parent, "Track", id=self._id(), name=name, contentType=content, loaded="true")
        _given(track, comment=remark, color=colour)
        self._channel(track, "regular", channels, to or self.master, muted, volume=volume)
        return track.attrib["id"]

    def _channel(
        self,
        track: Element,
        role: str,
        channels: int,
        to: str | None,
        muted: bool = False,
        own: str = "",
        volume: float = 1.0,
    ) -> None:
        channel = xml.SubElement(
            track, "Channel", id=own or self._id(), role=role, audioChannels=str(channels), solo="false"
        )
        _given(channel, destination=to)
        xml.SubElement(channel, "Mute", id=self._id(), name="Mute", value=str(muted).lower())
        xml.SubElement(channel, "Volume", id=self._id(), name="Volume", unit="linear", value=_number(volume))

    def _layout(self, structure: Element, group: str | None, tracks: Iterable[EmptyTrack]) -> None:
        parent, to = structure, self.master
        if group is not None:
            parent, to = xml.SubElement(structure, "Track", id=self._id(), name=group), self._id()
            parent.attrib |= {"contentType": "tracks", "loaded": "true"}
            self._channel(parent, "submix", 2, self.master, own=to)
        for track in tracks:
            self._track(parent, track.name, "audio", track.channels, colour=track.colour, to=to)

    def _master_track(self, structure: Element) -> None:
        track = xml.SubElement(structure, "Track", id=self._id(), name="Main", contentType="audio notes")
        track.attrib["loaded"] = "true"
        self._channel(track, "master", 2, None, own=self.master)

    def _audio_clips(self, sound: Sound) -> Element:
        clips = Element("Clips", id=self._id(), timeUnit="seconds")
        clip = xml.SubElement(clips, "Clip", name=sound.name, time="0.0", duration=_number(sound.seconds))
        clip.attrib |= {"contentTimeUnit": "seconds", "playStart": "0.0"}
        audio = xml.SubElement(clip, "Audio", id=self._id(), duration=_number(sound.seconds))
        audio.attrib |= {"channels": str(sound.channels), "sampleRate": str(sound.rate)}
        file = xml.SubElement(audio, "File", path=self.places[sound.place])
        file.set("external", str(self.external).lower())
        return clips

    def _notes(self, track: tuple[Held, ...], velocity: int, score: Score) -> Element:
        """One clip over the whole copy."""
        clips = Element("Clips", id=self._id())
        clip = xml.SubElement(clips, "Clip", time="0.0", duration=_beats(score.end_tick), playStart="0.0")
        clip.set("contentTimeUnit", "beats")
        notes = xml.SubElement(clip, "Notes", id=self._id())
        strength = f"{velocity / 127:.4f}"
        for held in track:
            when = {"time": _beats(held.start), "duration": _beats(held.end - held.start)}
            for note in held.notes:
                xml.SubElement(notes, "Note", {**when, "channel": "0", "key": str(note), "vel": strength})
        return clips

    def _arrangement(
        self, session: Session, lanes: list[tuple[str, Element]], tempo: str, meter: str
    ) -> None:
        score = session.score
        arrangement = xml.SubElement(self.tree, "Arrangement", id=self._id(), name=session.title)
        _given(arrangement, comment="\n".join(session.remarks))
        every = xml.SubElement(arrangement, "Lanes", id=self._id(), timeUnit="beats")
        for track, clips in lanes:
            lane = xml.SubElement(every, "Lanes", id=self._id(), track=track)
            lane.append(clips)
        markers = [(tick, letter) for tick, letter in score.sections]
        markers += [(key.tick, f"Key: {key.written}") for key in score.keys]
        if markers:
            held = xml.SubElement(arrangement, "Markers", id=self._id(), timeUnit="beats")
            for tick, name in sorted(markers):
                notes = [there for at, there in score.note_sets if at <= tick][-1]
                remark = f"Notes: {set_words(notes)}"
                xml.SubElement(held, "Marker", name=name, time=_beats(tick), comment=remark)
        if len(score.ruler.tempo_points) > 1:
            self._tempo_map(arrangement, score, tempo)
        if len(score.ruler.meters) > 1:
            self._meters(arrangement, score, meter)

    def _meters(self, arrangement: Element, score: Score, meter: str) -> None:
        points = xml.SubElement(arrangement, "TimeSignatureAutomation", id=self._id(), timeUnit="beats")
        xml.SubElement(points, "Target", parameter=meter)
        for tick, signature in score.ruler.meters:
            at = {"time": _beats(tick), **_meter(signature)}
            xml.SubElement(points, "TimeSignaturePoint", at)

    def _tempo_map(self, arrangement: Element, score: Score, tempo: str) -> None:
        points = xml.SubElement(arrangement, "TempoAutomation", id=self._id(), timeUnit="beats", unit="bpm")
        xml.SubElement(points, "Target", parameter=tempo)
        for tick, bpm in score.ruler.tempo_points:
            at = {"time": _beats(tick), "value": _number(bpm), "interpolation": "hold"}
            xml.SubElement(points, "RealPoint", at)


def _meter(signature: tuple[int, int]) -> dict[str, str]:
    return {"numerator": str(signature[0]), "denominator": str(signature[1])}


def _given(element: Element, **attributes: str | None) -> None:
    """Set the attributes that have a value."""
    element.attrib |= {name: value for name, value in attributes.items() if value}
