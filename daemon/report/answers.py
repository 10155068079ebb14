"""The estimates of a report, made from an analysis (with the engineer's correction applied).

Each carries the evidence that a person can check: how many attacks sit on the grid and how
closely, the rival answers, the thresholds, the standard a level was measured by.
"""

from __future__ import annotations

from collections.abc import Mapping

from analyzers.harmony.spelling import blues_name, blues_names, key_name
from analyzers.level.working_level import suggest_gain
from analyzers.model import Analysis, Blues, Grid, Key, LeadIn, Loudness
from analyzers.rhythm.bars import change_s
from analyzers.rhythm.note_values import beat_note, in_quarters
from config.settings import Output
from daemon.corrections.apply import Correction
from daemon.report.alternatives import alternatives, meters, places, tempi
from daemon.report.parts import Estimate, Evidence, Part

GAIN, LIMITED_BY, WORKING_LEVEL = "suggested gain", "it is limited by", "working level"


class Answers(Part):
    """One estimate for each question. A question added later is `Estimate | None = None`."""

    tempo: Estimate
    constant_tempo: Estimate
    meter: Estimate
    bar_one: Estimate
    first_sound: Estimate
    key: Estimate
    tuning: Estimate
    integrated_loudness: Estimate
    loudness_range: Estimate
    true_peak: Estimate
    blues: Estimate | None = None


def answer(analysis: Analysis, measured: Analysis, correction: Correction | None, output: Output) -> Answers:
    """All estimates.

    Parameters
    ----------
    analysis : with `correction` applied, and the loudness of the copy
    measured : without, kept beside what is set by hand
    output : working loudness and true-peak ceiling, for the suggested gain
    """
    answers = {**_grid(analysis), **_pitch(analysis), **_levels(analysis, measured.loudness, output)}
    blues = _blues(analysis.key)
    if correction is None:
        return Answers(**answers, blues=blues)
    before = {**_grid(measured), **_pitch(measured)}
    by_hand = {name: _by_hand(name, value, before, correction) for name, value in answers.items()}
    if blues is not None and correction.key is not None:
        blues = blues.model_copy(update={"set_by_hand": True})
    return Answers(**by_hand, blues=blues)


def _by_hand(name: str, value: Estimate, before: Mapping[str, Estimate], correction: Correction) -> Estimate:
    fields = {
        "tempo": correction.tempo_bpm,
        "meter": correction.meter,
        "bar_one": correction.bar_one_s,
        "key": correction.key,
        "tuning": correction.tuning_cents,
    }
    if fields.get(name) is None:
        return value
    return value.model_copy(update={"set_by_hand": True, "measured": before[name].value, "evidence": ()})


def _grid(analysis: Analysis) -> dict[str, Estimate]:
    grid = analysis.grid
    no_grid = grid.reason or "no steady beat was found"
    return {
        "tempo": Estimate(
            value=grid.tempo_bpm,
            unit="BPM",
            confidence=grid.tempo_confidence,
            alternatives=tempi(grid),
            evidence=(*_counted(grid), *_parts(grid), *_proof(analysis)),
            reason=no_grid if grid.tempo_bpm is None else None,
        ),
        "constant_tempo": Estimate(
            value=grid.constant_tempo,
            confidence=grid.constant_confidence,
            evidence=(*_drift(analysis), *_borne_out(grid)),
            reason=no_grid if grid.constant_tempo is None else None,
        ),
        "meter": Estimate(
            value=grid.meter,
            confidence=grid.meter_confidence,
            alternatives=meters(grid),
            reason=no_grid if grid.meter is None else None,
        ),
        "bar_one": Estimate(
            value=grid.bar_one_s,
            unit="s in the producer's file",
            confidence=grid.bar_one_confidence,
            alternatives=places(grid),
            reason=no_grid if grid.bar_one_s is None else None,
        ),
        "first_sound": _first_sound(analysis.lead_in),
    }


def _first_sound(lead_in: LeadIn) -> Estimate:
    return Estimate(
        value=lead_in.first_sound_s,
        unit="s in the producer's file",
        confidence=lead_in.confidence,
        evidence=(
            Evidence(what="before it", value=lead_in.kind),
            Evidence(what="threshold", value=lead_in.threshold_dbfs, unit="dBFS"),
            Evidence(what="noise floor there", value=lead_in.noise_floor_dbfs, unit="dBFS"),
        ),
        reason=(lead_in.reason or "no sound at all") if lead_in.first_sound_s is None else None,
    )


def _counted(grid: Grid) -> tuple[Evidence, ...]:
    """The note that the tempo counts, where that is no quarter."""
    note, quarters = beat_note(grid), in_quarters(grid).tempo_bpm
    if note is None or quarters is None:
        return ()
    return (
        Evidence(what="it counts", value=note),
        Evidence(what="in quarters, as a session counts", value=quarters, unit="BPM"),
    )


def _parts(grid: Grid) -> tuple[Evidence, ...]:
    """The tempo of either part, where it changes once: the value is that of one of them."""
    at_s = change_s(grid)
    if at_s is None:
        return ()
    (_, before), (_, after) = grid.tempo_curve
    if before == after:
        return ()
    return (
        Evidence(what=f"tempo until {at_s:.2f} s of the file", value=before, unit="BPM"),
        Evidence(what=f"tempo from {at_s:.2f} s of the file on", value=after, unit="BPM"),
    )


