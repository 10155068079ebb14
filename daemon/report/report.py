"""The sidecar report: everything that is known about one drop, as versioned JSON.

The same bytes, settings and version give the same report, except `made_at`, the only time of
day in it, which is passed in. `analysis` is the complete measurement, before any correction, so
that copy, map and page can be made again from the report without a new analysis.
The JSON Schema shipped beside this file is generated from these models (`python -m daemon.report.report`).

Reports outlive releases: `schema_version` is major.minor, and a reader reads every report of its major
version. Fields of a newer minor version are ignored, those that an older one lacks take their defaults.
So a field that is added is optional with a default and raises the minor version; anything else (a field
removed, renamed or with another meaning) raises the major one. Writing is strict: no unknown field, no NaN.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Collection, Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import Field, ValidationError

from analyzers.model import Analysis
from analyzers.structure.fingerprint import Fingerprint
from config.settings import Settings
from daemon.core.errors import InternalError, MachineError, OtherVersion
from daemon.core.names import EARS_KEPT, safe_stem
from daemon.core.oserrors import plainly
from daemon.core.regular import read_regular
from daemon.core.schemas import other_major, same_major
from daemon.core.text import valid
from daemon.corrections.apply import Correction, apply_correction
from daemon.export.plan import CutPlan
from daemon.export.sessionview import LEVELS, in_session
from daemon.report.answers import Answers, answer
from daemon.report.claims import judge_claim
from daemon.report.ear_topics import ear_words, topics
from daemon.report.ears import check_by_ear
from daemon.report.parts import (
    AlignedCopy,
    Claim,
    Cut,
    Drop,
    Files,
    Part,
    Software,
    StemLine,
    Versions,
    plain,
)
from daemon.report.session_record import SessionRecord, session_record
from daemon.report.shown_row import shown_row
from daemon.report.words import first_line

if TYPE_CHECKING:
    from daemon.decode.decoder import Source
    from daemon.decode.stems import Stem
    from daemon.decode.tags import ProducerClaim
    from daemon.export.copy import CopyFacts

SCHEMA_VERSION = "1.0"
SAME_MAJOR = same_major(SCHEMA_VERSION)
SCHEMA_FILE = Path(__file__).with_name("report.schema.json")
P = TypeVar("P", bound=Part)
NUMBER_LIST = re.compile(r"\[\n[\s\d.,eE+-]*\]")


class Report(Part):
    """One drop's report; `read_report` reads it back."""

    schema_version: str = Field(SCHEMA_VERSION, pattern=SAME_MAJOR, description="major.minor")
    software: Software
    made_at: str | None = Field(None, description="ISO 8601; the only time of day in the report")
    drop: Drop
    check_by_ear: tuple[str, ...] = Field(description="what needs a person's ears, most important first")
    answers: Answers
    correction: Correction | None = None
    claims: tuple[Claim, ...] = ()
    cut: Cut
    aligned_copy: AlignedCopy
    files: Files
    stems: tuple[StemLine, ...] = ()
    versions: Versions | None = None
    fingerprint: Fingerprint | None = Field(None, description="of the music, to find other versions of it")
    session: SessionRecord | None = Field(
        None, description="what lies where in the session: bars and seconds of the copy"
    )
    analysis: Analysis = Field(
        description="the complete measurement in the time of the producer's file, before any correction"
    )

    def corrected(self) -> Analysis:
        """The analysis with the engineer's correction applied: what copy, map and page show."""
        return apply_correction(self.analysis, self.correction) if self.correction else self.analysis

    def in_session(self) -> Analysis:
        """The same on the clock and at the level of the copy: what people are shown."""
        return in_session(self.corrected(), self.cut, self.aligned_copy)

    def to_json(self) -> str:
        """Text for the file: sorted as declared, lists of numbers on one line, ASCII only."""
        text = json.dumps(self.model_dump(mode="json"), indent=1, allow_nan=False)
        return NUMBER_LIST.sub(lambda found: re.sub(r"\s+", " ", found[0]), text) + "\n"

    def summary(self) -> dict[str, Any]:
        """The few values that the board, the status and the log show for this drop."""
        answers, view, about = self.answers, self.in_session(), topics(self.check_by_ear)
        return {
            "name": self.drop.name,
            "line": first_line(self.drop.name, view, self.cut, self.check_by_ear),
            "producer": self.drop.producer,
            "pack": self.drop.pack,
            "stems": self.drop.format == "stems",
            "sha256": self.drop.sha256,
            "made_at": self.made_at,
            "tempo_bpm": answers.tempo.value,
            "tempo_confidence": answers.tempo.confidence,
            "constant_tempo": answers.constant_tempo.value,
            "meter": answers.meter.value,
            "bar_one_s": answers.bar_one.value,
            "bar_one_confidence": answers.bar_one.confidence,
            "key": answers.key.value,
            "key_confidence": answers.key.confidence,
            "tuning_cents": answers.tuning.value,
            "lufs": answers.integrated_loudness.value,
            "true_peak_dbtp": answers.true_peak.value,
            "duration_s": self.analysis.duration_s,
            "needs_ears": len(self.check_by_ear),
            "check_by_ear": list(self.check_by_ear[:EARS_KEPT]),
            "ear_topics": list(about),
            "ear_words": list(ear_words(self.check_by_ear, view.flags)),
            "set_by_hand": [name for name, value in answers if value and value.set_by_hand],
            "files": self.files.model_dump(),
            "changes": [change.text for change in self.versions.changes] if self.versions else [],
            **shown_row(view, about),
        }


