"""Tempo, beats, meter, bar one, drift: the session grid and its proof.

Offers `grid`, counting on a grid (`bars`), and note values.
"""

__all__ = ["bars", "grid", "note_values"]
