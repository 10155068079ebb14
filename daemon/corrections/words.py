"""Read a correction as it is typed or written in a small YAML file.

tempo: 70            # or  half: true / double: true
key: E flat minor
bar one: +1 beat     # or seconds in the producer's file: 3.4286, 1:02.5; or -2 bars, +12 ms
meter: 3/4
tuning: -32          # cents from A4 = 440 Hz
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import yaml
from pydantic import ValidationError

from analyzers.model import Analysis, Grid
from analyzers.rhythm.bars import bar_one_index
from daemon.core.errors import ConfigError
from daemon.corrections.apply import Correction, apply_correction

MOST_BYTES = 4096
FIELDS = ("tempo", "half", "double", "key", "bar_one", "meter", "tuning")
PLACE = re.compile(r"([+\-−]?)\s*(?:(\d+):)?(\d+(?:[.,]\d+)?)\s*(s|ms|beats?|bars?)?", re.I)


def read_correction_file(path: Path) -> dict[str, Any]:
    """The wanted in a correction file, by field name. Raises ConfigError with every problem in it."""
    example = "write lines such as 'tempo: 70' or 'key: E flat minor'"
    try:
        with path.open("rb") as file:
            text = file.read(MOST_BYTES + 1)
        if len(text) > MOST_BYTES:
            raise ConfigError(path.name, [f"longer than {MOST_BYTES} bytes"], example)
        data = yaml.safe_load(text.decode("utf-8-sig"))
    except (yaml.YAMLError, UnicodeDecodeError) as error:
        raise ConfigError(
            path.name, [f"not readable as YAML: {str(error).splitlines()[0]}"], example
        ) from error
    if not isinstance(data, dict):
        raise ConfigError(path.name, ["it holds no 'name: value' lines"], example)
    wanted = {str(name).strip().lower().replace(" ", "_").replace("-", "_"): v for name, v in data.items()}
    unknown = [name for name in wanted if name not in FIELDS]
    if unknown:
        raise ConfigError(path.name, [f"unknown: {', '.join(unknown)}"], f"known are: {', '.join(FIELDS)}")
    return wanted


def make_correction(wanted: Mapping[str, Any], measured: Analysis, current: Correction | None) -> Correction:
    """The complete correction: what is in force, changed by the wanted. Raises ConfigError.

    Parameters
    ----------
    wanted : values by field name; None and False: not asked for
    measured : the analysis without any correction
    current : the correction in force
    """
    asked = {name: value for name, value in wanted.items() if name in FIELDS and value not in (None, False)}
    if not asked:
        raise ConfigError("the correction", ["it corrects nothing"], f"give one of {', '.join(FIELDS)}")
    current = current or Correction()
    try:
        shown = apply_correction(measured, current)
        values = {**current.model_dump(), **_values(asked, shown.grid)}
        correction = Correction(**values)
        apply_correction(measured, correction)
    except ValidationError as error:
        problems = [f"{item['loc'][0] if item['loc'] else ''}: {_cause(item)}" for item in error.errors()]
        raise ConfigError("the correction", problems, "give another value") from error
    except ValueError as error:
        raise ConfigError("the correction", [str(error)], "give another value") from error
    return correction


def _cause(item: Any) -> str:
    return str(item["msg"]).removeprefix("Value error, ") + f"; found {item['input']!r}"


def _values(asked: Mapping[str, Any], grid: Grid) -> dict[str, Any]:
    values: dict[str, Any] = {}
    if sum(name in asked for name in ("tempo", "half", "double")) > 1:
        raise ValueError("give one of tempo, half and double, not several")
    if "tempo" in asked:
        values["tempo_bpm"] = asked["tempo"]
    for name, factor in (("half", 0.5), ("double", 2.0)):
        if name in asked:
            if grid.tempo_bpm is None:
                raise ValueError(f"there is no tempo to {'halve' if name == 'half' else name}: give a tempo")
            values["tempo_bpm"] = grid.tempo_bpm * factor
    if "bar_one" in asked:
        values["bar_one_s"] = place_of_bar_one(str(asked["bar_one"]), grid)
    for name, field in (("key", "key"), ("meter", "meter"), ("tuning", "tuning_cents")):
        if name in asked:
            values[field] = asked[name]
    return values


def place_of_bar_one(text: str, grid: Grid) -> float:
    """Seconds in the source: '3.4286', '1:02.5', or from where it is now: '+1 beat', '-2 bars', '+12 ms'."""
    match = PLACE.fullmatch(text.strip())
    if not match:
        raise ValueError(f"bar one: seconds such as 3.4286, or +1 beat, -2 bars, +12 ms; found {text!r}")
    sign, minutes, number, unit = match.groups()
    amount = float(number.replace(",", ".")) + 60 * int(minutes or 0)
    if not sign and (unit or "s").lower() == "s":
        return amount
    if not sign or not unit:
        raise ValueError(f"bar one: say the direction and the unit, as in +1 beat; found {text!r}")
    unit = unit.lower().rstrip("s") or "s"
    if grid.bar_one_s is None or grid.tempo_bpm is None:
        raise ValueError("there is no bar one to move: give its time in seconds")
    amount = -amount if sign in ("-", "−") else amount
    if unit == "s" or unit == "m":
        return grid.bar_one_s + (amount / 1000 if unit == "m" else amount)
    beats = amount * (grid.beats_per_bar or 4) if unit == "bar" else amount
    return _moved(grid, beats)


def _moved(grid: Grid, beats: float) -> float:
    """Bar one moved by beats along the grid; beyond its ends by the mean period."""
    one = bar_one_index(grid)
    target = (one or 0) + round(beats)
    if one is not None and beats == round(beats) and 0 <= target < len(grid.beats_s):
        return grid.beats_s[target]
    return (grid.bar_one_s or 0.0) + beats * 60 / (grid.tempo_bpm or 60)
