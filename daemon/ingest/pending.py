"""A drop that is not done: what was seen of it so far. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from daemon.ingest.grouping import Candidate, Kind

RENAMED_LATER_NS = 2_000_000_000
"""So much later than the contents only a rename, a link or a copy that keeps times changes the inode."""
FOLDERS = (Kind.STEMS, Kind.MAYBE_STEMS)
AGE_BONUS_BYTES_PER_S = 4_000_000
"""A waiting drop counts as this much smaller each second: small ones go first, a long one still gets its
turn.
"""


class Phase(StrEnum):
    ARRIVING = "arriving"
    WAITING = "waiting"
    RUNNING = "running"


@dataclass(slots=True)
class PendingDrop:
    candidate: Candidate
    phase: Phase
    first_seen: float
    changed_at: float
    looks: int = 1
    not_before: float = 0.0
    why: str = ""
    started: Candidate | None = None
    withdrawn: bool = False
    setbacks: int = 0  # how often the machine was in the way
    moved: bool = False  # an event told that it was renamed into place as it is now
    renamed: bool = False  # its times look so: enough where its bytes prove it whole, too
    begun: bool = False  # a file whose beginning had been written before the last look at its length
    appended: frozenset[str] = frozenset()  # members seen with fewer bytes, but not empty, nor only reserved
    rewritten: frozenset[str] = frozenset()  # members seen changing within their length
    longest_pause_s: float = 0.0  # between two changes, as far as was seen
    key: str = field(init=False)
    size: int = field(init=False)
    turn: float = field(init=False)  # the least goes first; the same at every time, as all grow old alike

    def __post_init__(self) -> None:
        self.becomes(self.candidate)

    @property
    def appending(self) -> bool:
        """Is it a file that was written by appending? Then it ends where the writer has come to."""
        return self.candidate.kind not in FOLDERS and bool(self.appended)

    @property
    def filling(self) -> bool:
        """Was a member written to within its length and never appended to, as in space reserved first?"""
        return not self.rewritten <= self.appended

    def becomes(self, candidate: Candidate) -> None:
        self.candidate, self.key, self.size = candidate, candidate.key, candidate.size
        self.turn = self.size + AGE_BONUS_BYTES_PER_S * self.first_seen


def note_growth(entry: PendingDrop, now_as: Candidate, now: float) -> None:
    """Remember how its members changed: longer, or within their length, and after which pause.

    A file that grew before its beginning was written was not appended to: its space was being reserved.
    """
    entry.longest_pause_s = max(entry.longest_pause_s, now - entry.changed_at)
    before = {fact.path: fact for fact in entry.candidate.members}
    pairs = [(before[fact.path], fact) for fact in now_as.members if fact.path in before]
    entry.begun &= now_as.size >= entry.size  # a shorter one is written anew
    if entry.begun or entry.candidate.kind in FOLDERS:
        entry.appended |= {new.path for old, new in pairs if old.size and new.size > old.size}
    entry.rewritten |= {
        new.path for old, new in pairs if new.size == old.size and new.mtime_ns > old.mtime_ns
    }


def looks_renamed(candidate: Candidate) -> bool:
    """Was the inode changed clearly later than the contents? Never where change times mean nothing.

    In a folder more may follow that makes all of it stems.
    """
    if candidate.kind is not Kind.FILE or candidate.producer is not None:
        return False
    return all(fact.ctime_ns - fact.mtime_ns > RENAMED_LATER_NS for fact in candidate.members)
