"""Answers of the page server: spans of a file."""

from __future__ import annotations

import pytest

from daemon.ops.answering import wanted_span


# RFC 9110, section 14.1.2: byte positions are inclusive, "-500" are the last 500.
@pytest.mark.parametrize(
    ("header", "span"),
    [
        (None, (0, 1000)),
        ("bytes=0-0", (0, 1)),
        ("bytes=0-", (0, 1000)),
        ("bytes=500-999", (500, 1000)),
        ("bytes=900-5000", (900, 1000)),
        ("bytes=-500", (500, 1000)),
        ("bytes=-5000", (0, 1000)),
        ("bytes=1000-", None),
        ("bytes=-0", None),
        ("bytes=5-2", (0, 1000)),
        ("lines=1-2", (0, 1000)),
        ("bytes=0-1,5-6", (0, 1000)),
        ("bytes=" + "9" * 5000 + "-", (0, 1000)),
    ],
)
def test_ranges(header: str | None, span: tuple[int, int] | None) -> None:
    assert wanted_span(header, 1000) == span
