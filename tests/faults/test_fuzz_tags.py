"""A short run of the tag fuzzer, tags made to be dear, and proof that both would notice."""

from __future__ import annotations

import io
import time

import pytest

from daemon.decode import tagformats
from daemon.decode.headers import recognise
from tests.faults import fuzz_tags
from tests.faults.fuzz_tags import campaign, heavy, tagged, trial


def test_healthy_files_have_their_tags():
    for name, data in tagged().items():
        stream = io.BytesIO(data)
        assert len(tagformats.read_tags(stream, recognise(stream))) >= 2, name


def test_damaged_tags():
    wrong, _slowest, _largest = campaign(count=2000, seed=20)

    assert wrong == []


@pytest.mark.parametrize("name", sorted(heavy()))
def test_dear_tags(name):
    assert trial(heavy()[name])[0] == ""


@pytest.mark.parametrize("fault", ["raise", "wait", "hoard", "leave"])
def test_a_fault_is_noticed(monkeypatch, fault):
    def broken(file, _content):
        if fault == "raise":
            raise ValueError
        if fault == "wait":
            monkeypatch.setattr(fuzz_tags, "MOST_SECONDS", 0.01)
            until = time.process_time() + 0.05
            while time.process_time() < until:
                pass
        if fault == "hoard":
            return {"title": "x" * 60_000_000}
        file.seek(1 if fault == "leave" else 0)
        return {}

    monkeypatch.setattr(tagformats, "read_tags", broken)

    assert trial(tagged()["MP3"])[0] != ""
