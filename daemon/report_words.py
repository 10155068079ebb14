"""The report in plain words: numbers as people say them, and the list of what needs ears."""

from __future__ import annotations

from collections.abc import Iterable

from analyzers.model import Analysis, Key
from daemon.correction_apply import Correction
from daemon.names import format_tempo
from daemon.report_parts import Claim, StemLine


def percent(confidence: float) -> str:
    """A probability as a person says it; never rounded up to certainty."""
    return f"{min(int(confidence * 100 + 0.5), 99 if confidence < 1 else 100)} %"


def seconds(value: float) -> str:
    """3.4286 s, 1 min 04.2000 s."""
    if abs(value) < 60:
        return f"{value:.4f} s"
    minutes, rest = divmod(abs(value), 60)
    return f"{'-' if value < 0 else ''}{int(minutes)} min {rest:07.4f} s"


def key_name(tonic: str | None, mode: str | None) -> str | None:
    return f"{tonic} {mode}" if tonic and mode else None


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
    stems: Iterable[StemLine] = (),
    correction: Correction | None = None,
) -> tuple[str, ...]:
    """Plain sentences, most important first. `analysis` has the correction applied already."""
    by_hand = correction or Correction()
    lines = [
        *_tempo_lines(analysis, below, by_hand),
        *_bar_lines(analysis, below, by_hand),
        *_key_lines(analysis.key, below, by_hand),
        *_tuning_lines(analysis, below, tuning_flag_cents, by_hand),
        *_claim_lines(claims, by_hand),
        *(sentence(f.text) + " " + sentence(f.advice) for f in analysis.flags if f.severity == "warning"),
        *(sentence(warning) for warning in warnings),
        *_stem_lines(stems),
    ]
    return tuple(dict.fromkeys(lines))


def _tempo_lines(analysis: Analysis, below: float, by_hand: Correction) -> list[str]:
    grid = analysis.grid
    if grid.tempo_bpm is None:
        return [
            f"No tempo: {(grid.reason or 'no steady beat was found').rstrip('.')}. The copy is not on a grid."
        ]
    lines = []
    if grid.tempo_confidence < below and by_hand.tempo_bpm is None:
        other = [c for c in grid.tempo_alternatives if abs(c.bpm / grid.tempo_bpm - 1) > 0.001][:2]
        rival = " or ".join(f"{format_tempo(round(c.bpm, 2))} ({percent(c.probability)})" for c in other)
        lines.append(
            f"Tempo {format_tempo(grid.tempo_bpm)} BPM is {percent(grid.tempo_confidence)} sure"
            + (f"; it could be {rival}." if rival else ".")
            + " Listen to the click check."
        )
    if grid.constant_tempo is False:
        tempi = [bpm for _, bpm in grid.tempo_curve] or [grid.tempo_bpm]
        lines.append(
            f"The tempo moves between {min(tempi):.2f} and {max(tempi):.2f} BPM: "
            "take the tempo map, not one number."
        )
    elif grid.constant_confidence < below and by_hand.tempo_bpm is None:
        lines.append(
            f"That the tempo is constant is {percent(grid.constant_confidence)} sure: "
            "listen to the end of the click check for drift."
        )
    return lines


def _bar_lines(analysis: Analysis, below: float, by_hand: Correction) -> list[str]:
    grid, lines = analysis.grid, []
    if grid.tempo_bpm is None:
        return []
    if grid.bar_one_s is None:
        lines.append("Bar one was not found: the copy does not start on a bar line.")
    elif grid.bar_one_confidence < below and by_hand.bar_one_s is None:
        lines.append(
            f"Bar one at {seconds(grid.bar_one_s)} is {percent(grid.bar_one_confidence)} sure: "
            "check that the click's accent falls on the one."
        )
    if grid.meter is not None and grid.meter_confidence < below and by_hand.meter is None:
        lines.append(f"Meter {grid.meter} is {percent(grid.meter_confidence)} sure: count a few bars.")
    if analysis.lead_in.first_sound_s is not None and analysis.lead_in.confidence < below:
        lines.append(
            f"The first sound at {seconds(analysis.lead_in.first_sound_s)} is "
            f"{percent(analysis.lead_in.confidence)} sure: check the start for noise or a soft swell."
        )
    return lines


def _key_lines(key: Key, below: float, by_hand: Correction) -> list[str]:
    name = key_name(key.tonic, key.mode)
    if name is None:
        why = (key.reason or "nothing tonal was found").rstrip(".")
        return [f"No key: {why}. Set pitch correction to chromatic."]
    lines = []
    if key.confidence < below and by_hand.key is None:
        others = [c for c in key.alternatives if (c.tonic, c.mode) != (key.tonic, key.mode)][:2]
        rival = " or ".join(f"{c.tonic} {c.mode} ({percent(c.probability)})" for c in others)
        lines.append(
            f"Key {name} is {percent(key.confidence)} sure"
            + (f"; it could be {rival}." if rival else ".")
            + " Chromatic is the safe setting until checked."
        )
    for change in key.changes:
        lines.append(f"The key changes to {change.tonic} {change.mode} at {seconds(change.at_s)}.")
    return lines


def _tuning_lines(analysis: Analysis, below: float, flag_cents: float, by_hand: Correction) -> list[str]:
    tuning = analysis.tuning
    if tuning.cents is None or by_hand.tuning_cents is not None:
        return []
    off = abs(tuning.cents) > flag_cents
    if not off:
        return []
    side = "above" if tuning.cents > 0 else "below"
    a4 = tuning.a4_hz or 440 * 2 ** (tuning.cents / 1200)
    sure = "" if tuning.confidence >= below else f" ({percent(tuning.confidence)} sure)"
    return [
        f"The music is tuned {abs(tuning.cents):.0f} cents {side} A4 = 440 Hz{sure}: "
        f"set pitch correction to A4 = {a4:.1f} Hz."
    ]


def _claim_lines(claims: Iterable[Claim], by_hand: Correction) -> list[str]:
    settled = {"tempo": by_hand.tempo_bpm is not None, "key": by_hand.key is not None}
    open_claims = [c for c in claims if c.agrees is False and not settled.get(c.question, False)]
    return [f"The {c.where} says {claim_words(c)}: {c.relation}." for c in open_claims]


def claim_words(claim: Claim) -> str:
    """'150 BPM', 'C minor'."""
    return f"{format_tempo(claim.value)} BPM" if isinstance(claim.value, float) else claim.value


def _stem_lines(stems: Iterable[StemLine]) -> list[str]:
    lines = []
    for stem in stems:
        lines += [sentence(f"{stem.name}: {note}") for note in stem.notes]
        if stem.silent:
            lines.append(f"Stem {stem.name} is silent.")
        if stem.inverted:
            lines.append(f"Stem {stem.name} looks inverted in polarity: compare with it flipped.")
    return lines
