"""Tuning, key, chords, and how they are spelled, voiced and sung.

Offers `blues`, `tuning`, `key`, `key_change`, `chords`, `spelling`, `key_names`, `relatives`, `voicing`,
`partwriting` and `note_sets`.
"""

__all__ = [
    "blues",
    "chords",
    "key",
    "key_change",
    "key_names",
    "network_inputs",
    "note_sets",
    "partwriting",
    "relatives",
    "spelling",
    "tuning",
    "voicing",
]
