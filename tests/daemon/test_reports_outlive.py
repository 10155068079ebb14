"""Reports outlive releases: every released shape is read, listed and corrected; new fields cannot break that.

`report/frozen/*.json` are reports as releases wrote them and are never changed; `required-*.txt` are the
fields that each version requires. The rule (major.minor, additions are optional) is common practice.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf

from analyzers.model import Analysis
from config.settings import Folders, Settings
from daemon.core.errors import MachineError
from daemon.corrections.apply import Correction
from daemon.corrections.store import add_correction, all_histories, read_history
from daemon.decode.identity import identify
from daemon.ledger.rebuild import open_or_rebuild
from daemon.ops.accuracy import print_accuracy
from daemon.pipeline.correct import correct_drop
from daemon.pipeline.remake import report_of
from daemon.pipeline.versions import find_version
from daemon.report import board
from daemon.report.answers import Answers
from daemon.report.board import read_rows, rebuild_board
from daemon.report.parts import Estimate, Part
from daemon.report.report import SCHEMA_VERSION, Report, read_report, report_schema
from tests.daemon.sample_report import RATE, sample_report, sample_source

FROZEN = Path(__file__).parent / "report" / "frozen"
REPORTS = sorted(FROZEN.glob("*.json"))
MAJOR, MINOR = map(int, SCHEMA_VERSION.split("."))
every_shape = pytest.mark.parametrize("frozen", REPORTS, ids=lambda path: path.stem)
Spoil = Callable[[dict[str, Any]], None]


def newer(data: dict[str, Any]) -> None:
    """As a later minor version may write it: fields that nobody knows yet, at every depth."""
    data["schema_version"] = f"{MAJOR}.{MINOR + 7}"
    for place in (
        data,
        data["drop"],
        data["answers"],
        data["answers"]["tempo"],
        data["answers"]["tempo"]["alternatives"][0],
        data["cut"],
        data["analysis"],
        data["analysis"]["grid"],
        data["analysis"]["chords"][0],
    ):
        place["not_known_yet"] = {"value": [1, None]}


def changed(tmp_path: Path, spoil: Spoil, frozen: Path = FROZEN / "1.0.json") -> Path:
    data = json.loads(frozen.read_bytes())
    spoil(data)
    path = tmp_path / "beat.report.json"
    path.write_text(json.dumps(data))
    return path


# --- reading --------------------------------------------------------------------------------------------


@every_shape
def test_every_released_shape_is_read(frozen: Path) -> None:
    report = read_report(frozen)
    data = json.loads(frozen.read_bytes())
    assert report.answers.tempo.value == data["answers"]["tempo"]["value"]
    assert report.corrected().duration_s == data["analysis"]["duration_s"]


@every_shape
def test_fields_of_a_newer_minor_version_are_ignored(tmp_path: Path, frozen: Path) -> None:
    report = read_report(changed(tmp_path, newer, frozen))
    same = report.model_copy(update={"schema_version": read_report(frozen).schema_version})
    assert same == read_report(frozen)


@pytest.mark.parametrize(("version", "who"), [(f"{MAJOR + 1}.0", "newer"), (f"{MAJOR - 1}.9", "older")])
def test_another_major_version_is_said(tmp_path: Path, version: str, who: str) -> None:
    def spoil(data: dict[str, Any]) -> None:
        data["schema_version"] = version

    with pytest.raises(MachineError, match=rf"schema version {version}, written by an? {who} .*{MAJOR}\.x"):
        read_report(changed(tmp_path, spoil))


@pytest.mark.parametrize("version", ["1", "1.x", "", None, 1.0, [], "1." + "0" * 5000])
def test_what_is_no_version_is_no_report(tmp_path: Path, version: object) -> None:
    def spoil(data: dict[str, Any]) -> None:
        data["schema_version"] = version

    with pytest.raises(MachineError, match="not a report"):
        read_report(changed(tmp_path, spoil))


def test_writing_stays_strict() -> None:
    for part in (sample_report(), sample_report().drop):
        with pytest.raises(ValueError, match="not_known_yet"):
            type(part)(**{**dict(part), "not_known_yet": 1})
    assert sample_report().schema_version == SCHEMA_VERSION


# --- everything that reads reports ----------------------------------------------------------------------


def studio(tmp_path: Path, frozen: Path, spoil: Spoil = lambda data: None) -> tuple[Settings, Path]:
    """A ready folder with this report, about a file that lies in the incoming folder."""
    folders = Folders(**{name: tmp_path / name for name in ("incoming", "ready", "rejected", "state")})
    for name in ("incoming", "ready", "rejected", "state"):
        (tmp_path / name).mkdir()
    data = json.loads(frozen.read_bytes())
    drop, stereo = folders.incoming / data["drop"]["name"], np.zeros((data["drop"]["frames"], 2))
    stereo[:: RATE // 4] = 0.5
    sf.write(drop, stereo, RATE, subtype="PCM_16")
    data["drop"] |= {"sha256": identify(drop), "producer": None}
    spoil(data)
    folder = folders.ready / "beat"
    folder.mkdir()
    (folder / data["files"]["report"]).write_text(json.dumps(data))
    return Settings(folders=folders), folder


@every_shape
@pytest.mark.parametrize("spoil", [lambda data: None, newer], ids=["as written", "newer minor"])
def test_board_ledger_correction_and_accuracy_take_it(
    tmp_path: Path, frozen: Path, spoil: Spoil, capsys: pytest.CaptureFixture[str]
) -> None:
    settings, folder = studio(tmp_path, frozen, spoil)
    folders, before = settings.folders, report_of(folder)[1]
    assert [row["folder"] for row in read_rows(folders.ready, folders.state)] == ["beat"]
    board_page = rebuild_board(settings).read_text()
    assert before.drop.name in board_page.replace("<wbr>", "")
    ledger, _ = open_or_rebuild(folders.state / "l", folders.ready, folders.rejected)
    record = ledger.find(before.drop.sha256)
    ledger.close()
    assert record is not None
    assert record.summary["tempo_bpm"] == before.answers.tempo.value

    assert correct_drop(settings, "beat", {"tempo": 100}) == 0

    made = report_of(folder)[1]
    assert made.drop.name in (folder / made.files.page).read_text()
    assert (made.answers.tempo.value, made.answers.tempo.set_by_hand) == (100, True)
    assert made.analysis == before.analysis
    assert made.schema_version == SCHEMA_VERSION
    capsys.readouterr()
    print_accuracy(settings)
    assert "tempo        1 answers     1 corrected" in capsys.readouterr().out


@every_shape
def test_a_new_version_finds_it(tmp_path: Path, frozen: Path) -> None:
    settings, folder = studio(tmp_path, frozen)
    name = report_of(folder)[1].drop.name
    source = sample_source(name, producer=None, sha256="ef" * 32)
    found = find_version(
        settings.folders.ready, settings.folders.state, source, sample_report().analysis, None
    )
    assert found is not None
    assert found.earlier_folder == "beat"


def test_a_cache_of_other_reading_rules_is_not_believed(tmp_path: Path) -> None:
    """What an earlier release could not read is looked at again."""
    settings, folder = studio(tmp_path, FROZEN / "1.0.json", newer)
    entry = {"mark": folder.stat().st_mtime_ns, "row": None, "music": None}
    text = json.dumps({"form": "0.1.0 2", "folders": {"beat": entry}})
    (settings.folders.state / board.CACHE_FILE).write_text(text)
    assert len(read_rows(settings.folders.ready, settings.folders.state)) == 1


@pytest.mark.parametrize(("version", "who"), [(f"{MAJOR + 1}.0", "newer"), (f"{MAJOR - 1}.9", "older")])
def test_the_board_names_what_another_major_version_wrote(tmp_path: Path, version: str, who: str) -> None:
    settings, folder = studio(tmp_path, FROZEN / "1.0.json", lambda data: data.update(schema_version=version))
    ready, state = settings.folders.ready, settings.folders.state
    (folder / "amber & lane.report.html").write_text("its own page")
    for _ in range(2):  # the second time from what is known of the folder
        page = rebuild_board(settings).read_text()
        assert "Written by another version" in page
        assert "beatintake process --again" in page
        assert '<a href="beat/amber%20%26%20lane.report.html">beat</a>' in page
        assert f"it has schema version {version}, written by a" in page
        assert f"{who} beatintake; this one reads {MAJOR}.x" in page
        board._read_before.clear()
    assert read_rows(ready, state) == []  # nothing is taken from it
    assert '<tr role="row" data-name' not in page
    assert "Written by another version" not in board.render_board([])


def test_a_report_that_is_damaged_is_not_called_another_version(tmp_path: Path) -> None:
    settings, folder = studio(tmp_path, FROZEN / "1.0.json")
    next(folder.glob("*.report.json")).write_text("{")
    assert "another version" not in rebuild_board(settings).read_text()


# --- stored corrections ---------------------------------------------------------------------------------


def stored(tmp_path: Path, spoil: Spoil) -> Path:
    add_correction(tmp_path, "ab" * 32, "a.wav", Correction(tempo_bpm=70), {}, "0.1.0")
    (path,) = (tmp_path / "corrections").glob("*.json")
    data = json.loads(path.read_bytes())
    spoil(data)
    path.write_text(json.dumps(data))
    return path


def without_version(data: dict[str, Any]) -> None:
    del data["schema_version"]  # as the first releases wrote it


def with_more(data: dict[str, Any]) -> None:
    data["schema_version"] = "1.9"
    data["more"] = data["entries"][0]["more"] = data["entries"][0]["correction"]["more"] = 1


@pytest.mark.parametrize("spoil", [without_version, with_more])
def test_stored_corrections_outlive_releases(tmp_path: Path, spoil: Spoil) -> None:
    stored(tmp_path, spoil)
    assert read_history(tmp_path, "ab" * 32).entries[-1].correction == Correction(tempo_bpm=70)
    assert len(all_histories(tmp_path)) == 1


def test_corrections_of_another_major_version_are_not_called_damaged(tmp_path: Path) -> None:
    path = stored(tmp_path, lambda data: data.update(schema_version="2.0"))
    with pytest.raises(MachineError, match=r"schema version 2\.0, written by a newer"):
        read_history(tmp_path, "ab" * 32)
    assert path.exists()


# --- the rule for new fields ----------------------------------------------------------------------------


def required(schema: dict[str, Any]) -> dict[str, list[str]]:
    """Required fields by place ("report.answers.tempo.evidence[]"), whatever the classes are called."""
    found: dict[str, list[str]] = {}

    def look(node: dict[str, Any], place: str) -> None:
        node = schema["$defs"][node["$ref"].rpartition("/")[2]] if "$ref" in node else node
        for choice in node.get("anyOf", []):
            look(choice, place)
        if "items" in node:
            look(node["items"], f"{place}[]")
        if "properties" in node:
            found[place] = sorted(node.get("required", []))
        for name, below in node.get("properties", {}).items():
            look(below, f"{place}.{name}")

    look(schema, "report")
    return found


def broken_promises(schema: dict[str, Any], frozen: dict[str, list[str]]) -> list[str]:
    """Where this schema requires other fields than a released one of the same major version did."""
    now = required(schema)
    return [
        f"{place}.{name}"
        for place, names in frozen.items()
        for name in sorted(set(names) ^ set(now.get(place, [])))
    ]


@pytest.mark.parametrize("path", sorted(FROZEN.glob(f"required-{MAJOR}.*.txt")), ids=lambda path: path.stem)
def test_a_field_added_later_is_optional_and_no_field_is_removed(path: Path) -> None:
    """Give a new field a default. A new version freezes its own report and required fields here."""
    lines = (line.partition(":") for line in path.read_text().splitlines())
    frozen = {place: names.split() for place, _, names in lines}
    assert len(frozen) > 20
    assert broken_promises(report_schema(), frozen) == []


def test_required_fields_of_every_version_are_frozen() -> None:
    assert (FROZEN / f"required-{SCHEMA_VERSION}.txt").exists()
    assert (FROZEN / f"{SCHEMA_VERSION}.json").exists()


def test_the_rule_notices_a_field_without_a_default() -> None:
    class Later(Report):
        levels_of_the_copy: str

    class Better(Report):
        levels_of_the_copy: str | None = None

    frozen = required(report_schema())
    assert broken_promises(Later.model_json_schema(), frozen) == ["report.levels_of_the_copy"]
    assert broken_promises(Better.model_json_schema(), frozen) == []


def test_an_optional_field_of_the_analysis_keeps_old_reports_readable() -> None:
    wider = dataclasses.make_dataclass(
        "Analysis", [("width", float | None, None)], bases=(Analysis,), frozen=True, slots=True
    )

    class Wider(Part):
        analysis: wider  # type: ignore[valid-type]

    for frozen in REPORTS:
        text = json.dumps({"analysis": json.loads(frozen.read_bytes())["analysis"]})
        assert Wider.model_validate_json(text).analysis.width is None


def test_an_answer_that_an_old_report_lacks_does_not_disturb() -> None:
    class Later(Answers):
        crest_factor: Estimate | None = None

    for frozen in REPORTS:
        report = read_report(frozen)
        later = report.model_copy(update={"answers": Later(**dict(report.answers))})
        assert later.summary() == report.summary()
