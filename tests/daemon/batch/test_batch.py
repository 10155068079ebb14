"""A back-catalogue: resumable, known bytes cost nothing, one bad file stops nothing, clusters agree."""

from __future__ import annotations

import json
import shutil
import zipfile
from collections import deque
from pathlib import Path
from urllib.parse import quote

import numpy as np
import pytest
import soundfile as sf

from config.settings import Folders, Settings
from daemon.batch.batch import Batch, Item, find_items
from daemon.batch.engines import cluster_engine, local_engine
from daemon.batch.process import line_of
from daemon.core.folders import make_folders
from daemon.ledger.ledger import Ledger
from daemon.pipeline.correct import correct_drop
from daemon.workers.pool import Died, Done, Failed
from daemon.workers.process import resolve
from tests.faults.kit import whole_result


@pytest.fixture
def settings(tmp_path):
    folders = Folders(**{name: tmp_path / name for name in ("incoming", "ready", "rejected", "state")})
    made = Settings(folders=folders)
    make_folders(made)
    return made


@pytest.fixture
def ledger(tmp_path):
    opened = Ledger.open(tmp_path / "state" / "ledger.sqlite3")
    yield opened
    opened.close()


class InlineEngine:
    """Runs each task in this process when asked for outcomes."""

    def __init__(self) -> None:
        self.queue: deque = deque()
        self.calls: list[str] = []

    @property
    def room(self) -> int:
        return 2 - len(self.queue)

    def submit(self, task) -> None:
        self.queue.append(task)

    def outcomes(self, timeout_s: float) -> list:
        from daemon.core.errors import BeatintakeError

        task = self.queue.popleft()
        self.calls.append(task.function.partition(":")[2])
        try:
            return [Done(task.id, resolve(task.function)(*task.arguments))]
        except BeatintakeError as error:
            return [Failed(task.id, error)]


def clicks(path: Path, bpm: float = 120.0, seconds: float = 12.0, seed: int = 1) -> Path:
    """Noise bursts on every beat: enough of a beat to go the whole way."""
    rate = 44100
    signal = np.zeros(int(rate * seconds))
    burst = np.random.default_rng(seed).standard_normal(2000) * np.exp(-np.arange(2000) / 300) * 0.4
    for k in range(int(seconds * bpm / 60)):
        at = round(k * 60 / bpm * rate)
        signal[at : at + 2000] += burst[: len(signal[at : at + 2000])]
    path.parent.mkdir(parents=True, exist_ok=True)
    sf.write(path, np.column_stack([signal, signal]), rate, subtype="PCM_16")
    return path


def ends(settings, ledger, items, engine=None, again=False):
    batch = Batch(settings, ledger, again, deque(items))
    return list(batch.run(engine or InlineEngine()))


def test_each_drop_is_published_once_and_a_second_run_does_nothing_again(settings, ledger, tmp_path):
    paths = [clicks(tmp_path / "shelf" / f"beat {k}.wav", seed=k) for k in range(2)]
    engine = InlineEngine()

    first = ends(settings, ledger, [Item(path) for path in paths], engine)
    second = ends(settings, ledger, [Item(path) for path in paths], engine)

    assert [ended.how for ended in first] == ["ready", "ready"]
    assert [ended.how for ended in second] == ["known", "known"]
    assert engine.calls.count("run_job") == 2
    assert sorted(p.name for p in settings.folders.ready.iterdir() if p.name[0] != ".") == [
        "beat 0",
        "beat 1",
    ]
    assert not any((settings.folders.ready / ".staging").iterdir())


def test_equal_bytes_side_by_side_are_analysed_once(settings, ledger, tmp_path):
    one = clicks(tmp_path / "a.wav")
    two = tmp_path / "b.wav"
    two.write_bytes(one.read_bytes())
    engine = InlineEngine()

    found = ends(settings, ledger, [Item(one), Item(two)], engine)

    assert [ended.how for ended in found] == ["ready", "known"]
    assert engine.calls.count("run_job") == 1


