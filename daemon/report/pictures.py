"""The pictures of one report: the beat, the cut, tempo, key, loudness."""

from __future__ import annotations

import math

from analyzers.harmony.note_sets import note_names
from analyzers.harmony.spelling import pitch_class_of, short_name
from analyzers.model import Analysis, GridProof, Section
from analyzers.rhythm.bars import bar_lines
from daemon.export.plan import first_bar_seconds
from daemon.report.drawing import WIDTH, Picture, Word, box, curve, line, outline_path, scale, upright
from daemon.report.parts import Cut
from daemon.report.waveform import Outline
from daemon.report.words import percent, seconds, sentence, several_tempi, signed, unit

BEAT_HEIGHT = 120.0
CUT_HEIGHT = 150.0
CHART_HEIGHT = 100.0
MOST_BAR_NUMBERS = 24
MOST_CHART_NUMBERS = 6
OFFSET_LIMIT_MS = 10.0  # an edit on the grid tolerates about so much (common practice)


def beat_picture(analysis: Analysis, view: Outline) -> Picture:
    """The whole copy: sections above, bars below."""
    top, bottom = 6.0, BEAT_HEIGHT - 14.0
    bars = bar_lines(analysis.grid)
    every = next((n for n in (4, 8, 16, 32, 64, 128) if len(bars) / n <= MOST_BAR_NUMBERS), 256)
    numbered = [(n, t) for n, t in bars if n == 1 or (n > 1 and (n - 1) % every == 0)]
    shapes = [
        *(
            box(f"band band{k % 2}", *_span(view, s.start_s, s.end_s), 0.0, bottom)
            for k, s in _sections(analysis)
        ),
        outline_path(view, top, bottom),
        *(upright("bar", view.place(t), bottom, bottom + 4) for _, t in bars),
        *(upright("bar8", view.place(t), bottom, BEAT_HEIGHT) for _, t in numbered),
        *(upright("keychange", view.place(c.at_s), 0.0, bottom) for c in analysis.key.changes),
    ]
    words = [
        *(
            Word(_pc(view, s.start_s), s.letter, "above", _pc(view, s.end_s) - _pc(view, s.start_s))
            for _, s in _sections(analysis)
        ),
        *(
            Word(_pc(view, t), str(n), "below", css="odd" if k % 2 else "")
            for k, (n, t) in enumerate(numbered)
        ),
        *_key_words(analysis, view),
    ]
    return Picture(
        "beat",
        "The whole beat",
        _beat_text(analysis, len(bars)),
        BEAT_HEIGHT,
        tuple(shapes),
        tuple(words),
    )


def _key_words(analysis: Analysis, view: Outline) -> list[Word]:
    """Each new key over the music in it."""
    changes = analysis.key.changes
    ends = [*(c.at_s for c in changes[1:]), analysis.duration_s]
    return [
        Word(_pc(view, c.at_s), f"{c.tonic} {c.mode}", "second", _pc(view, end_s) - _pc(view, c.at_s))
        for c, end_s in zip(changes, ends, strict=False)
    ]


def cut_picture(analysis: Analysis, cut: Cut, view: Outline) -> Picture:
    """The first bars close up: first sound, bar one, where the copy starts."""
    grid, first = analysis.grid, analysis.lead_in.first_sound_s
    bottom = CUT_HEIGHT
    bars = {t: n for n, t in bar_lines(grid)}
    seen = [t for t in grid.beats_s if 0 <= view.place(t) <= 1]
    shapes = [
        outline_path(view, 4.0, bottom - 4.0),
        box("gone", 0.0, view.place(0.0), 0.0, bottom),
        *(upright("bar8" if t in bars else "beat", view.place(t), 0.0, bottom) for t in seen),
        upright("cut", view.place(0.0), 0.0, bottom),
    ]
    if cut.pad_samples and view.end_s > 0:
        filled_s = cut.source_start / analysis.rate - cut.zero_s
        shapes.insert(1, box("pad", view.place(0.0), view.place(filled_s), 0.0, bottom))
    if first is not None:
        shapes.append(upright("first", view.place(first), 0.0, bottom))
    words = [Word(_pc(view, t), f"bar {bars[t]}", "below") for t in seen if t in bars]
    words.append(Word(_pc(view, 0.0), "the copy starts here", "above"))
    if first is not None:
        words.append(Word(_pc(view, first), _first_sound(first), "second"))
    text = f"The copy starts {_of_file(cut)}. {sentence(cut.why)} Times are those of the copy."
    return Picture("cut", "The cut, close up", text, CUT_HEIGHT, tuple(shapes), tuple(words))


