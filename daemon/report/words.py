"""The report in plain words: numbers as people say them, and the list of what needs ears."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from analyzers.harmony.spelling import is_minor, key_name, pitch_class_of, scale_pitch_classes
from analyzers.model import Analysis, Flag, Grid, Key, KeyCandidate, Tuning
from analyzers.rhythm.bars import bar_lines, nearest_bar
from daemon.core.names import format_tempo
from daemon.core.text import one_line
from daemon.corrections.apply import Correction
from daemon.report.null_words import null_lines
from daemon.report.parts import Claim, Cut, StemLine

HOLDS_S = 0.001  # a tempo is said so exactly that it is no further off at the end
FAULTS = {  # what differs from the code of the flag
    "clipping": "clipped",
    "dropout": "dropouts",
    "dc-offset": "constant offset",
    "hum": "mains hum",
    "noise-floor": "noise",
    "lossy-origin": "from a lossy file",
    "short-words": "8-bit noise",
    "channel-level": "one channel louder",
    "polarity-inverted": "one channel inverted",
    "mono-loss": "lost in mono",
    "out-of-phase-band": "bass out of phase",
}
WORTH_SAYING = 0.01  # a rival less probable than this is not named


def percent(confidence: float) -> str:
    """A probability as a person says it; no estimate is certain."""
    return f"{min(int(confidence * 100 + 0.5), 99)} %"


def seconds(value: float, digits: int = 2) -> str:
    """3.43 s, 1 min 04.20 s, −0.07 s."""
    minutes, rest = divmod(round(abs(value), digits), 60)
    sign = "−" if value < 0 and round(value, digits) else ""
    width = digits + 3
    return (
        f"{sign}{int(minutes)} min {rest:0{width}.{digits}f} s" if minutes else f"{sign}{rest:.{digits}f} s"
    )


def glance_tempo(grid: Grid, duration_s: float) -> str | None:
    """As many digits as hold to the end of the song within 1 ms; a moving tempo as its whole range."""
    if grid.tempo_bpm is None:
        return None
    if grid.constant_tempo is False:
        tempi = [bpm for _, bpm in grid.tempo_curve] or [grid.tempo_bpm]
        low, high = round(min(tempi)), round(max(tempi))
        return f"{low} to {high}" if high > low else f"about {low}"
    for digits in range(4):
        if abs(round(grid.tempo_bpm, digits) / grid.tempo_bpm - 1) * duration_s <= HOLDS_S:
            return format_tempo(round(grid.tempo_bpm, digits))
    return format_tempo(grid.tempo_bpm)


def tempo_line(grid: Grid, duration_s: float) -> str:
    """'140 BPM', '85 to 87 BPM, moving', 'no tempo'."""
    shown, moving = glance_tempo(grid, duration_s), grid.constant_tempo is False
    return f"{shown} BPM{', moving' if moving else ''}" if shown else "no tempo"


def counted(grid: Grid) -> str:
    """'4 beats to the bar (4/4)'."""
    return (
        f"{grid.beats_per_bar} beats to the bar ({grid.meter})" if grid.meter and grid.beats_per_bar else ""
    )


def bar_or_time(grid: Grid, at_s: float) -> str:
    """'bar 17 (30.00 s)': the nearest bar line where there are any."""
    lines = bar_lines(grid)
    return f"bar {nearest_bar(lines, at_s)} ({seconds(at_s)})" if lines else seconds(at_s)


def session_place(grid: Grid, at_s: float) -> str:
    """'bar 17'; seconds without a grid."""
    lines = bar_lines(grid)
    return f"bar {nearest_bar(lines, at_s)}" if lines else seconds(at_s)


def first_line(name: str, analysis: Analysis, cut: Cut, ears: int) -> str:
    """'amber-lane.wav: 92 BPM, E flat minor, starts on bar one, check 2 by ear': enough by itself."""
    grid, key = analysis.grid, analysis.key
    tempo = tempo_line(grid, analysis.duration_s)
    later = "".join(f", then {c.tonic} {c.mode}" for c in key.changes[:2])
    start = "starts on bar one"
    if cut.bar_one_in_copy_s is None:
        start = "not on a bar line"
    elif cut.bars_before_bar_one:
        start = f"bar one is bar {cut.bars_before_bar_one + 1}"
    check = f", check {ears} by ear" if ears else ""
    return one_line(f"{name}: {tempo}, {key_name(key.tonic, key.mode) or 'no key'}{later}, {start}{check}")


def sentence(text: str) -> str:
    """With a capital first letter and one full stop."""
    text = text.strip().rstrip(".")
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def signed(value: float, digits: int = 0) -> str:
    """With a real minus sign and never "-0"."""
    rounded = round(value, digits)
    if rounded == 0:
        return f"{0:.{digits}f}"
    return f"{'+' if rounded > 0 else '−'}{abs(rounded):.{digits}f}"


def check_by_ear(
    analysis: Analysis,
    *,
    below: float,
    tuning_flag_cents: float,
    warnings: Iterable[str] = (),
    claims: Iterable[Claim] = (),
    stems: Sequence[StemLine] = (),
    correction: Correction | None = None,
    cut: Cut | None = None,
) -> tuple[str, ...]:
    """Sentences "Topic: what and why", most important first; empty when nothing needs ears.

    `analysis` has the correction applied already; what is set by hand needs no ears. With a `cut` it is the
    session's view of it (`daemon.export.sessionview`), else in the time of the producer's file.
    """
    by_hand = correction or Correction()
    lines = [
        *_tempo_lines(analysis.grid, glance_tempo(analysis.grid, analysis.duration_s), below, by_hand),
        *_bar_lines(analysis, below, by_hand, cut),
        *_key_lines(analysis, below, by_hand),
        *(_tuning_lines(analysis.tuning, below, tuning_flag_cents, by_hand) if analysis.key.tonic else []),
        *_claim_lines(claims, by_hand),
        *(
            f"Signal: {sentence(flag.text)} {sentence(flag.advice)}"
            for flag in analysis.flags
            if flag.severity == "warning"
        ),
        *(f"File: {sentence(warning)}" for warning in warnings),
        *_stem_lines(stems),
        *null_lines(stems, lambda at_s: bar_or_time(analysis.grid, at_s - (cut.zero_s if cut else 0.0))),
    ]
    return tuple(dict.fromkeys(lines))


def topics(lines: Iterable[str]) -> tuple[str, ...]:
    """What the sentences are about, each once, in lower case: ("tempo", "key")."""
    return tuple(dict.fromkeys(line.partition(":")[0].lower() for line in lines))


def ear_words(lines: Iterable[str], flags: Iterable[Flag]) -> tuple[str, ...]:
    """The topics as a board says them: in place of "signal" the faults themselves, "clipped"."""
    faults = [
        FAULTS.get(flag.code, flag.code.replace("-", " ")) for flag in flags if flag.severity == "warning"
    ]
    said = [word for topic in topics(lines) for word in (faults if topic == "signal" and faults else [topic])]
    return tuple(dict.fromkeys(said))


def _tempo_lines(grid: Grid, shown: str | None, below: float, by_hand: Correction) -> list[str]:
    if grid.tempo_bpm is None:
        return [f"Tempo: none. {sentence(grid.reason or 'no steady beat was found')} The copy is on no grid."]
    lines = []
    if grid.tempo_confidence < below and by_hand.tempo_bpm is None:
        other = [c for c in grid.tempo_alternatives if _other(c.bpm, grid.tempo_bpm, c.probability)][:2]
        rivals = [f"{format_tempo(round(c.bpm, 2))} ({percent(c.probability)})" for c in other]
        lines.append(
            f"Tempo: {shown} BPM is {percent(grid.tempo_confidence)} sure{_or(rivals)} "
            "Listen to the click check."
        )
    if grid.constant_tempo is False:
        lines.append(
            f"Tempo: it moves, {shown} BPM. "
            "Take the tempo map, not one number, and hear the click check to its end."
        )
    elif grid.constant_confidence < below and by_hand.tempo_bpm is None:
        lines.append(
            f"Tempo: that it is constant is {percent(grid.constant_confidence)} sure. "
            "Listen to the end of the click check for drift."
        )
    return lines


def _bar_lines(analysis: Analysis, below: float, by_hand: Correction, cut: Cut | None) -> list[str]:
    grid, lead_in, lines = analysis.grid, analysis.lead_in, []
    if grid.tempo_bpm is not None and grid.bar_one_s is None:
        lines.append("Bar one: not found. The copy does not start on a bar line.")
    elif grid.bar_one_s is not None and grid.bar_one_confidence < below and by_hand.bar_one_s is None:
        lines.append(
            f"Bar one: {_bar_one(grid.bar_one_s, cut)} is {percent(grid.bar_one_confidence)} sure. "
            "Check that the click's accent falls on the one."
        )
    if grid.meter is not None and grid.meter_confidence < below and by_hand.meter is None:
        lines.append(f"Meter: {grid.meter} is {percent(grid.meter_confidence)} sure. Count a few bars.")
    if lead_in.first_sound_s is not None and lead_in.confidence < below:
        lines.append(
            f"Start: first sound at {seconds(lead_in.first_sound_s)} is {percent(lead_in.confidence)} sure. "
            "Check for noise or a soft swell before it."
        )
    return lines


def _key_lines(analysis: Analysis, below: float, by_hand: Correction) -> list[str]:
    key = analysis.key
    name = key_name(key.tonic, key.mode)
    if name is None:
        why = sentence(key.reason or "nothing tonal was found")
        return [f"Key: none. {why} Set pitch correction to chromatic."]
    lines = []
    if key.confidence < below and by_hand.key is None:
        likely = [c for c in rival_keys(key) if c.probability >= WORTH_SAYING][:2]
        rivals = [f"{c.tonic} {c.mode} ({percent(c.probability)})" for c in likely]
        lines.append(f"Key: {name} is {percent(key.confidence)} sure{_or(rivals)} {_until_then(key, below)}")
    lines += [
        f"Key: that it changes to {c.tonic} {c.mode} at {bar_or_time(analysis.grid, c.at_s)} is "
        f"{percent(c.confidence)} sure. Hear whether the bass and the chords move there."
        for c in key.changes
        if c.confidence < below  # a sure one is told with the key: nothing to check
    ]
    return lines


def rival_keys(key: Key) -> list[KeyCandidate]:
    """Keys that it may be instead; C minor is no rival of C harmonic minor, which is a kind of it."""
    if key.tonic is None or key.mode is None:
        return list(key.alternatives)
    found = pitch_class_of(key.tonic), is_minor(key.mode)
    return [c for c in key.alternatives if (pitch_class_of(c.tonic), is_minor(c.mode)) != found]


def _bar_one(at_s: float, cut: Cut | None) -> str:
    if cut is None:
        return seconds(at_s)
    return f"that the song's first bar is bar {cut.bars_before_bar_one + 1} of the copy"


def _until_then(key: Key, below: float) -> str:
    """Relative keys share their notes: which of them it is does not matter to pitch correction."""
    notes = {pitch_class_of(name) for name in key.scale}
    same = [c for c in key.alternatives if scale_pitch_classes(c.tonic, c.mode) == notes]
    others = [c for c in same if (c.tonic, c.mode) != (key.tonic, key.mode)]
    if not others or sum(c.probability for c in same) < below:
        return "Chromatic is safe until then."
    return (
        f"The notes are the same in {others[0].tonic} {others[0].mode}: "
        f"pitch correction can be set to {', '.join(key.scale)} now."
    )


def _other(bpm: float, answer: float, probability: float) -> bool:
    return abs(bpm / answer - 1) > 0.001 and probability >= WORTH_SAYING


def _or(rivals: list[str]) -> str:
    return f"; it could be {' or '.join(rivals)}." if rivals else "."


def _tuning_lines(tuning: Tuning, below: float, flag_cents: float, by_hand: Correction) -> list[str]:
    if tuning.cents is None or by_hand.tuning_cents is not None or abs(tuning.cents) <= flag_cents:
        return []
    side = "above" if tuning.cents > 0 else "below"
    a4 = tuning.a4_hz or 440 * 2 ** (tuning.cents / 1200)
    sure = "" if tuning.confidence >= below else f" ({percent(tuning.confidence)} sure)"
    return [
        f"Tuning: {abs(tuning.cents):.0f} cents {side} A4 = 440 Hz{sure}. "
        f"Set pitch correction to A4 = {a4:.1f} Hz."
    ]


def _claim_lines(claims: Iterable[Claim], by_hand: Correction) -> list[str]:
    settled = {"tempo": by_hand.tempo_bpm is not None, "key": by_hand.key is not None}
    open_claims = [c for c in claims if c.agrees is False and not settled.get(c.question, False)]
    return [
        f"{c.question.capitalize()}: the {c.where} says {claim_words(c)}, {c.relation}." for c in open_claims
    ]


def claim_words(claim: Claim) -> str:
    """'150 BPM', 'C minor'."""
    return f"{format_tempo(claim.value)} BPM" if isinstance(claim.value, float) else claim.value


def _stem_lines(stems: Iterable[StemLine]) -> list[str]:
    """What is odd within one stem; silent and inverted ones are named in the warnings of decoding."""
    return [f"Stems: {stem.name}: {sentence(note)}" for stem in stems for note in stem.notes]
