"""Pictures of the report as plain shapes: geometry here, SVG text in the template.

A picture has its own coordinates, stretched to any width; words are placed beside it by
percentage, so that they stay readable on a phone. Nothing here is markup: the template
writes shapes and words through autoescape.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from daemon.report.waveform import Outline

WIDTH = 1000.0


@dataclass(frozen=True, slots=True)
class Shape:
    """One SVG element: `tag` with attributes, `css` its class."""

    tag: str
    css: str
    attributes: dict[str, str | float]


@dataclass(frozen=True, slots=True)
class Word:
    """Text beside a picture: `at` and `size` in percent of its width; `row` names the line it stands on."""

    at: float
    text: str
    row: str
    size: float = 0.0
    css: str = ""


@dataclass(frozen=True, slots=True)
class Picture:
    name: str
    title: str
    description: str
    height: float
    shapes: tuple[Shape, ...]
    words: tuple[Word, ...] = ()


def line(css: str, x1: float, y1: float, x2: float, y2: float) -> Shape:
    return Shape("line", css, {"x1": _r(x1), "y1": _r(y1), "x2": _r(x2), "y2": _r(y2)})


def upright(css: str, share: float, top: float, bottom: float) -> Shape:
    """A vertical line at `share` (0..1) of the width."""
    return line(css, share * WIDTH, top, share * WIDTH, bottom)


def box(css: str, left: float, right: float, top: float, bottom: float) -> Shape:
    """A rectangle between two shares of the width, cut to the picture."""
    left, right = (min(max(v, 0.0), 1.0) * WIDTH for v in (left, right))
    return Shape(
        "rect",
        css,
        {"x": _r(left), "y": _r(top), "width": _r(max(right - left, 0.0)), "height": _r(bottom - top)},
    )


def outline_path(outline: Outline, top: float, bottom: float) -> Shape:
    """The waveform as one closed shape; a hairline where it is silent."""
    middle, half = (top + bottom) / 2, (bottom - top) / 2
    step = WIDTH / len(outline.high)
    upper = [(k * step, middle - max(h * half, 0.3)) for k, h in enumerate(outline.high)]
    lower = [(k * step, middle - min(low * half, -0.3)) for k, low in enumerate(outline.low)]
    points = " ".join(f"{_r(x)},{_r(y)}" for x, y in (*upper, *reversed(lower)))
    return Shape("polygon", "wave", {"points": points})


def curve(css: str, points: Iterable[tuple[float, float]]) -> Shape:
    """A polyline through (x, y) in picture coordinates."""
    return Shape("polyline", css, {"points": " ".join(f"{_r(x)},{_r(y)}" for x, y in points)})


def scale(values: Sequence[float], low: float, high: float, height: float) -> list[float]:
    """Values as heights from the bottom: `low` at the bottom edge, `high` at the top."""
    span = (high - low) or 1.0
    return [height - (min(max(v, low), high) - low) / span * height for v in values]


def _r(value: float) -> float:
    return round(float(value), 2)
