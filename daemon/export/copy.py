"""The aligned copy: the cut that the plan describes, in the form that the session wants.

Silence of `plan.pad_samples`, then source[source_start:source_end]. Unless the settings ask for
another rate, word length or gain, every sample of a lossless source is the source's own.
Nothing clips silently: `output.over_full_scale` decides, and the facts say what was done.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import numpy as np

from analyzers.level.working_level import after_gain, suggest_gain
from analyzers.model import Loudness
from config.settings import Output
from daemon.export.copylevel import as_written
from daemon.export.cutaudio import Audio, Render, decoded_audio, stem_audio
from daemon.export.plan import CutPlan
from daemon.export.wavfile import BITS, Encoding, WavFormat, WavNotes, set_loudness, write_wav

if TYPE_CHECKING:
    from daemon.decode.decoder import Decoded

STEP_DB = 60.0  # a start louder than this far below the programme's peak is a step
FADE_S = 0.005  # longest fade-in where the cut goes through sound (common practice: 2-5 ms at an attack)
SHORTEST_FADE = 8  # a fade-in shorter than FADE_S / 8 helps nobody
ATTACK_RATIO = 4.0  # the attack has begun where the level is this much above that at the cut


@dataclass(frozen=True, slots=True)
class CopyFacts:
    """What was written. `bit_depth` is None for float. `peaks_gain_db` is the part of the gain that keeps
    peaks within full scale; the rest brings the copy to the working level.

    `loudness` is the copy's (`copylevel`); None where the source's is not known, and for a stem.
    `fade_frames` is the fade-in, in frames of the source.
    """

    path: Path
    rate: int
    channels: int
    bit_depth: int | None
    frames: int
    gain_db: float
    dithered: bool
    bit_identical: bool
    warnings: tuple[str, ...]
    loudness: Loudness | None = None
    peaks_gain_db: float = 0.0
    clipped: bool = False
    fade_frames: int = 0


class StemFile(Protocol):
    """One stem: `path` is its file, `name` what its copy is called (without ending)."""

    @property
    def name(self) -> str: ...
    @property
    def path(self) -> Path: ...


def write_copy(decoded: Decoded, plan: CutPlan, path: Path, output: Output, notes: WavNotes) -> CopyFacts:
    """Write the aligned copy of one drop.

    Parameters
    ----------
    decoded : what was dropped; a folder of stems is copied as its sum, at 24 bits
    plan : the cut, in frames of the source
    path : the new file, ending in .wav
    output : settings of the session's format and level
    notes : text, labels (in seconds of the copy) and the loudness of what the copy holds of the source
        (`copylevel.before_gain`), which the gain and the programme's level are taken from

    Raises
    ------
    MachineError : the disk is full or refuses
    """
    gain_db = _wanted_gain_db(output, notes.loudness)
    with decoded_audio(decoded) as audio:
        render = _render(audio, plan, output, gain_db)
        stems_kept = render.untouched and any(
            not stem.lossy and stem.rate == audio.rate for stem in decoded.stems
        )
        facts = _write(render, path, output, notes, may_fade=not stems_kept)
    if facts.loudness is None or facts.bit_identical:
        return facts
    changed = facts.clipped or facts.rate != decoded.source.rate
    loudness = as_written(facts.loudness, path, changed=changed)
    set_loudness(path, loudness)
    return replace(facts, loudness=loudness)


def write_stem_copies(
    stems: Sequence[StemFile],
    plan: CutPlan,
    rate: int,
    folder: Path,
    output: Output,
    notes: WavNotes,
    fade_frames: int = 0,
) -> tuple[CopyFacts, ...]:
    """Write each stem with the one cut, gain and fade-in of all: same zero, same length, same sum.

    `rate` is that of the sum and of the plan's samples; a stem of another rate is converted to it.
    `fade_frames` is that of the sum's copy, which also says what is to be said of the start; it is 0 where a
    stem is kept bit for bit. `notes.loudness` is that of the sum; no stem's header states it as its own.
    Stems shorter than the plan are filled with silence. A stem that would pass full scale turns all of them
    down, or is handled as `over_full_scale` says.
    """
    gain_db = _wanted_gain_db(output, notes.loudness)
    if output.over_full_scale == "lower":
        room = (_room_db(stem.path, rate, folder, plan, output, gain_db) for stem in stems)
        gain_db += min(room, default=0.0)
    facts = []
    for stem in stems:
        title = f"{notes.title} - {stem.name}" if notes.title else stem.name
        with stem_audio(stem.path, rate, folder) as audio:
            render = _render(audio, plan, output, gain_db)
            named = replace(notes, title=title)
            path = folder / f"{stem.name}.wav"
            facts.append(_write(render, path, output, named, stem_fade=fade_frames))
    return tuple(facts)


def _render(audio: Audio, plan: CutPlan, output: Output, gain_db: float) -> Render:
    rate = audio.rate if output.sample_rate == "keep" else output.sample_rate
    return Render(audio, plan, rate, 10 ** (gain_db / 20))


def _write(
    render: Render,
    path: Path,
    output: Output,
    notes: WavNotes,
    *,
    may_fade: bool = True,
    stem_fade: int | None = None,
) -> CopyFacts:
    """Write one copy; `notes.loudness` is the programme's, which a start is judged by.

    A stem has a fade-in that was chosen for it, and states no loudness.
    """
    audio = render.audio
    encoding, factor, warnings = _within_full_scale(render, _encoding(audio, output), output)
    clipped = bool(warnings) and output.over_full_scale == "clip"
    render = replace(render, gain=render.gain * factor)
    exact = render.untouched and audio.fits(encoding)
    may_fade = may_fade and not (exact and audio.lossless)
    fade, said = _start(render, notes.loudness, may_fade=may_fade) if stem_fade is None else (stem_fade, [])
    render = replace(render, fade_frames=fade)
    form = WavFormat(render.rate, audio.channels, encoding)
    dither = not form.is_float and not (render.untouched and audio.fits(encoding))
    gain_db = 20 * math.log10(render.gain)
    stated = notes.loudness if stem_fade is None else None
    loudness = None if stated is None else after_gain(stated, gain_db)
    notes = replace(notes, loudness=loudness)
    write_wav(path, form, render.frames, render.words(encoding, dither=dither), notes)
    return CopyFacts(
        path=path,
        rate=render.rate,
        channels=audio.channels,
        bit_depth=None if form.is_float else BITS[encoding],
        frames=render.frames,
        gain_db=gain_db,
        dithered=dither,
        bit_identical=exact and audio.lossless,
        warnings=(*warnings, *said),
        loudness=loudness,
        peaks_gain_db=20 * math.log10(factor),
        clipped=clipped,
        fade_frames=fade,
    )


def _encoding(audio: Audio, output: Output) -> Encoding:
    """Word length of the copy; a lossy source and a sum of stems are kept at 24 bits."""
    if output.bit_depth == 16:
        return "int16"
    if output.bit_depth == "32f":
        return "float32"
    if output.bit_depth == 24 or not audio.lossless:
        return "int24"
    if audio.bits is None:
        return "float64" if audio.is_double else "float32"
    return "int16" if audio.bits <= 16 else "int24" if audio.bits <= 24 else "int32"


def _wanted_gain_db(output: Output, loudness: Loudness | None) -> float:
    if not output.apply_gain or loudness is None:
        return 0.0
    return suggest_gain(loudness, output.working_loudness, output.true_peak_ceiling).gain_db


def _within_full_scale(
    render: Render, encoding: Encoding, output: Output
) -> tuple[Encoding, float, list[str]]:
    """What over_full_scale makes of peaks beyond full scale: encoding, factor, and what to say."""
    if encoding.startswith("float") or (render.untouched and render.audio.fits(encoding)):
        return encoding, 1.0, []
    over = _over(render, encoding)
    if over <= 1.0:
        return encoding, 1.0, []
    passed = f"Peaks of the copy would pass full scale by {20 * math.log10(over):.2f} dB"
    if output.over_full_scale == "lower":
        spare = 1 + 2.0 ** (2 - BITS[encoding])  # for the dither
        return encoding, 1 / (over * spare), [f"{passed}; it was turned down by that much."]
    if output.over_full_scale == "float":
        return "float32", 1.0, [f"{passed}; it was written as 32-bit float, which keeps them."]
    return encoding, 1.0, [f"{passed}; they were clipped, as output.over_full_scale says."]


def _over(render: Render, encoding: Encoding) -> float:
    """Largest magnitude of the copy over the largest one that fits the word."""
    step = 2.0 ** (1 - BITS[encoding])
    high = low = 0.0
    for block in render.blocks():
        if len(block):
            high, low = max(high, float(block.max())), max(low, -float(block.min()))
    return max(high / (1 - step), low)


def _room_db(path: Path, rate: int, folder: Path, plan: CutPlan, output: Output, gain_db: float) -> float:
    """Gain change (0 or negative) that keeps one stem within full scale."""
    with stem_audio(path, rate, folder) as audio:
        _, factor, _ = _within_full_scale(
            _render(audio, plan, output, gain_db), _encoding(audio, output), output
        )
        return 20 * math.log10(factor)


def _start(render: Render, loudness: Loudness | None, *, may_fade: bool) -> tuple[int, list[str]]:
    """Frames of fade-in at the first copied frame, and what to say about the start.

    A fade-in is made only where the cut goes through sound, the copy is not the source's own
    samples anyway, and there is room for it before the attack: before the level leaves that ahead
    of the cut. A hit that starts at the cut is not faded. What a lossy codec spread ahead of an attack
    (pre-echo, see `firsthit`), or noise ahead of the music, or that goes on under it, needs nobody's ears.
    """
    audio, plan = render.audio, render.plan
    peak_db = loudness.sample_peak_dbfs if loudness and loudness.sample_peak_dbfs is not None else 0.0
    longest = round(FADE_S * audio.rate)
    first, last = (min(frame, audio.frames) for frame in (plan.source_start, plan.source_start + longest))
    level = np.abs(audio.read(first, last)).max(axis=1, initial=0.0)
    quiet = 10 ** ((peak_db - STEP_DB) / 20)
    if len(level) == 0 or (plan.source_start == 0 and level[0] <= quiet):
        return 0, []
    if plan.source_start == 0:
        below = peak_db - 20 * math.log10(float(level[0]))
        return 0, [f"The source starts abruptly, {below:.0f} dB below its peak; its start is kept as it is."]
    shortest = max(1, longest // SHORTEST_FADE)
    ahead = np.abs(audio.read(max(first - shortest, 0), first)).max(initial=0.0)
    if ahead <= quiet:  # one sample says nothing: noise and tones pass zero, too
        return 0, []
    below = peak_db - 20 * math.log10(float(ahead))
    text = f"The cut goes through sound {below:.0f} dB below the peak"
    attack = np.flatnonzero(level > ATTACK_RATIO * ahead)
    fade = int(attack[0]) if len(attack) else len(level)
    known = ""
    if plan.noise_alone or (len(attack) and plan.through_noise):
        known = ", the noise that lies under the music"
    elif len(attack) and audio.coded:
        known = ", most likely what the codec spread ahead of the first hit (pre-echo)"
    text += known
    if not may_fade or fade < shortest:
        return 0, [f"{text}." if known else f"{text}; listen to its first moment."]
    return fade, [f"{text}; a fade-in of {fade / audio.rate * 1000:.1f} ms ends before the attack."]
