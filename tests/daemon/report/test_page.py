"""The report page: self-contained, safe with hostile names, readable without scripts, on phone and print."""

from __future__ import annotations

import re
import shlex
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import yaml

from analyzers.model import (
    BarOneCandidate,
    Chord,
    Flag,
    Key,
    KeyCandidate,
    KeyChange,
    MeterCandidate,
    Section,
    TempoCandidate,
    Tuning,
)
from analyzers.rhythm.bars import bar_lines
from analyzers.signal.samples import Signal
from config.load import load_settings
from daemon.cli import build_parser
from daemon.core.names import format_tempo
from daemon.corrections.apply import Correction, apply_correction
from daemon.corrections.words import FIELDS, make_correction
from daemon.decode.tags import ProducerClaim
from daemon.pipeline.correct import headline
from daemon.report.card import card
from daemon.report.page import amount, format_words, measured, render_page, tight
from daemon.report.page_corrections import correction_sample, fixes
from daemon.report.page_glance import glance
from daemon.report.parts import Change, Versions
from daemon.report.report import Report
from daemon.report.waveform import outline, waveform_of, zoom_span
from tests.daemon.browser import CHROMIUM, DRIVER, Browser
from tests.daemon.sample_report import (
    BAR_ONE_S,
    DURATION_S,
    RATE,
    key_of,
    moving_grid,
    no_steady_beat,
    sample_analysis,
    sample_copy,
    sample_report,
    sample_source,
    sample_stem,
    steady_grid,
)

HOSTILE = "\"><img src=x onerror=alert(1)><script>alert('2')</script>{{7*7}}.wav"
BEAT_S = 60 / 140


def sound() -> Signal:
    t = np.arange(round(DURATION_S * RATE)) / RATE
    mono = np.where(t >= BAR_ONE_S, np.exp(-((t - BAR_ONE_S) % BEAT_S) * 8), 0) * np.sin(700 * t)
    return Signal(np.stack([mono, mono], axis=1).astype(np.float32), RATE)


SOUND = sound()


def page_of(report: Report) -> str:
    analysis = report.corrected()
    view = waveform_of(SOUND, report.cut, analysis.grid, analysis.lead_in.first_sound_s)
    return render_page(report, view, 0.8)


def full_report(**more) -> Report:
    """Everything that a page can show."""
    analysis = sample_analysis(
        grid=replace(steady_grid(), tempo_confidence=0.62),
        tuning=Tuning(-32.0, 431.9, 0.9),
        flags=(Flag("clipping", "warning", "Clipped 12 times", "Ask for another bounce", 3.2, 41.0),),
        key=replace(key_of(), changes=(KeyChange(30.0, "E", "minor", 0.9),)),
    )
    change = Change(
        question="Level",
        before="a",
        now="b",
        text="Level of the producer's file: −8.4 LUFS, before −10.4 LUFS.",
    )
    versions = Versions(
        earlier_folder="amber-lane",
        earlier_page="amber lane/amber-lane.report.html",
        earlier_sha256="0",
        match="same name",
        start_offset_ms=12.5,
        changes=(change,),
    )
    return sample_report(
        analysis,
        source=more.pop("source", sample_source(tags={"title": "Amber Lane"})),
        claims=[ProducerClaim("tempo", "70bpm", "file name", 70.0)],
        stems=[
            (sample_stem("bass.wav", silent=True), sample_copy("bass.wav", gain_db=-9.3)),
            (
                sample_stem("keys/pad.wav", inverted=True, mono=True),
                sample_copy("keys - pad.wav", gain_db=-9.3),
            ),
        ],
        versions=versions,
        **more,
    )


