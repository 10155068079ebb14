"""How loud, and where the music begins: loudness, working level, lead-in, noise beds.

Offers `loudness`, `silence`, and the channel statistics that signal health uses.
"""

__all__ = ["channel_stats", "loudness", "noisebed", "silence", "working_level"]