def _first_sound(at_s: float) -> str:
    """'first sound 1.818 s', 'first sound 2 ms before the copy'."""
    early_ms = round(-1000 * at_s)
    return f"first sound {f'{early_ms} ms before the copy' if early_ms > 0 else seconds(abs(at_s), 3)}"


def tempo_picture(analysis: Analysis, cut: Cut) -> Picture | None:
    """A moving tempo over time, or how the hits near a constant grid lie in its first and last third.

    Against the lines that the session has, like the words of the cut: the measured grid moved by its shift.
    """
    grid = analysis.grid
    if grid.tempo_bpm is None:
        return None
    if several_tempi(grid) and len(grid.tempo_curve) > 1:
        return _moving_tempo(analysis)
    if grid.proof is None:
        return None
    shift_ms = 1000 * cut.session_shift_s
    early, late = grid.proof.first_third_ms - shift_ms, grid.proof.last_third_ms - shift_ms
    limit = max(OFFSET_LIMIT_MS, 5 * math.ceil(max(abs(early), abs(late)) / 5))
    heights = scale([early, late, 0.0], -limit, limit, CHART_HEIGHT)
    shapes = (
        line("axis", 0, heights[2], WIDTH, heights[2]),
        curve("reading", [(WIDTH / 6, heights[0]), (WIDTH * 5 / 6, heights[1])]),
    )
    words = (
        Word(0, f"first third {signed(early, 1)} ms", "below"),
        Word(100, f"last third {signed(late, 1)} ms", "below", css="right"),
        Word(0, f"{signed(limit)} ms: after the line", "above"),
    )
    text = (
        f"Hits near the session's lines (middle): {off_the_line(early)} in the first third, "
        f"{off_the_line(late)} in the last. {_counted(grid.proof)} "
        f"Above the middle (+) is after the line; the top edge stands for {limit:.0f} ms."
    )
    return Picture("tempo", "How hits near the lines lie", text, CHART_HEIGHT, shapes, words)


def _counted(proof: GridProof) -> str:
    """What the picture leaves out: it is no proof that the grid holds."""
    share = "" if proof.on_grid is None else f" ({percent(proof.on_grid)} of the clear ones"
    chance = "" if proof.by_chance is None else f"; {percent(proof.by_chance)} would lie there by chance"
    return (
        f"Only hits within 15 ms of a sixteenth or triplet are counted{share}{chance}{')' if share else ''}: "
        "whether the grid holds to the end, the click check tells."
    )


def off_the_line(ms: float) -> str:
    """'1.6 ms after', '0.3 ms before'."""
    return f"{abs(ms):.1f} ms {'before' if round(ms, 1) < 0 else 'after'}"


def _moving_tempo(analysis: Analysis) -> Picture:
    curve_points = analysis.grid.tempo_curve
    tempi = [bpm for _, bpm in curve_points]
    low, high, beats = min(tempi), max(tempi), unit(analysis.grid)
    margin = max((high - low) * 0.1, 0.1)
    heights = scale(tempi, low - margin, high + margin, CHART_HEIGHT)
    points: list[tuple[float, float]] = []
    for k, ((at, _), y) in enumerate(zip(curve_points, heights, strict=True)):
        end = curve_points[k + 1][0] if k + 1 < len(curve_points) else analysis.duration_s
        points += [(at / analysis.duration_s * WIDTH, y), (end / analysis.duration_s * WIDTH, y)]
    bars = [(n, at / analysis.duration_s) for n, at in bar_lines(analysis.grid)]
    every = next((n for n in (4, 8, 16, 32, 64, 128) if len(bars) / n <= MOST_CHART_NUMBERS), 256)
    numbered = [(n, share) for n, share in bars if n == 1 or (n > 1 and (n - 1) % every == 0)]
    words = (
        Word(0, f"{low:.2f} (bottom) to {high:.2f} {beats} (top)", "above"),
        *(Word(round(100 * share, 3), f"bar {n}" if n == 1 else str(n), "below") for n, share in numbered),
    )
    text = (
        f"The tempo moves between {low:.2f} and {high:.2f} {beats}; "
        "these are the steps of the tempo map (MIDI)."
    )
    shapes = (
        *(upright("bar", share, 0.0, CHART_HEIGHT) for _, share in numbered),
        curve("reading", points),
    )
    return Picture("tempo", "Tempo over time", text, CHART_HEIGHT, shapes, words)


