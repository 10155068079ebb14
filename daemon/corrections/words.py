"""What is wanted, as it is typed or read from a file, turned into a correction.

The values may be text or numbers; every mistake is the person's, and said in a sentence.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from analyzers.model import Analysis, Grid
from analyzers.rhythm.bars import bar_lines, beats_after_one
from daemon.core.errors import ConfigError
from daemon.corrections.apply import Correction, apply_correction, beat_rate

FIELDS = ("tempo", "half", "double", "key", "bar_one", "meter", "tuning")
PLACE = re.compile(r"([+\-−]?)\s*(?:(\d{1,4}):)?(\d{1,6}(?:[.,]\d{1,12})?)\s*(s|ms|beats?|bars?)?", re.I)
NUMBER = re.compile(r"([+\-−]?)\s*(\d{1,6}(?:[.,]\d{1,12})?)\s*(?:bpm|cents?)?", re.I)
THEN = re.compile(r"\s*[,;]?\s*\bthen\s+", re.I)
AT_BAR = re.compile(r"(.+?)\s+(?:at|from)\s+bar\s+(\d{1,4})", re.I)
YES, NO = ("yes", "true", "on", "y", "1"), ("no", "false", "off", "n", "0")
NAMES = {"tempo_bpm": "tempo", "bar_one_s": "bar one", "tuning_cents": "tuning", "key_changes": "key"}
WANTED = {
    "tempo_bpm": "from 20 to 400 BPM",
    "bar_one_s": "seconds in the producer's file",
    "tuning_cents": "above -50 and up to 50 cents; beyond, count from the next semitone: 90 is -10",
}
SHOWN = 60  # characters of a wrong value that are repeated


def make_correction(
    wanted: Mapping[str, Any],
    measured: Analysis,
    current: Correction | None,
    bars_before: int = 0,
    shift_s: float = 0.0,
) -> Correction:
    """The complete correction: what is in force, changed by the wanted. Raises ConfigError.

    Parameters
    ----------
    wanted : values by field name; None and False: not asked for
    measured : the analysis without any correction
    current : the correction in force
    bars_before : bars of the session before the song's bar one
    shift_s : its lines lie so much after the grid's (`daemon.export.plan`)
    """
    asked = {name: value for name, value in wanted.items() if name in FIELDS and value not in (None, False)}
    if not asked:
        raise ConfigError("the correction", ["it corrects nothing"], f"give one of {', '.join(FIELDS)}")
    current = current or Correction()
    try:
        shown = apply_correction(measured, current).grid
        values = {**current.model_dump(), **_counted(asked, shown, current.tempo_bpm)}
        counted = apply_correction(measured, Correction(**values)).grid
        correction = Correction(**{**values, **_placed(asked, shown, counted, bars_before, shift_s)})
        apply_correction(measured, correction)
    except ValidationError as error:
        raise ConfigError(
            "the correction", [_cause(item) for item in error.errors()], "give another value"
        ) from error
    except ArithmeticError as error:
        raise ConfigError("the correction", ["a number in it is too large"], "give another value") from error
    except ValueError as error:
        raise ConfigError("the correction", [str(error)], "give another value") from error
    return correction


def _cause(item: Any) -> str:
    """'tempo: from 20 to 400 BPM; found '5''."""
    field = str(item["loc"][0]) if item["loc"] else ""
    wanted = WANTED.get(field, str(item["msg"]).removeprefix("Value error, "))
    return f"{NAMES.get(field, field)}: {wanted}; found {_short(item['input'])}"


def _short(value: object) -> str:
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return repr(text if len(text) <= SHOWN else f"{text[:SHOWN]}...")


def _counted(asked: Mapping[str, Any], grid: Grid, set_bpm: float | None) -> dict[str, Any]:
    """Tempo and meter, in which beats and bars are counted. `set_bpm`: the tempo set by hand so far."""
    values: dict[str, Any] = {}
    rate = 1.0
    if "meter" in asked:
        values["meter"] = str(asked["meter"])
        rate = beat_rate(grid, values["meter"])
        if set_bpm is not None:
            values["tempo_bpm"] = set_bpm * rate
    levels = [name for name in ("half", "double") if name in asked and _yes(name, asked[name])]
    if len(levels) + ("tempo" in asked) > 1:
        raise ValueError("give one of tempo, half and double, not several")
    if "tempo" in asked:
        values["tempo_bpm"] = _number("tempo", asked["tempo"])
    for name, factor in (("half", 0.5), ("double", 2.0)):
        if name in levels:
            if grid.tempo_bpm is None:
                raise ValueError(f"there is no tempo to {'halve' if name == 'half' else name}: give a tempo")
            values["tempo_bpm"] = grid.tempo_bpm * factor * rate
    return values


def _placed(
    asked: Mapping[str, Any], shown: Grid, counted: Grid, bars_before: int, shift_s: float
) -> dict[str, Any]:
    """The rest: bar one in beats and bars as they are `counted` now, keys in the bars that are `shown`."""
    values: dict[str, Any] = {}
    if "bar_one" in asked:
        values["bar_one_s"], exact = place_of_bar_one(str(asked["bar_one"]), counted, shift_s)
        if exact:
            values["bar_one_exact"] = True
    if "tuning" in asked:
        values["tuning_cents"] = _number("tuning", asked["tuning"])
    if "key" in asked:
        values["key"], values["key_changes"] = _keys(str(asked["key"]), shown, bars_before)
    return values


def _keys(text: str, grid: Grid, bars_before: int) -> tuple[str, tuple[tuple[float, str], ...]]:
    """The first key, and (s in the source, key) of the later ones: 'C minor, then D minor at bar 13'."""
    first, *later = THEN.split(text.strip())
    lines = {number + bars_before: at_s for number, at_s in bar_lines(grid)}
    found = []
    for words in later:
        match = AT_BAR.fullmatch(words)
        if not match:
            raise ValueError(f"key: a later key such as 'then D minor at bar 13'; found {_short(words)}")
        if not lines:
            raise ValueError("there are no bars to count: give one key alone, or a tempo and bar one first")
        number = int(match[2])
        if number not in lines:
            raise ValueError(f"the song has no bar {number}: its bars are {min(lines)} to {max(lines)}")
        found.append((lines[number], match[1]))
    return first, tuple(found)


def _yes(name: str, value: Any) -> bool:
    word = str(value).strip().lower()
    if word not in (*YES, *NO):
        raise ValueError(f"{name}: yes or no; found {_short(value)}")
    return word in YES


def _number(name: str, value: Any) -> float:
    """A number as people write it: 93.5, 93,5, 70 BPM, -32 cents."""
    if isinstance(value, int | float):
        return value
    found = NUMBER.fullmatch(str(value).strip())
    if not found:
        raise ValueError(f"{name}: a number such as 93.5; found {_short(value)}")
    amount = float(found[2].replace(",", "."))
    return -amount if found[1] in ("-", "−") else amount


def place_of_bar_one(text: str, grid: Grid, shift_s: float = 0.0) -> tuple[float, bool]:
    """Seconds in the source: '3.4286', '1:02.5', or from where it is now: '+1 beat', '-2 bars', '+12 ms'; and
    whether its line stays exactly there: beats and bars name a line, which a first hit may still move.

    Milliseconds count from the session's line, which a first hit may have moved by `shift_s`.
    """
    match = PLACE.fullmatch(text.strip())
    if not match:
        known = "seconds such as 3.4286, or +1 beat, -2 bars, +12 ms"
        raise ValueError(f"bar one: {known}; found {_short(text)}")
    sign, minutes, number, unit = match.groups()
    amount = float(number.replace(",", ".")) + 60 * int(minutes or 0)
    if not sign and (unit or "s").lower() == "s":
        return amount, True
    if not sign or not unit:
        raise ValueError(f"bar one: say the direction and the unit, as in +1 beat; found {_short(text)}")
    unit = unit.lower().rstrip("s") or "s"
    if grid.bar_one_s is None or grid.tempo_bpm is None:
        raise ValueError("there is no bar one to move: give its time in seconds")
    amount = -amount if sign in ("-", "−") else amount
    if unit == "s" or unit == "m":
        return grid.bar_one_s + shift_s + (amount / 1000 if unit == "m" else amount), True
    beats = amount * (grid.beats_per_bar or 4) if unit == "bar" else amount
    return beats_after_one(grid, beats), False
