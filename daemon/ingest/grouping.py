"""Which files under incoming/ make up one drop. Pure: file facts in, candidates out.

Convention
----------
Paths are relative to incoming/, with ``/`` between the parts, exactly as the file system gives them
(undecodable bytes as surrogates). The rule, first match wins, outermost folder first:

1. A folder whose name ends in "stems" or "multitrack(s)" (any case, any separators) is one drop of stems,
   with everything below it; so is a folder that holds a marker file ``stems.txt``.
2. ``<producer>/<folder>/`` with two or more audio files directly in it *may* be stems: it is treated as a
   unit until it is quiet, then a worker compares lengths and rates and either takes it as stems or splits
   it.
3. Every other file is a drop of its own (a zip too), and its folder names the producer.

A name that ends in "systems" is no stem folder ("Sound Systems" is a producer, not a multitrack).
"""

from __future__ import annotations

import hashlib
import re
from collections import defaultdict
from collections.abc import Container, Iterable
from dataclasses import dataclass, field
from enum import StrEnum

MARKER = "stems.txt"
REFUSED_EXTENSIONS = ("m4a", "aac", "wma", "alac", "ape", "wv", "caf", "w64", "rar", "7z", "tar", "gz", "tgz")
"""Sent as a beat by mistake often enough: taken as a drop, so that the producer gets a reason."""


class Kind(StrEnum):
    FILE = "file"
    STEMS = "stems"
    MAYBE_STEMS = "maybe stems"


@dataclass(frozen=True, slots=True)
class FileFact:
    """One directory entry as ``lstat`` shows it. ``regular`` is False for links, pipes, devices."""

    path: str
    size: int
    mtime_ns: int
    ctime_ns: int
    inode: int
    regular: bool = True


@dataclass(frozen=True, slots=True)
class Candidate:
    """Something that becomes a drop once it is quiet. ``key`` is the path of the file or folder."""

    key: str
    kind: Kind
    members: tuple[FileFact, ...]
    stat_digest: bytes = field(default=b"")

    @property
    def producer(self) -> str | None:
        return self.key.rpartition("/")[0] or None

    @property
    def size(self) -> int:
        return sum(fact.size for fact in self.members)

    @property
    def latest_ns(self) -> int:
        """When a member was last written to."""
        return max((fact.mtime_ns for fact in self.members), default=0)

    @property
    def plain(self) -> bool:
        """Only regular files: no link, pipe, socket or device, which are never opened."""
        return all(fact.regular for fact in self.members)


def stat_digest(members: Iterable[FileFact]) -> bytes:
    """16 bytes that change when any member changes in name, size, times or inode."""
    digest = hashlib.blake2b(digest_size=16)
    for fact in sorted(members, key=lambda fact: fact.path):
        line = f"{fact.path}\0{fact.size}\0{fact.mtime_ns}\0{fact.ctime_ns}\0{fact.inode}\n"
        digest.update(line.encode("utf-8", "surrogateescape"))
    return digest.digest()


def make(key: str, kind: Kind, members: Iterable[FileFact], beside: Iterable[FileFact] = ()) -> Candidate:
    """``beside``: files that do not belong to the drop, but whose change shows that it is still arriving."""
    facts = tuple(sorted(members, key=lambda fact: fact.path))
    return Candidate(key, kind, facts, stat_digest([*facts, *beside]))


def is_stem_name(name: str) -> bool:
    """True for "Amber Lane STEMS", "amber_lane-multi-track", "MultiTracks"; False for "Sound Systems"."""
    squashed = re.sub(r"[\W_]", "", name.casefold())
    return squashed.endswith(("stems", "multitrack", "multitracks")) and not squashed.endswith("systems")


def has_extension(name: str, extensions: Iterable[str]) -> bool:
    return name.rpartition(".")[2].casefold() in extensions if "." in name else False


def owner(path: str, stem_folders: Iterable[str] = ()) -> str | None:
    """The outermost stem folder (by name, or known by marker) above ``path``; None when there is none."""
    known = set(stem_folders)
    parts = path.split("/")
    for depth in range(1, len(parts)):
        folder = "/".join(parts[:depth])
        if is_stem_name(parts[depth - 1]) or folder in known:
            return folder
    return None


def _below(folder: str, facts: list[FileFact]) -> list[FileFact]:
    return [fact for fact in facts if fact.path.startswith(f"{folder}/")]


def _name(fact: FileFact) -> str:
    return fact.path.rpartition("/")[2]


def group(
    facts: Iterable[FileFact],
    extensions: tuple[str, ...],
    split: Container[str] = (),
    marked: Iterable[str] = (),
    ignored: Iterable[FileFact] = (),
) -> list[Candidate]:
    """Candidates among the files under incoming/ (ignored names already left out).

    Parameters
    ----------
    facts : every entry below incoming/
    extensions : audio and archive extensions, lower case, without the dot
    split : folders that were found to be no stems; they stay so (a marker or a name can still make them
    stems)
    marked : folders known to hold a marker file (needed when ``facts`` are only a part)
    ignored : files with ignored names, such as partial uploads: a folder is not quiet while they change
    """
    facts = list(facts)
    marked = {*marked, *(f.path.rpartition("/")[0] for f in facts if _name(f).casefold() == MARKER)} - {""}
    stems: dict[str, list[FileFact]] = defaultdict(list)
    pairs: dict[str, list[FileFact]] = defaultdict(list)
    single: list[FileFact] = []
    for fact in facts:
        folder, _, name = fact.path.rpartition("/")
        if stem_folder := owner(fact.path, marked):
            stems[stem_folder].append(fact)
        elif not has_extension(name, (*extensions, *REFUSED_EXTENSIONS)):
            continue
        elif folder.count("/") == 1 and has_extension(name, extensions) and not has_extension(name, ("zip",)):
            pairs[folder].append(fact)
        else:
            single.append(fact)
    ignored = list(ignored)
    found = [
        make(folder, Kind.STEMS, members, _below(folder, ignored))
        for folder, members in stems.items()
        if any(has_extension(f.path, extensions) for f in members)
    ]
    for folder, members in pairs.items():
        if len(members) >= 2 and folder not in split:
            found.append(make(folder, Kind.MAYBE_STEMS, members, _below(folder, ignored)))
        else:
            single.extend(members)
    return found + [make(fact.path, Kind.FILE, [fact]) for fact in single]
