"""The session file, opened by a reader that shares nothing with its writer (`session_reader`).

Checked against the published schemas of DAWproject 1.0 (MIT) with libxml2, where they lie beside the
checkout, and always for the structure that they ask for.
"""

from __future__ import annotations

import zipfile
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import mido
import pytest

from analyzers.model import Analysis, KeyChange, Section
from config.settings import SessionTrack
from daemon.export.copy import CopyFacts
from daemon.export.dawproject import write_dawproject
from daemon.export.midimap import write_map
from daemon.export.plan import CutPlan
from daemon.export.score import make_score
from daemon.export.session import Session, Sound, lay_out, sounds_of
from tests.daemon.export.score_kit import RATE, analysis, grid, key, plan, steady
from tests.daemon.export.session_reader import SCHEMAS, Opened
from tests.daemon.export.test_midimap import events, seconds_of
from tests.daemon.sample_report import sample_stem

LABELS = ("Cm", "Ab", "Eb7", "N", "Bbm7", "F#dim")
LAYOUT = (
    SessionTrack(name="Slate", colour="#808080"),
    SessionTrack(name="Front", group="Cast"),
    SessionTrack(name="Twin", group="Cast", count=2),
    SessionTrack(name="Choir", channels=2),
    SessionTrack(name="Late", group="Cast"),
)


def chords_on(beats: list[float]) -> list[tuple[float, float, str]]:
    lines = beats[::4]
    return [(a, b, LABELS[i % len(LABELS)]) for i, (a, b) in enumerate(pairwise(lines))]


def plain_beat() -> Analysis:
    g = steady(93.37, 1.25)
    return analysis(
        g, chords_on(list(g.beats_s)), first_sound=1.25, sections=(Section(1.25, 9.0, "A", 1, 0.9),)
    )


def tempo_map_beat() -> Analysis:
    beats = [0.6]
    for i in range(240):
        beats.append(beats[-1] + 0.5 + 0.04 * (i / 240) - (0.08 if i > 150 else 0.0))
    g = grid(beats, 115.0, constant=False, bar_one=4)
    parts = (Section(beats[4], beats[84], "A", 1, 0.8), Section(beats[84], beats[-1], "B", 21, 0.8))
    return analysis(g, chords_on(beats), seconds=140.0, first_sound=0.6, sections=parts)


def key_change_beat() -> Analysis:
    g = steady(120.0, 1.25)
    k = key("G", "major", (KeyChange(9.25, "A flat", "major", 0.9),))
    parts = (Section(1.25, 9.25, "A", 1, 0.8), Section(9.25, 30.0, "A", 5, 0.8))
    return analysis(g, chords_on(list(g.beats_s)), first_sound=1.25, k=k, sections=parts)


def compound_beat() -> Analysis:
    g = grid([0.4 * i for i in range(90)], 150.0, per_bar=6, meter="6/8")
    return analysis(g, [(0.0, 2.4, "Em"), (2.4, 4.8, "C")])


def pickup_beat() -> Analysis:
    g = steady(120.0, 3.25)
    return analysis(g, chords_on(list(g.beats_s)), first_sound=2.84)


def no_beat() -> Analysis:
    return analysis(grid([], None, meter=None), [(3.0, 5.5, "C")], first_sound=1.005, k=key(None, None))


BEATS = {
    f.__name__: f for f in (plain_beat, tempo_map_beat, key_change_beat, compound_beat, pickup_beat, no_beat)
}


def plan_of(a: Analysis) -> CutPlan:
    """From the first sound where music comes before bar one: bar 1 is shortened then."""
    return plan(a, start="first_sound")


def session_of(a: Analysis, sounds: tuple[Sound, ...] | None = None) -> Session:
    cut = plan_of(a)
    frames = cut.pad_samples + cut.source_end - cut.source_start
    copy = Sound("amber lane", Path("amber lane.wav"), "amber lane.wav", frames, RATE, 2)
    return Session(
        title="amber lane & <co>",
        artist="tin roof",
        remarks=("115 BPM, C minor", 'Key: 60 % sure; "it could be" C major.'),
        sounds=sounds or (copy,),
        score=make_score(a, cut, 0.8),
        layout=lay_out(LAYOUT),
        software="1.2",
        identity="one",
    )


@pytest.fixture(params=BEATS)
def written(request, tmp_path):
    """(analysis, session, the file opened, the map read by mido)."""
    a = BEATS[request.param]()
    session = session_of(a)
    write_dawproject(tmp_path / "a.dawproject", session)
    write_map(tmp_path / "a.map.mid", session.score, session.title)
    return a, session, Opened(tmp_path / "a.dawproject"), mido.MidiFile(tmp_path / "a.map.mid")


def test_it_is_valid_by_the_published_schemas(written):
    etree = pytest.importorskip("lxml.etree")
    if not SCHEMAS.is_dir():
        pytest.skip("the published schemas do not lie beside this checkout")
    _, _, opened, _ = written
    for document, schema in ((opened.project, "Project.xsd"), (opened.metadata, "MetaData.xsd")):
        judge = etree.XMLSchema(etree.parse(SCHEMAS / schema))
        judge.assertValid(etree.fromstring(document))


