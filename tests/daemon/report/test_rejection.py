"""The page of a rejected drop: why, what to do, and a sentence to send."""

from __future__ import annotations

import json
import re
import shlex
from dataclasses import replace
from html import unescape
from pathlib import Path
from urllib.parse import unquote, urljoin, urlsplit

import pytest

from config.load import load_settings
from config.settings import Folders, Settings
from daemon.cli import build_parser
from daemon.decode.archives import AGAIN
from daemon.decode.audiochecks import SEND_AGAIN
from daemon.decode.audiofile import ASK_AGAIN
from daemon.ledger.ledger import Record
from daemon.report.rejection import (
    PAGE_FILE,
    read_rejections,
    rejection_page,
    split_reason,
    stage_rejection,
    to_producer,
    way_to_board,
)
from tests.daemon.browser import CHROMIUM, DRIVER, Browser

ANEW = "Could you please export it anew as WAV, AIFF or FLAC and send it again?"
HOSTILE = '"><script>alert(1)</script>\u202e{{7*7}}.wav'


def record(name: str = "torn.wav", reason: str = "it ends in the middle; " + SEND_AGAIN + ".") -> Record:
    return Record("ab" * 32, "rejected", "", name, "tin-roof", reason, {"path": f"tin-roof/{name}"}, 1.79e9)


@pytest.mark.parametrize(
    ("reason", "sentence"),
    [
        (
            f"it is text; {ASK_AGAIN}.",
            f"it is text. Could you please send {ASK_AGAIN.removeprefix('ask the producer for ')}?",
        ),
        (f"it ends early; {SEND_AGAIN}.", "it ends early. Could you please bounce and send it again?"),
        (f"two entries; {AGAIN}.", "two entries. Could you please send a plain zip of the audio files?"),
        ("locked; ask for a zip without one.", "locked. Could you please send a zip without one?"),
        (
            "5000 MB, more than limits.max_file_mb = 4096; raise the limit if it is meant.",
            f"5000 MB, more than 4096. {ANEW}",
        ),
        ("no reason", f"no reason. {ANEW}"),
    ],
)
def test_the_sentence_to_the_producer_asks_for_what_helps(reason: str, sentence: str) -> None:
    assert to_producer("torn.wav", reason) == (
        f'Hello, your delivery "torn.wav" cannot be used here: {sentence} Thank you.'
    )
    assert "limits." not in to_producer("torn.wav", reason)


@pytest.mark.parametrize(
    ("cause", "told"),
    [
        ("/home/mira/my studio/incoming/torn.wav is damaged", "torn.wav is damaged"),
        ("tried 2 times: 'C:\\\\beats\\\\in\\\\torn.wav' failed", "tried 2 times: 'torn.wav' failed"),
        ("24 bit / 48 kHz, and/or 3/4 or N/A", "24 bit / 48 kHz, and/or 3/4 or N/A"),
    ],
)
def test_the_sentence_to_the_producer_tells_no_path(cause: str, told: str) -> None:
    assert f" cannot be used here: {told}. " in to_producer("torn.wav", cause)


def test_what_was_named_by_its_path_is_shown_by_its_name(tmp_path: Path) -> None:
    """`process` names drops by paths of this machine; the service by those below incoming/."""
    drop = replace(record(), summary={"path": "/home/mira/my studio/torn.wav"})
    stage_rejection(tmp_path / "a", drop, "it cannot be used", Settings())
    stage_rejection(tmp_path / "b", record(), "it cannot be used", Settings())
    for name, shown in (("a", "untouched: torn.wav"), ("b", "untouched: incoming/tin-roof/torn.wav")):
        for file in (PAGE_FILE, "reason.txt"):
            text = (tmp_path / name / file).read_text().replace("<wbr>", "")
            assert shown in text
            assert "/home" not in text


def test_reason_and_step_are_two_sentences() -> None:
    assert split_reason("it is text; ask the producer.") == ("It is text.", "Ask the producer.")
    assert split_reason("it is text") == ("It is text.", "")


