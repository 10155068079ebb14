"""A reader of DAWproject files that shares nothing with the writer: zip, XML, and the schemas' words only.

Times come back in seconds by the file's own tempo, as any program that opens it must compute them.
"""

from __future__ import annotations

import zipfile
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

PLACES = [above / "shared" / "standards" / "dawproject" for above in Path(__file__).parents[4:6]]
SCHEMAS = next((place for place in PLACES if place.is_dir()), PLACES[0])
"""The published schemas of version 1.0, where they lie beside the checkout."""


@dataclass(frozen=True)
class Clip:
    start_s: float
    end_s: float
    file: str
    external: bool
    rate: int
    channels: int


@dataclass(frozen=True)
class Note:
    start_s: float
    end_s: float
    key: int


class Opened:
    """One session file, read."""

    def __init__(self, path: Path) -> None:
        with zipfile.ZipFile(path) as archive:
            assert archive.testzip() is None
            self.names = archive.namelist()
            self.project = archive.read("project.xml")
            self.metadata = archive.read("metadata.xml")
        self.root = ElementTree.fromstring(self.project)
        self.tracks = {e.attrib["id"]: e for e in self.root.iter("Track")}
        tempo = self.root.find("Transport/Tempo")
        assert tempo is not None
        assert tempo.attrib["unit"] == "bpm"
        self.tempi = [(0.0, float(tempo.attrib["value"]))]
        automation = self.root.find("Arrangement/TempoAutomation")
        if automation is not None:
            target = automation.find("Target")
            assert target is not None
            assert target.attrib["parameter"] == tempo.attrib["id"]
            assert automation.attrib["timeUnit"] == "beats"
            points = automation.findall("RealPoint")
            assert {p.attrib["interpolation"] for p in points} == {"hold"}
            self.tempi = [(float(p.attrib["time"]), float(p.attrib["value"])) for p in points]

    def seconds(self, beat: float) -> float:
        """Of a place in quarter notes."""
        clock, now = 0.0, 0.0
        for (at, bpm), (until, _) in zip(self.tempi, [*self.tempi[1:], (float("inf"), 0.0)], strict=True):
            assert at == now, "no hole between tempi"
            clock += (min(beat, until) - at) * 60 / bpm
            if beat <= until:
                return clock
            now = until
        raise AssertionError("unreachable")

    def _place(self, value: str, unit: str) -> float:
        return float(value) if unit == "seconds" else self.seconds(float(value))

    def lanes(self) -> list[tuple[str, ElementTree.Element, str]]:
        """(name of the track, its Clips, their unit of time)."""
        outer = self.root.find("Arrangement/Lanes")
        assert outer is not None
        found = []
        for lane in outer.findall("Lanes"):
            clips = lane.find("Clips")
            assert clips is not None
            unit = clips.get("timeUnit") or lane.get("timeUnit") or outer.get("timeUnit") or "beats"
            found.append((self.tracks[lane.attrib["track"]].attrib["name"], clips, unit))
        return found

    def clips(self) -> dict[str, Clip]:
        """Audio by track name."""
        found = {}
        for name, clips, unit in self.lanes():
            for clip in clips.findall("Clip"):
                audio = clip.find("Audio")
                if audio is None:
                    continue
                file = audio.find("File")
                assert file is not None
                assert clip.find("Warps") is None
                assert float(clip.attrib["playStart"]) == 0.0
                assert clip.attrib["contentTimeUnit"] == "seconds"
                assert float(audio.attrib["duration"]) == float(clip.attrib["duration"])
                start, length = float(clip.attrib["time"]), float(clip.attrib["duration"])
                found[name] = Clip(
                    self._place(str(start), unit),
                    self._place(str(start + length), unit),
                    file.attrib["path"],
                    file.attrib["external"] == "true",
                    int(audio.attrib["sampleRate"]),
                    int(audio.attrib["channels"]),
                )
        return found

    def notes(self, track: str) -> list[Note]:
        found = []
        for name, clips, unit in self.lanes():
            for clip in clips.findall("Clip") if name == track else ():
                assert unit == "beats"
                assert clip.attrib["contentTimeUnit"] == "beats"
                for note in clip.iterfind("Notes/Note"):
                    start = float(clip.attrib["time"]) + float(note.attrib["time"])
                    end = start + float(note.attrib["duration"])
                    found.append(Note(self.seconds(start), self.seconds(end), int(note.attrib["key"])))
        return found

    def markers(self) -> list[tuple[float, str]]:
        every = self.root.findall("Arrangement/Markers/Marker")
        return [(self.seconds(float(m.attrib["time"])), m.attrib["name"]) for m in every]

    def bar(self, beat: float) -> int:
        """Number of the bar that holds a place in quarter notes, counted through the time signatures."""
        points = self.root.findall("Arrangement/TimeSignatureAutomation/TimeSignaturePoint")
        first = self.root.find("Transport/TimeSignature")
        assert first is not None
        meters = [(float(p.attrib["time"]), p) for p in points] or [(0.0, first)]
        bar = 1
        for (at, meter), (until, _) in zip(meters, [*meters[1:], (float("inf"), first)], strict=True):
            length = 4 * int(meter.attrib["numerator"]) / int(meter.attrib["denominator"])
            if beat < until:
                return bar + int((beat - at + 1e-6) / length)
            assert (until - at) % length == 0, "a meter changes on a bar line"
            bar += int((until - at) / length)
        raise AssertionError("unreachable")

    def marker_bars(self) -> list[tuple[str, int, float]]:
        """(name, bar, s) of every marker."""
        every = self.root.findall("Arrangement/Markers/Marker")
        places = [(m.attrib["name"], float(m.attrib["time"])) for m in every]
        return [(name, self.bar(at), self.seconds(at)) for name, at in places]

    def track(self, name: str) -> ElementTree.Element:
        (found,) = [track for track in self.tracks.values() if track.attrib["name"] == name]
        return found