class Outline(HTMLParser):
    """Tags and attributes, headings, and the text outside scripts and styles."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.headings: list[int] = []
        self.text = ""
        self._quiet = 0
        self.feed(text)

    def handle_starttag(self, tag: str, attrs) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        self._quiet += tag in ("script", "style")

    def handle_endtag(self, tag: str) -> None:
        self._quiet -= tag in ("script", "style")

    def handle_data(self, data: str) -> None:
        if not self._quiet:
            self.text += data


# --- the text ---------------------------------------------------------------------------------------


def test_the_answers_are_there_in_words() -> None:
    text = " ".join(Outline(page_of(full_report())).text.split())
    for words in (
        "140 BPM",
        "E flat minor then E minor",
        "song starts at bar 1",
        "−8.4 LUFS",
        "Needs ears: tempo, tuning, clipped",
        "Tuning: 32 cents below A4 = 440 Hz. Set pitch correction to A4 = 431.9 Hz and hear a long note",
        "Notes: E flat, F, G flat, A flat, B flat, C flat, D flat",
        "the file name says 70 BPM, half of what was measured",
        "polarity looks inverted",
        "one gain for all (−9.3 dB). Levels here are those of the files as they were sent.",
        "Peak as sent",
        "Level of the producer's file: −8.4 LUFS, before −10.4 LUFS.",
        "changes to E minor at bar 18 (29.14 s), 90 % sure; notes: E, F sharp, G, A, B, C, D",
        "Turn the monitors down first. This copy is −8.4 LUFS, its loudest moments −7.2 LUFS.",
        "Your studio's own rules on level and time come first.",
        "beatintake correct amber-lane --half",
        "1/8 214.3 321.4 142.9",  # an eighth at 140 BPM: 60 000 / 140 / 2, any handbook
    ):
        assert words in text, words


def test_a_sure_report_says_that_nothing_needs_ears() -> None:
    text = Outline(page_of(sample_report())).text
    assert "Nothing needs ears" in text
    assert "32 cents" not in text


def test_stems_that_sum_above_the_copy_are_said_beside_the_level() -> None:
    """Only the copy was turned down, for its peaks."""
    stem = (sample_stem("bass.wav"), sample_copy("bass.wav"))
    same = sample_report(stems=[stem])
    lower = same.aligned_copy.model_copy(update={"gain_db": -3.69, "peaks_gain_db": -3.69})
    report = same.model_copy(update={"aligned_copy": lower})
    assert "dBTP (stems 3.7 dB louder)" in " ".join(Outline(page_of(report)).text.split())
    assert "dBTP (stems 3.7 dB louder)" in " ".join(card(report, (), 0.8).split())
    assert "louder)" not in page_of(same) + card(same, (), 0.8)


def test_other_music_of_the_same_name_is_no_version() -> None:
    there = Versions(
        earlier_folder="amber-lane (1)",
        earlier_page="amber-lane (1)/amber-lane.report.html",
        earlier_sha256="01" * 32,
        match="same name, other music",
    )
    text = " ".join(Outline(page_of(sample_report(versions=there))).text.split())
    assert (
        "Another beat of this name is here Same name, other music: amber-lane (1), which came before." in text
    )
    assert "No difference" not in text
    assert "version of this beat" not in text


def test_a_change_of_key_that_is_set_by_hand_is_no_estimate() -> None:
    """And every one line that says the key says all of it."""
    said = Correction(key="C major", key_changes=((BAR_ONE_S + 16 * 60 / 35, "E flat major"),))
    report = sample_report(corrections=said)
    page = page_of(report)
    text = " ".join(Outline(page).text.split())
    assert "changes to E flat major at bar 17 (27.43 s), set by hand; notes: E flat" in text
    assert "<title>amber-lane.wav: 140 BPM, C major, then E flat major</title>" in page
    bare = sample_analysis(
        grid=no_steady_beat(), key=Key(None, None, 0.0, (), (), None, None, (), (), "drums")
    )
    assert "<title>amber-lane.wav: no tempo, no key</title>" in page_of(sample_report(bare))
    assert headline(report).startswith("amber-lane.wav: 140 BPM, C major, then E flat major (by hand)")


def test_no_tempo_and_no_key_are_said() -> None:
    grid = no_steady_beat()
    key = replace(key_of(), tonic=None, mode=None, scale=(), alternatives=(), profile=(), reason="only drums")
    text = Outline(page_of(sample_report(sample_analysis(grid=grid, key=key)))).text
    assert "No steady beat." in text
    assert "Only drums." in text
    assert "not on a bar line" in text
    assert "--half" not in text


def test_one_reason_is_told_once_in_the_evidence_and_cents_have_no_decimals() -> None:
    reason = "no steady beat: the attacks do not repeat evenly"
    grid = replace(no_steady_beat(), reason=reason)
    page = page_of(sample_report(sample_analysis(grid=grid, tuning=Tuning(1.49, 440.38, 0.95))))
    assert page.count(f"<td>unknown: {reason}</td>") == 1
    assert page.count("<td>unknown</td>") == 3  # constant tempo, meter, the song's first bar
    assert "<td>1 cent from A4 = 440 Hz</td>" in page


def test_players_have_names() -> None:
    """WCAG 4.1.2: name, role, value."""
    players = re.findall(r"<audio[^>]*>", page_of(sample_report()))
    assert [re.findall(r'aria-label="([^"]+)"', player) for player in players] == [
        ["click check"],
        ["aligned copy"],
    ]


def test_what_is_set_by_hand_is_said() -> None:
    text = Outline(page_of(sample_report(corrections=Correction(tempo_bpm=70.0, key="C minor")))).text
    assert "set by hand; measured 140 BPM" in text
    assert "set by hand; measured E flat minor" in text
    assert "beatintake undo amber-lane" in text


def test_what_a_correction_answers_is_told_in_bars_of_the_session_with_what_still_needs_ears() -> None:
    """Not in seconds of the producer's file, and not what was set just now."""
    doubtful = sample_analysis(key=key_of(confidence=0.5))
    report = sample_report(doubtful, corrections=Correction(bar_one_s=BAR_ONE_S + 4 * 60 / 140))
    assert headline(report) == (
        f"amber-lane.wav: 140 BPM, E flat minor, song starts at bar {report.cut.bars_before_bar_one + 1} "
        "(by hand), 4/4, check key by ear"
    )
    text = " ".join(Outline(page_of(report)).text.split())
    assert f"set by hand; measured {BAR_ONE_S} s into the producer's file" in text
    assert headline(sample_report(corrections=Correction(key="C minor"))).endswith("at bar 1, 4/4")


def test_moving_tempo_is_not_shown_to_four_decimals() -> None:
    grid = replace(moving_grid((70, 139.2), (24, 141.0), (50, 139.9)), tempo_bpm=140.1234)
    report = sample_report(sample_analysis(grid=grid))
    text = " ".join(Outline(page_of(report)).text.split())
    assert "139 to 141 BPM, moving" in text
    assert "moves from 139.2 BPM on; take the tempo map, not one number" in text
    assert "Delay times at the mean tempo, 140.12 BPM The tempo moves" in text
    assert "Tempo over time" in text
    assert correction_sample(report).startswith("# half: true\n")  # no one number is right


def test_a_tempo_that_changes_once_has_no_mean() -> None:
    """64 beats at 90 BPM and as many at 120: no one number is the tempo of the song, nor half of it."""
    rivals = (TempoCandidate(119.9998, 0.9), TempoCandidate(59.9999, 0.1))
    grid = replace(moving_grid((64, 90.0), (64, 120.0)), tempo_bpm=119.9998, tempo_alternatives=rivals)
    text = " ".join(Outline(page_of(sample_report(sample_analysis(grid=grid)))).text.split())
    assert "Delay times at 90 BPM, up to bar 17 The tempo changes: delays" in text
    assert "Delay times at 120 BPM, from bar 17 on" in text
    assert "1/4 666.7 1000.0 444.4" in text  # 60 000 / 90
    assert "1/4 500.0 750.0 333.3" in text  # 60 000 / 120
    assert "the tempo is 45, then 60 BPM, half of that" in text
    assert "may be counted as 45, then 60" in text
    assert "119.99" not in text
    assert "mean tempo" not in text
    by_hand = sample_report(sample_analysis(grid=grid), corrections=Correction(tempo_bpm=100.0))
    text = " ".join(Outline(page_of(by_hand)).text.split())
    assert "set by hand; measured 90 to 120 BPM, moving" in text
    assert headline(sample_report(sample_analysis(grid=grid))).startswith(
        "amber-lane.wav: 90 to 120 BPM, moving, E flat minor"
    )


def test_a_tempo_that_moves_all_the_time_is_counted_otherwise_at_about_so_much() -> None:
    grid = moving_grid((16, 88.0), (16, 91.0), (16, 86.0), (16, 90.0))
    grid = replace(grid, tempo_bpm=88.71, tempo_alternatives=(TempoCandidate(44.355, 0.1),))
    text = " ".join(Outline(page_of(sample_report(sample_analysis(grid=grid)))).text.split())
    assert "may be counted as about 44.4" in text


