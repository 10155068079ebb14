"""What everything stands on: the error tree, exit codes, atomic writes, log, names on disk, folders.

Knows no audio and no other room.
"""

__all__ = ["atomic", "errors", "exitcodes", "folders", "logs", "names", "problems", "version"]
