"""What the session gets: the cut plan, the aligned copy and stems, click check, MIDI map, session file.

Offers one function for each output file and the plan that they share.
"""

__all__ = ["clickcheck", "copy", "dawproject", "midimap", "plan", "score", "session", "stemcopies", "wavfile"]
