"""Why the copy is cut where it is, in the words of an engineer."""

from __future__ import annotations

from fractions import Fraction

NOTE_VALUES = (4, 3)  # a pickup is counted in quarters or thirds of a beat
NEAR_BEATS = 0.06  # and so near to one of them
LEAST_REST_BEATS = 1 / max(NOTE_VALUES) - NEAR_BEATS  # what is shorter is no rest: a first hit that is late
SAID_LATE_S = 0.005  # a shorter silence, ahead of the first hit or of the source, is none
SECONDS_FROM_S = 0.2  # a shorter span is told in milliseconds, as under "check by ear"
SAID_SHIFT_S = 0.005  # a smaller shift is not worth a word, as a smaller silence


def before_words(
    sound_s: float,
    beat_s: float,
    music_bars: int,
    lead_in_bars: int,
    *,
    whole_bars: bool,
    swell: bool,
    fades_in: bool = False,
    voice: bool = False,
    other_start: bool = False,
    count_in: bool = False,
) -> str:
    """What lies before bar one, in words: "pickup of 1 beat in bar 1"; empty where nothing does.

    Parameters
    ----------
    sound_s : music before bar one, in seconds; 0: none
    music_bars : bars of the session that it lies in
    lead_in_bars : bars of silence as configured
    whole_bars : False where the copy starts at the first sound, inside a bar
    swell : it grows into bar one, which nobody counts
    fades_in : nor what music that fades in begins with
    voice : somebody talks before bar one
    other_start : a false start comes before it
    count_in : nothing but a count-in does
    """
    if music_bars == 0:
        silent = _bars(1, lead_in_bars)
        return (
            f"{silent} {'is' if lead_in_bars == 1 else 'are'} silence, as configured" if lead_in_bars else ""
        )
    before = f"another start {sound_s:.2f} s before it" if other_start else ""
    before = "a count-in" if count_in else before
    before = before or _before(sound_s, beat_s, music_bars, swell=swell, fades_in=fades_in, voice=voice)
    text = f"{before} in {_bars(lead_in_bars + 1, music_bars)}"
    if lead_in_bars:
        text += f", after {lead_in_bars} bar{'s' if lead_in_bars > 1 else ''} of silence as configured"
    return text if whole_bars else f"{text}; bar 1 is shortened"


def rest_words(rest_s: float, beat_s: float, bar: int, *, fades_in: bool = False) -> str:
    """That the song's first bar begins with a rest: "bar 1 begins with a rest of 1/2 of a beat".

    Empty where the first sound merely comes late, on no part of the beat that is counted. What begins below
    hearing is no rest: "it fades in".
    """
    if fades_in:
        return "it fades in"
    return (
        f"bar {bar} begins with a rest of {beats_words(rest_s / beat_s)}" if _counted(rest_s / beat_s) else ""
    )


def why(
    before: str,
    bars: int,
    *,
    rest: str = "",
    filled: bool,
    shift_s: float,
    hits_after_lines_s: float | None,
    late_s: float = 0.0,
    soft: bool = False,
) -> str:
    """The whole sentence, without a full stop.

    Parameters
    ----------
    before : what lies before bar one (`before_words`), in so many `bars` of the session
    rest : that it begins with a rest (`rest_words`)
    filled : silence fills what the source does not have of the first bar
    shift_s, hits_after_lines_s : as in the plan
    late_s : so much after bar one's line the first hit is left
    soft : the first hit rises gradually; the lines moved to where it begins
    """
    text = f"the song starts at bar {bars + 1}" + (f"; {before}" if bars else "")
    text += f"; {rest}" if rest else ""
    text += "; silence fills the first bar until the source begins" if filled else ""
    if late_s > SAID_LATE_S:
        text += f"; its first hit comes {late_s * 1000:.0f} ms after the bar line, which is the song's"
    return text + _shifted(shift_s, hits_after_lines_s, soft)


def _shifted(shift_s: float, hits_after_lines_s: float | None, soft: bool) -> str:
    if abs(shift_s) < SAID_SHIFT_S:
        return ""
    how, moved, gain = (
        ("early", "earlier", "keep it whole") if shift_s < 0 else ("late", "later", "leave no gap")
    )
    how = "begins softly" if soft else f"comes {how}"
    text = f"; its first hit {how}: the bar lines are {abs(shift_s) * 1000:.0f} ms {moved} to {gain}"
    if hits_after_lines_s is None or not round(hits_after_lines_s * 1000):
        return text
    where = "after" if hits_after_lines_s >= 0 else "before"
    return f"{text}, and the song's hits lie {abs(hits_after_lines_s) * 1000:.0f} ms {where} them"


def _before(
    sound_s: float, beat_s: float, music_bars: int, *, swell: bool, fades_in: bool, voice: bool
) -> str:
    if voice or swell:
        return f"a {'voice' if voice else 'swell'} from {_span(sound_s)} before it"
    if music_bars == 1 and not fades_in and _counted(sound_s / beat_s):
        return f"pickup of {beats_words(sound_s / beat_s)}"
    return f"sound from {_span(sound_s)} before it"


def _span(length_s: float) -> str:
    """'2.96 s', '56 ms'."""
    return f"{length_s:.2f} s" if length_s >= SECONDS_FROM_S else f"{length_s * 1000:.0f} ms"


def beats_words(beats: float) -> str:
    """ "1 beat", "1 1/2 beats", "2/3 of a beat"; "0.37 beats" where it is none of these."""
    near = _counted(beats)
    if near is None:
        return f"{beats:.2f} beats"
    whole, part = divmod(near, 1)
    if whole == 0:
        return f"{part} of a beat"
    return f"{whole}{f' {part}' if part else ''} beat{'s' if near > 1 else ''}"


def _counted(beats: float) -> Fraction | None:
    """The nearest quarter or third of a beat; None where none is near."""
    values = [Fraction(round(beats * parts), parts) for parts in NOTE_VALUES]
    best = min(values, key=lambda value: abs(value - beats))
    return best if best > 0 and abs(best - beats) < NEAR_BEATS else None


def _bars(first: int, count: int) -> str:
    return f"bar {first}" if count == 1 else f"bars {first} to {first + count - 1}"