def test_a_bad_file_is_rejected_with_a_reason_and_stops_nothing(settings, ledger, tmp_path):
    bad = tmp_path / "bad.wav"
    bad.write_bytes(b"RIFF\x00\x00\x00\x00WAVEnothing")
    good = clicks(tmp_path / "good.wav")

    found = ends(settings, ledger, [Item(bad), Item(good)])

    assert sorted(ended.how for ended in found) == ["ready", "rejected"]
    (reason,) = settings.folders.rejected.glob("*/reason.txt")
    assert "bad.wav" in reason.read_text(encoding="utf-8")
    assert bad.read_bytes().startswith(b"RIFF")
    assert any(line_of(ended).startswith("rejected  bad.wav: ") for ended in found)


def test_a_drop_that_kills_its_worker_is_tried_a_bounded_number_of_times(settings, ledger, tmp_path):
    class DyingEngine(InlineEngine):
        def outcomes(self, timeout_s):
            task = self.queue[0]
            if task.function.endswith("run_job"):
                self.queue.popleft()
                self.calls.append("run_job")
                return [Died(task.id, "ended by SIGSEGV")]
            return super().outcomes(timeout_s)

    engine = DyingEngine()

    (only,) = ends(settings, ledger, [Item(clicks(tmp_path / "x.wav"))], engine)

    assert only.how == "failed"
    assert engine.calls.count("run_job") == settings.limits.max_attempts
    assert "SIGSEGV" in str(only.error)


