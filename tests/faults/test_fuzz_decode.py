"""A short run of the decode fuzzer, and proof that it would notice."""

from __future__ import annotations

import random
import tempfile
from pathlib import Path

import pytest

from daemon.decode import decoder
from tests.faults.fuzz_decode import campaign, damaged, healthy, run_case


def test_a_few_hundred_damaged_files():
    tally = campaign(count=250, seed=20)

    assert tally.wrong == []
    assert sum(tally.outcomes.values()) == 250
    assert tally.outcomes["read"] > 25  # the damage reaches the decoder, not only the header check
    assert sum(number for name, number in tally.outcomes.items() if name != "read") > 25


def test_it_is_reproducible():
    files = healthy()
    name = "FLAC-PCM_16.flac"

    one, two = (damaged(files[name], files["stored.zip"], random.Random(3)) for _ in range(2))

    assert one == two != files[name]


@pytest.mark.parametrize("fault", [ZeroDivisionError, MemoryError, SystemExit])
def test_other_exceptions_are_wrong(tmp_path, monkeypatch, fault):
    def broken(*_args):
        raise fault

    monkeypatch.setattr(decoder, "content_of", broken)

    assert run_case(1, 1, healthy(), tmp_path).startswith("wrong: ")


def test_a_changed_original_is_wrong(tmp_path, monkeypatch):
    real = decoder.content_of

    def scribbling(path: Path):
        with path.open("ab") as file:
            file.write(b"x")
        return real(path)

    monkeypatch.setattr(decoder, "content_of", scribbling)
    for number in range(20):
        with tempfile.TemporaryDirectory(dir=tmp_path) as work:
            assert run_case(number, 1, healthy(), Path(work)).startswith("wrong: ")