def test_the_level_of_a_moving_beat_is_not_called_settled_where_half_of_it_fits_as_well() -> None:
    for half, settled in ((0.05, True), (0.4, False)):
        rivals = (TempoCandidate(140.0, 0.99 - half), TempoCandidate(70.0, half))
        moving = replace(
            steady_grid(),
            constant_tempo=False,
            tempo_curve=((0.0, 139.0), (30.0, 141.0)),
            tempo_alternatives=rivals,
        )
        report = sample_report(sample_analysis(grid=moving))
        text = " ".join(Outline(page_of(report)).text.split())
        assert ("sure of the beat, not half or twice it" in text) is settled
        assert ("may as well be counted as 69.5, then 70.5" in text) is not settled


def test_half_the_tempo_is_another_count_and_no_percentage_beside_how_sure_the_tempo_is() -> None:
    """Half-time and double-time: one grid, two ways to count it (common practice). A rival keeps its own."""
    tempi = (TempoCandidate(140.0, 0.95), TempoCandidate(70.0, 0.16), TempoCandidate(105.0, 0.03))
    report = sample_report(sample_analysis(grid=replace(steady_grid(), tempo_alternatives=tempi)))
    [row] = [row for row in glance(report, report.in_session(), 0.8) if row.label == "Tempo"]
    assert row.notes[2:] == ("or 105 (3 %)", "may be counted as 70")
    text = " ".join(Outline(page_of(report)).text.split()).replace("\xa0", " ")
    assert "97 % sure or 105 (3 %); may be counted as 70 clear attacks" in text
    assert "16 %" not in text + card(report, (), 0.8)
    told = [(a.value, a.same_grid) for a in report.answers.tempo.alternatives]
    assert told == [(140.0, False), (70.0, True), (105.0, False)]
    flags = [fix.command.partition(" --")[2] for fix in fixes(report) if "the tempo is" in fix.what]
    assert flags == ["tempo 105", "half", "double"]


def test_music_without_a_grid_has_no_first_bar_to_be_sure_of() -> None:
    text = " ".join(Outline(page_of(sample_report(sample_analysis(grid=no_steady_beat())))).text.split())
    assert "not on a bar line" in text
    assert "sure of the song's first bar" not in text
    assert "sure of the song's first bar" in Outline(page_of(sample_report())).text


def test_a_constant_tempo_never_has_a_picture_of_one_that_moves() -> None:
    """Silence in front of the copy puts the one point of its curve after the beginning."""
    grid = replace(steady_grid(bar_one_s=0.0), tempo_curve=((0.0, 140.0),))
    lead_in = replace(sample_analysis().lead_in, first_sound_s=0.0, first_sound_sample=0)
    report = sample_report(sample_analysis(grid=grid, lead_in=lead_in))
    early = report.model_copy(update={"cut": report.cut.model_copy(update={"zero_s": -0.0021})})
    assert early.in_session().grid.tempo_curve == ((0.0, 140.0),)
    text = Outline(page_of(early)).text
    assert "How hits near the lines lie" in text
    assert "Tempo over time" not in text


def test_hits_near_the_lines_are_told_beside_chance_and_prove_nothing() -> None:
    """What is picked because it lies near a line lies near it whatever the grid is."""
    told = {}
    for name, shares in (
        ("older", {"on_grid": None, "by_chance": None, "worst_quarter": None}),
        ("newer", {"on_grid": 0.58, "by_chance": 0.36, "worst_quarter": 0.4}),
    ):
        proof = replace(steady_grid().proof, **shares)
        report = sample_report(sample_analysis(grid=replace(steady_grid(), proof=proof)))
        told[name] = Outline(page_of(report)).text
        assert "whether the grid holds to the end, the click check tells" in told[name]
        for sure in ("steady to the end", "drift of"):
            assert sure not in told[name]
    assert "counted (58 % of the clear ones; 36 % would lie there by chance)" in told["newer"]
    assert "by chance" not in told["older"]


def test_the_picture_of_the_grid_and_the_cut_speak_of_the_same_lines() -> None:
    """Hits 0.2 ms after measured lines are 8.4 ms after lines that lie 8.2 ms before those."""
    report = sample_report()
    cut = report.cut.model_copy(update={"session_shift_s": -0.0082, "hits_after_lines_s": 0.0084})
    text = " ".join(Outline(page_of(report.model_copy(update={"cut": cut}))).text.split())
    assert "Hits near the session's lines (middle): 8.4 ms after in the first third" in text
    assert "8.5 ms after in the last. Only hits" in text


@pytest.mark.parametrize(("probability", "shown"), [(0.004, False), (0.02, True)])
def test_evidence_names_no_other_answer_that_is_hardly_possible(probability: float, shown: bool) -> None:
    tempi = (TempoCandidate(140.0, 0.98), TempoCandidate(105.0, probability))
    page = page_of(sample_report(sample_analysis(grid=replace(steady_grid(), tempo_alternatives=tempi))))
    assert bool(re.search(r"or 105(\.0)? \(2.%\)", page)) == shown
    assert not re.search(r"\(0.%\)", page)


def test_answers_come_first_then_ears_then_listening_then_chords_and_evidence_last() -> None:
    parts = ["140", "things need ears", "Listen", "Chords by section", "Delay times", "What it rests on"]
    text = Outline(page_of(full_report())).text
    places = [text.index(part) for part in parts]
    assert places == sorted(places)
    headings = re.findall(r"<h2[^>]*>(.*?)</h2>", page_of(full_report()))
    assert headings[-1] == "What it rests on"


def test_a_sure_change_of_key_is_told_and_a_doubtful_one_is_to_be_heard() -> None:
    for confidence, asked in ((0.96, False), (0.6, True)):
        key = replace(key_of(), changes=(KeyChange(30.0, "E", "minor", confidence),))
        report = sample_report(sample_analysis(key=key))
        text = " ".join(Outline(page_of(report)).text.split())
        assert "changes to E minor at bar 18" in text
        assert ("Needs ears: key" in text) is asked
        assert any("60 % sure. Hear whether the bass" in line for line in report.check_by_ear) is asked


