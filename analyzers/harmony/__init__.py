"""Tuning, key, chords, and how they are spelled and voiced.

Offers `tuning`, `key`, `chords`, `spelling`, `key_names` and `voicing`.
"""

__all__ = ["chords", "key", "key_names", "network_inputs", "spelling", "tuning", "voicing"]
