"""What everything stands on: errors, exit codes, atomic writes, log, names on disk, strangers' text, folders.

Knows no audio and no other room.
"""

__all__ = [
    "atomic",
    "errors",
    "exitcodes",
    "folders",
    "logs",
    "lookup",
    "names",
    "openssl",
    "oserrors",
    "private",
    "problems",
    "program",
    "regular",
    "schemas",
    "studio",
    "text",
    "version",
]
