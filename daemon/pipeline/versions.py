"""Is this a new version of a beat that is here already, and what changed?

New bytes under a known name of the same producer are a version; so is the same music under
another name (`analyzers.structure.fingerprint`). Both stay; the report says what differs. Other music under a
known name is none: the report says that it is not the beat that came before.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from analyzers.harmony.key_names import parse_key
from analyzers.harmony.spelling import key_name
from analyzers.model import Analysis, Grid, Key
from analyzers.structure.fingerprint import Fingerprint, Likeness, compare, is_other
from daemon.core.errors import MachineError
from daemon.core.names import format_tempo
from daemon.decode.decoder import Source
from daemon.report.board import read_entries
from daemon.report.parts import OTHER_MUSIC, Change, Versions
from daemon.report.report import read_report
from daemon.report.words import seconds, signed

SAME_BPM = 0.005
SAME_LENGTH_S = 0.05
SAME_LU = 0.2  # EBU R 128: measurement error allowed in quality control
SAME_START_MS = 1.0
OF_THE_FILE = "Level of the producer's file"  # the copy may have another


def find_version(
    ready: Path,
    state: Path,
    source: Source,
    analysis: Analysis,
    music: Fingerprint | None,
    part: str | None = None,
) -> Versions | None:
    """The newest earlier version of this drop among the ready beats; None when there is none.

    Parameters
    ----------
    ready, state : folders
    source, analysis, music : of the new drop; `music` None: only names are compared
    part : SHA-256 of an incomplete copy of it that goes: no version
    """
    entries = read_entries(ready, state, keep=False)
    best = _best({k: e for k, e in entries.items() if not _is_part(e, part)}, source, music)
    if best is None:
        return None
    row, match, likeness = best
    try:
        before = read_report(ready / row["folder"] / row["files"]["report"])
    except MachineError:
        return None
    offset = None
    if likeness is not None and music is not None and before.fingerprint is not None:
        offset = start_offset_ms(before.fingerprint, music, likeness)
    return Versions(
        earlier_folder=row["folder"],
        earlier_page=f"{row['folder']}/{row['files']['page']}",
        earlier_sha256=row["sha256"],
        match=match,
        similarity=None if likeness is None else round(likeness.similarity, 3),
        start_offset_ms=offset,
        changes=() if match == OTHER_MUSIC else tuple(what_changed(before.corrected(), analysis, offset)),
    )


def _is_part(entry: dict[str, Any], part: str | None) -> bool:
    return entry["row"] is not None and entry["row"]["sha256"] == part


def _best(
    entries: dict[str, dict[str, Any]], source: Source, music: Fingerprint | None
) -> tuple[dict[str, Any], str, Likeness | None] | None:
    """(row, how it matched, likeness): the same name first, newest first, else the most alike; last other
    music of the same name.
    """
    named, alike, others = [], [], []
    for entry in entries.values():
        row, known = entry["row"], entry["music"]
        if row is None or row["sha256"] == source.sha256:
            continue
        earlier = Fingerprint(**known) if known else None
        likeness = compare(earlier, music) if earlier and music else None
        if (row["name"], row["producer"]) == (source.name, source.producer):
            if likeness is None and is_other(earlier, music):
                others.append((row, OTHER_MUSIC, None))
            else:
                named.append((row, "same name", likeness))
        elif likeness is not None:
            alike.append((row, "same music", likeness))
    if alike and not named:
        return max(alike, key=lambda found: (found[2].similarity, found[0]["folder"]))
    return max(
        named or others, key=lambda found: (found[0]["made_at"] or "", found[0]["folder"]), default=None
    )


def start_offset_ms(earlier: Fingerprint, later: Fingerprint, likeness: Likeness) -> float:
    """How much later the same music starts in the new file's own time (negative: earlier)."""
    at = later.start_s + likeness.lag_beats * 60.0 / later.bpm
    return round((at - earlier.start_s) * 1000, 3)


