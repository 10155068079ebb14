"""Conditions that last, logged when they begin, change and end."""

from __future__ import annotations

import logging
import time
from dataclasses import dataclass, field

from daemon.core.logs import note

log = logging.getLogger("beatintake.problems")


@dataclass(slots=True)
class Problem:
    text: str
    since: float
    count: int = 1


@dataclass(slots=True)
class Problems:
    """Conditions that last. Logged when they begin, when their text changes, and when they end."""

    current: dict[str, Problem] = field(default_factory=dict)

    def raise_(self, name: str, text: str) -> None:
        known = self.current.get(name)
        if known is not None and known.text == text:
            known.count += 1
            return
        self.current[name] = Problem(text, known.since if known else time.time())
        note(log, logging.WARNING, "problem", problem=name, text=text)

    def clear(self, name: str) -> None:
        known = self.current.pop(name, None)
        if known is not None:
            note(log, logging.INFO, "problem over", problem=name, text=known.text, met=known.count)

    def texts(self) -> dict[str, str]:
        return {name: problem.text for name, problem in self.current.items()}