def test_structure(written):
    """What Project.xsd asks for, in its words: order, unique ids, references that lead somewhere."""
    root = written[2].root
    assert root.tag == "Project"
    assert root.attrib["version"] == "1.0"
    assert [e.tag for e in root] == ["Application", "Transport", "Structure", "Arrangement"]
    assert set(root[0].attrib) == {"name", "version"}
    ids = [e.attrib["id"] for e in root.iter() if "id" in e.attrib]
    assert len(ids) == len(set(ids))
    used = [
        e.attrib[name]
        for e in root.iter()
        for name in ("track", "destination", "parameter")
        if name in e.attrib
    ]
    assert set(used) <= set(ids)
    (master,) = [e for e in root.iter("Channel") if e.attrib["role"] == "master"]
    assert all(e is master or "destination" in e.attrib for e in root.iter("Channel"))
    order = ["Lanes", "Markers", "TempoAutomation", "TimeSignatureAutomation"]
    tags = [e.tag for e in root[3]]
    assert tags == [tag for tag in order if tag in tags]


def test_audio_is_played_as_it_is_from_time_zero(written):
    _, session, opened, _ = written
    (clip,) = opened.clips().values()
    assert clip.start_s == 0.0
    assert clip.end_s == pytest.approx(session.sounds[0].frames / RATE, abs=1e-6)
    assert (clip.file, clip.external, clip.rate, clip.channels) == ("amber lane.wav", True, RATE, 2)


def test_notes_are_those_of_the_map_to_the_tick(written):
    _, _, opened, midi = written
    for number, name in ((1, "Chords"), (2, "Bass")):
        held: dict[int, float] = {}
        wanted = []
        for tick, message in events(midi.tracks[number]):
            if message.type == "note_on":
                held[message.note] = seconds_of(midi, tick)
            elif message.type == "note_off":
                wanted.append((held.pop(message.note), seconds_of(midi, tick), message.note))
        found = sorted((n.start_s, n.end_s, n.key) for n in opened.notes(name))
        assert len(found) == len(wanted) > 0
        assert [n[2] for n in found] == [n[2] for n in sorted(wanted)]
        for one, other in zip(found, sorted(wanted), strict=True):
            assert one[:2] == pytest.approx(other[:2], abs=1e-3)


def test_everything_lies_where_it_is_in_the_copy(written):
    """The file's own clock against the analysis, which is where the sound is."""
    a, _, opened, _ = written
    cut = plan_of(a)
    starts = sorted({n.start_s for n in opened.notes("Chords")})
    wanted = [c.start_s - cut.zero_s for c in a.chords if c.label != "N" and c.end_s > cut.zero_s]
    assert starts == pytest.approx([max(t, 0.0) for t in wanted], abs=1e-3)
    sections = [at for at, name in opened.markers() if not name.startswith("Key")]
    assert sections == pytest.approx([max(s.start_s - cut.zero_s, 0) for s in a.sections], abs=1e-3)
    changes = [at for at, name in opened.markers() if name.startswith("Key")][1:]
    assert changes == pytest.approx([c.at_s - cut.zero_s for c in a.key.changes], abs=1e-3)


def test_every_beat_of_the_grid_lies_on_the_copy(written):
    a, session, opened, _ = written
    cut = plan_of(a)
    for at in a.grid.beats_s:
        if at >= cut.zero_s:
            beat = session.score.ruler.tick(at - cut.zero_s) / 960
            assert opened.seconds(beat) == pytest.approx(at - cut.zero_s, abs=1e-3)


def test_a_constant_tempo_is_exact(tmp_path):
    """93.37 BPM is not a whole number of microseconds; it is that tempo all the same."""
    write_dawproject(tmp_path / "a.dawproject", session_of(plain_beat()))
    assert Opened(tmp_path / "a.dawproject").tempi == [(0.0, 93.37)]


def test_a_shortened_first_bar_has_its_own_time_signature(tmp_path):
    """0.41 s of 120 BPM are 0.82 of a quarter: 7/32, a little slower; then 4/4 and the song's own tempo."""
    write_dawproject(tmp_path / "a.dawproject", session_of(pickup_beat()))
    opened = Opened(tmp_path / "a.dawproject")
    points = opened.root.findall("Arrangement/TimeSignatureAutomation/TimeSignaturePoint")
    found = [tuple(p.attrib[name] for name in ("time", "numerator", "denominator")) for p in points]
    assert [(float(at), upper, lower) for at, upper, lower in found] == [(0.0, "7", "32"), (0.875, "4", "4")]
    (_, short), (at, bpm) = opened.tempi
    assert (at, short) == (0.875, pytest.approx(60 * 0.875 / 0.41, rel=1e-6))
    assert bpm == pytest.approx(120.0, abs=1e-4)


def test_meter(tmp_path):
    write_dawproject(tmp_path / "a.dawproject", session_of(compound_beat()))
    signature = Opened(tmp_path / "a.dawproject").root.find("Transport/TimeSignature")
    assert (signature.attrib["numerator"], signature.attrib["denominator"]) == ("6", "8")