def key_picture(analysis: Analysis) -> Picture | None:
    """How much of each of the twelve notes there is; notes of the scale are filled."""
    key = analysis.key
    if len(key.profile) != 12 or key.tonic is None or key.mode is None:
        return None
    scale_notes = {pitch_class_of(name): name for name in key.scale}
    first, names = pitch_class_of(key.tonic), note_names(analysis, key.tonic, key.mode)
    top = max(key.profile) or 1.0
    shapes, words = [], []
    for k in range(12):
        note = (first + k) % 12
        height = key.profile[note] / top * (CHART_HEIGHT - 4)
        inside = "in" if note in scale_notes else "out"
        shapes.append(
            box(f"note {inside}", (k + 0.15) / 12, (k + 0.85) / 12, CHART_HEIGHT - height, CHART_HEIGHT)
        )
        name = scale_notes.get(note, names[note])
        words.append(Word(k / 12 * 100, short_name(name), "below", 100 / 12, inside))
    loud = sorted(scale_notes, key=lambda n: -key.profile[n])[:3]
    text = (
        f"Notes heard, from {key.tonic} up; filled bars belong to {key.tonic} {key.mode}. "
        f"Loudest of the scale: {', '.join(scale_notes[n] for n in loud)}."
    )
    return Picture("key", "Which notes are there", text, CHART_HEIGHT, tuple(shapes), tuple(words))


def loudness_picture(analysis: Analysis) -> Picture | None:
    """Short-term loudness over time with the integrated value as a line."""
    loud = analysis.loudness
    if len(loud.short_term_curve) < 2 or loud.integrated_lufs is None:
        return None
    high = max(lufs for _, lufs in loud.short_term_curve)
    low, high = min(loud.integrated_lufs - 12, high - 6), high + 1
    heights = scale([lufs for _, lufs in loud.short_term_curve], low, high, CHART_HEIGHT)
    mean = scale([loud.integrated_lufs], low, high, CHART_HEIGHT)[0]
    times = [at / analysis.duration_s * WIDTH for at, _ in loud.short_term_curve]
    shapes = (line("axis", 0, mean, WIDTH, mean), curve("reading", zip(times, heights, strict=True)))
    words = (
        Word(0, f"{signed(high)} LUFS", "above"),
        Word(0, f"{signed(low)} LUFS", "below"),
        Word(100, f"line: integrated {signed(loud.integrated_lufs, 1)} LUFS", "above", css="right"),
    )
    text = f"Short-term loudness over time; integrated {signed(loud.integrated_lufs, 1)} LUFS."
    return Picture("loudness", "Loudness over time", text, CHART_HEIGHT, shapes, words)


def _sections(analysis: Analysis) -> list[tuple[int, Section]]:
    return list(enumerate(analysis.sections))


def _span(view: Outline, start_s: float, end_s: float) -> tuple[float, float]:
    return view.place(start_s), view.place(end_s)


def _pc(view: Outline, at_s: float) -> float:
    return round(min(max(view.place(at_s), 0.0), 1.0) * 100, 3)


def _of_file(cut: Cut) -> str:
    if cut.zero_s >= 0:
        return f"at {seconds(cut.zero_s, 4)} of the producer's file"
    return f"{seconds(-cut.zero_s, 4)} before the producer's file"


def _beat_text(analysis: Analysis, bars: int) -> str:
    parts = [f"{analysis.duration_s:.1f} s"]
    bar_s = first_bar_seconds(analysis.grid)
    if bar_s:
        parts.append(f"{bars} bars")
    if analysis.sections:
        parts.append("sections " + " ".join(s.letter for s in analysis.sections))
    return f"{', '.join(parts)}; bars and times are those of the copy."