def test_page_and_record_lie_together_and_hostile_names_stay_text(tmp_path: Path) -> None:
    folder = stage_rejection(tmp_path / "a", record(HOSTILE), "the drop cannot be used", Settings())
    page = (tmp_path / "a" / PAGE_FILE).read_text()
    assert page.count("<script") == 1
    assert "\u202e" not in page
    assert "It ends in the middle." in page
    assert "What to do" in page
    assert "retry" not in page  # the same file stays damaged, whatever the settings say
    limit = record(HOSTILE, "5000 MB, more than limits.max_file_mb = 4096; raise the limit if it is meant.")
    assert f"beatintake retry {folder}" in rejection_page(limit, folder).replace("&#39;", "")
    assert [name for name, _ in read_rejections(tmp_path)] == ["a"]


@pytest.mark.parametrize("question", [None, ["a.wav", "b.wav"]])
def test_the_commands_name_the_settings_file_as_on_every_page(
    tmp_path: Path, question: list[str] | None
) -> None:
    """They are such as the program takes; page and text agree."""
    path = tmp_path / "a studio" / "beatintake.yaml"
    path.parent.mkdir()
    path.write_text("folders: {incoming: in}\n")
    drop = replace(
        record(reason="too long; raise the limit."), summary={"path": "torn.wav", "question": question}
    )
    stage_rejection(tmp_path / "a", drop, "it cannot be used", load_settings(path))
    [command] = re.findall(r'id="retry">(.*?)</code>', (tmp_path / "a" / PAGE_FILE).read_text())
    taken = build_parser().parse_args(shlex.split(unescape(re.sub("<[^>]+>", "", command)))[1:])
    assert taken.config == path.resolve()
    call = (
        f"beatintake --config {shlex.quote(str(path.resolve()))} {'answer torn.wav' if question else 'retry'}"
    )
    assert call in (tmp_path / "a" / "reason.txt").read_text()
    stage_rejection(tmp_path / "b", drop, "it cannot be used", Settings())
    assert "--config" not in (tmp_path / "b" / PAGE_FILE).read_text()


@pytest.mark.parametrize("place", ["rejected", "ready/rejected", "else/wh#re"])
def test_the_page_leads_back_to_the_board(tmp_path: Path, place: str) -> None:
    """The address is resolved as a browser does it (RFC 3986), from the page to the board."""
    ready, rejected = tmp_path / "ready", tmp_path / place
    settings = Settings(folders=Folders(incoming=tmp_path / "in", ready=ready, rejected=rejected))
    way = way_to_board(settings.folders)
    stage_rejection(rejected / "torn", record(), "the drop cannot be used", settings)
    page = rejected / "torn" / PAGE_FILE
    assert f'href="{way}">All beats</a>' in page.read_text()
    assert unquote(urlsplit(urljoin(page.as_uri(), way)).path) == str(ready / "index.html")
    assert "All beats" not in rejection_page(record(), "torn")


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"drop": 3}', '{"drop": {"name": "x"}, "at": "y"}'])
def test_a_damaged_record_is_no_row(tmp_path: Path, text: str) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "rejected.json").write_text(text)
    assert list(read_rejections(tmp_path)) == []


def test_a_rejection_from_before_there_were_pages_is_a_row_without_one(tmp_path: Path) -> None:
    stage_rejection(tmp_path / "a", record(), "the drop cannot be used", Settings())
    (tmp_path / "a" / PAGE_FILE).unlink()
    assert [row["page"] for _, row in read_rejections(tmp_path)] == [False]
    assert json.loads((tmp_path / "a" / "rejected.json").read_text())["reason"]


@pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="needs chromium and chromedriver")
def test_browser_copies_the_sentence_and_draws_nothing_over_anything(tmp_path: Path) -> None:
    stage_rejection(tmp_path / "a", record("long_name_" * 30 + ".wav"), "the drop cannot be used", Settings())
    browser = Browser(tmp_path / "profile", 1280, 900)
    try:
        browser.open(tmp_path / "a" / PAGE_FILE)
        for width in (320, 768, 1920):
            browser.resize(width, 1000)
            assert browser.overlaps() == []
            assert browser.run("return document.documentElement.scrollWidth <= innerWidth")
        browser.run(
            "Object.defineProperty(navigator, 'clipboard', {value: undefined});"
            "document.execCommand = () => { window.got = getSelection().toString(); return true; };"
        )
        browser.press("s")
        assert browser.run("return window.got").endswith(
            "Could you please bounce and send it again? Thank you."
        )
        assert browser.messages() == []
    finally:
        browser.close()
