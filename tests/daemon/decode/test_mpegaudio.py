"""MPEG audio frame headers against the standard's own arithmetic."""

from __future__ import annotations

import pytest

from daemon.decode.mpegaudio import first_frame, mpeg_frame


@pytest.mark.parametrize(
    ("head", "layer", "rate", "length"),
    [
        ("fffb9064", 3, 44100, 417),  # 128 kbit/s: 144 * 128000 / 44100
        ("fffb9264", 3, 44100, 418),  # padded
        ("fffbe064", 3, 44100, 1044),  # 320 kbit/s
        ("fffb9464", 3, 48000, 384),
        ("fff38064", 3, 22050, 208),  # MPEG-2, 64 kbit/s: 72 * 64000 / 22050
        ("fffd9064", 2, 44100, 522),  # layer II, 160 kbit/s
        ("ffff9064", 1, 44100, 312),  # layer I, 288 kbit/s: 4 * int(12 * 288000 / 44100)
    ],
)
def test_mpeg_frame_lengths(head, layer, rate, length):
    """ISO/IEC 11172-3, 2.4.3.1 and the bit rate table of 2.4.2.3."""
    frame = mpeg_frame(bytes.fromhex(head))

    assert frame is not None
    assert (frame.layer, frame.rate, frame.length) == (layer, rate, length)


@pytest.mark.parametrize(
    "head", ["fffb0064", "fffbf064", "fffb9c64", "ffe99064", "fff99064", "00fb9064", "fffb"]
)
def test_not_a_frame(head):
    assert mpeg_frame(bytes.fromhex(head)) is None


def test_first_frame_is_one_that_is_followed_by_another():
    """Frame bytes inside a picture or in noise are no start: the next frame must lie where it says."""
    frame = bytes.fromhex("fffb9064") + b"\0" * 413  # 417 bytes, see above

    assert first_frame(b"junk" + frame[:4] + b"junk" + frame + frame) == 12
    assert first_frame(frame) is None
    assert first_frame(b"") is None