def test_the_level_row_says_first_what_to_do() -> None:
    """-8.4 LUFS to -18 LUFS, the default working loudness: 9.6 dB; 2.0 dB of them done already."""
    report = sample_report()
    done = report.aligned_copy.model_copy(update={"gain_db": -2.0})
    [row] = [r for r in glance(report, report.in_session(), 0.8) if r.label == "Level"]
    assert (row.value, row.unit) == ("turn down 9.6 dB", "in the session, by hand")
    assert row.notes[0].startswith("this copy: −8.4 LUFS, true peak")
    assert "turned down 9.6 dB: −18.0 LUFS, the level this studio works at" in row.notes
    assert row.notes[-1].endswith("above full scale, between the samples: turning it down as said mends that")
    for known in (-2.0, None):  # older reports do not tell what the gain was for
        report = report.model_copy(update={"aligned_copy": done.model_copy(update={"peaks_gain_db": known})})
        [row] = [r for r in glance(report, report.in_session(), 0.8) if r.label == "Level"]
        assert row.notes[1].startswith(
            "the copy is already 2.0 dB lower than the producer's file, so that its peaks"
        )
        assert row.notes[2].startswith("turned down 9.6 dB more: −18.0 LUFS")


def test_a_copy_at_the_working_level_is_not_said_to_be_turned_down_for_its_peaks() -> None:
    """By output.apply_gain; what decides the level stands beside the level, not beside the gain."""
    at_level = replace(sample_analysis().loudness, integrated_lufs=-18.0, true_peak_dbtp=-9.6)
    report = sample_report(sample_analysis(loudness=at_level))
    for peaks_db, why in (
        (0.0, "as output.apply_gain asks"),
        (-0.8, "as output.apply_gain asks and so that its peaks fit below full scale"),
    ):
        done = {"gain_db": -7.8, "peaks_gain_db": peaks_db, "integrated_lufs": -18.0}
        told = report.model_copy(update={"aligned_copy": report.aligned_copy.model_copy(update=done)})
        [row] = [r for r in glance(told, told.in_session(), 0.8) if r.label == "Level"]
        assert row.value == "leave the fader"
        assert row.notes == (
            "this copy: −18.0 LUFS, true peak −9.6 dBTP, the level this studio works at",
            f"the copy is already 7.8 dB lower than the producer's file, {why}",
        )


def test_the_start_row_names_where_else_the_song_may_start() -> None:
    places = (BarOneCandidate(2.0, 0.3), BarOneCandidate(-4.0, 0.1), BarOneCandidate(1.0, 0.06))
    grid = replace(steady_grid(), bar_one_confidence=0.5, bar_one_alternatives=places)
    text = " ".join(Outline(page_of(sample_report(sample_analysis(grid=grid)))).text.split())
    assert "or the song starts 2 beats later (30 %); or the song starts a bar earlier (10 %)" in text
    assert "a beat later (6 %)" not in text


def test_the_start_row_keeps_to_cut_and_pickup() -> None:
    warned = "The cut goes through sound 39 dB below the peak; a fade-in of 1.0 ms ends before the attack."
    heard = "The cut goes through sound 36 dB below the peak; listen to its first moment."
    report = sample_report()
    for warning, notes in ((warned, 1), (heard, 2)):
        copy = report.aligned_copy.model_copy(update={"warnings": (warning,)})
        told = report.model_copy(update={"aligned_copy": copy})
        [row] = [r for r in glance(told, told.in_session(), 0.8) if r.label == "Start"]
        assert row.notes[0] == "0.75 s cut off the front"
        assert len(row.notes) == notes
        assert tight(warning.split(";")[0]) in Outline(page_of(told)).text  # with the files


@pytest.mark.parametrize(
    ("samples", "words"),
    [(1, None), (20, None), (219, None), (221, "5.0 ms"), (400, "9.1 ms"), (48000, "1.09 s")],
)
def test_silence_in_front_is_said_from_five_milliseconds_on(samples: int, words: str | None) -> None:
    """A shorter gap ahead of a hit is of no interest (common practice); a copy of a file without a lead-in
    begins with a fraction of a millisecond: that is no longer said, the JSON keeps it to the sample."""
    report = sample_report()
    cut = report.cut.model_copy(update={"pad_samples": samples, "zero_s": -samples / report.drop.rate})
    told = report.model_copy(update={"cut": cut})
    [row] = [r for r in glance(told, told.in_session(), 0.8) if r.label == "Start"]
    said = [note for note in row.notes if "silence put in front" in note]
    assert said == ([f"{words} of silence put in front"] if words else [])
    assert f'"pad_samples":{samples},' in told.model_dump_json()


@pytest.mark.parametrize(("samples", "words"), [(20, "0.5 ms"), (1, "0.1 ms"), (48000, "1.09 s")])
def test_a_little_that_is_cut_off_is_not_said_to_be_none(samples: int, words: str) -> None:
    report = sample_report()
    cut = report.cut.model_copy(update={"pad_samples": 0, "zero_s": samples / report.drop.rate})
    told = report.model_copy(update={"cut": cut})
    [row] = [r for r in glance(told, told.in_session(), 0.8) if r.label == "Start"]
    assert f"{words} cut off the front" in row.notes


def test_a_beat_without_chords_has_no_empty_grid() -> None:
    silent = tuple(Chord(2.0 * k, 2.0 * k + 2, "N", 0.9) for k in range(20))
    text = Outline(page_of(sample_report(sample_analysis(chords=silent)))).text
    assert "Chords by section" not in text
    assert "Bb is B flat" in Outline(page_of(sample_report())).text


def with_level(lufs: float | None) -> Report:
    loud = sample_analysis().loudness
    quieter = replace(loud, integrated_lufs=lufs, max_short_term_lufs=None if lufs is None else lufs + 2)
    return sample_report(sample_analysis(loudness=quieter))


@pytest.mark.parametrize(
    ("lufs", "box", "start_db"), [(-6.0, True, -22), (-24.0, False, -4), (None, True, -20), (-1.0, True, -24)]
)
def test_the_caution_is_as_large_as_the_copy_is_loud(lufs: float | None, box: bool, start_db: int) -> None:
    page = page_of(with_level(lufs))
    assert ("Turn the monitors down first" in page) is ('class="caution"' in page) is box
    assert ("begin low; your studio" in page.lower()) is not box
    assert "own rules on level" in page or "own hearing rules" in page
    assert f'"start_db": {start_db}' in page


