"""Throw damaged and oversized tags of every format at the tag reader, and see that it stands.

    python tests/faults/fuzz_tags.py --count 20000 --seed 1

Each case is a small tagged file changed at random, most often in its tag; the heavy cases are tags
of about 1 MB made to cost as much as they can. Wrong: any exception, more than `MOST_SECONDS`, more than
`MOST_BYTES` allocated, or a file that is not left at its first byte. A case is told by its seed and number.
"""

from __future__ import annotations

import argparse
import io
import random
import sys
import time
import tracemalloc
from pathlib import Path
from typing import BinaryIO

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daemon.decode import tagformats
from daemon.decode.headers import Content, recognise
from daemon.decode.tags import claims, clean_tags
from tests.daemon.make_audio import file_bytes, noise
from tests.daemon.make_tags import comments, id3, ogg_pages, with_tag
from tests.faults.fuzz_decode import damaged

MOST_SECONDS = 1.0
MOST_BYTES = 50_000_000
SIZE = 1_000_000  # bytes; just under what the reader looks at
FORMS = ("MP3", "WAV", "RF64", "AIFF", "FLAC")


def tagged() -> dict[str, bytes]:
    """One small file with a tempo and a key in its tag for each place a tag can stand in."""
    bare = {
        form: file_bytes(noise(0.1), format=form, subtype="MPEG_LAYER_III" if form == "MP3" else "PCM_16")
        for form in FORMS
    }
    files = {form: with_tag(data, form) for form, data in bare.items()}
    files["ID3v2.2"] = id3(2, TT2=b"\0amber lane", TBP=b"\x00128", TKE=b"\0Am") + bare["MP3"]
    wide = "93.5".encode("utf-16")
    files["ID3v2.4"] = id3(4, TXXX=b"\3x\0y", TBPM=b"\1" + wide, TKEY=b"\3Ebm") + bare["MP3"]
    block = comments("TITLE=amber lane", "BPM=140", "InitialKey=Ebm")
    files["Vorbis"] = ogg_pages(b"\x03vorbis" + block)
    files["Opus"] = ogg_pages(b"OpusTags" + block)
    return files


def heavy() -> dict[str, bytes]:
    """Tags of `SIZE` bytes: many values, frames, comments or pages, and text that is dear to search."""
    many = [f"KEY={number:x}" for number in range(SIZE // 13)]
    values = b"\0".join(b"%x" % number for number in range(SIZE // 6))
    empty = b"ID3\2\0\0" + bytes([SIZE >> 21 & 127, SIZE >> 14 & 127, SIZE >> 7 & 127, SIZE & 127])
    block = comments(*many)
    return {
        "values in one frame": id3(4, TBPM=b"\0" + values),
        "zero pairs at odd places": id3(4, SYLT=b"\1eng\2\1x" + b"\0\0yy" * (SIZE // 4)),
        "the same as a key": id3(4, TKEY=b"\1x" + b"\0\0yy" * (SIZE // 4)),
        "empty frames": empty + b"TBP\0\0\0" * (SIZE // 6),
        "FLAC comments": b"fLaC\0\0\0\x22" + b"\0" * 34 + b"\x84" + len(block).to_bytes(3, "big") + block,
        "Ogg comments": ogg_pages(b"\x03vorbis" + block),
        "one long Ogg comment": ogg_pages(b"\x03vorbis" + comments("KEY=" + "x" * SIZE)),
        "WAV chunks": b"RIFF\0\0\0\0WAVE" + b"junk\0\0\0\0" * (SIZE // 8),
    }


def trial(data: bytes) -> tuple[str, float, int]:
    """Read the tags of one file: what was wrong ("" for nothing), processor seconds, peak bytes allocated.

    Read twice, because tracing the memory makes it many times slower.
    """
    stream = io.BytesIO(data)
    content = recognise(stream)
    seconds, peak = 0.0, 0
    try:
        started = time.process_time()
        _read(stream, content)
        seconds = time.process_time() - started
        tracemalloc.start()
        _read(stream, content)
        peak = tracemalloc.get_traced_memory()[1]
    except Exception as error:
        return f"{type(error).__name__}: {error}", seconds, peak
    finally:
        tracemalloc.stop()
    if seconds > MOST_SECONDS:
        return f"{seconds:.1f} s", seconds, peak
    if peak > MOST_BYTES:
        return f"{peak / 1e6:.0f} MB", seconds, peak
    return "" if stream.tell() == 0 else "not left at its first byte", seconds, peak


def _read(stream: BinaryIO, content: Content) -> None:
    claims("amber.wav", clean_tags(tagformats.read_tags(stream, content)))


def campaign(count: int, seed: int) -> tuple[list[str], float, int]:
    """Run `count` damaged files: what was wrong, the slowest (s), the largest peak (bytes)."""
    files = tagged()
    names = sorted(files)
    wrong: list[str] = []
    slowest, largest = 0.0, 0
    for number in range(count):
        rng = random.Random(f"{seed}/{number}")
        name = names[number % len(names)]
        fault, seconds, peak = trial(damaged(files[name], files[rng.choice(names)], rng))
        slowest, largest = max(slowest, seconds), max(largest, peak)
        if fault:
            wrong.append(f"case {number}, {name}: {fault}")
    return wrong, slowest, largest


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    wrong, slowest, largest = campaign(options.count, options.seed)
    print(f"{options.count} damaged: slowest {slowest:.3f} s, largest peak {largest / 1e6:.1f} MB")
    for name, data in heavy().items():
        fault, seconds, peak = trial(data)
        print(f"{name}: {seconds:.3f} s, {peak / 1e6:.1f} MB")
        wrong += [f"{name}: {fault}"] if fault else []
    print("\n".join(wrong[:50]) or "nothing wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
