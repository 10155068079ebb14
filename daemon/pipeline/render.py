"""From an analysis to the files of a ready folder: copy, map, click check, report, page.

Used for a fresh analysis and again, without one, after a correction.
"""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path

import numpy as np

from analyzers.level.silence import SWELLING
from analyzers.model import Analysis, Loudness, Options
from analyzers.rhythm.note_values import beat_note
from analyzers.signal.beside import asked
from analyzers.signal.samples import Signal
from analyzers.structure.fingerprint import Fingerprint
from config.settings import Output, Settings
from daemon.core.atomic import sync_beside
from daemon.core.names import copy_name
from daemon.core.text import one_line
from daemon.core.version import version
from daemon.corrections.apply import Correction, apply_correction
from daemon.decode.decoder import Decoded, Source
from daemon.decode.tags import claims
from daemon.export import aaf
from daemon.export.clickcheck import write_click_check
from daemon.export.copy import write_copy
from daemon.export.copylevel import before_gain
from daemon.export.dawproject import write_dawproject
from daemon.export.firsthit import begins_faintly, clear_of_noise, fades_in, first_hit_s, soft_rise_s
from daemon.export.guide import write_guide
from daemon.export.midimap import write_map
from daemon.export.plan import CutPlan, plan_cut
from daemon.export.score import Score, make_score
from daemon.export.session import Session, Sound, lay_out, sounds_of
from daemon.export.sessionview import in_session
from daemon.export.stemcopies import copy_stems, warnings_of
from daemon.export.wavfile import Label, WavNotes
from daemon.report.card import card
from daemon.report.page import render_page
from daemon.report.parts import Files, Versions
from daemon.report.report import Report, build_report, ready_files
from daemon.report.waveform import waveform_of
from daemon.report.words import glance_tempo, key_line, tempo_line

LOSSY_ORIGIN = "lossy-origin"  # code of the flag of samples that were coded once (`analyzers.health`)


def analysis_options(source: Source, settings: Settings) -> Options:
    """What the settings and the source's format say to the analyzers."""
    return Options(
        tempo_range_bpm=settings.analysis.tempo_range,
        lossy=source.lossy,
        silence_below_peak_db=settings.analysis.silence_below_peak_db,
        vocal_range=settings.analysis.vocal_range,
        bit_depth=source.bit_depth,
        start_doubted=source.start_doubted,
    )


def render_drop(
    decoded: Decoded,
    analysis: Analysis,
    settings: Settings,
    folder: Path,
    stem: str,
    *,
    correction: Correction | None = None,
    versions: Versions | None = None,
    music: Fingerprint | None = None,
    made_at: str | None = None,
    remarks: tuple[str, ...] = (),
    beside: Executor | None = None,
    whole: bool = True,
) -> Report:
    """Write all outputs of one drop into `folder`.

    Parameters
    ----------
    analysis : what was measured, before `correction`
    stem : safe name of the drop (see `names.safe_stem`)
    music : fingerprint, to find other versions of this beat later
    made_at : ISO time, for display only
    remarks : whole sentences about how the copy came about
    beside : where a processor is to spare, a thread that writes the click check
    whole : False where `decoded` is but a copy, without what was cut off it
    """
    shown = apply_correction(analysis, correction) if correction else analysis
    source, plan = decoded.source, cut_plan(shown, decoded, settings, correction)
    view = in_session(shown, plan)
    tempo = glance_tempo(view.grid, view.duration_s)
    key, note = key_line(shown.key), beat_note(shown.grid)
    name = copy_name(settings.output.name_pattern, stem, tempo, key, source.producer, note)
    files = ready_files(stem, f"{name}.wav", settings.output.session_files)
    loudness = before_gain(shown.loudness, decoded.signal, plan, whole=whole)
    look = settings.analysis
    score = make_score(shown, plan, look.check_by_ear_below, look.vocal_range)
    notes = _notes(source, view, plan, stem, key or "no key", loudness, score)
    copy = write_copy(decoded, plan, folder / files.aligned_copy, settings.output, notes)
    copy_is_safe = sync_beside(copy.path)
    check, bars = folder / str(files.click_check), settings.output.click_check_bars
    checked = asked(beside, write_click_check, check, copy.path, shown.grid, plan, bars=bars)
    rate, fade = source.rate, copy.fade_frames
    stems = copy_stems(decoded.stems, plan, rate, folder, settings.output, notes, fade)
    write_map(folder / str(files.map), score, stem)
    write_guide(folder / str(files.guide), score, stem, look.vocal_range)
    waveform = waveform_of(decoded.signal, plan, shown.grid, shown.lead_in.first_sound_s)
    missing = {"aaf": None} if files.aaf and not aaf.can_write() else {}
    said = (*remarks, *copy.warnings, *warnings_of(stems), *([aaf.NOT_INSTALLED] if missing else []))
    report = build_report(
        source,
        analysis,
        plan,
        replace(copy, warnings=said),
        settings=settings,
        software_version=version(),
        claims=claims(source.name, source.tags),
        stems=zip(decoded.stems, stems, strict=True),
        corrections=correction,
        versions=versions,
        fingerprint=music,
        files=files.model_copy(update=missing if checked() else {**missing, "click_check": None}),
        made_at=made_at,
    )
    sounds = sounds_of(copy, tuple(zip(decoded.stems, stems, strict=True)), stem)
    write_session(folder, _session(report, sounds, score, settings.output), report.files, settings.output)
    text = card(report, [held for _, held in score.note_sets], look.check_by_ear_below)
    (folder / str(files.card)).write_text(text, encoding="utf-8")
    (folder / files.page).write_text(render_page(report, waveform, look.check_by_ear_below), encoding="utf-8")
    (folder / files.report).write_text(report.to_json(), encoding="utf-8")
    copy_is_safe()
    return report


