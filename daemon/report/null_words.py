"""The null test in words: a line that the engineer can act on."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from daemon.report.parts import NullResult, StemLine

Place = Callable[[float], str]  # seconds of the source as people say them: "bar 17"

CLOSE_DB = -30.0  # less than this is left: a lossy file, light processing
LIKE_DB = -60.0  # most moments cancel
LEVEL_DB = 0.1
LATE_S = 0.001
MOST_PLACES = 3


def null_lines(stems: Iterable[StemLine], place: Place) -> list[str]:
    """For check by ear: of every two-track that does not simply cancel."""
    return [
        f"Stems: {stem.shown} {null_words(stem.null, place)}."
        for stem in stems
        if stem.null is not None and needs_ears(stem.null)
    ]


def needs_ears(null: NullResult) -> bool:
    return null.kind != "same" or null.inverted or abs(null.delay_s) >= LATE_S


def null_words(null: NullResult, place: Place) -> str:
    """'has mastering on it (...); the stems are 3.2 dB lower and lack something at bar 1'."""
    said = [_likeness(null)]
    if null.inverted:
        said.append("its polarity is inverted against the stems: flip one of them before both play")
    if abs(null.delay_s) >= LATE_S:
        side = "later" if null.delay_s > 0 else "earlier"
        said.append(f"it starts {abs(null.delay_s) * 1000:.1f} ms {side} than the stems")
    said += _stems_against(null, place)
    if null.only_in_stems:
        said.append(f"it lacks something {_places(null.only_in_stems, place)}")
    return "; ".join(said)


def _likeness(null: NullResult) -> str:
    left = f"residual {null.residual_db:.0f} dB".replace("-", "−")
    if null.kind == "same":
        return "is the sum of the stems (it cancels to below −50 dB)"
    if null.kind == "different":
        return f"is not made of these stems alone ({left}, which no equaliser explains)"
    if null.residual_db <= CLOSE_DB:
        return f"is close to the sum of the stems ({left}): a lossy file or light processing"
    if null.unexplained_db <= LIKE_DB and (null.only_in_bounce or null.only_in_stems):
        return f"is the sum of the stems but for some moments ({left})"
    return f"has mastering on it ({left})"


def _stems_against(null: NullResult, place: Place) -> list[str]:
    about = []
    if abs(null.gain_db) >= LEVEL_DB:
        about.append(f"are {abs(null.gain_db):.1f} dB {'lower' if null.gain_db > 0 else 'higher'}")
    if null.only_in_bounce:
        about.append(f"lack something {_places(null.only_in_bounce, place)}")
    return [f"the stems {' and '.join(about)}"] if about else []


def _places(spans: Sequence[tuple[float, float]], place: Place) -> str:
    if len(spans) > MOST_PLACES:
        return f"in {len(spans)} places, the first at {place(spans[0][0])}"
    return f"at {', '.join(place(start) for start, _ in spans)}"
