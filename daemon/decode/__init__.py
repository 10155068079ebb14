"""From strangers' bytes to samples and facts: safe opening, headers, tags, archives, stems.

Offers `decoder.decode` and the safe way to open, list and identify a drop.
"""

__all__ = [
    "archives", "audiochecks", "audiofile", "decoder", "endings", "headers", "identity", "inside", "safeopen",
    "several", "spool", "stems", "tags",
]  # fmt: skip
