"""Sections of the arrangement, and whether two tracks are the same music.

Offers `sections` and `fingerprint`.
"""

__all__ = ["fingerprint", "sections"]
