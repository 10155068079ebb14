"""A long signal in a file is the same signal: same answers, same bytes, read piece by piece, nothing left."""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import psutil
import pytest
import soxr

from config.settings import Folders, Limits, Settings
from daemon.core.errors import DiskFull, EmptyDrop, MachineError, TooLong
from daemon.decode import spool
from daemon.decode.decoder import decode
from daemon.decode.spool import Collector, Scratch, Spooled
from daemon.pipeline.analyse import analyse_path
from daemon.pipeline.job import WORKDIR, JobRequest, JobResult, run_job
from demo.render import render
from demo.spec import random_spec
from tests.daemon.make_audio import file_bytes, flac_claiming, noise, write

LOW = 100_000  # bytes
FORMS = {
    "16 bits.wav": {"subtype": "PCM_16"},
    "24 bits.wav": {"subtype": "PCM_24"},
    "float.wav": {"subtype": "FLOAT"},
    "double.wav": {"subtype": "DOUBLE"},
    "beat.flac": {"subtype": "PCM_24", "format": "FLAC"},
    "beat.ogg": {"subtype": "VORBIS", "format": "OGG"},
    "beat.mp3": {"subtype": "MPEG_LAYER_III", "format": "MP3"},
}


@pytest.fixture(scope="module")
def beat() -> tuple[np.ndarray, int]:
    samples, truth = render(random_spec(11, style="house", length_s=20))
    return samples, truth.samplerate


@pytest.fixture
def low(monkeypatch):
    """Every signal of a test is a long one. Returns the largest share of one that was asked for at once."""
    monkeypatch.setattr(spool, "MOST_IN_MEMORY", LOW)
    shares = [0.0]
    real = Spooled.__getitem__

    def watched(self, part):
        piece = real(self, part)
        shares[0] = max(shares[0], len(piece) / len(self))
        return piece

    monkeypatch.setattr(Spooled, "__getitem__", watched)
    return shares


def job(drop: Path, work: Path, **output: object) -> tuple[JobResult, dict[str, bytes]]:
    """The result of a whole job, and the bytes of all its files."""
    places = {name: work / name for name in ("incoming", "ready", "rejected", "state", "staging")}
    for place in places.values():
        place.mkdir(parents=True, exist_ok=True)
    staging = places.pop("staging")
    settings = Settings(folders=Folders(**places), output=output)
    result = run_job(JobRequest(drop, staging, settings))
    files = {
        str(path.relative_to(staging)): path.read_bytes() for path in staging.rglob("*") if path.is_file()
    }
    return result, files


def both_ways(drop: Path, work: Path, request: pytest.FixtureRequest, **output: object) -> dict[str, bytes]:
    """The files of a job, after a look that they are the same when the signal is in a file."""
    result, files = job(drop, work / "memory", **output)
    shares = request.getfixturevalue("low")
    again, same = job(drop, work / "file", **output)
    assert shares[0] > 0.0, "no signal was in a file"
    assert (result.outcome, again.outcome) == ("ready", "ready")
    assert result == again
    assert files.keys() == same.keys()
    assert [name for name in files if files[name] != same[name]] == []
    return files


@pytest.mark.parametrize("name", FORMS)
def test_same_outputs_to_the_byte(tmp_path, beat, request, name):
    samples, rate = beat
    write(tmp_path / name, np.clip(samples, -1, 1 - 2**-15), rate, **FORMS[name])
    assert len(both_ways(tmp_path / name, tmp_path, request)) == 8


def test_same_outputs_when_resampled_turned_down_and_cut_at_the_end(tmp_path, beat, request):
    samples, rate = beat
    quiet_end = np.concatenate((samples * 1.2, np.zeros((rate * 3, 2), np.float32)))
    write(tmp_path / "hot.wav", quiet_end, rate, subtype="FLOAT")
    both_ways(tmp_path / "hot.wav", tmp_path, request, sample_rate=96000, bit_depth=16, trim_tail=True)


def test_same_outputs_of_stems(tmp_path, beat, request):
    """A mono stem first, so that the sum is widened; one of another rate, one longer than the others."""
    samples, rate = beat
    folder = tmp_path / "stems of one"
    folder.mkdir()
    (folder / "stems.txt").touch()  # by their content they are mixes of one beat
    write(folder / "a low.wav", 0.3 * samples[:, :1], rate)
    write(folder / "b all.wav", 0.3 * samples, rate, subtype="PCM_24")
    write(folder / "c far.wav", 0.1 * soxr.resample(samples[::-1], rate, 32000), 32000)
    write(folder / "d end.wav", np.concatenate((0.1 * samples[:, ::-1], noise(1, rate, level=0.01))), rate)
    files = both_ways(folder, tmp_path, request)
    assert len([name for name in files if name.startswith("stems/")]) == 4