def test_the_likeliest_correction_comes_first() -> None:
    grid = replace(
        steady_grid(),
        tempo_confidence=0.5,
        tempo_alternatives=(
            TempoCandidate(140.0, 0.5),
            TempoCandidate(93.33, 0.4),
            TempoCandidate(70.0, 0.1),
        ),
    )
    key = replace(
        key_of(confidence=0.4),
        alternatives=(KeyCandidate("E flat", "minor", 0.4), KeyCandidate("B flat", "minor", 0.3)),
    )
    asked = fixes(sample_report(sample_analysis(grid=grid)))
    flags = [fix.command.split(maxsplit=3)[3] for fix in asked[:-1]]
    assert flags[:3] == ["--tempo 93.33", "--half", "--double"]
    assert [fix.first for fix in asked].index(True) == 0
    twice = replace(grid, tempo_alternatives=(TempoCandidate(140.0, 0.5), TempoCandidate(280.0, 0.4)))
    asked = fixes(sample_report(sample_analysis(grid=twice)))
    flags = [fix.command.split(maxsplit=3)[3] for fix in asked[:-1]]
    assert flags[:2] == ["--half", "--double"]  # always in this order
    assert [fix.command.split()[-1] for fix in asked if fix.first] == ["--double"]
    asked = fixes(sample_report(sample_analysis(key=key)))
    assert asked[0].command == 'beatintake correct amber-lane --key "B flat minor"'
    assert asked[0].first
    assert asked[0].what == "the key is B flat minor (likeliest)"


def test_a_value_that_only_a_person_knows_is_not_in_the_command() -> None:
    """What is copied ends in a space before the value; the page names it beside the command."""
    for report in (sample_report(), sample_report(sample_analysis(grid=no_steady_beat()))):
        asked = {fix.what: fix for fix in fixes(report)}
        for what in {"another tempo", "there is a tempo"} & asked.keys():
            assert asked[what].command == "beatintake correct amber-lane --tempo "
        assert asked["another key"].command == "beatintake correct amber-lane --key "
        assert all(fix.command.endswith(" ") is bool(fix.blank) for fix in asked.values())
        page = page_of(report)
        assert '--key</span> </code><i class="blank">&#34;TONIC MODE&#34;</i>' in page


def test_the_commands_name_a_settings_file_that_is_not_found_without_and_are_such_as_the_program_takes(
    tmp_path: Path,
) -> None:
    path = tmp_path / "a studio" / "beatintake.yaml"
    path.parent.mkdir()
    path.write_text("folders: {incoming: in}\n")
    settings = load_settings(path)
    report = sample_report(settings=settings, corrections=Correction(tempo_bpm=70.0))
    asked = fixes(report)
    assert all(
        fix.command.startswith(f"beatintake --config {shlex.quote(str(path.resolve()))} ") for fix in asked
    )
    for fix in asked:
        if not fix.blank:
            taken = build_parser().parse_args(shlex.split(fix.command)[1:])
            assert (taken.config, taken.name) == (path.resolve(), "amber-lane")
    assert "--config" not in "".join(fix.command for fix in fixes(sample_report()))


@pytest.mark.parametrize(("late_s", "offered"), [(0.0104, False), (0.025, True)])
def test_a_late_first_hit_that_is_heard_can_have_the_lines(late_s: float, offered: bool) -> None:
    report = sample_report()
    late = report.model_copy(update={"cut": report.cut.model_copy(update={"first_hit_late_s": late_s})})
    told = {fix.what: fix.command for fix in fixes(late)}
    command = told.get("the bar lines belong on the first hit")
    assert command == ("beatintake correct amber-lane --bar-one=+25ms" if offered else None)
    by_hand = sample_report(corrections=Correction(bar_one_s=BAR_ONE_S))
    moved = by_hand.model_copy(update={"cut": late.cut})
    assert "the bar lines belong on the first hit" not in {fix.what for fix in fixes(moved)}


def test_the_key_for_corrections_takes_what_is_doubtful_or_lets_the_engineer_finish() -> None:
    def first(report: Report) -> str:
        [fix] = [fix for fix in fixes(report) if fix.first]
        return fix.command

    sure = steady_grid()
    assert first(sample_report()) == "beatintake correct amber-lane "
    curve = ((0.0, 139.2), (30.0, 141.0))
    moving = replace(sure, tempo_alternatives=sure.tempo_alternatives[:1], tempo_curve=curve)
    report = sample_report(sample_analysis(grid=replace(moving, constant_tempo=False)))
    assert report.check_by_ear  # to be heard, but not because another tempo were likely
    assert first(report) == "beatintake correct amber-lane "
    assert first(sample_report(sample_analysis(grid=replace(sure, tempo_confidence=0.6)))).endswith(" --half")
    bar_one = sample_report(sample_analysis(grid=replace(sure, bar_one_confidence=0.5)))
    assert first(bar_one) == "beatintake correct amber-lane "  # nobody knows which beat
    assert [fix.command.split()[-1] for fix in fixes(bar_one)[:2]] == ["--bar-one=-1beat", "--bar-one=+1beat"]
    places = (BarOneCandidate(-2.0, 0.3), BarOneCandidate(1 / 3, 0.1), BarOneCandidate(1.0, 0.06))
    other = replace(sure, bar_one_confidence=0.5, bar_one_alternatives=places)
    asked = fixes(sample_report(sample_analysis(grid=other)))
    assert [fix.command.split("--bar-one=")[-1] for fix in asked[:4]] == [
        "-2beats", "+0.3333beats", "-1beat", "+1beat",
    ]  # fmt: skip
    assert asked[0].first
    assert asked[0].what == "the song's first bar is 2 beats earlier (likeliest)"
    meter = replace(sure, meter_confidence=0.6, meter_alternatives=(MeterCandidate("6/8", 0.35),))
    assert first(sample_report(sample_analysis(grid=meter))).endswith(" --meter 6/8")
    same_bars = replace(meter, meter="3/4", beats_per_bar=3)  # alone it would keep the bars, not the beats
    told = sample_report(sample_analysis(grid=same_bars))
    assert first(told).endswith(f" --meter 6/8 --tempo {format_tempo(meter.tempo_bpm)}")
    offered = Correction(meter="6/8", tempo_bpm=float(format_tempo(meter.tempo_bpm)))
    assert apply_correction(told.corrected(), offered).grid.tempo_bpm == pytest.approx(meter.tempo_bpm)
    settled = fixes(sample_report(sample_analysis(grid=replace(meter, meter_confidence=0.9))))
    assert not any("6/8" in fix.command for fix in settled)