def write_session(folder: Path, session: Session, files: Files, output: Output) -> None:
    """The session files that `files` names."""
    if files.session:
        inside = output.session_audio == "inside"
        write_dawproject(folder / files.session, session, audio_inside=inside)
    if files.aaf:
        aaf.write_aaf(folder / files.aaf, session)


def _session(report: Report, sounds: tuple[Sound, ...], score: Score, output: Output) -> Session:
    """What the session files hold; their remarks are those that the report leads with."""
    title = report.drop.tags.get("title") or report.drop.name
    view = report.in_session()
    remarks = [
        f"{tempo_line(view.grid, view.duration_s)}, {key_line(view.key) or 'no key'}",
        *report.check_by_ear,
    ]
    return Session(
        title=one_line(title),
        artist=one_line(report.drop.tags.get("artist") or report.drop.producer or ""),
        remarks=tuple(map(one_line, remarks)),
        sounds=sounds,
        score=score,
        layout=lay_out(output.session_tracks),
        software=version(),
        identity=f"{report.drop.sha256} {report.cut.zero_s} {report.aligned_copy.frames}",
    )


def cut_plan(
    analysis: Analysis, decoded: Decoded, settings: Settings, correction: Correction | None = None
) -> CutPlan:
    """The cut for one decoded drop under these settings; `correction`: that was applied to the analysis."""
    signal, output = decoded.signal, settings.output
    tail = last_sounding_frame(signal) if output.trim_tail else None
    lead_in, first_s = analysis.lead_in, analysis.lead_in.first_sound_s
    swells = lead_in.confidence <= SWELLING  # out of noise: it began in that
    clear = (
        first_s is not None
        and not swells
        and clear_of_noise(signal.samples, signal.rate, first_s, lead_in.noise_floor_dbfs)
    )
    coded = decoded.source.lossy or any(flag.code == LOSSY_ORIGIN for flag in analysis.flags)
    hidden = coded or (lead_in.noisy and not clear)
    hit_s = first_hit_s(signal.samples, signal.rate, first_s, hidden=hidden)
    return plan_cut(
        analysis,
        frames=signal.frames,
        rate=signal.rate,
        first_hit_s=hit_s,
        lead_in_bars=output.lead_in_bars,
        early_hit_s=output.early_hit_ms / 1000,
        soft_rise_s=soft_rise_s(signal.samples, signal.rate, hit_s),
        begins_faintly=begins_faintly(signal.samples, signal.rate, hit_s, lead_in.threshold_dbfs),
        fades_in=not lead_in.noisy and fades_in(signal.samples, signal.rate, first_s, lead_in.threshold_dbfs),
        clear_of_noise=clear,
        exact_lines=bool(correction and correction.bar_one_exact),
        start=output.start,
        trim_tail_to=tail,
    )


def last_sounding_frame(signal: Signal) -> int:
    """Index one past the last frame that is not digital silence (0 when all is silent)."""
    block = 1 << 16
    for stop in range(signal.frames, 0, -block):
        start = max(0, stop - block)
        sounding = np.flatnonzero(np.any(signal.samples[start:stop] != 0, axis=1))
        if len(sounding):
            return start + int(sounding[-1]) + 1
    return 0


def _notes(
    source: Source, view: Analysis, plan: CutPlan, stem: str, key: str, loudness: Loudness, score: Score
) -> WavNotes:
    """Text and labels of the copy in open-standard fields (tempo and key have none but the comment).

    `loudness` : of what the copy holds of the source
    """
    meter = f", {view.grid.meter}" if view.grid.meter else ""
    comment = f"{tempo_line(view.grid, view.duration_s)}{meter}, {key}; from {source.name}"
    return WavNotes(
        title=source.tags.get("title") or stem,
        artist=source.tags.get("artist") or source.producer or "",
        comment=comment,
        reference=source.sha256[:32],
        loudness=loudness,
        labels=tuple(_labels(view, plan, score)),
    )


def _labels(view: Analysis, plan: CutPlan, score: Score) -> list[Label]:
    labels = []
    if plan.bar_one_in_copy_s is not None:
        labels.append(Label(plan.bar_one_in_copy_s, f"bar {plan.bars_before_bar_one + 1}"))
    counted = view.grid.tempo_bpm is not None
    labels += [
        Label(change.at_s, f"key: {sign.written}")
        for change, sign in zip(view.key.changes, score.keys[1:], strict=False)
    ]
    labels += [
        Label(s.start_s, f"{s.letter} bar {s.first_bar}" if counted else s.letter) for s in view.sections
    ]
    return labels