def test_same_machine_line_and_nothing_left(tmp_path, beat, low, monkeypatch):
    place = tmp_path / "temporary"
    place.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(place))
    write(tmp_path / "beat.wav", *beat)
    lines = []
    for most in (spool.MOST_IN_MEMORY, 1 << 40):
        monkeypatch.setattr(spool, "MOST_IN_MEMORY", most)
        lines.append(analyse_path(str(tmp_path / "beat.wav"), Settings()) | {"seconds": 0})
        assert list(place.iterdir()) == []
    assert low[0] > 0.0
    assert "error" not in lines[0]
    assert lines[0] == lines[1]


def test_no_large_part_is_read_at_once(tmp_path, beat, low):
    """Six minutes at a low rate: the pieces that are bounded in seconds or frames are small parts of them."""
    samples, rate = beat
    slow = soxr.resample(samples, rate, 8000)
    long = np.concatenate((np.zeros((8000 * 90, 2), np.float32), np.tile(slow, (14, 1))))
    write(tmp_path / "long.wav", long, 8000)
    result, _ = job(tmp_path / "long.wav", tmp_path)
    assert result.outcome == "ready"
    assert 0.0 < low[0] < 0.4


def spooled(samples: np.ndarray, scratch: Scratch, block: int = 1000) -> Spooled:
    store = Collector(scratch, samples.shape[1], 10)
    for at in range(0, len(samples), block):
        store.append(samples[at : at + block])
    done = store.done()
    assert isinstance(done, Spooled)
    return done


def test_cut_like_an_array(tmp_path):
    samples = noise(0.3, 8000, 3)
    with Scratch(tmp_path / "private", 1000) as scratch:
        same = spooled(samples, scratch)
        assert (same.shape, same.ndim, len(same)) == (samples.shape, 2, len(samples))
        for part in (slice(0, 7), slice(None), slice(-5, None), slice(2000, 9999), slice(9, 3), slice(5, 5)):
            assert np.array_equal(same[part], samples[part])
            assert np.array_equal(same[part, 1], samples[part, 1])
            assert same[part].dtype == np.float32
        with pytest.raises(ValueError, match="step"):
            same[::2]


def test_parts_can_be_changed(tmp_path):
    samples = noise(0.3, 8000)
    with Scratch(tmp_path / "private", 1000) as scratch:
        same = spooled(samples.copy(), scratch)
        same[100:300] += samples[:200]
        samples[100:300] += samples[:200].copy()
        assert np.array_equal(same[:], samples)


def test_few_samples_are_an_array_whatever_the_header_says(tmp_path):
    """What lies in a file because more was announced comes back; what grew beyond goes there."""
    (tmp_path / "beat.flac").write_bytes(flac_claiming(file_bytes(noise(0.5), format="FLAC"), 2**35))
    with Scratch(tmp_path / "private", 200_000) as scratch:
        found = decode(tmp_path / "beat.flac", limits=Limits(min_seconds=0.1), scratch=scratch)
        assert isinstance(found.signal.samples, np.ndarray)
    store = Collector(Scratch(tmp_path / "private", 200_000), 2, 10**13)  # more than there is memory
    store.append(noise(0.1))
    store.append(noise(0.1, seed=1))
    store.cut(5000)
    assert np.array_equal(store.done(), np.concatenate((noise(0.1), noise(0.1, seed=1)))[:5000])
    store = Collector(Scratch(tmp_path / "private", 200_000), 2, 10)
    for _ in range(10):
        store.append(noise(0.1))
    grown = store.done()
    assert isinstance(grown, Spooled)
    assert np.array_equal(grown[:], np.tile(noise(0.1), (10, 1)))
    grown.close()


def test_damage_and_invalid_numbers_are_treated_alike(tmp_path):
    flac = file_bytes(noise(3.0), format="FLAC")
    (tmp_path / "cut.flac").write_bytes(flac[: len(flac) // 2])
    broken = noise(3.0)
    broken[50_000:50_010] = np.nan
    write(tmp_path / "nan.wav", broken, subtype="FLOAT")
    for name in ("cut.flac", "nan.wav"):
        plain = decode(tmp_path / name, limits=Limits())
        with Scratch(tmp_path / "private", LOW) as scratch:
            found = decode(tmp_path / name, limits=Limits(), scratch=scratch)
            assert isinstance(found.signal.samples, Spooled)
            assert found.source == plain.source
            assert np.array_equal(found.signal.samples[:], plain.signal.samples)
    assert "20 samples" in " ".join(found.source.warnings)


def test_a_full_disk_is_the_machines_trouble(tmp_path, low):
    """EFBIG by a limit of this process stands for ENOSPC: both are answers of the kernel to a write."""
    drop = write(tmp_path / "beat.wav", noise(10.0))
    before = drop.read_bytes()
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1_000_000, hard))
    try:
        with pytest.raises(DiskFull, match="no space left to write; free some space"):
            job(drop, tmp_path)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert drop.read_bytes() == before
    assert list((tmp_path / "staging").iterdir()) == []
    assert job(drop, tmp_path)[0].outcome == "ready"


