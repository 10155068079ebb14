"""Quiet hours: spans of the day in which no analysis starts. Pure."""

from __future__ import annotations


def minutes(clock: str) -> int:
    """ "14:30" -> 870."""
    hours, _, rest = clock.partition(":")
    return int(hours) * 60 + int(rest)


def is_quiet(minute_of_day: int, spans: tuple[str, ...]) -> bool:
    """Is the minute (0 to 1439, local time) inside a span such as "14:00-20:00" or, over midnight,
    "22:00-06:00"?

    The end does not belong to the span; a span whose ends are equal is the whole day.
    """
    for span in spans:
        begin, _, end = span.partition("-")
        first, last = minutes(begin), minutes(end)
        if first < last:
            inside = first <= minute_of_day < last
        else:
            inside = minute_of_day >= first or minute_of_day < last
        if inside:
            return True
    return False