def read_report(path: Path) -> Report:
    """A report from its file. Raises MachineError when it is unreadable or of another major version."""
    try:
        data = read_regular(path)
        return Report.model_validate_json(data, extra="ignore")
    except OSError as error:
        raise MachineError(
            str(path), f"the report cannot be read ({plainly(error)})", "check the folder"
        ) from error
    except ValidationError as error:
        again = "process the drop again: beatintake process --again"
        if cause := other_major(data, SCHEMA_VERSION):
            raise OtherVersion(str(path), cause, again) from error
        raise MachineError(str(path), "not a report that this version reads", again) from error


def ready_files(stem: str, copy_name: str, session_files: Collection[str] = ("dawproject",)) -> Files:
    """Names in the ready folder of a drop called `stem`."""
    return Files(
        aligned_copy=copy_name,
        map=f"{stem}.map.mid",
        report=f"{stem}.report.json",
        page=f"{stem}.report.html",
        click_check=f"{stem}.clickcheck.flac",
        card=f"{stem}.txt",
        guide=f"{stem}.guide.mid",
        session=f"{stem}.dawproject" if "dawproject" in session_files else None,
        aaf=f"{stem}.aaf" if "aaf" in session_files else None,
    )


def build_report(
    source: Source,
    analysis: Analysis,
    plan: CutPlan,
    copy_facts: CopyFacts,
    *,
    settings: Settings,
    software_version: str,
    claims: Iterable[ProducerClaim] = (),
    stems: Iterable[tuple[Stem, CopyFacts]] = (),
    corrections: Correction | None = None,
    versions: Versions | None = None,
    fingerprint: Fingerprint | None = None,
    files: Files | None = None,
    made_at: str | None = None,
) -> Report:
    """Put the report together.

    Parameters
    ----------
    source : what was dropped
    analysis : what was measured, before `corrections`
    plan, copy_facts : of the copy that was written, with `corrections` applied
    claims : what the producer says; agreement is judged here
    stems : each with its copy
    files : names beside the report; by default made from the drop's name
    made_at : ISO time, for display only
    """
    if corrections is not None and corrections.empty:
        corrections = None
    corrected = apply_correction(analysis, corrections) if corrections else analysis
    drop = _taken(Drop, source)
    level = {name: getattr(copy_facts.loudness, name, None) for name in LEVELS}
    copy = _taken(AlignedCopy, copy_facts, file=plain(copy_facts.path.name), **level)
    judged = tuple(judge_claim(claim, corrected) for claim in claims)
    lines = tuple(
        _taken(StemLine, stem, file=plain(facts.path.name), copy_gain_db=facts.gain_db)
        for stem, facts in stems
    )
    look, cut = settings.analysis, Cut(**plain(plan))
    view = in_session(corrected, cut, copy)
    try:
        return Report(
            software=Software(
                version=software_version,
                settings_sha256=settings_digest(settings),
                settings_file=valid(str(settings.named)) if settings.named else None,
            ),
            made_at=made_at,
            drop=drop,
            check_by_ear=check_by_ear(
                view,
                cut=cut,
                warnings=drop.warnings,
                below=look.check_by_ear_below,
                tuning_flag_cents=look.tuning_flag_cents,
                claims=judged,
                stems=lines,
                correction=corrections,
                copy_warnings=copy.warnings,
            ),
            answers=answer(
                replace(corrected, loudness=view.loudness), analysis, corrections, settings.output
            ),
            session=session_record(view, cut),
            correction=corrections,
            claims=judged,
            cut=cut,
            aligned_copy=copy,
            files=files or ready_files(_stem_of(drop), copy.file),
            stems=lines,
            versions=versions,
            fingerprint=fingerprint,
            analysis=plain(analysis),
        )
    except ValidationError as error:
        raise InternalError(
            drop.name, f"the analysis gave a value that no report may hold: {error}"
        ) from error


def _taken(part: type[P], facts: object, **more: Any) -> P:
    """The fields that a part of the report shares with a record from elsewhere."""
    names = [name for name in part.model_fields if name not in more]
    return part(**{name: plain(getattr(facts, name)) for name in names}, **more)


def _stem_of(drop: Drop) -> str:
    return safe_stem(drop.name if drop.format == "stems" else Path(drop.name).stem)


def settings_digest(settings: Settings) -> str:
    """SHA-256 over the settings that shape the result (not folders, limits or schedule)."""
    text = settings.model_dump_json(include={"analysis", "output"})
    return hashlib.sha256(text.encode()).hexdigest()


def report_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the report."""
    schema = Report.model_json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def schema_text() -> str:
    return json.dumps(report_schema(), indent=1, sort_keys=True) + "\n"


if __name__ == "__main__":
    SCHEMA_FILE.write_text(schema_text(), encoding="ascii")