def test_a_folder_that_cannot_be_written_to_is_said(tmp_path):
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(MachineError), Scratch(tmp_path / "file" / "below", 1000) as scratch:
        scratch.spool(2)


def test_a_file_that_lost_its_end_is_said(tmp_path):
    with Scratch(tmp_path / "private", 1000) as scratch:
        same = spooled(noise(0.3, 8000), scratch)
        same._file.truncate(500)
        with pytest.raises(MachineError, match="lost its end"):
            same[:]


@pytest.mark.parametrize(
    ("name", "minutes", "error"),
    [
        ("good.wav", 60, None),
        ("good.wav", 0.02, TooLong),
        ("silent.wav", 60, EmptyDrop),
        ("stems", 60, None),
        ("stems", 0.02, TooLong),
    ],
)
def test_no_descriptor_stays_open(tmp_path, low, name, minutes, error):
    write(tmp_path / "good.wav", noise(3.0))
    write(tmp_path / "silent.wav", np.zeros((200_000, 2), np.float32))
    (tmp_path / "stems").mkdir()
    for number in range(4):
        write(tmp_path / "stems" / f"{number}.wav", noise(2.0, seed=number))
    process = psutil.Process()
    before = process.num_fds()
    with Scratch(tmp_path / "private") as scratch:
        if error:
            with pytest.raises(error):
                decode(tmp_path / name, limits=Limits(max_minutes=minutes), scratch=scratch)
        else:
            found = decode(tmp_path / name, limits=Limits(max_minutes=minutes), scratch=scratch)
            assert isinstance(found.signal.samples, Spooled)
        assert process.num_fds() <= before + 1  # one signal is left, stems are gone
    assert process.num_fds() == before
    assert not (tmp_path / "private").exists()


def test_no_descriptor_stays_open_after_a_job(tmp_path, low):
    process = psutil.Process()
    for name, samples, outcome in (("good", noise(3.0), "ready"), ("silent", noise(3.0) * 0, "rejected")):
        before = process.num_fds()
        assert job(write(tmp_path / f"{name}.wav", samples), tmp_path)[0].outcome == outcome
        assert process.num_fds() == before
        assert not (tmp_path / "staging" / WORKDIR).exists()


def test_a_kill_leaves_nothing(tmp_path):
    """The file has no name from the start, so that not even a kill without warning leaves it."""
    code = (
        "import sys, time, numpy as np; from pathlib import Path; from daemon.decode.spool import Scratch\n"
        "spooled = Scratch(Path(sys.argv[1]) if sys.argv[1:] else None).spool(2)\n"
        "spooled[0:] = np.ones((100_000, 2), np.float32)\n"
        "print(len(spooled), flush=True); time.sleep(60)"
    )
    private = tmp_path / "private"
    private.mkdir()
    for arguments in ([], [str(private)]):
        child = subprocess.Popen(
            [sys.executable, "-c", code, *arguments],
            stdout=subprocess.PIPE,
            env={**os.environ, "TMPDIR": str(private)},
        )
        assert child.stdout is not None
        assert child.stdout.readline() == b"100000\n"
        assert list(private.iterdir()) == []
        child.send_signal(signal.SIGKILL)
        child.wait(60)
        child.stdout.close()
        assert list(private.iterdir()) == []


def test_several_threads_read_from_one_file(tmp_path: Path) -> None:
    frames = 200_000
    with Scratch(tmp_path / "x", most_in_memory=0) as scratch:
        spooled = scratch.spool(2)
        spooled[0:] = np.arange(2 * frames, dtype=np.float32).reshape(-1, 2)

        def reads(seed: int) -> bool:
            starts = np.random.default_rng(seed).integers(0, frames - 50, 3000).tolist()
            return all(
                spooled[a : a + 50][:, 0].tolist() == list(range(2 * a, 2 * a + 100, 2)) for a in starts
            )

        with ThreadPoolExecutor(4) as threads:
            assert all(threads.map(reads, range(4)))
