"""Sections; whether two tracks are the same music; whether several are the stems of one song.

Offers `sections`, `fingerprint`, `stem_traits`, `stem_sets` and `trimmed_fronts`.
"""

__all__ = ["fingerprint", "sections", "stem_sets", "stem_traits", "trimmed_fronts"]