@pytest.mark.parametrize("key", ["absolute", "as the service has it"])
def test_the_whole_file_replaces_its_part(settings, ledger, tmp_path, key):
    beat = clicks(settings.folders.incoming / "ada" / "beat.wav")
    whole = beat.read_bytes()
    beat.write_bytes(whole[: len(whole) // 2])
    (part,) = ends(settings, ledger, find_items(beat, settings))
    if key != "absolute":
        ledger.forget_drops([str(beat)])
        ledger.record_drop("ada/beat.wav", b"", part.record.sha256)
    beat.write_bytes(whole)
    (made,) = ends(settings, ledger, find_items(beat, settings))

    assert (part.how, made.how) == ("ready", "ready")
    assert "replaces an incomplete copy" in line_of(made)
    assert [path.name for path in settings.folders.ready.iterdir() if path.name[0] != "."] == ["beat"]
    assert whole_result(settings.folders.ready / "beat") == made.record.sha256
    assert ledger.find(part.record.sha256) is None


def test_a_rejected_part_of_a_zip_goes(settings, ledger, tmp_path):
    inside, path = clicks(tmp_path / "beat.wav"), tmp_path / "shelf" / "beat.zip"
    path.parent.mkdir()
    with zipfile.ZipFile(path, "w") as archive:
        archive.write(inside, "beat.wav")
    whole = path.read_bytes()
    path.write_bytes(whole[:-500])
    (part,) = ends(settings, ledger, find_items(path, settings))
    path.write_bytes(whole)
    (made,) = ends(settings, ledger, find_items(path, settings))

    assert (part.how, made.how) == ("rejected", "ready")
    assert not [path for path in settings.folders.rejected.iterdir() if path.name[0] != "."]
    [name] = made.record.summary["beginnings"]
    assert (name, made.record.parts["beat.wav"][1]) == ("beat.wav", inside.stat().st_size)


def test_a_folder_is_searched_by_the_rules_of_the_incoming_folder(settings, tmp_path):
    shelf = tmp_path / "shelf"
    clicks(shelf / "lone.wav")
    clicks(shelf / "ada" / "one.wav")
    clicks(shelf / "ada" / "two stems" / "drums.wav")
    (shelf / "ada" / "notes.txt").write_text("hello", encoding="utf-8")
    (shelf / "ada" / "half.wav.part").write_bytes(b"x")

    found = {(item.path.relative_to(shelf).as_posix(), item.producer) for item in find_items(shelf, settings)}

    assert found == {("lone.wav", None), ("ada/one.wav", "ada"), ("ada/two stems", "ada")}
    assert [item.path for item in find_items(shelf / "ada" / "two stems", settings)] == [
        shelf / "ada" / "two stems"
    ]


def test_what_lies_in_the_incoming_folder_has_the_producer_that_the_service_gives_it(settings):
    incoming = settings.folders.incoming
    clicks(incoming / "lone.wav")
    clicks(incoming / "ada" / "new" / "one.wav")
    clicks(incoming / "ada" / "two stems" / "drums.wav")
    for named in (incoming, incoming / "ada", incoming / "ada" / "new", incoming / "ada" / "two stems"):
        found = {item.path.name: item.producer for item in find_items(named, settings)}
        usual = {"lone.wav": None, "one.wav": "ada/new", "two stems": "ada"}
        assert found.items() <= usual.items()
        assert found
    [lone] = find_items(incoming / "lone.wav", settings)
    [one] = find_items(incoming / "ada" / "new" / "one.wav", settings)
    assert (lone.producer, one.producer) == (None, "ada/new")


def test_what_is_done_and_untouched_is_not_read_again(settings, ledger, tmp_path):
    shelf = tmp_path / "shelf"
    for name in ("one", "two"):
        clicks(shelf / f"{name}.wav", seed=len(name))
    clicks(shelf / "changed.wav", seed=7)
    ends(settings, ledger, find_items(shelf, settings))
    clicks(shelf / "changed.wav", seed=8)

    batch = Batch(settings, ledger, False, deque(find_items(shelf, settings)))
    untouched = list(batch.unchanged())

    assert {(ended.path.name, ended.how) for ended in untouched} == {
        ("one.wav", "known"),
        ("two.wav", "known"),
    }
    assert [item.path.name for item in batch.waiting] == ["changed.wav"]
    again = Batch(settings, ledger, True, deque(find_items(shelf, settings)))
    assert list(again.unchanged()) == []
    assert len(again.waiting) == 3


def test_a_removed_result_is_made_again_although_the_file_is_untouched(settings, ledger, tmp_path):
    beat = clicks(tmp_path / "shelf" / "one.wav")
    (made,) = ends(settings, ledger, find_items(beat, settings))
    shutil.rmtree(settings.folders.ready / made.record.folder)

    batch = Batch(settings, ledger, False, deque(find_items(beat, settings)))

    assert list(batch.unchanged()) == []
    assert len(batch.waiting) == 1


def _without_time(folder: Path) -> dict:
    (path,) = folder.glob("*.report.json")
    report = json.loads(path.read_text())
    report["made_at"] = None
    return report


def test_two_cluster_workers_give_the_same_reports_as_local_ones(settings, ledger, tmp_path):
    """Against a real local cluster of dask.distributed (the library's own LocalCluster)."""
    distributed = pytest.importorskip("distributed")
    paths = [clicks(tmp_path / "shelf" / f"beat {k}.wav", seed=k) for k in range(2)]
    other = settings.model_copy(
        update={"folders": settings.folders.model_copy(update={"ready": tmp_path / "ready on cluster"})}
    )
    make_folders(other)
    cluster = distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1", processes=True
    )
    with cluster, cluster_engine(cluster.scheduler_address) as engine:
        second = Ledger.open(tmp_path / "other.sqlite3")
        remote = ends(other, second, [Item(path) for path in paths], engine)
        second.close()
    with local_engine(settings, 1) as engine:
        local = ends(settings, ledger, [Item(path) for path in paths], engine)

    assert [ended.how for ended in (*remote, *local)] == ["ready"] * 4
    for path in paths:
        there, here = other.folders.ready / path.stem, settings.folders.ready / path.stem
        assert _without_time(there) == _without_time(here)
        for name in sorted(p.name for p in here.iterdir() if not p.name.endswith((".json", ".html"))):
            assert (there / name).read_bytes() == (here / name).read_bytes(), name


def test_an_unreachable_scheduler_is_said_in_one_sentence():
    from daemon.core.errors import MachineError

    with pytest.raises(MachineError, match="no scheduler answers"), cluster_engine("tcp://127.0.0.1:9"):
        pass


def test_a_link_that_the_user_names_is_followed(settings, tmp_path):
    target = clicks(tmp_path / "shelf" / "x.wav")
    link = tmp_path / "link.wav"
    link.symlink_to(target)

    assert [item.path for item in find_items(link, settings)] == [target]


def test_again_replaces_instead_of_doubling(settings, ledger, tmp_path):
    beat = clicks(tmp_path / "shelf" / "amber.wav")
    ends(settings, ledger, find_items(beat, settings))
    folder = settings.folders.ready / "amber"
    (folder / "my notes.txt").write_text("hook at bar 9")
    copy = next(folder.glob("amber - *.wav"))
    report = folder / "amber.report.json"
    stale = json.loads(report.read_text())
    stale["files"]["aligned_copy"] = "amber - under another name.wav"
    report.write_text(json.dumps(stale))
    copy.rename(folder / "amber - under another name.wav")

    ended = ends(settings, ledger, find_items(beat, settings), again=True)

    assert [(e.how, e.record.folder) for e in ended] == [("ready", "amber")]
    assert [p.name for p in settings.folders.ready.iterdir() if p.name[0] != "."] == ["amber"]
    assert (folder / "my notes.txt").read_text() == "hook at bar 9"
    assert [p.name for p in folder.glob("*.wav")] == [copy.name]
    assert json.loads(report.read_text())["files"]["aligned_copy"] == copy.name
    assert ledger.find(ended[0].record.sha256).folder == "amber"
    assert not any(settings.folders.ready.glob(".staging/batch-*"))


def test_a_broken_file_has_one_folder_however_often_it_is_processed(settings, ledger, tmp_path):
    broken = tmp_path / "broken.wav"
    broken.write_bytes(b"RIFF\x24\0\0\0WAVEfmt nothing of the kind")
    for again in (False, False, True):
        ended = ends(settings, ledger, find_items(broken, settings), again=again)
        assert [e.how for e in ended] == ["rejected"]
    assert [p.name for p in settings.folders.rejected.iterdir() if p.name[0] != "."] == ["broken"]
    assert ledger.count("rejected") == 1


def test_twins_of_a_broken_file_end_as_it_does(settings, ledger, tmp_path):
    for name in ("one.wav", "two.wav", "three.wav"):
        (tmp_path / "shelf").mkdir(exist_ok=True)
        (tmp_path / "shelf" / name).write_bytes(b"RIFF\x24\0\0\0WAVEfmt nothing of the kind")
    ended = ends(settings, ledger, find_items(tmp_path / "shelf", settings))
    assert [e.how for e in ended] == ["rejected"] * 3
    assert len([p for p in settings.folders.rejected.iterdir() if p.name[0] != "."]) == 1


def test_a_rejection_goes_when_the_content_becomes_ready(settings, ledger, tmp_path):
    short = clicks(tmp_path / "short.wav")
    limits = settings.limits.model_copy(update={"min_seconds": 20})
    assert (
        ends(settings.model_copy(update={"limits": limits}), ledger, find_items(short, settings))[0].how
        == "rejected"
    )
    assert ends(settings, ledger, find_items(short, settings))[0].how == "ready"
    assert [p.name for p in settings.folders.rejected.iterdir() if p.name[0] != "."] == []


def test_what_is_ready_stays_when_it_cannot_be_made_again(settings, ledger, tmp_path):
    beat = clicks(tmp_path / "amber.wav")
    ends(settings, ledger, find_items(beat, settings))
    limits = settings.limits.model_copy(update={"min_seconds": 20})
    stricter = settings.model_copy(update={"limits": limits})
    ended = ends(stricter, ledger, find_items(beat, settings), again=True)
    assert ended[0].how == "failed"
    assert "the results of before stay in amber" in line_of(ended[0])
    assert (settings.folders.ready / "amber" / "amber.report.json").is_file()
    assert (
        ledger.find(ended[0].record.sha256 if ended[0].record else ledger.history()[0].sha256).outcome
        == "ready"
    )


@pytest.mark.parametrize(
    ("name", "said"),
    [
        (
            "\u05e9\u05d9\u05e8 \u05dc\u05d9\u05dc\u05d4",
            "\u05e9\u05b4\u05c1\u05d9\u05e8",
        ),  # Hebrew, asked for with points
        ("N\u00e1 \u591c \U0001f525", "NA \u591c"),
    ],
)
def test_a_name_in_any_script_goes_the_whole_way(settings, ledger, tmp_path, name, said):
    beat = clicks(tmp_path / "\u0442\u0435\u043d\u044c" / f"{name}.wav")
    ended = ends(settings, ledger, find_items(beat, settings))[0]
    assert (ended.how, ended.record.folder) == ("ready", name), line_of(ended)
    made = [path.name for path in (settings.folders.ready / name).iterdir()]
    assert made
    assert all(file.startswith(name) for file in made)
    assert whole_result(settings.folders.ready / name) == ended.record.sha256

    assert correct_drop(settings, said, {"key": "C minor"}) == 0

    assert len(list((settings.folders.ready / name).glob("*C minor.wav"))) == 1
    board = (settings.folders.ready / "index.html").read_text()
    assert quote(name) in board