def test_every_finished_command_is_one_that_the_command_line_reads() -> None:
    key = replace(key_of(), changes=(KeyChange(30.0, "E", "minor", 0.9),))
    grid = replace(
        steady_grid(), bar_one_alternatives=(BarOneCandidate(1 / 3, 0.4), BarOneCandidate(2.0, 0.2))
    )
    asked = fixes(sample_report(sample_analysis(key=key, grid=grid)))
    said = [fix.what for fix in asked]
    assert "the key does not change: E minor" in said
    for fix in asked:
        if not fix.blank:
            arguments = vars(build_parser().parse_args(shlex.split(fix.command)[1:]))
            wanted = {name: value for name, value in arguments.items() if name in FIELDS}
            assert not make_correction(wanted, sample_analysis(key=key), None).empty, fix


@pytest.mark.parametrize("bpm", [140.0, None])
def test_the_lines_of_a_correction_file_are_a_correction_file(tmp_path: Path, bpm: float | None) -> None:
    """Each line alone is read as such a file is read; all of them as they are copied correct nothing."""
    grid = steady_grid() if bpm else no_steady_beat()
    report = sample_report(sample_analysis(grid=grid))
    assert "correction.yaml" in Outline(page_of(report)).text
    text = correction_sample(report)
    fields = ("tempo_bpm", "key", "bar_one_s", "meter", "tuning_cents")
    assert yaml.safe_load(text) is None
    assert max(map(len, text.splitlines())) <= 30  # not broken on a phone
    for line, name in zip(text.splitlines(), fields, strict=True):
        said = yaml.safe_load(line.removeprefix("# "))
        wanted = {key.replace(" ", "_"): value for key, value in said.items()}
        if bpm is None and name in ("bar_one_s", "meter"):
            continue  # nothing to count from
        made = make_correction(wanted, report.analysis, None)
        assert getattr(made, name) is not None, line


def test_the_lines_are_an_example_and_no_finding_about_the_beat() -> None:
    rival = replace(steady_grid(), tempo_alternatives=(TempoCandidate(70.0, 0.4),))
    other = sample_report(sample_analysis(grid=rival, key=key_of("D", "major", 0.5)))
    assert correction_sample(other) == correction_sample(sample_report())
    assert "An example; its values are made up" in Outline(page_of(other)).text


# --- safety -----------------------------------------------------------------------------------------


def test_a_chord_that_is_not_sure_is_marked_in_the_chart() -> None:
    sure, *others = sample_analysis().chords
    marked = page_of(sample_report(sample_analysis(chords=(replace(sure, confidence=0.5), *others))))
    assert f"<b>{sure.label}?</b>" in marked
    assert "?: not sure, check it by ear" in marked
    assert f"<b>{sure.label}?</b>" not in page_of(sample_report())


def test_hostile_names_stay_text() -> None:
    tags = {HOSTILE: HOSTILE}
    report = full_report(source=sample_source(HOSTILE, producer=HOSTILE, tags=tags))
    page = page_of(report)
    parsed = Outline(page)
    assert [tag for tag, _ in parsed.tags].count("script") == 3
    assert not [a for _, attrs in parsed.tags for a in attrs if a.startswith("on")]
    assert "img" not in [tag for tag, _ in parsed.tags]
    assert HOSTILE in parsed.text
    assert "<img" not in page


def test_the_page_needs_nothing_but_the_files_beside_it() -> None:
    page = page_of(full_report())
    addresses = [a[name] for _, a in Outline(page).tags for name in ("src", "href", "action") if name in a]
    assert addresses
    for address in addresses:
        assert address.startswith(("./", "../index.html", "../amber%20lane/", "#")), address
    assert not re.search(r"https?://|@import|url\(", page)
    assert "autoplay" not in page


def test_data_for_the_script_is_escaped_json() -> None:
    page = page_of(sample_report(source=sample_source("</script><b>.wav")))
    block = re.search(r'<script type="application/json" id="facts">(.*?)</script>', page, re.S)
    assert block
    assert "<" not in block[1]


# --- accessibility -----------------------------------------------------------------------------------