def _proof(analysis: Analysis) -> tuple[Evidence, ...]:
    proof = analysis.grid.proof
    if proof is None:
        return ()
    return (
        Evidence(what="clear attacks within 15 ms of the grid", value=float(proof.attacks)),
        Evidence(what="half of them lie within", value=proof.median_ms, unit="ms"),
        Evidence(what="95 % of them lie within", value=proof.p95_ms, unit="ms"),
        *(
            Evidence(what=what, value=round(100 * share, 1), unit="%")
            for what, share in (
                ("share of all clear attacks that they are", proof.on_grid),
                ("share that chance would put there", proof.by_chance),
                ("share in that of four parts of the song which has fewest", proof.worst_quarter),
            )
            if share is not None
        ),
    )


def _drift(analysis: Analysis) -> tuple[Evidence, ...]:
    proof = analysis.grid.proof
    if proof is None:
        return ()
    return (
        Evidence(
            what="median offset of the attacks near the grid, first third",
            value=proof.first_third_ms,
            unit="ms",
        ),
        Evidence(what="the same, last third", value=proof.last_third_ms, unit="ms"),
    )


def _borne_out(grid: Grid) -> tuple[Evidence, ...]:
    """Where attacks bear the beats out, if not throughout."""
    ends = {"borne out by attacks from": grid.steady_from_s, "borne out by attacks until": grid.steady_to_s}
    return tuple(
        Evidence(what=what, value=at, unit="s in the producer's file")
        for what, at in ends.items()
        if at is not None
    )


def _pitch(analysis: Analysis) -> dict[str, Estimate]:
    key, tuning = analysis.key, analysis.tuning
    return {
        "key": Estimate(
            value=key_name(key.tonic, key.mode),
            confidence=key.confidence,
            alternatives=alternatives((f"{c.tonic} {c.mode}", c.probability) for c in key.alternatives),
            evidence=(Evidence(what="scale", value=", ".join(key.scale)),) if key.scale else (),
            reason=(key.reason or "nothing tonal was found")
            if key.tonic is None or key.mode is None
            else None,
        ),
        "tuning": Estimate(
            value=tuning.cents,
            unit="cents from A4 = 440 Hz",
            confidence=tuning.confidence,
            evidence=(Evidence(what="A4", value=tuning.a4_hz, unit="Hz"),) if tuning.a4_hz else (),
            reason=(tuning.reason or "nothing tonal was found") if tuning.cents is None else None,
        ),
    }


def _blues(key: Key) -> Estimate | None:
    """None when it is none, or another key was set by hand."""
    if key.blues is None:
        return None
    return Estimate(
        value=blues_name(key.blues.tonic, key.blues.minor),
        confidence=key.blues.confidence,
        evidence=(
            *(_form(key.blues) if key.blues.bars else ()),
            Evidence(what="notes", value=", ".join(blues_names(key.blues.tonic, key.blues.minor))),
        ),
    )


def _form(blues: Blues) -> tuple[Evidence, ...]:
    place = "first whole chorus"
    return (
        Evidence(what="form", value=float(blues.bars), unit="bars"),
        Evidence(what=place, value=blues.first_chorus_s, unit="s in the producer's file"),
    )


def _levels(analysis: Analysis, source: Loudness, output: Output) -> dict[str, Estimate]:
    """Of the copy; the producer's file is named where it differs."""
    loud = analysis.loudness
    silent = "nothing above the gate, or too short"
    integrated = _measured(loud.integrated_lufs, "LUFS", "ITU-R BS.1770-5", silent)
    if loud.integrated_lufs is not None:
        advice = suggest_gain(loud, output.working_loudness, output.true_peak_ceiling)
        gain = Evidence(what=GAIN, value=advice.gain_db, unit="dB")
        words = Evidence(what=WORKING_LEVEL, value=advice.sentence)
        limit = Evidence(what=LIMITED_BY, value=advice.limited_by)
        integrated = integrated.model_copy(
            update={"evidence": (*integrated.evidence, *_of_source(source, loud), gain, limit, words)}
        )
    return {
        "integrated_loudness": integrated,
        "loudness_range": _measured(loud.range_lu, "LU", "EBU Tech 3342", silent),
        "true_peak": _measured(loud.true_peak_dbtp, "dBTP", "ITU-R BS.1770-5 Annex 2", "no sound at all"),
    }


def _of_source(source: Loudness, copy: Loudness) -> tuple[Evidence, ...]:
    if source.integrated_lufs is None or source.integrated_lufs == copy.integrated_lufs:
        return ()
    return (
        Evidence(what="the producer's file", value=source.integrated_lufs, unit="LUFS"),
        Evidence(what="its true peak", value=source.true_peak_dbtp, unit="dBTP"),
    )


def _measured(value: float | None, unit: str, standard: str, unknown: str) -> Estimate:
    return Estimate(
        value=value,
        unit=unit,
        evidence=(Evidence(what="measured by", value=standard),),
        reason=unknown if value is None else None,
    )
