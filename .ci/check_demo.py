"""Look at what a demo run left behind: `python .ci/check_demo.py FOLDER`. Exit 1 with the first thing wrong.

Reads with other libraries than those that wrote: soundfile for WAV and click checks, mido for maps,
json for reports, html.parser for pages.
"""

from __future__ import annotations

import json
import sys
from html.parser import HTMLParser
from pathlib import Path

import mido
import numpy as np
import soundfile as sf

MIN_READY = 8


class Links(HTMLParser):
    """Addresses that a page would load."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [value for name, value in attrs if name in ("src", "href", "srcset") and value]


def check_folder(folder: Path, incoming: Path) -> None:
    (path,) = folder.glob("*.report.json")
    report = json.loads(path.read_text(encoding="ascii"))
    files = report["files"]
    for name in filter(None, files.values()):
        assert (folder / name).is_file(), f"{name} is missing"
    copy, rate = sf.read(folder / files["aligned_copy"], always_2d=True, dtype="float64")
    cut = report["cut"]
    assert len(copy) == report["aligned_copy"]["frames"], "the copy's length is not the report's"
    assert not copy[: cut["pad_samples"]].any(), "sound where silence was promised"
    if report["aligned_copy"]["bit_identical"]:
        source = next(incoming.rglob(report["drop"]["name"]))
        original, _ = sf.read(source, always_2d=True, dtype="float64")
        same = original[cut["source_start"] : cut["source_end"]]
        assert np.array_equal(copy[cut["pad_samples"] :], same), "the copy is not bit-identical"
    midi = mido.MidiFile(folder / files["map"])
    assert midi.type == 1
    assert any(message.type == "set_tempo" for message in midi.tracks[0])
    if files["click_check"]:
        assert sf.info(folder / files["click_check"]).samplerate == rate
    page = (folder / files["page"]).read_text(encoding="utf-8")
    links = Links()
    links.feed(page)
    outside = [link for link in links.found if "://" in link and not link.startswith("data:")]
    assert not outside, f"the page would load {outside}"


def main(root: Path) -> int:
    ready = [
        folder for folder in (root / "ready").iterdir() if folder.is_dir() and not folder.name.startswith(".")
    ]
    rejected = list((root / "rejected").glob("*/reason.txt"))
    for folder in sorted(ready):
        try:
            check_folder(folder, root / "incoming")
        except AssertionError as error:
            print(f"{folder.name}: {error}", file=sys.stderr)
            return 1
    if len(ready) < MIN_READY or not rejected or not (root / "ready" / "index.html").is_file():
        print(f"{len(ready)} ready, {len(rejected)} rejected, or no board", file=sys.stderr)
        return 1
    print(f"{len(ready)} ready folders are whole, {len(rejected)} rejected with a reason")
    return 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
