"""Do the tests bite? Damage the code in one place at a time and see whether a test fails.

    python -m tests.faults.mutations [--only TEXT] [--tests PATH...]

Each entry replaces one text by another in a temporary copy of the repository and runs the tests of its module
(with --tests: those instead, such as the accuracy gate). Exit 1 when a mutation survives, 2 when a text to
replace is not there exactly once: then the entry has to follow the code.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
NEEDED = ("analyzers", "config", "daemon", "demo", "tests", "pyproject.toml")
SPARE_TESTS = {
    "analyzers/harmony/key_belief": (
        "analyzers/harmony/test_key",
    ),  # module: tests that judge it, where they are not those of the same name
    "analyzers/level/magnitudes": ("analyzers/level/test_silence",),
    "analyzers/level/scraps": ("analyzers/level/test_silence",),
    "analyzers/rhythm/beat_onsets": ("analyzers/rhythm/test_lattice_fit",),
    "analyzers/rhythm/meter_evidence": ("analyzers/rhythm/test_lattice_fit", "analyzers/rhythm/test_grid"),
    "daemon/report/ears_pitch": ("daemon/report/test_ears",),
    "daemon/report/ears_file": ("daemon/report/test_ears",),
    "daemon/report/ear_topics": ("daemon/report/test_words",),
    "daemon/report/keyboard": ("daemon/report/test_page_key",),
    "daemon/report/page_corrections": ("daemon/report/test_page",),
    "daemon/export/score": ("daemon/export/test_midimap", "daemon/export/test_sessionview"),
    "analyzers/rhythm/grid": ("analyzers/rhythm/test_grid", "analyzers/rhythm/test_played"),
    "analyzers/rhythm/beat_times": (
        "analyzers/rhythm/test_grid",
        "analyzers/rhythm/test_lattice_fit",
        "analyzers/rhythm/test_beat_times",
    ),
    "analyzers/rhythm/lattice": ("analyzers/rhythm/test_lattice_fit",),
    "analyzers/rhythm/tempo_steps": ("analyzers/rhythm/test_lattice_fit", "analyzers/rhythm/test_grid"),
    "analyzers/rhythm/drift": ("analyzers/rhythm/test_lattice_fit", "analyzers/rhythm/test_grid"),
    "analyzers/signal/onsets": (
        "analyzers/signal/test_onsets",
        "analyzers/rhythm/test_lattice_fit",
        "analyzers/rhythm/test_grid",
    ),
    "analyzers/rhythm/folding": ("analyzers/rhythm/test_turns", "analyzers/rhythm/test_lattice_fit"),
    "analyzers/structure/section_evidence": ("analyzers/structure/test_sections",),
    "analyzers/rhythm/barline": ("analyzers/rhythm/test_barline", "analyzers/rhythm/test_voice_ahead"),
    "analyzers/rhythm/moments": ("analyzers/rhythm/test_moments", "analyzers/rhythm/test_barline"),
    "analyzers/signal/voice": ("analyzers/health/test_voice", "analyzers/signal/test_voice"),
    "analyzers/signal/mono": ("analyzers/signal/test_features", "analyzers/signal/test_samples"),
    "daemon/ledger/underway": ("daemon/ledger/test_ledger", "daemon/test_reliability_crash"),
    "daemon/report/shown_row": ("daemon/report/test_board",),
    "analyzers/rhythm/pulse": ("analyzers/rhythm/test_grid", "analyzers/rhythm/test_pulse"),
    "analyzers/rhythm/meter": (
        "analyzers/rhythm/test_meter",
        "analyzers/rhythm/test_half_beat",
        "analyzers/rhythm/test_other_counts",
        "analyzers/rhythm/test_grid",
    ),
    "daemon/corrections/words": ("daemon/pipeline/test_correct",),
    "daemon/corrections/apply": ("daemon/pipeline/test_correct",),
    "daemon/export/copy": ("daemon/export/test_copy", "daemon/test_one_clock"),
    "daemon/export/cutaudio": ("daemon/export/test_copy",),
    "daemon/export/cutwords": ("daemon/export/test_plan",),
    "daemon/export/ruler": (
        "daemon/export/test_ruler",
        "daemon/export/test_midimap",
        "daemon/test_one_clock",
    ),
    "daemon/export/sessionbeats": ("daemon/test_one_clock",),
    "daemon/ingest/pending": ("daemon/ingest/test_arrivals", "daemon/ingest/test_settling"),
    "daemon/pipeline/render": ("daemon/pipeline/test_render", "daemon/pipeline/test_correct"),
    "daemon/report/rivals": ("daemon/report/test_words", "daemon/report/test_ears"),
    "daemon/report/words": ("daemon/report/test_words", "daemon/report/test_ears"),
    "daemon/report/answers": ("daemon/report/test_answers", "daemon/report/test_report"),
    "daemon/report/claims": ("daemon/report/test_claims", "daemon/report/test_report"),
}
MUTATIONS: tuple[tuple[str, str, str], ...] = (
    # a module, the text, what it becomes
    ("analyzers/rhythm/meter", "h.max(axis=0) @ most", "h.mean(axis=0) @ most"),
    ("analyzers/rhythm/borne_out", "LIKE = 0.65", "LIKE = -9.0"),
    ("analyzers/rhythm/borne_out", "LEAST_S = 3.0", "LEAST_S = 30.0"),
    ("analyzers/rhythm/borne_out", "STRUCK = 0.5", "STRUCK = 0.0"),
    ("analyzers/rhythm/borne_out", "OFF_LINE_S = 0.04", "OFF_LINE_S = -1.0"),
    ("analyzers/rhythm/borne_out", "rest = own.sum(axis=0) - beside", "rest = own.sum(axis=0)"),
    ("analyzers/rhythm/beat_onsets", "ON_BEAT_DB = 40.0, 80.0", "ON_BEAT_DB = 40.0, 1e9"),
    ("analyzers/rhythm/beat_onsets", "AGREED, AFTER_S = 0.002, 0.8", "AGREED, AFTER_S = 0.002, 1.1"),
    ("analyzers/rhythm/beat_onsets", "AGREED, AFTER_S = 0.002, 0.8", "AGREED, AFTER_S = 0.002, 0.0"),
    ("analyzers/rhythm/beat_onsets", "0.8, (0.006, 0.016)", "0.8, (0.002, 0.016)"),
    ("analyzers/level/scraps", "FAINT_BELOW = 0.03, 0.01", "FAINT_BELOW = 0.0, 0.01"),
    ("analyzers/level/scraps", "FAINT_BELOW = 0.03, 0.01", "FAINT_BELOW = 0.03, 0.5"),
    ("analyzers/level/scraps", "faint and late <= STEADY * early", "faint"),
    ("analyzers/level/scraps", "hit == HIT_OVER * peak and", ""),
    ("analyzers/level/scraps", "peaky and even and", "peaky and"),
    ("analyzers/level/scraps", "LOW = 0.002, 0.2", "LOW = 0.002, 2.0"),
    ("analyzers/level/scraps", "return None if _is_hiss(mono[start", "return start if _is_hiss(mono[start"),
    ("analyzers/level/scraps", "PEAKY = 2.7", "PEAKY = 0.0"),
    ("analyzers/level/scraps", "LASTS_S, SHORT_S = 0.005, 0.15, 0.25", "LASTS_S, SHORT_S = 0.005, 0.0, 0.25"),
    ("analyzers/level/silence", "NOISE_PEAK * float(np.median(before)) > threshold", "False"),
    ("analyzers/health/clicks", "BRIGHTER_DB = 6.0", "BRIGHTER_DB = 60.0"),
    ("analyzers/health/clicks", "CRACKLE_S = 2.0", "CRACKLE_S = 2000.0"),
    ("daemon/export/firsthit", "SOFT_DB = 15.0, 3.5, 10.0", "SOFT_DB = 150.0, 3.5, 10.0"),
    ("daemon/export/firsthit", "SOFT_DB = 15.0, 3.5, 10.0", "SOFT_DB = 15.0, 3.5, 0.0"),
    ("daemon/export/plan", "SOFT_TIMES = 3", "SOFT_TIMES = 1"),
    ("daemon/export/plan", "soft = early_hit_s < early <= soft_rise_s", "soft = early_hit_s < early"),
    ("daemon/ingest/watch", "PollingObserverVFS(os.lstat", "PollingObserverVFS(os.stat"),
    ("daemon/ingest/settling", "if path and not self.incoming.is_linked(path)", "if path"),
    ("daemon/report/page_chords", "all(c.confidence < sure for", "any(c.confidence < sure for"),
    ("analyzers/rhythm/odd_bars", "RATHER = 0.15", "RATHER = 1.5"),
    ("analyzers/rhythm/odd_bars", "- beats.mean(axis=1, keepdims=True)", "- beats.mean()"),
    ("analyzers/rhythm/meter_evidence", "HALF_SLOT = 0.5 / SLOTS", "HALF_SLOT = 0.0 / SLOTS"),
    ("analyzers/rhythm/two_counts", "PERHAPS_SAME, PERHAPS = 0.2, 0.5", "PERHAPS_SAME, PERHAPS = 0.0, 0.5"),
    ("analyzers/rhythm/two_counts", "APART = 0.8", "APART = 1.0"),
    ("analyzers/rhythm/before_song", "[1.83, -2.29", "[0.0, -2.29"),
    ("analyzers/rhythm/before_song", "-2.29, 1.55", "0.0, 1.55"),
    ("analyzers/rhythm/before_song", "-5.68, -0.76", "0.0, -0.76"),
    ("analyzers/rhythm/before_song", "LONGEST_S = 9.0", "LONGEST_S = 90.0"),
    ("analyzers/rhythm/before_song", "(1 - heard) * 10", "10"),
    ("analyzers/rhythm/before_song", "if silent or end_s", "if end_s"),
    ("analyzers/rhythm/barline", "ASKED = 0.1", "ASKED = 1.0"),
    ("analyzers/rhythm/barline", "likely[lines] = enters", "likely[lines] = 0.0"),
    ("analyzers/rhythm/barline", "+= begins * found.confidence", "+= 0.0"),
    ("analyzers/rhythm/barline", "LATE_ENTRY_BEATS = 0.3", "LATE_ENTRY_BEATS = 0.6"),
    ("analyzers/rhythm/barline", "SAME_EVENT_S = 0.025", "SAME_EVENT_S = 0.05"),
    ("analyzers/rhythm/voice_ahead", "PAUSE_S = 2.0", "PAUSE_S = 0.5"),
    ("analyzers/rhythm/voice_ahead", "SOON_S, BREATH_S = 0.5, 1.5", "SOON_S, BREATH_S = 0.5, 0.5"),
    ("analyzers/rhythm/voice_ahead", "LONGEST_S = 9.0", "LONGEST_S = 90.0"),
    ("analyzers/rhythm/voice_ahead", "SURE, SURE_S = 0.8, 0.48", "SURE, SURE_S = 0.6, 0.48"),
    ("analyzers/rhythm/voice_ahead", "SURE, SURE_S = 0.8, 0.48", "SURE, SURE_S = 0.8, 0.08"),
    ("analyzers/rhythm/voice_ahead", "BEGINS_S = (0.3, 0.4)", "BEGINS_S = (0.3, 4.0)"),
    ("analyzers/rhythm/barline", "CUT_OFF_DB = 12.0", "CUT_OFF_DB = 90.0"),
    ("analyzers/rhythm/barline", "CUT_OFF_DB = 12.0", "CUT_OFF_DB = 0.0"),
    ("analyzers/rhythm/barline", "return same(bar_s) and same(2 * bar_s)", "return same(bar_s)"),
    ("analyzers/rhythm/barline", "OPEN = 1.9, 4.0, 0.6", "OPEN = 1.9, 90.0, 0.6"),
    ("analyzers/rhythm/voice_ahead", "0.165, 1.0, 0.1", "0.165, 1.0, 0.6"),
    ("daemon/export/plan", "soft_rise_s > limit_s", "soft_rise_s > 9.0"),
    ("daemon/export/sessionview", "end_s=min(c.end_s + line_s, end_s))", "end_s=c.end_s + line_s)"),
    ("daemon/export/sessionview", "c.start_s + line_s < end_s - ON_LINE_S", "True"),
    ("daemon/export/sessionview", "> chords_s + ON_LINE_S", "> chords_s"),
    ("daemon/export/sessionview", "if point[0] < end_s - ON_LINE_S", ""),
    ("daemon/export/sessionview", "if line <= sound_s + BESIDE_BEAT_S), default", "if line <= 0.0), default"),
    ("daemon/export/score", "if event[0] < max(end_tick, 1)", ""),
    ("daemon/report/words", "_held_tempo(tempi[0], change - begin)", "_held_tempo(tempi[0], 0.0)"),
    ("daemon/report/page", 'key_line(analysis.key) or "no key"', "key_line(analysis.key)"),
    ("daemon/export/midimap", "DOTTED_CLOCKS = 24, 36", "DOTTED_CLOCKS = 24, 24"),
    ("daemon/ops/standing", '("key_changes", "bar_one_exact")', '("key_changes",)'),
    ("daemon/core/names", "or same_case(plain) == BOARD_FILE", ""),
    ("daemon/corrections/words", "grid.bar_one_s + shift_s + (", "grid.bar_one_s + ("),
    ("daemon/pipeline/correct", "cut.bars_before_bar_one, cut.session_shift_s", "cut.bars_before_bar_one"),
    ("daemon/export/copy", "facts.clipped or facts.rate", "facts.rate"),
    ("daemon/export/plan", "LEAST_EARLY_S = 0.005", "LEAST_EARLY_S = 0.0"),
    ("daemon/export/plan", "MOVED_AIR_S if exact_lines else", ""),
    ("daemon/corrections/words", 'values["bar_one_exact"] = True', "pass"),
    ("daemon/corrections/words", 'endswith(("beat", "bar"))', 'endswith(("beat", "barn"))'),
    ("daemon/pipeline/render", "exact = bool(correction and correction.bar_one_exact)", "exact = False"),
    ("daemon/export/plan", "late_s if known and not grows else 0.0", "late_s"),
    ("daemon/export/firsthit", "CLEAR_DB = 0.004, 30.0", "CLEAR_DB = 0.004, 0.0"),
    ("daemon/export/firsthit", "FAINT_DB = 20.0", "FAINT_DB = 90.0"),
    ("daemon/report/ears", "late_ms <= HEARD_MS", "late_ms <= 0"),
    ("analyzers/rhythm/barline", "SWELL_BARS = 12", "SWELL_BARS = 2"),
    ("analyzers/rhythm/barline", "FALL_DB, STEP_S = 2.5, 0.1", "FALL_DB, STEP_S = 90.0, 0.1"),
    ("analyzers/rhythm/barline", "EARLY_S, HARDLY_BEFORE = 0.03, 0.7", "EARLY_S, HARDLY_BEFORE = 0.3, 0.7"),
    ("analyzers/rhythm/beat_times", "(1 if near else n)", "1"),
    ("analyzers/rhythm/count_in", "LEAP_DB, LOW_DB = 20.0, 6.0", "LEAP_DB, LOW_DB = 20.0, 90.0"),
    ("analyzers/rhythm/count_in", "MOST_BARS = 2", "MOST_BARS = 3"),
    ("analyzers/rhythm/count_in", "even = bool(slow.all()", "even = bool(len(slow)"),
    ("analyzers/rhythm/other_start", "alike.max() - alike[0] > best", "True"),
    ("analyzers/rhythm/other_start", "WITHIN_S = 15.0", "WITHIN_S = 90.0"),
    ("analyzers/rhythm/other_start", "LEAST_BEATS = 1.0", "LEAST_BEATS = 0.2"),
    ("analyzers/rhythm/pulse_patterns", "end = loud[b] + near", "pass"),
    ("analyzers/rhythm/barline", "OF_THE_SONG = 0.7", "OF_THE_SONG = 1.0"),
    ("analyzers/rhythm/barline", "AGREED = 0.93", "AGREED = 0.0"),
    ("analyzers/rhythm/lattice_fit", "(1.0, 0.004, 5.0, 0.90)", "(1.0, 0.004, 5.0, 0.0)"),
    ("analyzers/rhythm/lattice_fit", "(1.0, 0.004, 5.0, 0.90)", "(1.0, 0.004, 3.0, 0.90)"),
    ("analyzers/rhythm/lattice_fit", "(factor - 1.0) * len(rise)", "(1.0 - factor) * len(rise)"),
    ("daemon/report/ears_file", "cut.bar_one_in_copy_s if cut else grid.bar_one_s", "grid.bar_one_s"),
    ("daemon/report/ears_file", "startswith(THERE) and not flag.places_s", "startswith(THERE)"),
    ("daemon/report/ears", "        *file_first,", ""),
    ("daemon/report/rivals", "if rest or not bars", "if True"),
    ("daemon/report/ear_topics", "instead[FILE.lower()] = [INCOMPLETE]", "pass"),
    ("daemon/report/keyboard", "if len(note) > 1", "if note"),
    ("daemon/report/page_corrections", "late_ms > HEARD_MS", "late_ms > 0"),
    ("daemon/export/score", "chord.confidence < sure", "False"),
    ("daemon/export/score", "sure_of_key(c) < sure", "False"),
    ("daemon/export/cutwords", "SAID_SHIFT_S = 0.005", "SAID_SHIFT_S = 0.002"),
    ("config/load", "settings._named = path.resolve()", "pass"),
    ("daemon/export/cutwords", "    if voice:", "    if False:"),
    ("analyzers/rhythm/lattice_fit", "w = trust / np.maximum(", "w = trust + 0 * np.maximum("),
    ("analyzers/rhythm/lattice_fit", "t, y, trust = lags.time_s, lags.lag_s, lags.weight**2",
     "t, y, trust = lags.time_s, lags.lag_s, 1 + 0 * lags.weight"),
    ("analyzers/rhythm/lattice_fit", "lag / rate, weight, in_place", "-lag / rate, weight, in_place"),
    ("analyzers/rhythm/lattice_fit", "period_s * (1.0 + shift /", "period_s * (1.0 - shift /"),
    ("analyzers/rhythm/beat_onsets", "FOOT = 0.5", "FOOT = 1.0"),
    ("analyzers/rhythm/beat_onsets", "FOOT = 0.5", "FOOT = 0.1"),
    ("analyzers/rhythm/beat_onsets", "heights * weight", "heights"),
    ("analyzers/rhythm/beat_onsets", "keepdims=True), 1e-9)", "keepdims=True), 1e9)"),
    ("analyzers/rhythm/beat_onsets", "KERNELS_S = (0.001, 0.004)", "KERNELS_S = (0.016,)"),
    ("analyzers/rhythm/beat_onsets", "+ 0.5) / rate - beats_s, height", ") / rate - beats_s, height"),
    ("analyzers/rhythm/grid_proof", "t <= np.quantile(t, 1 / 3), t >= np.quantile(t, 2 / 3)",
     "t <= np.quantile(t, 2 / 3), t >= np.quantile(t, 2 / 3)"),
    ("analyzers/rhythm/bars", "// grid.beats_per_bar + 1  #", "// grid.beats_per_bar  #"),
    ("analyzers/rhythm/other_counts", "TERNARY_DOUBT = 0.1", "TERNARY_DOUBT = 0.01"),
    ("analyzers/rhythm/other_counts", "weighed = p * np.where(rivals, likelier, 1.0)",
     "weighed = p * 1.0"),
    ("analyzers/rhythm/other_counts", "whole / len(rivals)", "0.0"),
    ("analyzers/rhythm/half_beat", "ALL_TOLD, BY_DRUMS, BIAS = 0.27", "ALL_TOLD, BY_DRUMS, BIAS = 2.7"),
    ("analyzers/rhythm/half_beat", "for part in (LOW, CHROMA, TURNS)", "for part in (LOW,)"),
    ("analyzers/rhythm/meter", ", evidence)), in_phase)", ", evidence)), 1.0)"),
    ("analyzers/rhythm/meter", "        total += softmax((h", "        total += softmax(-(h"),
    ("analyzers/rhythm/grid", "max(steady, 1.0 - steady)", "steady"),
    ("analyzers/rhythm/beat_times", "places = np.interp(count / parts", "places = np.interp(count // parts"),
    ("analyzers/rhythm/grid", "STEADY, BORNE_OUT = 0.8, 0.15", "STEADY, BORNE_OUT = 0.8, 9.0"),
    ("analyzers/rhythm/grid", "HELPFUL = 0.25", "HELPFUL = 0.0"),
    ("analyzers/rhythm/grid", "HELPFUL = 0.25", "HELPFUL = 0.4"),
    ("analyzers/rhythm/grid", "p * share) for", "p) for"),
    ("analyzers/rhythm/meter", 'calibrated(f"{kind}pulse", evidence)', "beat_probability"),
    ("analyzers/rhythm/meter", "float(p[agrees(h, k)].sum()))", "float(p[k]))"),
    ("analyzers/rhythm/meter", "* min(of_rest, sure / float(p[agreed].sum()))", "* of_rest"),
    ("analyzers/rhythm/meter", "late[late > beats / 2] -= beats", "pass"),
    ("analyzers/rhythm/grid", "BarOneCandidate(late, p * found.confidence)", "BarOneCandidate(late, p)"),
    ("daemon/export/copy", "if len(attack) and plan.through_noise", "if plan.through_noise"),
    ("daemon/export/plan", 'noisy and (before_bars == 0 or start == "first_sound")', "noisy"),
    ("daemon/export/plan", 'noisy and (before_bars == 0 or start == "first_sound")', "noisy and bars == 0"),
    ("daemon/export/plan", "before_bars * bar_s - before_s < WHOLE_BAR_S", 'start == "bar_one"'),
    ("daemon/export/copy", "(plan.source_start == 0 and level[0] <= quiet)", "level[0] <= quiet"),
    ("daemon/export/cutwords", "SECONDS_FROM_S = 0.2", "SECONDS_FROM_S = 0.0"),
    ("daemon/report/rivals", "WORTH_A_LOOK = 0.05", "WORTH_A_LOOK = 0.0"),
    ("analyzers/rhythm/beat_times", "k = round((b - a) / (first - second))", "k = 0"),
    ("analyzers/rhythm/drift", "STRAY, EDGE = 0.06", "STRAY, EDGE = 6.0"),
    ("analyzers/rhythm/pulse", "EVEN_S, EVEN_PULSES = 0.014", "EVEN_S, EVEN_PULSES = 0.0"),
    ("analyzers/rhythm/pulse", "CLEARLY = 0.15", "CLEARLY = 2.0"),
    ("analyzers/rhythm/pulse", "CLEAR_STEP, STEP_GAIN = 0.08", "CLEAR_STEP, STEP_GAIN = 0.8"),
    ("analyzers/rhythm/pulse", "HINT = 0.02", "HINT = 0.2"),
    ("analyzers/rhythm/pulse", "CHAINED_CLEARLY = 2 / 3, 0.20", "CHAINED_CLEARLY = 2 / 3, 2.0"),
    ("analyzers/rhythm/two_counts", "BEATS_ALONE = 0.3", "BEATS_ALONE = 0.0"),
    ("analyzers/rhythm/later_part", "DOUBT = 0.3", "DOUBT = 0.9"),
    ("analyzers/rhythm/later_part", "LEAST_SONG = 0.001", "LEAST_SONG = 1.0"),
    ("analyzers/rhythm/later_part", "second, np.abs(other)", "second, other"),
    ("analyzers/rhythm/later_part", "[[networks, drums, song]", "[[networks, drums, 0.0]"),
    ("analyzers/rhythm/later_part", "if share > 0.5:", "if False:"),
    ("analyzers/rhythm/later_part", "round(2 * late[other]) / 2", "-round(2 * late[other]) / 2"),
    ("analyzers/rhythm/cut_bars", "CLEARLY = 0.08", "CLEARLY = 9.0"),
    ("analyzers/rhythm/cut_bars", "ODD = (5, 7)", "ODD = (7,)"),
    ("analyzers/rhythm/tempo_steps", "WIDELY = 0.03", "WIDELY = 0.3"),
    ("analyzers/rhythm/pulse_patterns", "np.cumsum(part[around] * better)",
     "np.cumsum(-part[around] * better)"),
    ("analyzers/rhythm/pulse_patterns", "UNSURE = 0.05", "UNSURE = 0.0"),
    ("analyzers/rhythm/pulse_patterns", "k = int(np.argmax(np.diff(marks)))",
     "k = int(np.argmin(np.diff(marks)))"),
    ("analyzers/rhythm/restarts", "COHERE = 0.35", "COHERE = 0.99"),
    ("analyzers/rhythm/restarts", "(b - a - 1) % bar + 1", "1"),
    ("analyzers/rhythm/restarts", "<= STRETCH:", "<= 9.0:"),
    ("analyzers/rhythm/two_counts", "return self.counted_on <= SAME_BARS", "return True"),
    ("analyzers/rhythm/two_counts", "< OTHER_BARS or abs(off", "< 9 or abs(off"),
    ("analyzers/rhythm/two_counts", "after = pulse.steady_s + late_s % pulse_s", "after = pulse.steady_s"),
    ("analyzers/rhythm/bar_restarts", "int(turn[k]) / BINS * bar_s", "0.0"),
    ("analyzers/rhythm/bar_restarts", "gain[k] > UNLIKE", "True"),
    ("analyzers/rhythm/bar_restarts", "if blocks <= 2 * edge:", "if False:"),
    ("analyzers/health/clicks", "HALF = 0.5", "HALF = 5.0"),
    ("analyzers/rhythm/moments", "min(start, place) :", "0:"),
    ("analyzers/signal/onsets", "last = piece[-1:]", "last = piece[:1]"),
    ("analyzers/rhythm/lattice_fit", "turned *= step", "turned = turned"),
    ("analyzers/rhythm/two_counts", "counts.resumes_s - at_s, zero_s, counts.after_s",
     "0.0, zero_s, counts.before_s"),
    ("analyzers/rhythm/two_counts", "times, a, b = joined(before, after, pulse.counts, readings[0].beats)",
     "times, a, b = joined(before, after, pulse.counts, 1)"),
    ("analyzers/rhythm/tempo_steps", "- turn) / slope", "+ turn) / slope"),
    ("analyzers/rhythm/tempo_steps", "SETTLED = 2", "SETTLED = 0"),
    ("daemon/export/copy", "notes.loudness if states_loudness else None", "notes.loudness"),
    ("analyzers/harmony/blues", "EIGHT_SEVENTHS = 0.25, 0.5", "EIGHT_SEVENTHS = 0.25, 0.0"),
    ("analyzers/harmony/blues", "SKIPPED_COST = 0.005", "SKIPPED_COST = -0.005"),
    ("analyzers/harmony/blues", "{beats_per_bar, 2 * beats_per_bar, *", "{beats_per_bar, *"),
    ("analyzers/harmony/blues", "max(key.confidence, blues.confidence)", "key.confidence"),
    ("analyzers/harmony/blues", "        changes=(),\n        reason=None,\n", "        reason=None,\n"),
    ("analyzers/harmony/blues", "PROBABLE = 0.8", "PROBABLE = 1.0"),
    ("analyzers/harmony/key", "self.belief.calibrated().dimmed(self.clear)", "self.belief.calibrated()"),
    ("analyzers/harmony/key", "left[0].belief.keyless or ", ""),
    ("analyzers/harmony/key", "CLEAR_SHARE = 0.75", "CLEAR_SHARE = 0.0"),
    ("analyzers/harmony/key", "STILL_SHARE = 2 / 3", "STILL_SHARE = 0.9"),
    ("analyzers/harmony/key_belief", "some * softmax(", "softmax("),
    ("analyzers/harmony/key_change", "HELD_STEPS = 8", "HELD_STEPS = 1000"),
    ("analyzers/harmony/key_change", "LEAST_FIRST_BARS = 4, 3", "LEAST_FIRST_BARS = 4, 4"),
    ("analyzers/harmony/open_loop", "BOTH_SHARE = 0.85", "BOTH_SHARE = 0.8"),
    ("analyzers/harmony/open_loop", "HOME_SHARE = 2 / 3", "HOME_SHARE = 0.7"),
    ("analyzers/harmony/open_loop", "segment.none < HEARD", "segment.none < 2"),
    ("analyzers/harmony/open_loop", "if (tonic, mode) == (home,", "if (tonic, mode) == (None,"),
    ("analyzers/harmony/key", "FIFTH_PARTIAL = 0.5, 0.3", "FIFTH_PARTIAL = 0.5, 0.2"),
    ("analyzers/harmony/key", "left_open(belief, mode, open_home(part), OPEN_KEY)", "belief"),
    ("analyzers/harmony/heard", "UNHEARD = 0.1", "UNHEARD = 0.0"),
    ("analyzers/harmony/heard", "and silent[OTHER_FORM[step]]", ""),
    ("analyzers/harmony/note_sets", "if own and here.mode in OTHER_FORM_IN", "if own"),
    ("analyzers/harmony/tuning", "ODD_PARTIALS = (7, 11, 13)", "ODD_PARTIALS = (97,)"),
    ("analyzers/harmony/tuning", "LAYER_SHARE, LAYER_DIP = 25, 0.3,", "LAYER_SHARE, LAYER_DIP = 25, 3.0,"),
    ("analyzers/harmony/tuning", "layer_cents=layer", "layer_cents=None"),
    ("analyzers/harmony/key_belief", "max(share, LIKELIER)", "share"),
    ("analyzers/harmony/key_belief", "max(profile[own], PRESENT)", "profile[own]"),
    ("analyzers/harmony/key_change", "tonic=None, mode=None) if key_begin(key)", "tonic=None) if False"),
    ("analyzers/harmony/chords", "NO_CHORD_OVER_NOTES = 0.5, 90, 0.4", "NO_CHORD_OVER_NOTES = 0.5, 90, 1.0"),
    ("analyzers/harmony/tuning", "CONFIDENCE_FIT = (6.0, 0.65, -2.65)", "CONFIDENCE_FIT = (6.3, 1.5, -6.5)"),
    ("analyzers/harmony/key_belief", "SLOPE = 0.75", "SLOPE = 1.4"),
    ("analyzers/harmony/key_belief", "PROFILE_WEIGHT = (0.15, 0.4,", "PROFILE_WEIGHT = (0.4, 0.15,"),
    ("analyzers/harmony/key_steps", "[:, None] - np.arange(12)[None]", "[:, None] + np.arange(12)[None]"),
    ("analyzers/harmony/key_steps", "out[2, -OPENING:] = 1", "out[2, :OPENING] = 1"),
    ("analyzers/harmony/network_inputs", "(here[:1], here[:-1])", "(here[1:], here[-1:])"),
    ("analyzers/harmony/key_belief", "SURE_OF_SCALE, SCALE_POSSIBLE, FAR_STRONGER = 0.65, 0.35, 2.0",
     "SURE_OF_SCALE, SCALE_POSSIBLE, FAR_STRONGER = 0.35, 0.35, 2.0"),
    ("analyzers/harmony/key_belief", "SURE_OF_SCALE, SCALE_POSSIBLE, FAR_STRONGER = 0.65, 0.35, 2.0",
     "SURE_OF_SCALE, SCALE_POSSIBLE, FAR_STRONGER = 0.65, 0.35, 1.0"),
    ("analyzers/harmony/key_belief", '"phrygian": (1, 2)', '"phrygian": (2, 1)'),
    ("analyzers/harmony/key", "beside(best + 9, 1) if side == 0", "beside(best + 3, 1) if side == 0"),
    ("analyzers/harmony/key", "ALIKE = 0.9", "ALIKE = 2.0"),
    ("analyzers/harmony/key", "LEAST_NOTES, LEAST_PLAYED = 3,", "LEAST_NOTES, LEAST_PLAYED = 1,"),
    ("analyzers/harmony/key", "(apart and church >= every / 2)", "apart"),
    ("analyzers/harmony/key", "max(church, every - church) >= rival", "True"),
    ("analyzers/harmony/heard", "ANYWHERE_CENTS = 7.0,", "ANYWHERE_CENTS = 50.0,"),
    ("analyzers/harmony/chords", "LEAST_THIRD, NO_THIRD = 0.35, 0.25", "LEAST_THIRD, NO_THIRD = 0.0, 0.0"),
    ("analyzers/harmony/tuning", "APART_CENTS, SURE_OF_PART = 10.0", "APART_CENTS, SURE_OF_PART = 100.0"),
    ("analyzers/harmony/note_sets", "return sure_of_key(here) + sum(", "return sure_of_key(here) + 0 * sum("),
    ("analyzers/harmony/key_change", "PROBABLE = 0.75", "PROBABLE = 0.5"),
    ("analyzers/harmony/key_change", "LEAST_FIRST_BARS = 4, 3", "LEAST_FIRST_BARS = 2, 3"),
    ("analyzers/harmony/key_change", "del bounds[least]", "bounds.clear()"),
    ("analyzers/harmony/chords", "CHANGE_ON_BAR, CHANGE_IN_BAR, CHANGE_WITHOUT_GRID = 0.9, 0.1, 0.2",
     "CHANGE_ON_BAR, CHANGE_IN_BAR, CHANGE_WITHOUT_GRID = 0.5, 0.5, 0.2"),
    ("analyzers/harmony/chords", "np.where(line, CHANGE_ON_BAR, CHANGE_IN_BAR)",
     "np.where(line, CHANGE_IN_BAR, CHANGE_ON_BAR)"),
    ("analyzers/harmony/chords", "BARE_CONFIDENCE), calibrated(belief))", "BARE_CONFIDENCE), belief)"),
    ("analyzers/harmony/chords", "PLATT_SLOPE, PLATT_OFFSET = 0.378", "PLATT_SLOPE, PLATT_OFFSET = 1.0"),
    ("analyzers/harmony/chords", "EVIDENCE_WEIGHT + key_preference(key)", "EVIDENCE_WEIGHT"),
    ("analyzers/harmony/chords", "OUTSIDE_KEY * key.confidence", "OUTSIDE_KEY"),
    ("analyzers/harmony/chords", "(key.tonic) + 11) % 12}", "(key.tonic) + 10) % 12}"),
    ("analyzers/harmony/tuning", "_middle(cents, weights, float(peak - 50))", "float(peak - 50)"),
    ("analyzers/harmony/tuning", "LEAST_CONCENTRATION = 1.6", "LEAST_CONCENTRATION = 1.0"),
    ("analyzers/harmony/voicing", "OFF_CENTRE_COST = 0.15", "OFF_CENTRE_COST = 0.0"),
    ("analyzers/structure/sections", "(length % 4 == 0) + 1.0 * (length % 8 == 0)", "(length % 8 == 0)"),
    ("analyzers/structure/sections", "(length % 4 == 0) + 1.0 * (length % 8 == 0)", "(length % 4 == 0)"),
    ("analyzers/structure/sections", "SHORT_COST * (length < LEAST_BARS)", "0.0 * (length < LEAST_BARS)"),
    ("analyzers/structure/sections", "ALIKE = 0.75", "ALIKE = 7.5"),
    ("analyzers/level/loudness", "SURROUND_WEIGHT = 1.41", "SURROUND_WEIGHT = 1.0"),
    ("analyzers/level/loudness", "loud > 0.1 * loud.mean()", "loud > 0.2 * loud.mean()"),
    ("analyzers/level/loudness", "loud >= 0.01 * loud.mean()", "loud >= 0.1 * loud.mean()"),
    ("analyzers/level/scraps", "STOPPED, STOP_S = 0.1, 0.002", "STOPPED, STOP_S = 0.1, 9.0"),
    ("analyzers/level/magnitudes", "busy[:CLICK_FRAMES].sum() > CLICK_FRAMES // 2", "busy.any()"),
    ("analyzers/level/silence", "ROUGH = 3.0", "ROUGH = 4.0"),
    ("analyzers/level/silence", "POP_S, APART_S = 0.002", "POP_S, APART_S = 0.0"),
    ("analyzers/level/silence", "end - start > DENSE * length", "True"),
    ("analyzers/level/magnitudes", "and above[:CLICK_FRAMES].mean() > DENSE", ""),
    ("analyzers/level/silence", "SMEARED_BELOW = 0.05", "SMEARED_BELOW = 0.0"),
    ("analyzers/level/silence", "if features.options.lossy else 0.0", ""),
    ("analyzers/level/magnitudes", "if lasts and not (still and", "if lasts and not (True and"),
    ("analyzers/level/silence", "EVEN = 1.5", "EVEN = 5.0"),
    ("analyzers/level/silence", "if brief and tonal_share(", "if False and tonal_share("),
    ("analyzers/level/silence", "stopped[0] - 1, 1) if stopped", "stopped[0] - 1, 1) if False"),
    ("analyzers/level/silence", "any(part.max() > typical for", "any(False for"),
    ("analyzers/level/silence", "not rough or bool(loud <= AS_NOISE * soft)", "not rough"),
    ("analyzers/level/silence", "late <= STEADY * early and", ""),
    ("analyzers/level/silence", "CALM = 2.0", "CALM = 9.0"),
    ("analyzers/level/silence", "LOOKS_S = (1.0, 0.1, 0.05, 0.025)", "LOOKS_S = (1.0, 0.1)"),
    ("analyzers/level/silence", "(loud, loud) if frames is None", "(over, loud) if frames is None"),
    ("analyzers/level/scraps", "LASTING_BELOW = 0.035", "LASTING_BELOW = 0.02"),
    ("analyzers/level/working_level",
     "return rounded if rounded <= value + 1e-9 else round(rounded - 0.1, 1)",
     "return rounded"),
    ("analyzers/health/stereo", "BASS_CORRELATION = -0.1", "BASS_CORRELATION = -0.9"),
    ("analyzers/health/level", "OFFSET_NOTE, OFFSET_WARNING = 0.1, 0.4",
     "OFFSET_NOTE, OFFSET_WARNING = 0.1, 0.1"),
    ("analyzers/health/level", "sharp = (before < limit) & (after < limit)",
     "sharp = (before < 9) & (after < 9)"),
    ("analyzers/health/gaps", "LONGEST_S = 0.15", "LONGEST_S = 1.5"),
    ("analyzers/health/gaps", "first / signal.rate, end / signal.rate", "0.0, end / signal.rate"),
    ("analyzers/health/voice", "SURE, POSSIBLE = 0.95, 0.5", "SURE, POSSIBLE = 0.0, 0.0"),
    ("analyzers/health/voice", "SURE, POSSIBLE = 0.95, 0.5", "SURE, POSSIBLE = 1.01, 0.5"),
    ("analyzers/health/voice", "FEWEST = 5", "FEWEST = 0"),
    ("analyzers/health/voice", "NEAR_S = 2.0", "NEAR_S = 0.2"),
    ("analyzers/health/voice", "NEAR_S = 2.0", "NEAR_S = 20.0"),
    ("analyzers/signal/voice", "x - x.mean(axis=1, keepdims=True)", "x - x.mean()"),
    ("analyzers/signal/voice", "apart=3", "apart=1"),
    ("analyzers/signal/convolution", "k * apart : k * apart", "k : k"),
    ("daemon/report/words", "max(end_s - INSIDE_S, start_s)", "end_s + INSIDE_S"),
    ("analyzers/signal/truepeak", "+ tool.curve_gain * _with_neighbours(bend)", ""),
    ("daemon/export/wavfile", "6: 0x3F", "6: 0x60F"),
    ("daemon/export/wavfile", "max(-32768, min(32766, round(value * 100)))", "round(value * 100)"),
    ("daemon/export/wavfile", "if 0 <= f < min(frames, 1 << 32)",
     "if 0 <= f <= min(frames, 1 << 32)"),
    ("daemon/export/plan", "if 0.5 / rate < early_s < limit_s", "if 0.0 < early_s < limit_s"),
    ("daemon/export/plan", "min(late_s - air_s, LATEST_SHIFT_S)", "late_s - air_s"),
    ("daemon/export/plan", "    if not steady:", "    if False:"),
    ("daemon/export/cutwords", "_bars(lead_in_bars + 1, music_bars)", "_bars(lead_in_bars, music_bars)"),
    ("daemon/export/sessionbeats", "earlier.insert(0, (0.0, True))", "earlier.insert(0, (0.0, False))"),
    ("daemon/export/ruler", "abs(one - one_tick / bar_ticks * bar_s) <= SAME_S", "abs(one) >= 0"),
    ("daemon/export/plan", "max(0, math.floor((first - AIR_S) * rate))",
     "math.floor((first - AIR_S) * rate)"),
    ("daemon/export/plan", "later = [t for t in lines if t >= last_s]",
     "later = [t for t in lines if t > last_s]"),
    ("daemon/export/cutaudio", "np.clip(words, -scale, scale - 1, out=words)", "words"),
    ("daemon/export/cutaudio", "out *= np.repeat(sounding", "out *= 1 + 0 * np.repeat(sounding"),
    ("daemon/export/ruler", "clock += tempo * 1e-6 * quarters", "clock = seconds[reach]"),
    ("daemon/export/ruler", "min(max(round(quarter_s * 1e6), 1), 0xFFFFFF)", "round(quarter_s * 1e6)"),
    ("daemon/export/midimap", 'rank = {"note_off": 0, "note_on": 2}', 'rank = {"note_off": 2, "note_on": 0}'),
    ("daemon/export/clickcheck", "max(CEILING - loudest, 0.0) / peak", "1.0"),
    ("daemon/export/clickcheck", "< 0.25 * float(power.mean())", "< 0.0"),
    ("daemon/report/words", "+ 0.5), 99)", "+ 0.5), 100)"),
    ("daemon/report/rivals", "WORTH_HEARING = 0.1", "WORTH_HEARING = 0.0"),
    ("analyzers/rhythm/shares", "LEVEL = 0.05", "LEVEL = 0.25"),
    ("daemon/ingest/pending", "if entry.begun or entry", "if True or entry"),
    ("daemon/ingest/pending", "entry.begun &= now_as.size >= entry.size", "pass"),
    ("daemon/ingest/settling", "candidate.key in begun", "True"),
    ("daemon/ingest/settling", 'for key in entries if key.startswith(f"{unit}/")', "for key in ()"),
    ("daemon/report/ears_pitch", "return worth_naming(rivals) if not same", "return rivals if not same"),
    ("daemon/report/ears_pitch", "abs(tuning.cents) <= flag_cents", "abs(tuning.cents) < flag_cents"),
    ("daemon/report/claims", "TEMPO_TOLERANCE = 0.005", "TEMPO_TOLERANCE = 0.02"),
    ("daemon/report/claims", "(tonic, mode) == scale_pitch", "(tonic, mode) != scale_pitch"),
    ("daemon/report/page_chords", "BEAT_SHARE = 0.45", "BEAT_SHARE = 1.1"),
    ("daemon/report/answers", "min(max(value, 0.0), 1.0) if -PROBABLE", "value if -PROBABLE"),
    ("daemon/service/dispatcher", "any(other.sha256 == sha256 and other is not drop",
     "any(False and other is not drop"),
    ("analyzers/rhythm/turns", "REST_BEATS = 4", "REST_BEATS = 1"),
    ("analyzers/rhythm/turns", "for at in (gaps[:-1], gaps[1:])", "for at in (gaps[:-1], gaps[:-1])"),
    ("analyzers/rhythm/folding", "+ place) % beats", "+ place) % MOST_BEATS"),
    ("analyzers/rhythm/lattice", "0.5 * around", "1.0 * around"),
    ("analyzers/health/level", "side.reached(side.sign * largest)", "side.reached(largest)"),
    ("analyzers/harmony/voicing", "few = 2 if", "few = 3 if"),
    ("analyzers/structure/section_evidence", "- 2 * blocks", "- 1 * blocks"),
    ("analyzers/signal/mono", "mixed < CANCELLED", "mixed < 0 * CANCELLED"),
    ("daemon/ledger/underway", "if sha256:\n", "if sha256 and intent:\n"),
    ("daemon/report/shown_row", '"blues": key_line(key) if key.blues else None', '"blues": None'),
)  # fmt: skip


def tests_of(module: str) -> list[str]:
    folder, _, name = module.rpartition("/")
    names = SPARE_TESTS.get(module, (f"{folder}/test_{name}",))
    paths = [f"tests/{name}.py" for name in names]
    return [path for path in paths if (ROOT / path).is_file()]


def missing() -> list[str]:
    """Entries that no longer fit the code."""
    out = []
    for module, text, _ in MUTATIONS:
        path = ROOT / f"{module}.py"
        count = path.read_text(encoding="utf-8").count(text) if path.is_file() else 0
        if count != 1:
            out.append(f"{module}.py holds {count} times: {text}")
    return out


def caught_by(module: str, text: str, becomes: str, tests: list[str]) -> str | None:
    """Name of the first test that fails with the damage done; None when all pass, or there are none."""
    if not tests:
        return None
    with tempfile.TemporaryDirectory(prefix="mutation-") as folder:
        copy = Path(folder)
        for name in NEEDED:
            source = ROOT / name
            leave = shutil.ignore_patterns("__pycache__")
            shutil.copytree(source, copy / name, ignore=leave) if source.is_dir() else shutil.copy(
                source, copy
            )
        path = copy / f"{module}.py"
        code = path.read_text(encoding="utf-8")
        if code.count(text) != 1:  # edited meanwhile
            raise SystemExit(f"{module}.py holds {code.count(text)} times: {text}")
        path.write_text(code.replace(text, becomes), encoding="utf-8")
        command = [sys.executable, "-m", "pytest", "-xq", "--no-header", "-p", "no:cacheprovider", *tests]
        environment = {**os.environ, "PYTHONPATH": folder, "OMP_NUM_THREADS": "1"}
        done = subprocess.run(command, cwd=copy, env=environment, capture_output=True, text=True, check=False)
    if done.returncode not in (0, 1):
        return (
            f"no test ran: {done.stdout[-300:]}{done.stderr[-300:]}" if done.returncode != 2 else "an error"
        )
    failed = [
        line.split(" - ")[0][7:] for line in done.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))
    ]
    return (failed[0] if failed else "an error") if done.returncode else None


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", default="", help="entries whose module or text contains this")
    parser.add_argument("--tests", nargs="+", help="run these tests instead of the module's own")
    arguments = parser.parse_args()
    if lost := missing():
        print("\n".join(lost), file=sys.stderr)
        return 2
    survived = 0
    for module, text, becomes in MUTATIONS:
        if arguments.only in f"{module} {text}":
            test = caught_by(module, text, becomes, arguments.tests or tests_of(module))
            survived += test is None
            print(
                f"{'caught' if test else 'SURVIVED':<9}{module}: {text} -> {becomes}   {test or ''}",
                flush=True,
            )
    print(f"{survived} survived")
    return 1 if survived else 0


if __name__ == "__main__":
    sys.exit(main())
