"""Structured log: JSON lines in a rotated file, plain words on the terminal.

An event is a short fixed sentence with facts: ``note(log, logging.INFO, "drop published", drop=...,
folder=...)``. Conditions that last are logged when they begin and end, not each time they are met (see
``daemon.core.problems``).
"""

from __future__ import annotations

import json
import logging
import os
import sys
from contextlib import suppress
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import Any

from config.settings import Log
from daemon.core.text import lines, one_line

ROOT = "beatintake"
FORWARDED = ("watchdog", "apscheduler")


def note(logger: logging.Logger, level: int, event: str, **facts: Any) -> None:
    """Log one event with its facts."""
    logger.log(level, "%s", event, extra={"facts": facts})


class JsonFormatter(logging.Formatter):
    """Every text exactly as it is, as JSON escapes."""

    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, Any] = {
            "time": self.formatTime(record, "%Y-%m-%dT%H:%M:%S%z"),
            "level": record.levelname.lower(),
            "event": record.getMessage(),
        }
        for name, value in getattr(record, "facts", {}).items():
            plain = value is None or isinstance(value, bool | int | float)
            line[name] = value if plain else str(value)
        if record.exc_info:
            line["trace"] = self.formatException(record.exc_info)
        return json.dumps(line)


class PlainFormatter(logging.Formatter):
    """For people: what cannot be seen is escaped."""

    def format(self, record: logging.LogRecord) -> str:
        facts = [
            f"{name}: {one_line(value)}"
            for name, value in getattr(record, "facts", {}).items()
            if value is not None and name != "detail"  # traces and the like are for the file
        ]
        mark = "" if record.levelno < logging.WARNING else f"{record.levelname.lower()}: "
        text = f"{self.formatTime(record, '%H:%M:%S')} {mark}{one_line(record.getMessage())}"
        if facts:
            text = f"{text} ({', '.join(facts)})"
        return f"{text}\n{lines(self.formatException(record.exc_info))}" if record.exc_info else text


class _BoundedFile(RotatingFileHandler):
    """A full disk must not stop the service, nor fill the terminal: what cannot be written is dropped.

    A file that somebody removed is made anew.
    """

    def emit(self, record: logging.LogRecord) -> None:
        if self.stream and not os.path.exists(self.baseFilename):
            with suppress(OSError):
                self.stream.close()
                self.stream = None
                os.makedirs(os.path.dirname(self.baseFilename), exist_ok=True)
        super().emit(record)

    def handleError(self, record: logging.LogRecord) -> None:
        return None


def set_up(settings: Log, folder: Path, terminal: bool = True) -> Path:
    """Attach the handlers. Returns the log file."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "beatintake.log"
    file = _BoundedFile(
        path, maxBytes=int(settings.file_mb * 1_000_000), backupCount=settings.files - 1, encoding="utf-8"
    )
    file.setFormatter(JsonFormatter())
    handlers: list[logging.Handler] = [file]
    if terminal:
        stream = logging.StreamHandler(sys.stderr)
        stream.setFormatter(PlainFormatter())
        handlers.append(stream)
    for name, level in ((ROOT, settings.level.upper()), *((name, "WARNING") for name in FORWARDED)):
        logger = logging.getLogger(name)
        logger.setLevel(level)
        logger.propagate = False
        for handler in list(logger.handlers):
            logger.removeHandler(handler)
            handler.close()
        for handler in handlers:
            logger.addHandler(handler)
    return path
