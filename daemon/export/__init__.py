"""What the session gets: cut plan, aligned copy and stems, click check, MIDI map, guide, session files.

Offers one function for each output file and the plan that they share.
"""

__all__ = [
    "aaf",
    "clickcheck",
    "copy",
    "copylevel",
    "cutaudio",
    "cutwords",
    "dawproject",
    "firsthit",
    "guide",
    "midimap",
    "plan",
    "score",
    "session",
    "sessionview",
    "stemcopies",
    "wavfile",
]