def test_remarks_are_comments(written):
    _, session, opened, _ = written
    wanted = "\n".join(session.remarks)
    arrangement = opened.root.find("Arrangement")
    assert arrangement.attrib["comment"] == wanted
    assert opened.track("amber lane").attrib["comment"] == wanted
    assert wanted.encode().replace(b"\n", b"\n") in opened.metadata


def test_markers_say_the_notes_for_pitch_correction(tmp_path):
    write_dawproject(tmp_path / "a.dawproject", session_of(key_change_beat()))
    markers = Opened(tmp_path / "a.dawproject").root.findall("Arrangement/Markers/Marker")
    last = markers[-1].attrib["comment"]
    assert last.startswith("Notes: A flat major: A flat, B flat, C, D flat, E flat, F, G")
    assert markers[0].attrib["comment"].startswith("Notes: G major: G, A, B, C, D, E, F sharp")


def test_the_studios_tracks_come_below_in_its_order(written):
    opened = written[2]
    names = [t.attrib["name"] for t in opened.root.find("Structure")]
    assert names == ["amber lane", "Chords", "Bass", "Slate", "Cast", "Choir", "Main"]
    assert [t.attrib["name"] for t in opened.track("Cast").findall("Track")] == [
        "Front",
        "Twin 1",
        "Twin 2",
        "Late",
    ]
    assert opened.track("Slate").attrib["color"] == "#808080"
    assert "color" not in opened.track("Front").attrib
    group = opened.track("Cast").find("Channel")
    assert group.attrib["role"] == "submix"
    assert opened.track("Twin 1").find("Channel").attrib["destination"] == group.attrib["id"]
    assert opened.track("Choir").find("Channel").attrib["audioChannels"] == "2"
    assert opened.track("Slate").find("Channel").attrib["audioChannels"] == "1"


def stems(folder: Path) -> tuple[Sound, ...]:
    found = []
    for name, role in (
        ("drums", ""),
        ("bass", ""),
        ("bounce", "two-track: already in the other stems, muted"),
    ):
        path = folder / f"{name}.wav"
        path.write_bytes(name.encode() * 100)
        found.append(Sound(name, path, f"stems/{name}.wav", 3 * RATE, RATE, 2, bool(role), role))
    return tuple(found)


def test_stems_have_tracks_of_their_own_and_what_would_double_them_is_muted(tmp_path):
    write_dawproject(tmp_path / "a.dawproject", session_of(plain_beat(), stems(tmp_path)))
    opened = Opened(tmp_path / "a.dawproject")
    clips = opened.clips()
    assert {name: clip.file for name, clip in clips.items()} == {
        n: f"stems/{n}.wav" for n in ("drums", "bass", "bounce")
    }
    assert {(clip.start_s, clip.end_s) for clip in clips.values()} == {(0.0, 3.0)}
    muted = {n: opened.track(n).find("Channel/Mute").attrib["value"] for n in clips}
    assert muted == {"drums": "false", "bass": "false", "bounce": "true"}


def test_faders_make_the_stems_as_loud_as_the_copy(tmp_path):
    """20 log10(.5) = -6.02 dB: arithmetic. The copy alone was turned down."""
    whole = CopyFacts(tmp_path / "a.wav", RATE, 2, 24, 9, -6.0206, True, False, ())
    own = replace(whole, path=tmp_path / "drums.wav", gain_db=0.0)
    (sound,) = sounds_of(whole, [(sample_stem("drums.wav"), own)], "a")
    sound.path.write_bytes(b"drums")
    write_dawproject(tmp_path / "a.dawproject", session_of(plain_beat(), (sound,)))
    opened = Opened(tmp_path / "a.dawproject")
    volume = {n: opened.track(n).find("Channel/Volume").attrib["value"] for n in ("drums", "Chords", "Main")}
    assert float(volume["drums"]) == pytest.approx(0.5, abs=1e-5)
    assert {volume["Chords"], volume["Main"]} == {"1.0"}


def test_audio_inside(tmp_path):
    sounds = stems(tmp_path)
    write_dawproject(tmp_path / "a.dawproject", session_of(plain_beat(), sounds), audio_inside=True)
    opened = Opened(tmp_path / "a.dawproject")
    for name, clip in opened.clips().items():
        assert not clip.external
        with zipfile.ZipFile(tmp_path / "a.dawproject") as archive:
            assert archive.read(clip.file) == (tmp_path / f"{name}.wav").read_bytes()
    assert all(not n.startswith("/") and ".." not in n and "\\" not in n for n in opened.names)


@pytest.mark.parametrize("inside", [False, True])
def test_the_same_session_gives_the_same_bytes(tmp_path, inside):
    sounds = stems(tmp_path)
    for name in ("a", "b"):
        write_dawproject(tmp_path / name, session_of(tempo_map_beat(), sounds), audio_inside=inside)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()
    with zipfile.ZipFile(tmp_path / "a") as archive:
        assert {entry.date_time for entry in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
