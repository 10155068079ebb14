"""Styles: meters, tempo ranges, drum grids and habits. Common practice, written down from memory.

A grid is a string of digits, one a step of the bar: the chance of a hit in ninths (9 = always).
Several bars are separated by ``/``. Spaces are for the eye.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Style:
    kick: str
    snare: str
    bpm: tuple[float, float]
    perc: str = ""
    meter: str = "4/4"
    beats: int = 4  # beats in a bar
    steps: int = 4  # steps in a beat of the drum grids
    swing: tuple[float, float] = (0.5, 0.5)
    swing_unit: float = 0.5
    other_tempi: tuple[float, ...] = ()  # ratios of other accepted tempi
    hats: tuple[str, ...] = ("eighths", "sixteenths", "offbeat", "quarters")
    bass: tuple[str, ...] = ("roots", "kick", "eighths")
    comp: tuple[str, ...] = ("held", "stabs", "arpeggio")
    kits: tuple[str, ...] = ("electronic", "acoustic", "soft")
    minor: float = 0.7  # share of minor modes
    jitter: tuple[float, float] = (0.0, 2.0)  # ms, played timing around the grid
    light: float = 0.0  # chance that the drums are light or missing


_TRAP_HATS = ("rolls", "rolls", "eighths", "sixteenths", "triplets")
_ALL_COMP = ("held", "stabs", "arpeggio", "pulse", "syncopated", "broken")

STYLES: dict[str, Style] = {
    "boombap": Style("9002 0034 2062 0131", "0000 9001 0010 9002", (80, 105), "0000 0010 0020 0100",
        swing=(0.5, 0.65), hats=("eighths", "eighths", "sixteenths", "shaker"),
        bass=("kick", "roots", "walking", "syncopated"), comp=("held", "chops", "stabs", "broken"),
        kits=("acoustic", "dusty"), jitter=(0, 5)),
    "trap": Style("9001 0030 0240 0110/3020 0040 0130 0203", "0000 0000 9000 0001", (120, 172),
        "0010 0001 0003 0020", other_tempi=(0.5,), hats=_TRAP_HATS, bass=("808", "808 kick"),
        comp=("held", "arpeggio", "pulse", "chops", "melodic"), kits=("electronic", "hard"), minor=0.9),
    "trap slow": Style("9004 0034 1152 0311", "0000 9000 0000 9001", (60, 88), "0001 0010 0200 0010",
        other_tempi=(2.0,), hats=_TRAP_HATS, bass=("808", "808 kick"),
        comp=("held", "arpeggio", "chops", "melodic"), kits=("electronic", "hard"), minor=0.9),
    "drill": Style("9000 0030 0040 0300/0030 0090 0100 3000", "0000 0000 9000 0000/0000 0000 0000 9003",
        (132, 160), "0010 0100 0010 0020", other_tempi=(0.5,), hats=("tresillo", "rolls", "triplets"),
        bass=("808", "glide"), comp=("held", "arpeggio", "melodic", "syncopated"),
        kits=("electronic", "hard"), minor=0.95),
    "house": Style("9000 9000 9000 9001", "0000 9000 0000 9000", (112, 142), "0021 0020 0210 0201",
        swing=(0.5, 0.56), hats=("offbeat", "offbeat", "sixteenths"),
        bass=("offbeat", "syncopated", "eighths"), comp=("stabs", "syncopated", "held", "pulse"),
        kits=("electronic", "hard")),
    "techno": Style("9000 9000 9000 9000", "0000 2000 0000 2000", (120, 150), "1021 0131 0210 1203",
        hats=("offbeat", "sixteenths"), bass=("sixteenths", "offbeat", "roots"),
        comp=("stabs", "arpeggio", "held"), kits=("electronic", "hard"), minor=0.95),
    "dnb": Style("9000 0010 0090 0010", "0000 9001 0200 9000", (156, 186), "0010 0200 1010 0020",
        other_tempi=(0.5,), hats=("eighths", "sixteenths", "ride"), bass=("roots", "syncopated", "glide"),
        comp=("held", "stabs", "arpeggio"), kits=("acoustic", "hard")),
    "pop": Style("9000 0020 9031 0020", "0000 9000 0000 9000", (88, 132), "0010 0010 0020 0020",
        comp=_ALL_COMP, minor=0.4),
    "rnb": Style("9002 0013 0250 0210", "0000 9000 0000 9001", (56, 96), "0010 0200 0010 0201",
        swing=(0.5, 0.6), hats=("sixteenths", "eighths", "rolls", "shaker"), bass=("kick", "808", "roots"),
        comp=("held", "syncopated", "broken", "arpeggio"), kits=("electronic", "soft")),
    "lofi": Style("9001 0023 1051 0120", "0000 9000 0000 9001", (62, 92), "0010 0010 0000 0010",
        swing=(0.54, 0.67), hats=("eighths", "shaker", "sixteenths"), bass=("roots", "kick", "walking"),
        comp=("held", "broken", "chops"), kits=("dusty", "soft"), jitter=(0, 8), light=0.1),
    "reggaeton": Style("9000 9000 9000 9000", "0009 0090 0009 0090", (82, 108), "0010 0001 0010 0101",
        hats=("eighths", "offbeat", "shaker"), bass=("tresillo", "roots", "kick"),
        comp=("held", "stabs", "syncopated", "arpeggio"), minor=0.8),
    "afro": Style("9000 4090 0040 6020", "0009 0090 0090 0900", (92, 122), "1203 1030 2103 0230",
        swing=(0.5, 0.56), hats=("shaker", "sixteenths", "eighths"),
        bass=("syncopated", "kick", "tresillo"), comp=("syncopated", "stabs", "arpeggio"), minor=0.6,
        jitter=(0, 4)),
    "dancehall": Style("9000 0090 0000 9000", "0000 0090 0000 0090", (86, 112), "0020 0010 0020 0010",
        hats=("eighths", "offbeat"), bass=("kick", "tresillo"), comp=("stabs", "offbeat", "held")),
    "funk": Style("9030 0013 0271 0130", "0001 9002 0303 9001", (92, 122), "0010 0020 0010 0120",
        swing=(0.5, 0.58), hats=("sixteenths", "sixteenths", "eighths"),
        bass=("syncopated", "octaves", "kick"), comp=("scratch", "syncopated", "stabs"), kits=("acoustic",),
        jitter=(0, 6), minor=0.55),
    "disco": Style("9000 9000 9000 9000", "0000 9000 0000 9000", (108, 128), "0010 0010 0010 0020",
        hats=("offbeat", "sixteenths"), bass=("octaves", "syncopated"), comp=("scratch", "stabs", "held"),
        kits=("acoustic", "electronic"), jitter=(0, 3), minor=0.5),
    "rock": Style("9000 0020 7060 0020", "0000 9000 0000 9000", (84, 160), "0000 0000 0000 0000",
        hats=("eighths", "quarters", "ride", "crash"), bass=("eighths", "roots", "kick"),
        comp=("strum", "eighth chugs", "held", "strum"), kits=("acoustic",), jitter=(0, 8), minor=0.4),
    "punk": Style("9000 0020 9000 0020", "0000 9000 0000 9000", (150, 200), "0000 0000 0000 0000",
        other_tempi=(0.5,), hats=("eighths", "quarters", "ride"), bass=("eighths", "roots"),
        comp=("eighth chugs", "held", "strum"), kits=("acoustic",), jitter=(0, 7), minor=0.4),
    "reggae": Style("0000 0000 9000 0000", "0000 0000 9000 0001", (120, 160), "0010 0200 0010 0020",
        other_tempi=(0.5,), swing=(0.5, 0.6), swing_unit=1.0, hats=("eighths", "offbeat", "quarters"),
        bass=("syncopated", "tresillo", "walking"), comp=("pulse beats", "offbeat"), kits=("acoustic",),
        jitter=(0, 5), minor=0.6),
    "soul": Style("9000 0050 7000 0250", "5000 9000 5000 9000", (84, 132), "0010 0010 0010 0010",
        swing=(0.5, 0.56), hats=("eighths", "shaker", "quarters"), bass=("syncopated", "walking", "octaves"),
        comp=("syncopated", "pulse", "broken", "stabs"), kits=("acoustic", "soft"),
        jitter=(0, 7), minor=0.45),
    "log drum": Style("9000 9000 9000 9000", "0000 0040 0000 0040", (108, 118), "1021 0131 0212 1203",
        swing=(0.5, 0.57), hats=("shaker", "sixteenths", "offbeat"), bass=("syncopated", "glide"),
        comp=("syncopated", "held", "stabs"), kits=("electronic", "soft"), minor=0.7),
    "sparse": Style("9000 0000 0030 0200", "0000 0000 9000 0000", (110, 160), "0100 0020 0010 0200",
        other_tempi=(0.5,), hats=("quarters", "eighths", "triplets"), bass=("808", "roots"),
        comp=("held", "melodic", "arpeggio"), kits=("electronic", "soft", "dusty"), minor=0.8),
    "swing": Style("4000 2000 4000 2000", "0002 5000 0002 5000", (96, 190), "0000 0000 0000 0000",
        swing=(0.58, 0.68), swing_unit=1.0, hats=("ride", "eighths", "quarters"), bass=("walking", "walking"),
        comp=("stabs", "syncopated", "chops"), kits=("acoustic", "soft"), jitter=(0, 9), minor=0.4,
        light=0.2),
    "march": Style("9000 9000 9000 9000", "9031 9031 9031 9099", (90, 132), "0000 0000 0000 0000",
        hats=("quarters", "eighths"), bass=("halves", "beats"), comp=("offbeat", "held", "pulse"),
        kits=("acoustic",), jitter=(0, 5), minor=0.4),
    "chant": Style("9009 0090 0009 0000", "0000 0009 0000 9000", (66, 108), "0100 0010 0100 0010",
        hats=("quarters", "shaker", "eighths"), bass=("kick", "808 kick"), comp=("held", "stabs", "melodic")),
    "ballad": Style("9000 0000 5020 0010", "0000 9000 0000 9000", (56, 92), "0000 0010 0000 0010",
        hats=("eighths", "quarters", "ride"), bass=("roots", "halves"),
        comp=("arpeggio", "broken", "held", "pulse"), kits=("acoustic", "soft"), jitter=(0, 8), minor=0.4,
        light=0.4),
    "breakbeat": Style("9030 0010 0270 0110", "0000 9002 0203 9010", (96, 140), "0010 0000 0010 0000",
        hats=("eighths", "sixteenths", "ride"), kits=("acoustic", "dusty"), jitter=(0, 4)),
    "garage": Style("9000 0000 0093 0010", "0000 9000 0000 9000", (124, 138), "0012 0010 0201 0210",
        swing=(0.53, 0.64), hats=("offbeat", "sixteenths"), bass=("syncopated", "offbeat"),
        comp=("stabs", "syncopated", "chops")),
    "jersey": Style("9000 9000 9009 0090", "0009 0090 0000 0090", (126, 146), "0200 1020 0201 2010",
        hats=("eighths", "offbeat"), bass=("kick", "808 kick"), comp=("held", "stabs", "chops"),
        kits=("electronic", "hard")),
    "bossa": Style("9002 0029 9002 0029", "9009 0090 0090 0900", (100, 140), "1111 1111 1111 1111",
        hats=("eighths", "shaker"), bass=("tresillo", "halves"), comp=("syncopated", "stabs"),
        kits=("soft", "acoustic"), jitter=(0, 5), minor=0.4, light=0.3),
    "folk": Style("6000 0000 5000 0000", "0000 4000 0000 4000", (72, 132), "0010 0010 0010 0010",
        hats=("shaker", "eighths", "quarters"), bass=("halves", "roots"),
        comp=("strum", "travis", "arpeggio"), kits=("soft", "acoustic"), jitter=(0, 9), minor=0.3,
        light=0.7),
    "twobeat": Style("9000 0000 9000 0000", "0000 9000 0000 9000", (84, 130), "0010 0010 0010 0010",
        hats=("quarters", "offbeat"), bass=("halves", "walking"), comp=("offbeat", "strum", "stabs"),
        kits=("acoustic",), jitter=(0, 6), minor=0.3),
    "half pop": Style("9000 0020 0040 0020", "0000 0000 9000 0000", (110, 160), "0010 0010 0010 0010",
        other_tempi=(0.5,), comp=_ALL_COMP, minor=0.5),
    "waltz": Style("9000 0000 0000", "0000 6000 6000", (84, 168), "0000 0010 0010", meter="3/4", beats=3,
        hats=("quarters", "eighths", "ride"), bass=("roots",), comp=("waltz", "arpeggio", "held", "waltz"),
        kits=("soft", "acoustic"), jitter=(0, 6), minor=0.5, light=0.5),
    "waltz trap": Style("9000 0020 0300", "0000 0000 9000", (120, 160), "0010 0001 0020", meter="3/4",
        beats=3, other_tempi=(0.5,), hats=("rolls", "eighths", "sixteenths"), bass=("808", "roots"),
        comp=("waltz", "arpeggio", "held"), kits=("electronic", "hard"), minor=0.9),
    "waltz beat": Style("9000 0020 0020", "0000 9000 0000/0000 0000 9000", (76, 150), "0010 0010 0010",
        meter="3/4", beats=3, hats=("eighths", "quarters", "sixteenths"), bass=("roots", "kick"),
        comp=("waltz", "arpeggio", "held", "pulse"), minor=0.6),
    "six eight": Style("900 020", "000 900", (40, 84), "001 001", meter="6/8", beats=2, steps=3,
        other_tempi=(3.0,), hats=("steps", "beats", "steps"), bass=("roots", "beats"),
        comp=("steps arpeggio", "held", "beats", "swing68"), kits=("acoustic", "soft", "electronic"),
        jitter=(0, 5), minor=0.5, light=0.2),
    "shuffle": Style("900 002 700 001", "000 900 000 900", (66, 132), "001 001 001 001", meter="12/8",
        steps=3, hats=("shuffled", "steps", "beats"), bass=("beats", "walking", "shuffled"),
        comp=("shuffled", "held", "steps arpeggio", "offbeat"), kits=("acoustic",), jitter=(0, 5)),
    "triplet trap": Style("900 002 030 020", "000 000 900 001", (120, 160), "001 000 002 010", steps=3,
        other_tempi=(0.5,), hats=("steps", "steps", "beats"), bass=("808", "808 kick"),
        comp=("held", "steps arpeggio", "melodic"), kits=("electronic", "hard"), minor=0.9),
    "slow triplets": Style("900 002 020 301", "000 900 000 900", (56, 84), "001 000 001 000", steps=3,
        hats=("steps", "shuffled"), bass=("roots", "beats"), comp=("steps arpeggio", "held"),
        kits=("soft", "electronic", "acoustic"), minor=0.5),
}  # fmt: skip

SONG_COMP = {
    4: ("arpeggio", "arpeggio", "broken", "held", "pulse", "travis", "strum", "syncopated", "offbeat"),
    3: ("steps arpeggio", "swing68", "held", "beats", "shuffled"),
}

SONG_STYLES = (
    "ballad",
    "folk",
    "waltz",
    "six eight",
    "bossa",
    "pop",
    "twobeat",
    "rock",
    "slow triplets",
    "soul",
    "swing",
    "ballad",
    "half pop",
    "shuffle",
)


def grid_bars(grid: str) -> list[list[float]]:
    """The chances of a grid: one list a bar, one number in 0..1 a step."""
    return [[int(c) / 9 for c in bar.replace(" ", "")] for bar in grid.split("/")] if grid else []
