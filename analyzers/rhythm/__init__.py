"""Tempo, beats, meter, bar one, drift: the session grid and its proof.

Offers `grid`, counting on a grid (`bars`), note values, and probabilities of several answers (`shares`).
"""

__all__ = ["bars", "grid", "note_values", "shares"]