def what_changed(before: Analysis, now: Analysis, offset_ms: float | None) -> list[Change]:
    """Tempo, key, length, level, start, sections: only what differs by more than a measurement may."""
    changes = [
        *_tempo(before.grid.tempo_bpm, now.grid.tempo_bpm),
        *_key(before.key, now.key),
        *_length(before.duration_s, now.duration_s),
        *_level(before.loudness.integrated_lufs, now.loudness.integrated_lufs),
    ]
    if offset_ms is not None:
        changes += _start(before.grid, now.grid, offset_ms)
    sections = [" ".join(s.letter for s in a.sections) or None for a in (before, now)]
    return [*changes, *_words("Sections", *sections)]


def _start(before: Grid, now: Grid, offset_ms: float) -> list[Change]:
    """Where the same music lies against bar one, and how much later it, or else bar one, is in the file."""
    what, found = "the same music begins", []
    if now.tempo_bpm is not None and now.bar_one_s is not None and before.bar_one_s is not None:
        one_ms = (now.bar_one_s - before.bar_one_s) * 1000
        beats = round((offset_ms - one_ms) / 60_000 * now.tempo_bpm)
        if beats:  # not where it was in the song: something in front of it came or went
            what, offset_ms = "bar one comes", one_ms
            far = _bars(abs(beats), now.beats_per_bar or 4)
            text = f"Bars: most of the music lies {far} {_side(beats)} than before, counted from bar one."
            found.append(Change(question="Bars", before="0 beats", now=f"{signed(beats)} beats", text=text))
    if abs(offset_ms) > SAME_START_MS:
        far = seconds(abs(offset_ms) / 1000) if abs(offset_ms) >= 1000 else f"{abs(offset_ms):.1f} ms"
        text = f"Start: {what} {far} {_side(offset_ms)} in the producer's file than before."
        found.append(Change(question="Start", before="0 ms", now=f"{signed(offset_ms, 1)} ms", text=text))
    return found


def _side(late: float) -> str:
    return "later" if late > 0 else "earlier"


def _bars(beats: int, in_bar: int) -> str:
    """'4 bars', '1 beat', '2 bars and 1 beat'."""
    counts = zip(divmod(beats, in_bar), ("bar", "beat"), strict=True)
    return " and ".join(f"{count} {word}{'' if count == 1 else 's'}" for count, word in counts if count)


def _key(before: Key, now: Key) -> list[Change]:
    """A key that only its spelling tells apart is the same."""
    names = [key_name(key.tonic, key.mode) for key in (before, now)]
    same = len({parse_key(name or "") for name in names}) == 1
    return [] if same else _words("Key", *names)


def _tempo(before: float | None, now: float | None) -> list[Change]:
    if before is not None and now is not None and abs(before - now) <= SAME_BPM:
        return []
    names = [None if bpm is None else f"{format_tempo(bpm)} BPM" for bpm in (before, now)]
    return _words("Tempo", *names)


def _length(before: float, now: float) -> list[Change]:
    if abs(before - now) <= SAME_LENGTH_S:
        return []
    side = "longer" if now > before else "shorter"
    text = f"Length: {seconds(now)}, before {seconds(before)} ({abs(now - before):.2f} s {side})."
    return [Change(question="Length", before=seconds(before), now=seconds(now), text=text)]


def _level(before: float | None, now: float | None) -> list[Change]:
    if before is not None and now is not None:
        if abs(before - now) < SAME_LU:
            return []
        side = "louder" if now > before else "quieter"
        names = f"{signed(before, 1)} LUFS", f"{signed(now, 1)} LUFS"
        text = f"{OF_THE_FILE}: {names[1]}, before {names[0]} ({abs(now - before):.1f} LU {side})."
        return [Change(question="Level", before=names[0], now=names[1], text=text)]
    said = [None if level is None else f"{signed(level, 1)} LUFS" for level in (before, now)]
    return _words("Level", *said, shown=OF_THE_FILE)


def _words(question: str, before: str | None, now: str | None, *, shown: str = "") -> list[Change]:
    if before == now:
        return []
    first, second = before or "none", now or "none"
    return [
        Change(
            question=question,
            before=first,
            now=second,
            text=f"{shown or question}: {second}, before {first}.",
        )
    ]
