"""Every hostile correction file, without a service; the strangest with one; and proof that a miss shows."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from daemon.corrections.files import APPLIED_FILE, CORRECTION_FILE, REASON_FILE, REFUSED_FILE
from daemon.pipeline.correct import correct_from_file
from tests.faults.correction_files import cases, check, hurt, others, studio, texts

STRANGEST = ("link", "link to a device", "folder", "pipe", "read-only folder", "a pipe for a report")

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pipes, links and rights")


def test_there_are_enough_cases() -> None:
    assert len(cases()) >= 60


def test_each_content_is_refused_with_a_reason(tmp_path: Path) -> None:
    settings = studio(tmp_path, ["beat"])
    folder = settings.folders.ready / "beat"
    before = {path.name: path.read_bytes() for path in folder.iterdir() if not path.name.endswith(".html")}
    for name, data in texts().items():
        (folder / CORRECTION_FILE).write_bytes(data)
        outcome = correct_from_file(settings, folder)
        assert (outcome.kind, outcome.text) == ("refused", (folder / REASON_FILE).read_text().strip()), name
        assert outcome.text.startswith(("correction.yaml: ", "the correction: ")), (name, outcome.text)
        assert "an error of ours" not in outcome.text, name
        assert (folder / REFUSED_FILE).read_bytes() == data, name
        assert not (folder / CORRECTION_FILE).exists(), name
    assert not (folder / APPLIED_FILE).exists()
    assert before == {name: (folder / name).read_bytes() for name in before}, (
        "a refused one changed something"
    )


@pytest.mark.parametrize("name", sorted(others()))
def test_each_thing_that_is_no_file(tmp_path: Path, name: str) -> None:
    settings = studio(tmp_path, ["beat"])
    folder = settings.folders.ready / "beat"
    others()[name](folder)
    try:
        outcome = correct_from_file(settings, folder)
    finally:
        folder.chmod(0o755)
    assert outcome.kind == "refused"
    assert "hush" not in outcome.text
    assert not (tmp_path / "made-by-us").exists()


def test_a_service_among_the_strangest(tmp_path: Path) -> None:
    figures = hurt(tmp_path, {name: cases()[name] for name in STRANGEST}, real=False)

    assert figures["cases"] == len(STRANGEST)


def test_a_file_that_is_not_refused_is_noticed(tmp_path: Path) -> None:
    settings = studio(tmp_path, ["good"])
    (settings.folders.ready / "good" / CORRECTION_FILE).write_text("key: C minor\n")
    assert correct_from_file(settings, settings.folders.ready / "good").kind == "applied"

    with pytest.raises(AssertionError, match="good"):
        check(settings, {"good": None}, "")
