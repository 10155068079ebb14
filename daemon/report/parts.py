"""The building blocks of the sidecar report: facts, estimates, evidence.

An estimate that is None says why in `reason`. `confidence` is a calibrated probability that the
value is right; None marks a quantity measured by a published standard, which is not guessed at.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import PurePosixPath
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from daemon.core.text import lines

Value = bool | float | str
OTHER_MUSIC = "same name, other music"


class Part(BaseModel):
    """Frozen, finite, closed when it is written (reading: see `report.py`). New fields have a default."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Alternative(Part):
    value: Value
    probability: float = Field(ge=0, le=1)
    same_grid: bool = Field(
        False,
        description="half or double the tempo, no rival: the probability is that the song is counted so, "
        "which is another question than whether the tempo is right",
    )


class Evidence(Part):
    """One thing that a person can check: what was measured, the amount, its unit."""

    what: str
    value: Value | None
    unit: str | None = None


class Estimate(Part):
    """One answer with its confidence, what else it could be, and what it rests on."""

    value: Value | None
    unit: str | None = None
    confidence: float | None = Field(None, ge=0, le=1)
    alternatives: tuple[Alternative, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    reason: str | None = None
    set_by_hand: bool = False
    measured: Value | None = Field(None, description="what the analysis found, where set by hand")

    @model_validator(mode="after")
    def _unknown_has_a_reason(self) -> Estimate:
        if self.value is None and not self.reason:
            raise ValueError("an unknown value needs a reason")
        return self


class Software(Part):
    name: str = "beatintake"
    version: str
    settings_sha256: str = Field(description="SHA-256 of the analysis and output settings in force")
    settings_file: str | None = Field(
        None, description="to be named with --config, on the machine that made this; null: found without"
    )


class Drop(Part):
    """What was dropped, as found."""

    name: str
    producer: str | None
    sha256: str
    bytes: int
    format: str
    subtype: str
    rate: int
    channels: int
    frames: int
    bit_depth: int | None
    lossy: bool
    tags: dict[str, str]
    warnings: tuple[str, ...]
    pack: str | None = Field(None, description="folder or zip of several beats that it came in")
    other_mixes: tuple[str, ...] = Field((), description="files of that pack: other mixes of this beat")
    start_doubted: bool = Field(False, description="stems that may not belong together where they start")


class Cut(Part):
    """Where the aligned copy starts and ends; see daemon/export/plan.py."""

    source_start: int
    source_end: int
    pad_samples: int
    zero_s: float
    bar_one_in_copy_s: float | None
    bars_before_bar_one: int
    why: str
    session_shift_s: float = Field(0.0, description="the session's lines minus the measured ones")
    hits_after_lines_s: float | None = Field(
        None, description="median of the song's hits against the session's lines"
    )
    through_noise: bool = Field(
        default=False, description="what lies ahead of the copy is the noise under the music"
    )
    before_bar_one: str = Field(
        "", description="what lies there, and the rest it begins with, in words; empty: nothing"
    )
    first_hit_late_s: float = Field(
        0.0, description="so much after the song's first bar line its first hit is left: a gap that is heard"
    )
    soft_start: bool = Field(
        default=False,
        description="the session's lines moved to where a first hit that rises gradually begins",
    )
    noise_alone: bool = Field(
        default=False, description="noise lies on either side of the cut, and the first sound well after it"
    )


class AlignedCopy(Part):
    file: str
    rate: int
    bit_depth: int | None
    frames: int
    gain_db: float
    dithered: bool
    bit_identical: bool
    warnings: tuple[str, ...] = ()
    integrated_lufs: float | None = Field(
        None,
        description="of the copy: of what it holds of the source, plus the gain; measured where more changed",
    )
    sample_peak_dbfs: float | None = Field(None, description="measured on the copy as it was written")
    true_peak_dbtp: float | None = Field(None, description="measured on the copy as it was written")
    range_lu: float | None = Field(None, description="of the copy")
    max_short_term_lufs: float | None = Field(None, description="of the copy: its loudest three seconds")
    peaks_gain_db: float | None = Field(
        None, description="part of gain_db: what keeps peaks within full scale; the rest is output.apply_gain"
    )


class Files(Part):
    """Names of the files beside the report."""

    aligned_copy: str
    map: str | None
    report: str
    page: str
    click_check: str | None
    session: str | None = Field(None, description="DAWproject file")
    aaf: str | None = Field(None, description="AAF file")
    card: str | None = Field(None, description="the answer in plain text")
    guide: str | None = Field(None, description="MIDI file of harmony parts and note sets")


class Claim(Part):
    """What the producer says in a file name or a tag; shown beside the measurement, never instead of it."""

    question: str = Field(description='"tempo" or "key"')
    text: str = Field(description="as found")
    where: str = Field(description='e.g. "file name", "tag TBPM"')
    value: float | str = Field(description='BPM, or a key such as "E flat minor"')
    agrees: bool | None = Field(None, description="with the measurement; None: nothing to compare with")
    relation: str | None = Field(None, description='in words, e.g. "half of what was measured"')


class NullResult(Part):
    """A two-track against the sum of the stems (`daemon.decode.nulltest`); seconds of the source."""

    kind: str = Field(description='"same", "processed", "different"')
    residual_db: float = Field(description="what one gain leaves, below the two-track")
    unexplained_db: float = Field(description="what a gain by band and moment leaves, typically")
    gain_db: float = Field(description="of the two-track over the sum")
    delay_s: float = Field(description="of the two-track after the stems")
    inverted: bool
    gain_range_db: float = Field(description="between quiet and loud moments")
    only_in_bounce: tuple[tuple[float, float], ...] = ()
    only_in_stems: tuple[tuple[float, float], ...] = ()


class StemLine(Part):
    """One file of a stem drop: level and channel facts (`daemon.decode.stems`), both of the producer's file;
    levels: None for silence.
    """

    name: str
    role: str = Field("stem", description='"two-track", "version" and "copy" were left out of the sum')
    channels: int = 2
    peak_dbfs: float | None = None
    rms_dbfs: float | None = None
    silent: bool = False
    mono: bool = False
    inverted: bool | None = Field(None, description="polarity against the mix; None: cannot be told")
    notes: tuple[str, ...] = ()
    null: NullResult | None = None
    file: str | None = Field(None, description='its copy, in the folder "stems"')
    copy_gain_db: float | None = Field(None, description="of that copy; the same for all stems of a drop")
    lacks_s: float | None = Field(None, description="silence that seems to have been cut from its front")

    @property
    def shown(self) -> str:
        """What it is called in the folder and in the session: that of its copy, without the ending."""
        return PurePosixPath(self.file).stem if self.file else self.name

    @property
    def sent_as(self) -> str | None:
        """The producer's name for it, where that is another one."""
        return None if self.shown in (self.name, PurePosixPath(self.name).stem) else self.name


def stems_above_db(stems: Sequence[StemLine], copy: AlignedCopy) -> float:
    """How far the sum of the stems' copies lies above the aligned copy."""
    told = [stem.copy_gain_db for stem in stems if stem.copy_gain_db is not None]
    return told[0] - copy.gain_db if told else 0.0


class Change(Part):
    """One difference from an earlier version of the same beat."""

    question: str
    before: str
    now: str
    text: str


class Versions(Part):
    """An earlier drop that this one is a version of, and what changed; or that has no more than its name."""

    earlier_folder: str
    earlier_page: str | None = Field(None, description="relative to the ready folder")
    earlier_sha256: str
    match: str = Field(description=f'"same name", "same music" or "{OTHER_MUSIC}"')
    similarity: float | None = Field(None, ge=0, le=1)
    start_offset_ms: float | None = Field(
        None, description="how much later the same music starts in this file's own time"
    )
    changes: tuple[Change, ...] = ()


def plain(value: Any) -> Any:
    """Dataclasses and numpy scalars as builtins, ready for a model (tuples stay tuples); texts as `lines`."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, tuple | list):
        return tuple(plain(item) for item in value)
    if isinstance(value, dict):
        return {lines(str(k)): plain(v) for k, v in value.items()}
    return lines(value) if isinstance(value, str) else value