def test_headings_go_down_by_one_and_pictures_have_text() -> None:
    parsed = Outline(page_of(full_report()))
    assert parsed.headings[0] == 1
    assert all(b - a <= 1 for a, b in zip(parsed.headings, parsed.headings[1:], strict=False))
    pictures = [attrs for tag, attrs in parsed.tags if tag == "svg"]
    ids = {attrs.get("id") for _, attrs in parsed.tags}
    assert len(pictures) == 5
    for attrs in pictures:
        assert attrs["role"] == "img"
        assert set(attrs["aria-labelledby"].split()) <= ids
    assert dict(parsed.tags)["html"]["lang"] == "en"
    assert all("scope" in attrs for tag, attrs in parsed.tags if tag == "th")


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2."""
    colour = colour if len(colour) == 7 else "#" + "".join(2 * c for c in colour[1:])
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_contrast_of_text_in_light_dark_and_print() -> None:
    """WCAG 2.2, 1.4.3: at least 4.5 to 1 for text; 1.4.11: 3 to 1 for what carries meaning."""
    css = (Path(render_page.__code__.co_filename).parent / "templates" / "base.css").read_text()
    blocks = re.findall(r":root \{.*?\}", css, re.S)
    themes = [dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6})", block)) for block in blocks]
    assert len(themes) == 3

    def ratio(theme: dict[str, str], front: str, back: str) -> float:
        high, low = sorted((luminance(theme[front]), luminance(theme[back])), reverse=True)
        return (high + 0.05) / (low + 0.05)

    words = ("ink/ground", "quiet/ground", "ink/sheet", "ears/ears-ground", "good/ground", "ink/ears-ground")
    shapes = ("wave/sheet", "mark/sheet", "good/pale")
    for theme in themes:
        for pair, least in [(p, 4.5) for p in words] + [(p, 3.0) for p in shapes]:
            assert ratio(theme, *pair.split("/")) >= least, (theme, pair)


# --- pieces ------------------------------------------------------------------------------------------


def test_outline_finds_the_extremes_where_they_are() -> None:
    x = np.zeros((1000, 2), np.float32)
    x[500, 0], x[501, 1] = 0.5, -0.25
    view = outline(Signal(x, 1000), -1.0, 1.0, columns=200)
    assert (view.high[150], view.low[150]) == (0.5, -0.25)
    assert sum(v != 0 for v in view.high) == 1
    assert view.place(0.0) == 0.5


def test_zoom_shows_every_mark_and_two_bars() -> None:
    analysis = sample_analysis()
    start, end = zoom_span(sample_report().cut, analysis.grid, 0.3)
    assert start < 0.3
    assert end == pytest.approx(BAR_ONE_S + 8 * BEAT_S)


def test_bars_are_numbered_from_bar_one() -> None:
    grid = steady_grid(bar_one_s=0.75 + 8 * BEAT_S)
    lines = dict(bar_lines(grid))
    assert lines[1] == pytest.approx(grid.bar_one_s)
    assert lines[-1] == pytest.approx(grid.bar_one_s - 8 * BEAT_S)


@pytest.mark.parametrize(
    ("value", "text"),
    [(True, "yes"), (140.0, "140"), (-0.001, "0"), (-61.25, "−61.25"), (100.0, "100"), (None, "")],
)
def test_amounts(value, text: str) -> None:
    assert amount(value) == text


# --- in a real browser -----------------------------------------------------------------------------

needs_browser = pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="needs chromium and chromedriver")
WIDTHS = {"desktop": (1280, 900, False), "phone": (390, 844, True)}


@pytest.fixture(scope="module", params=WIDTHS)
def shown(request, tmp_path_factory):
    width, height, phone = WIDTHS[request.param]
    folder = tmp_path_factory.mktemp(request.param)
    page = folder / "page.html"
    page.write_text(page_of(full_report(source=sample_source(HOSTILE, producer=HOSTILE))))
    browser = Browser(folder / "profile", width, height, phone=phone)
    browser.open(page)
    yield browser
    browser.close()


@needs_browser
def test_browser_runs_no_foreign_code_and_fits_the_width(shown: Browser) -> None:
    assert [m for m in shown.messages() if ".flac" not in m and ".wav" not in m] == []
    assert shown.run("return document.documentElement.scrollWidth <= innerWidth")
    assert shown.run("return document.querySelectorAll('img').length") == 0
    lines = "const range = document.createRange(); range.selectNodeContents(e);"
    each = f"e => {{ {lines} return range.getClientRects().length }}"
    assert set(shown.run(f"return [...document.querySelectorAll('td.whole')].map({each})")) == {1}
    assert shown.run("return document.getElementById('playhead') !== null")


@needs_browser
def test_browser_shows_tempo_key_and_verdict_without_scrolling(shown: Browser) -> None:
    found = "return [...document.querySelectorAll('.verdict, .first .value')]"
    places = shown.run(f"{found}.map(e => e.getBoundingClientRect().bottom)")
    assert len(places) == 3
    assert max(places) < shown.run("return innerHeight")
    sizes = shown.run(f"{found}.slice(1).map(e => parseFloat(getComputedStyle(e).fontSize))")
    assert min(sizes) >= 30  # readable at arm's length


@needs_browser
def test_browser_dark_and_light_differ_and_print_hides_players(shown: Browser) -> None:
    colours = []
    for dark in (False, True):
        shown.emulate(dark=dark)
        colours.append(shown.run("return getComputedStyle(document.body).backgroundColor"))
    assert colours == ["rgb(244, 241, 234)", "rgb(18, 17, 15)"]
    shown.emulate(media="print")
    assert shown.run("return document.querySelector('.players').offsetHeight") == 0
    assert shown.run("return document.querySelector('.glance').offsetHeight") > 100
    shown.emulate()


@needs_browser
def test_browser_copies_by_one_key_and_by_selection_where_it_must(shown: Browser) -> None:
    """A page from a file share may have no clipboard of its own: then the marked text is copied."""
    for clipboard in ("{writeText: async text => { window.got = text; }}", "undefined"):
        shown.run(
            f"Object.defineProperty(navigator, 'clipboard', {{value: {clipboard}, configurable: true}});"
            "document.execCommand = () => { window.got = getSelection().toString(); return true; };"
        )
        for key, text in (
            ("t", "140"),
            ("k", "E flat minor"),
            ("c", "beatintake correct amber-lane --half"),
        ):
            shown.run("window.got = null")
            shown.press(key)
            assert shown.run("return window.got").endswith(text.split()[-1])
            assert (
                shown.run("return document.getElementById('said').textContent")
                == f"copied: {shown.run('return window.got')}"
            )
        shown.run("document.querySelector('.blank').closest('tr').querySelector('button.take').click()")
        assert shown.run("return window.got").endswith("--tempo ")
    shown.run("document.execCommand = () => false; document.querySelector('button.take').click()")
    assert shown.run("return getSelection().toString()") == "140"
    assert "Ctrl+C" in shown.run("return document.getElementById('said').textContent")
    assert not shown.run("return document.getElementById('said').textContent = ''")


@needs_browser
def test_browser_players_begin_low_and_say_so(shown: Browser) -> None:
    levels = shown.run("return [...document.querySelectorAll('audio')].map(a => a.volume)")
    assert levels == pytest.approx([10 ** (-20 / 20)] * 2, abs=0.01)  # -8.4 LUFS to -28
    assert shown.run("return document.getElementById('start').textContent").startswith(
        "The players begin 20 dB down, on this page only"
    )


@needs_browser
def test_browser_prints_two_pages(shown: Browser, tmp_path: Path) -> None:
    assert shown.printed_pages() == 2
    bar = 4 * BEAT_S
    labels = ("Ebm7", "Bmaj7", "Gbmaj7", "Dbsus4", "Abm7")
    long = sample_analysis(
        duration_s=420.0,
        grid=steady_grid(duration_s=420.0),
        chords=tuple(
            Chord(BAR_ONE_S + k * bar / 2, BAR_ONE_S + (k + 1) * bar / 2, labels[k * k % 5], 0.8)
            for k in range(480)
        ),
        sections=tuple(
            Section(BAR_ONE_S + 16 * k * bar, BAR_ONE_S + 16 * (k + 1) * bar, "ABCDE"[k % 5], 1 + 16 * k, 0.8)
            for k in range(15)
        ),
        flags=tuple(
            Flag("clipping", "warning", f"Clipped {k} times", "Ask for another", k, 41.0) for k in range(14)
        ),
    )
    page = tmp_path / "long.html"
    page.write_text(page_of(sample_report(long)))
    here = shown.run("return location.href")
    shown.open(page)
    assert shown.printed_pages() == 2
    shown.run(f"location.href = {here!r}")


@needs_browser
def test_browser_is_complete_without_scripts(shown: Browser) -> None:
    """All but the buttons and what they bring is there, and says what is true without a script."""
    seen = "return document.body.innerText"
    shown.run("location.reload()")
    with_scripts = shown.run(
        "document.querySelectorAll('button, #start').forEach(e => e.remove()); " + seen
    ).split()
    shown.without_scripts(True)
    shown.run("location.reload()")
    without = shown.run(seen)
    shown.without_scripts(False)
    shown.run("location.reload()")
    assert set(with_scripts) <= set(without.split())
    assert "The players begin at full level." in without
    assert "The players begin 20 dB down, on this page only" in shown.run(seen)


@needs_browser
@pytest.mark.parametrize("width", [320, 390, 600, 768, 1024, 1280, 1600, 1920])
def test_browser_draws_nothing_over_anything(shown: Browser, width: int) -> None:
    shown.resize(width, 1000)
    try:
        assert shown.overlaps() == []
        assert shown.run("return document.documentElement.scrollWidth <= innerWidth")
    finally:
        shown.cdp("Emulation.clearDeviceMetricsOverride")


@needs_browser
def test_browser_breaks_no_option_and_hides_none(shown: Browser) -> None:
    """Every option of a command lies on one line and within the page, at a phone's width too."""
    shown.resize(390, 844)
    try:
        found = "return [...document.querySelectorAll('.fixes .whole')]"
        assert "--half" in shown.run(f"{found}.map(e => e.textContent)")
        assert set(shown.run(f"{found}.map(e => e.getClientRects().length)")) == {1}
        assert max(shown.run(f"{found}.map(e => e.getBoundingClientRect().right)")) <= 390
    finally:
        shown.cdp("Emulation.clearDeviceMetricsOverride")


