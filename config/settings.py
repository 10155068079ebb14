"""The settings model. `default.yaml` beside this file is its commented documentation.

All sections and keys are optional in a configuration file; unknown keys are errors.
Relative and ``~`` paths are resolved when the file is loaded.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    PrivateAttr,
    ValidationInfo,
    field_validator,
    model_validator,
)

from config.hosts import host
from config.places import state_of

DEFAULT_IGNORE = (
    ".*", "~*", "*~", "*.part", "*.partial", "*.crdownload", "*.download", "*.opdownload",
    "*.tmp", "*.temp", "*.filepart", "*.!ut", "*.bc!", "*.aria2", "*.rsync", "*.swp",
    "*.lock", "desktop.ini", "thumbs.db", "icon\r", "@eadir", "#recycle", "__macosx", "lost+found",
    "system volume information", "$recycle.bin",
)  # fmt: skip
AUDIO_EXTENSIONS = (
    "wav",
    "wave",
    "bwf",
    "rf64",
    "aif",
    "aiff",
    "aifc",
    "flac",
    "ogg",
    "oga",
    "opus",
    "mp3",
    "m4a",
    "aac",
    "zip",
)
MOST_TRACKS = 200
CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d")
NAME_FIELDS = ("stem", "tempo", "key", "producer")


class Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    @field_validator("*", mode="before")
    @classmethod
    def _no_silent_conversion(cls, value: object, info: ValidationInfo) -> object:
        """YAML reads yes/no/on/off as booleans; neither they nor text may pass for a number."""
        annotation = cls.model_fields[str(info.field_name)].annotation
        if annotation in (int, float) and isinstance(value, bool | str):
            raise ValueError("a number")
        if annotation is bool and not isinstance(value, bool):
            raise ValueError("true or false")
        return value


def _home(path: Path) -> Path:
    return path.expanduser()


FolderPath = Annotated[Path, AfterValidator(_home)]
DEFAULT_INCOMING = Path("~/beatintake/incoming").expanduser()


def _clock(text: str) -> str:
    if not CLOCK.fullmatch(text):
        raise ValueError("a time of day such as '18:00' (24 hours, in quotes)")
    return text


def _span(text: str) -> str:
    begin, dash, end = text.partition("-")
    if not dash or not CLOCK.fullmatch(begin.strip()) or not CLOCK.fullmatch(end.strip()):
        raise ValueError("a span such as '10:00-18:30' (24 hours, in quotes)")
    return text.replace(" ", "")


def _own_state(found: dict[str, Any]) -> Path:
    return state_of(found.get("incoming", DEFAULT_INCOMING))


class Folders(Section):
    incoming: FolderPath = DEFAULT_INCOMING
    ready: FolderPath = Path("~/beatintake/ready").expanduser()
    rejected: FolderPath = Path("~/beatintake/rejected").expanduser()
    state: FolderPath = Field(default_factory=_own_state)

    @model_validator(mode="after")
    def _apart(self) -> Folders:
        places = {name: getattr(self, name) for name in FOLDER_NAMES}
        if problems := entangled(places):
            raise ValueError("; ".join(text for _, text in problems))
        return self


FOLDER_NAMES = ("incoming", "ready", "rejected", "state")


def entangled(folders: Mapping[str, Path]) -> list[tuple[str, str]]:
    """(name, what is wrong) of every folder that lies where another must be alone."""
    places = {name: folder.expanduser().resolve() for name, folder in folders.items()}
    advice = "give each folder a place of its own"
    incoming = places.pop("incoming", None)
    found = []
    for name, place in places.items():
        if incoming is not None and place.is_relative_to(incoming):
            text = f"folders.{name} lies inside folders.incoming: our own outputs would be taken for drops"
            found.append((name, f"{text}; {advice}"))
        elif incoming is not None and incoming.is_relative_to(place) and name != "state":
            found.append(("incoming", f"folders.incoming lies inside folders.{name}; {advice}"))
    if places.get("ready") and places.get("ready") == places.get("rejected"):
        found.append(("rejected", f"folders.ready and folders.rejected are the same folder; {advice}"))
    return found


class Arrival(Section):
    settle_seconds: float = Field(2.0, ge=0.1, le=3600)
    rescan_seconds: float = Field(60.0, ge=1, le=86400)
    watch: Literal["auto", "native", "polling"] = "auto"
    polling_seconds: float = Field(2.0, ge=0.2, le=3600)
    shared: bool = False
    ignore: tuple[str, ...] = DEFAULT_IGNORE
    extensions: tuple[str, ...] = AUDIO_EXTENSIONS

    @field_validator("extensions")
    @classmethod
    def _plain(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(item.lower().lstrip(".") for item in value)


class Limits(Section):
    min_seconds: float = Field(1.0, ge=0.1, le=60)
    max_minutes: float = Field(60.0, gt=0, le=600)
    max_file_mb: float = Field(4096, gt=0, le=65536)
    max_channels: int = Field(2, ge=1, le=8)
    max_stems: int = Field(64, ge=2, le=256)
    zip_max_ratio: float = Field(200, ge=2, le=10000)
    max_attempts: int = Field(2, ge=1, le=10)
    job_timeout_seconds: float = Field(600, ge=5, le=86400)
    job_memory_mb: int = Field(4096, ge=512, le=1048576)
    free_space_mb: int = Field(500, ge=0, le=1048576)


class Work(Section):
    max_workers: int = Field(1, ge=1, le=64)
    nice: int = Field(10, ge=0, le=19)
    quiet_hours: tuple[Annotated[str, AfterValidator(_span)], ...] = ()


class AnalysisSettings(Section):
    tempo_range: tuple[float, float] = (40.0, 240.0)
    silence_below_peak_db: float = Field(60.0, ge=20, le=100)
    check_by_ear_below: float = Field(0.8, ge=0, le=1)
    tuning_flag_cents: float = Field(5.0, ge=0, le=50)
    vocal_range: tuple[int, int] = (53, 76)

    @field_validator("tempo_range")
    @classmethod
    def _octave(cls, value: tuple[float, float]) -> tuple[float, float]:
        low, high = value
        if not (low >= 20 and 2 * low <= high <= 400):
            raise ValueError("[low, high] with 20 <= low, high <= 400 and at least an octave between them")
        return value

    @field_validator("vocal_range")
    @classmethod
    def _range(cls, value: tuple[int, int]) -> tuple[int, int]:
        low, high = value
        if not (low >= 24 and low + 12 <= high <= 108):
            raise ValueError(
                "[low, high] MIDI notes, 24 <= low, high <= 108 and at least an octave between them"
            )
        return value


def _track_name(text: str) -> str:
    if not text.strip() or not text.isprintable() or len(text) > 60:
        raise ValueError("a name on one line, at most 60 characters")
    return text.strip()


TrackName = Annotated[str, AfterValidator(_track_name)]


class SessionTrack(Section):
    """One empty track of the studio's own layout, or several of a kind."""

    name: TrackName
    group: TrackName | None = None
    colour: str | None = None
    count: int = Field(1, ge=1, le=64)
    channels: Literal[1, 2] = 1

    @field_validator("colour")
    @classmethod
    def _hex(cls, value: str | None) -> str | None:
        if value is not None and not re.fullmatch(r"#[0-9a-fA-F]{6}", value):
            raise ValueError("a colour such as '#c08040' (in quotes: # begins a comment)")
        return value.lower() if value else value


