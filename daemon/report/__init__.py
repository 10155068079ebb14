"""The sidecar report: JSON with its schema, the words, the page with its pictures, the board.

Offers the report, its reader, the page and the board; decides nothing about audio.
"""

__all__ = [
    "board",
    "card",
    "machine",
    "page",
    "parts",
    "refusal_note",
    "rejection",
    "report",
    "scripts",
    "waveform",
    "words",
]