@needs_browser
def test_browser_keyboard_reaches_players_and_links(shown: Browser) -> None:
    reached = set()
    shown.run("document.activeElement.blur()")
    for _ in range(18):
        for kind in ("keyDown", "keyUp"):
            shown.cdp("Input.dispatchKeyEvent", type=kind, key="Tab", code="Tab", windowsVirtualKeyCode=9)
        reached.add(shown.run("return document.activeElement.tagName"))
    assert {"A", "AUDIO"} <= reached


def test_a_minus_before_a_number_is_a_minus_sign_and_a_range_is_left_alone() -> None:
    assert tight("to -18.0 LUFS, bars 3-5") == "to −18.0\N{NO-BREAK SPACE}LUFS, bars 3-5"
    assert tight("true peak +0.0 dBTP, gain −0.0 dB, +0.3 dBTP") == (
        "true peak 0.0\N{NO-BREAK SPACE}dBTP, gain 0.0\N{NO-BREAK SPACE}dB, +0.3\N{NO-BREAK SPACE}dBTP"
    )


@pytest.mark.parametrize(("value", "unit", "said"), [
    (1.0, "beats", "1 beat"), (1.5, "beats", "1.5 beats"), (0.048, "dBTP", "0.0 dBTP"),
    (-5.5, "dB", "−5.5 dB"), (2.0, "dB", "+2.0 dB"), (440.27, "Hz", "440.27 Hz"),
    ("4/4", None, "4/4"), (True, None, "yes"),
])  # fmt: skip
def test_a_value_has_its_unit_and_a_level_one_digit(value, unit: str | None, said: str) -> None:
    assert measured(value, unit) == said


@pytest.mark.parametrize(("format_", "subtype", "said"), [
    ("MP3", "MPEG_LAYER_III", "MP3"), ("OGG", "VORBIS", "Ogg, Vorbis"), ("WAV", "PCM_16", "WAV, 16-bit"),
    ("WAV", "FLOAT", "WAV, 32-bit float"), ("FLAC", "PCM_S8", "FLAC, 8-bit"),
    ("stems", "mixed", "stems, mixed"),
])  # fmt: skip
def test_formats_have_the_names_that_people_use(format_: str, subtype: str, said: str) -> None:
    assert format_words(format_, subtype) == said


def test_the_overview_is_the_copy_from_its_first_to_its_last_sample() -> None:
    """As the words below it say; what is cut off is in the close look."""
    report = sample_report()
    view = waveform_of(SOUND, report.cut, report.analysis.grid, 0.75).moved(-report.cut.zero_s)
    assert view.whole.start_s == 0
    assert view.whole.end_s == pytest.approx(report.in_session().duration_s)
    assert view.cut.start_s < 0
    text = " ".join(Outline(page_of(report)).text.split())
    assert re.search(r"65\.[23] s, \d+ bars, sections A B A; bars and times are those of the copy", text)


def test_a_first_sound_before_the_cut_is_said_without_a_negative_time() -> None:
    """A hit that comes early leaves its first milliseconds before the copy."""
    lead_in = replace(sample_analysis().lead_in, first_sound_s=BAR_ONE_S - 0.002)
    report = sample_report(sample_analysis(lead_in=lead_in))
    late = report.model_copy(update={"cut": report.cut.model_copy(update={"zero_s": BAR_ONE_S})})
    text = Outline(page_of(late)).text
    assert "first sound 2 ms before the copy" in text
    assert "first sound −" not in text


def test_a_moving_tempo_has_bar_numbers_and_one_name_for_its_map() -> None:
    curve = ((0.0, 139.2), (30.0, 141.0))
    report = sample_report(
        sample_analysis(grid=replace(steady_grid(), constant_tempo=False, tempo_curve=curve))
    )
    page = page_of(report)
    picture = page[page.index("Tempo over time") :]
    assert [n for n in ("bar 1", ">9<", ">17<", ">33<") if n not in picture] == []
    assert ">tempo map (MIDI)</a>" in page
    assert "MIDI map" not in page


def test_loud_files_and_stems_are_named_where_the_links_are() -> None:
    page = page_of(full_report())
    links = page[page.index('<p class="files') : page.index('id="ears"')]
    assert links.index("Turn the monitors down before") < links.index("aligned copy")
    assert 'aligned stems: in the folder "stems"' in links
    quiet = page_of(with_level(-24.0))
    links = quiet[quiet.index('<p class="files') : quiet.index("Listen</h2>")]
    assert "monitors" not in links
    assert "stems" not in links


def test_a_stem_has_one_name_in_folder_session_and_page() -> None:
    """That of its copy; the producer's stands beside it where it is another one."""
    text = Outline(page_of(full_report())).text
    assert re.search(r"keys - pad\s+sent as keys/pad.wav", text)
    assert not re.search(r"\bbass\s+sent as", text)
    assert "bass.wav" not in text
