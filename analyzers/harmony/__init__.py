"""Tuning, key, chords, and how they are spelled, voiced and sung.

Offers `blues`, `tuning`, `key`, `chords`, `spelling`, `key_names`, `voicing`, `partwriting` and `note_sets`.
"""

__all__ = [
    "blues",
    "chords",
    "key",
    "key_names",
    "network_inputs",
    "note_sets",
    "partwriting",
    "spelling",
    "tuning",
    "voicing",
]
