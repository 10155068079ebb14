"""How loud, and where the music begins: loudness, working level, lead-in, noise beds.

Offers `loudness`, `silence` and what they rest on.
"""

__all__ = ["loudness", "noisebed", "scraps", "silence", "working_level"]
