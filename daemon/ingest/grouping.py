"""Which files under incoming/ make up one drop. Pure: file facts in, candidates out.

Convention
----------
Paths are relative to incoming/, with ``/`` between the parts, exactly as the file system gives them
(undecodable bytes as surrogates). The rule, first match wins, outermost folder first:

1. A folder that holds a marker file ``beats.txt`` is a pack: each file in it is a drop of its own.
2. A folder whose name ends in "stems" or "multitrack(s)" (any case, any separators) is one drop, with
   everything below it; so is a folder that holds a marker file ``stems.txt``.
3. ``<producer>/<folder>/`` with two or more audio files directly in it *may* be stems and is one drop, too.
4. Every other file is a drop of its own (a zip too), and its folder names the producer.

Of 2 (without a marker), 3 and zips a worker decides by content whether they are the stems of one beat. What
was found to be a pack of beats is split from then on (``split``, ``packs``): its files are drops of their own
that name the pack.

A name that ends in "systems" is no stem folder ("Sound Systems" is a producer, not a multitrack).
"""

from __future__ import annotations

import hashlib
import re
from collections import defaultdict
from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

MARKER, BEATS_MARKER = "stems.txt", "beats.txt"
MARKERS = (MARKER, BEATS_MARKER)
REFUSED_EXTENSIONS = ("mp4", "wma", "alac", "ape", "wv", "caf", "w64", "rar", "7z", "tar", "gz", "tgz")
"""Sent as a beat by mistake often enough: taken as a drop, so that the producer gets a reason."""

DOUBTED = b""
"""Instead of the stat digest of a folder split because a file was incomplete, till it is done whole."""


class Kind(StrEnum):
    FILE = "file"
    STEMS = "stems"
    MAYBE_STEMS = "maybe stems"
    MEMBER = "member"  # a file inside a zip of several beats


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
    pack: str | None = None  # key of the folder or zip of beats that it belongs to

    @property
    def producer(self) -> str | None:
        return (self.pack or self.key).rpartition("/")[0] or None

    @property
    def inner(self) -> str | None:
        """Name of a member of a zip inside it."""
        return self.key[len(self.pack) + 1 :] if self.kind is Kind.MEMBER and self.pack else None

    @property
    def size(self) -> int:
        return sum(fact.size for fact in self.members)

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


@dataclass(frozen=True, slots=True)
class ZipPack:
    """A zip found to hold separate beats: what lies in it while it stays as it is."""

    stat_digest: bytes
    members: tuple[str, ...]


def make(
    key: str,
    kind: Kind,
    members: Iterable[FileFact],
    beside: Iterable[FileFact] = (),
    pack: str | None = None,
) -> Candidate:
    """``beside``: files that do not belong to the drop, but whose change shows that it is still arriving."""
    facts = tuple(sorted(members, key=lambda fact: fact.path))
    return Candidate(key, kind, facts, stat_digest([*facts, *beside]), pack)


def is_stem_name(name: str) -> bool:
    """True for "Amber Lane STEMS", "amber_lane-multi-track", "MultiTracks"; False for "Sound Systems"."""
    squashed = re.sub(r"[\W_]", "", name.casefold())
    return squashed.endswith(("stems", "multitrack", "multitracks")) and not squashed.endswith("systems")


def has_extension(name: str, extensions: Iterable[str]) -> bool:
    return name.rpartition(".")[2].casefold() in extensions if "." in name else False


def owner(path: str, stem_folders: Iterable[str] = (), split: Container[str] = ()) -> str | None:
    """The outermost stem folder (by name, or known by marker) above ``path``; None when there is none.

    ``split``: folders that are none whatever their name.
    """
    known = set(stem_folders)
    for folder in _folders_above(path):
        if folder in known or (is_stem_name(folder.rpartition("/")[2]) and folder not in split):
            return folder
    return None


def _folders_above(path: str) -> list[str]:
    """Outermost first."""
    parts = path.split("/")
    return ["/".join(parts[:depth]) for depth in range(1, len(parts))]


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
    packs: Mapping[str, ZipPack] | None = None,
) -> list[Candidate]:
    """Candidates among the files under incoming/ (ignored names already left out).

    Parameters
    ----------
    facts : every entry below incoming/
    extensions : audio and archive extensions, lower case, without the dot
    split : folders that hold separate beats; they stay so (a marker can still make them stems)
    marked : folders known to hold ``stems.txt`` (needed when ``facts`` are only a part)
    ignored : files with ignored names, such as partial uploads: a folder is not quiet while they change
    packs : zips that were found to hold separate beats
    """
    facts, packs = list(facts), packs or {}
    apart = folders_with(BEATS_MARKER, facts)
    marked = {*marked, *folders_with(MARKER, facts)} - apart
    split = _Either(split, apart)
    stems: dict[str, list[FileFact]] = defaultdict(list)
    pairs: dict[str, list[FileFact]] = defaultdict(list)
    single: list[tuple[FileFact, str | None]] = []
    for fact in facts:
        folder, _, name = fact.path.rpartition("/")
        pack = next((above for above in _folders_above(fact.path) if above in split), None)
        if stem_folder := owner(fact.path, marked, split):
            stems[stem_folder].append(fact)
        elif not has_extension(name, (*extensions, *REFUSED_EXTENSIONS)):
            continue
        elif pack is None and _is_pair(fact, extensions):
            pairs[folder].append(fact)
        else:
            single.append((fact, pack))
    ignored = list(ignored)
    found = [
        make(folder, Kind.STEMS, members, _below(folder, ignored))
        for folder, members in stems.items()
        if any(has_extension(f.path, extensions) for f in members)
    ]
    for folder, members in pairs.items():
        if len(members) >= 2:
            found.append(make(folder, Kind.MAYBE_STEMS, members, _below(folder, ignored)))
        else:
            single.extend((fact, None) for fact in members)
    return found + [drop for fact, pack in single for drop in _of_file(fact, pack, packs)]


def folders_with(marker: str, facts: Iterable[FileFact]) -> set[str]:
    """Folders (but not incoming/ itself) that directly hold a file of this name."""
    return {f.path.rpartition("/")[0] for f in facts if _name(f).casefold() == marker} - {""}


@dataclass(frozen=True, slots=True)
class _Either(Container[str]):
    one: Container[str]
    other: Container[str]

    def __contains__(self, folder: object) -> bool:
        return folder in self.one or folder in self.other


def _is_pair(fact: FileFact, extensions: tuple[str, ...]) -> bool:
    """An audio file in ``<producer>/<folder>/``."""
    name = _name(fact)
    two_deep = fact.path.count("/") == 2
    return two_deep and has_extension(name, extensions) and not has_extension(name, ("zip",))


def _of_file(fact: FileFact, pack: str | None, packs: Mapping[str, ZipPack]) -> list[Candidate]:
    """A file is one drop; a zip that is known as a pack is as many as it has members."""
    known = packs.get(fact.path)
    if known is None or known.stat_digest != stat_digest([fact]):
        return [make(fact.path, Kind.FILE, [fact], pack=pack)]
    return [make(f"{fact.path}/{name}", Kind.MEMBER, [fact], pack=fact.path) for name in known.members]
