"""What the sentences about what needs ears are about, in a word or two: "key", "clipped", "noise"."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from analyzers.model import Flag

FAULTS = {  # what differs from the code of the flag
    "clipping": "clipped",
    "dropout": "dropouts",
    "click": "clicks",
    "dc-offset": "constant offset",
    "hum": "mains hum",
    "noise-floor": "noise",
    "lossy-origin": "from a lossy file",
    "short-words": "8-bit noise",
    "channel-level": "one channel louder",
    "channel-delay": "one channel late",
    "polarity-inverted": "one channel inverted",
    "mono-loss": "lost in mono",
    "out-of-phase-band": "bass out of phase",
}
SIGNAL = "Signal"  # topic of the channels' faults
FILE, INCOMPLETE = "File", "incomplete file"
PART = re.compile(r"\b(Cut off|Damaged)\b")  # a warning of decoding: not all of the song is there


def flag_topic(flag: Flag) -> str:
    """What a flag is about: a voice is no fault of the signal."""
    return "Voice" if flag.code == "voice" else SIGNAL


def topics(lines: Iterable[str]) -> tuple[str, ...]:
    """What the sentences are about, each once, in lower case: ("tempo", "key")."""
    return tuple(dict.fromkeys(line.partition(":")[0].lower() for line in lines))


def ear_words(lines: Sequence[str], flags: Iterable[Flag]) -> tuple[str, ...]:
    """The topics as a board says them: in place of "signal" the faults themselves, "clipped"; a file that is
    not all there by that.
    """
    faults = [
        FAULTS.get(flag.code, flag.code.replace("-", " "))
        for flag in flags
        if flag.severity == "warning" and flag_topic(flag) == SIGNAL
    ]
    instead = {SIGNAL.lower(): faults} if faults else {}
    if any(line.startswith(FILE) and PART.search(line) for line in lines):
        instead[FILE.lower()] = [INCOMPLETE]
    said = [word for topic in topics(lines) for word in instead.get(topic, [topic])]
    return tuple(dict.fromkeys(said))