class Output(Section):
    name_pattern: str = "{stem} - {tempo} BPM - {key}"
    start: Literal["bar_one", "first_sound"] = "bar_one"
    early_hit_ms: float = Field(30.0, ge=0, le=60)
    lead_in_bars: int = Field(0, ge=0, le=4)
    sample_rate: Literal["keep", 44100, 48000, 88200, 96000] = "keep"
    bit_depth: Literal["keep", 16, 24, "32f"] = "keep"
    apply_gain: bool = False
    working_loudness: float = Field(-18.0, ge=-40, le=-5)
    true_peak_ceiling: float = Field(-1.0, ge=-20, le=0)
    over_full_scale: Literal["lower", "float", "clip"] = "lower"
    trim_tail: bool = False
    click_check_bars: int = Field(8, ge=1, le=32)
    session_files: tuple[Literal["dawproject", "aaf"], ...] = ("dawproject",)
    session_audio: Literal["beside", "inside"] = "beside"
    session_tracks: tuple[SessionTrack, ...] = ()

    @field_validator("session_tracks")
    @classmethod
    def _not_too_many(cls, value: tuple[SessionTrack, ...]) -> tuple[SessionTrack, ...]:
        if sum(track.count for track in value) > MOST_TRACKS:
            raise ValueError(f"at most {MOST_TRACKS} tracks in all")
        return value

    @field_validator("name_pattern")
    @classmethod
    def _fields(cls, value: str) -> str:
        found = re.findall(r"{([^{}]*)}", value)
        unknown = [name for name in found if name not in NAME_FIELDS]
        if unknown or "stem" not in found or re.search(r"[/\\\x00-\x1f]", value):
            raise ValueError(
                "text with {stem} and, as you like, {tempo}, {key}, {producer}; no slash, no other braces"
            )
        return value


class Retention(Section):
    staging_hours: float = Field(24, ge=1, le=24 * 365)
    rejected_days: float = Field(30, ge=1, le=3650)


class Log(Section):
    level: Literal["debug", "info", "warning", "error"] = "info"
    file_mb: float = Field(5, gt=0, le=1024)
    files: int = Field(5, ge=1, le=100)


class Digest(Section):
    at: Annotated[str, AfterValidator(_clock)] | None = "18:00"


class Notify(Section):
    command: tuple[str, ...] = ()
    timeout_seconds: float = Field(10, ge=1, le=300)
    needs_network: bool = False


class Serve(Section):
    names: tuple[Annotated[str, AfterValidator(host)], ...] = ()


class Settings(Section):
    """One validated configuration. Running jobs keep the one that they started with."""

    folders: Folders = Folders()
    arrival: Arrival = Arrival()
    limits: Limits = Limits()
    work: Work = Work()
    analysis: AnalysisSettings = AnalysisSettings()
    output: Output = Output()
    retention: Retention = Retention()
    log: Log = Log()
    digest: Digest = Digest()
    notify: Notify = Notify()
    serve: Serve = Serve()
    _named: Path | None = PrivateAttr(None)

    @property
    def named(self) -> Path | None:
        """The file that they are from, where a command has to name it; None where it finds it by itself."""
        return self._named
