"""Unpack a zip from a stranger into a private folder, or refuse it.

Rules: real bytes are counted while unpacking, sizes stated by the archive are not believed; names
come from the central directory and may not leave the folder; no links, devices, passwords or
archives inside archives; only what is audio by content is written. Only STORE and DEFLATE are
read. Nothing is written outside the folder that was given.

Sources: PKWARE APPNOTE 6.3.10 (end-of-central-directory records); OWASP ASVS on archives.
"""

from __future__ import annotations

import errno
import os
import stat
import struct
import tempfile
import unicodedata
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from config.settings import DEFAULT_IGNORE, Limits
from daemon.core.errors import DiskFull, MachineError, UnreadableAudio, UnsafeArchive
from daemon.core.names import is_ignored
from daemon.core.oserrors import plainly
from daemon.core.text import file_name, is_hidden, tidy
from daemon.decode.headers import AUDIO_NAMES, HEAD, READABLE, recognise_bytes
from daemon.decode.identity import MAX_DEPTH
from daemon.decode.safeopen import hash_open, opened

MAX_ENTRIES = 2000
MAX_DIRECTORY_BYTES = 2 << 20  # the central directory is held in memory
RATIO_FLOOR_BYTES = 32 << 20  # unpacked size from which the ratio counts
BLOCK = 1 << 18
MAX_PART_BYTES = 120  # of one folder or file name on disk
DAMAGE = (
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    NotImplementedError,
    RuntimeError,
    ValueError,
    struct.error,
)
AGAIN = "ask the producer for a plain zip of the audio files"


@dataclass(frozen=True, slots=True)
class Unpacked:
    folder: Path
    sha256: str  # of the zip
    bytes: int  # of the zip
    warnings: tuple[str, ...]


def extract(
    path: Path,
    workdir: Path,
    limits: Limits,
    ignore: tuple[str, ...] = DEFAULT_IGNORE,
    only: str | None = None,
) -> Unpacked:
    """Unpack the audio files of a zip into a new folder inside ``workdir`` (made when missing).

    ``only``: the path inside that folder of the one file that is wanted; the same checks are made of all.

    Raises
    ------
    UnsafeArchive : it breaks a rule; which one and where
    UnreadableAudio : it is damaged
    DiskFull : no space for the unpacked files
    """
    name = file_name(path)
    with opened(path) as file:
        sha256, size = hash_open(file)
        require_small_directory(file, size, name)
        try:
            with zipfile.ZipFile(file) as archive:
                entries = checked(archive.infolist(), name, ignore)
                if only is not None:
                    entries = [entry for entry in entries if "/".join(entry[1]) == only]
                folder = _new_folder(workdir, name)
                skipped = _write_all(archive, entries, folder, Budget(name, size, limits))
        except (FileExistsError, NotADirectoryError) as error:
            raise UnsafeArchive(name, "two of its entries want the same name", AGAIN) from error
        except OSError as error:
            raise system_error(error, name) from error
        except DAMAGE as error:
            raise damaged(name, str(error)) from error
    warnings = (f"Not audio, left in the zip: {', '.join(skipped[:8])}.",) if skipped else ()
    return Unpacked(folder, sha256, size, warnings)


def _new_folder(workdir: Path, name: str) -> Path:
    try:
        workdir.mkdir(mode=0o700, parents=True, exist_ok=True)
        return Path(tempfile.mkdtemp(prefix="unpacked-", dir=workdir))
    except OSError as error:
        raise system_error(error, name) from error


def damaged(name: str, detail: str) -> UnreadableAudio:
    cause = f"the zip is damaged or of an unusual kind ({tidy(detail, 120)})"
    return UnreadableAudio(name, cause, "ask the producer to zip and send it again")


def system_error(error: OSError, name: str) -> MachineError | UnreadableAudio:
    if error.errno == errno.EINVAL:  # the zip reader was sent to before the file's first byte
        return damaged(name, "it points outside itself")
    cause = f"it cannot be unpacked ({plainly(error)})"
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return DiskFull(name, cause, "free space on the disk; it is tried again")
    return MachineError(name, cause, "check the disk; it is tried again")


def require_small_directory(file: BinaryIO, size: int, name: str) -> None:
    """Bound what the zip reader will hold in memory before it is asked to read."""
    file.seek(max(0, size - 65557 - 76))
    tail = file.read()
    file.seek(0)
    end = tail.rfind(b"PK\x05\x06")
    if end < 0 or end + 22 > len(tail):
        raise UnreadableAudio(name, "the zip has no end: it was cut off", "ask the producer to send it again")
    directory = struct.unpack("<I", tail[end + 12 : end + 16])[0]
    large = tail.rfind(b"PK\x06\x06", 0, end)
    if directory == 0xFFFFFFFF and large >= 0 and large + 48 <= len(tail):
        directory = struct.unpack("<Q", tail[large + 40 : large + 48])[0]
    if directory > MAX_DIRECTORY_BYTES:
        raise UnsafeArchive(name, f"it lists far more than {MAX_ENTRIES} files", AGAIN)


def checked(
    infos: list[zipfile.ZipInfo], name: str, ignore: tuple[str, ...]
) -> list[tuple[zipfile.ZipInfo, tuple[str, ...]]]:
    """All entries to look at, with their path below the folder. Raises UnsafeArchive."""
    if len(infos) > MAX_ENTRIES:
        raise UnsafeArchive(name, f"{len(infos)} entries, more than {MAX_ENTRIES}", AGAIN)
    found: list[tuple[zipfile.ZipInfo, tuple[str, ...]]] = []
    taken: set[tuple[str, ...]] = set()
    for info in infos:
        shown = file_name(info.filename.rstrip("/"))
        parts = _safe_parts(info.filename, name, shown)
        mode = stat.S_IFMT(info.external_attr >> 16)
        if mode not in (0, stat.S_IFREG, stat.S_IFDIR):
            raise UnsafeArchive(name, f"its entry {shown} is a link or a device", AGAIN)
        if info.is_dir() or any(is_ignored(part, ignore) for part in parts):
            continue
        if info.flag_bits & 0x1:
            raise UnsafeArchive(name, "it is protected by a password", "ask for a zip without one")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise UnsafeArchive(name, f"its entry {shown} is packed by a method that is not read here", AGAIN)
        key = tuple(part.casefold() for part in parts)
        if key in taken:
            raise UnsafeArchive(name, f"it holds two entries named {shown}", AGAIN)
        taken.add(key)
        found.append((info, parts))
    return found


def _safe_parts(filename: str, name: str, shown: str) -> tuple[str, ...]:
    """Path parts of an entry, each fit for a file system; refuses every way out."""
    plain = filename.replace("\\", "/")
    if plain.startswith("/") or plain[1:2] == ":" or ".." in plain.split("/"):
        raise UnsafeArchive(name, f"its entry {shown} points outside the archive", AGAIN)
    parts = tuple(part for part in plain.split("/") if part not in ("", "."))
    if not parts or len(parts) > MAX_DEPTH:
        raise UnsafeArchive(name, f"its entry {shown} is nested more than {MAX_DEPTH} folders deep", AGAIN)
    return tuple(_disk_name(part) for part in parts)


def _disk_name(part: str) -> str:
    """One name without hidden characters and reserved marks, short in bytes, its extension kept."""
    plain = "".join(
        "_" if char in '<>:"|?*' or is_hidden(char) else char for char in unicodedata.normalize("NFC", part)
    )
    if len(plain.encode()) <= MAX_PART_BYTES:
        return plain
    stem, dot, extension = plain.rpartition(".")
    if not dot or len(extension) > 5:
        stem, dot, extension = plain, "", ""
    room = MAX_PART_BYTES - len((dot + extension).encode()) - 9
    shortened = (stem or "file").encode()[:room].decode(errors="ignore")
    return f"{shortened}~{zlib.crc32(part.encode()):08x}{dot}{extension}"


class Budget:
    """Counts real bytes against the limits."""

    def __init__(self, name: str, packed: int, limits: Limits) -> None:
        self.name = name
        self.most = limits.max_file_mb * 1e6
        self.ratio = limits.zip_max_ratio
        self.packed = packed
        self.spent = 0

    def spend(self, count: int) -> None:
        self.spent += count
        if self.spent > self.most:
            cause = f"it unpacks to more than limits.max_file_mb = {self.most / 1e6:g}"
            raise UnsafeArchive(self.name, cause, "raise the limit if stems of this size are meant")
        if self.spent > max(RATIO_FLOOR_BYTES, self.packed * self.ratio):
            cause = f"it unpacks to more than {self.ratio:g} times its size (limits.zip_max_ratio)"
            raise UnsafeArchive(self.name, cause, AGAIN)


def _write_all(
    archive: zipfile.ZipFile,
    entries: list[tuple[zipfile.ZipInfo, tuple[str, ...]]],
    folder: Path,
    budget: Budget,
) -> list[str]:
    """Write every audio entry; returns the names of those left in the archive."""
    skipped = []
    for info, parts in entries:
        with archive.open(info) as source:
            head = source.read(HEAD)
            budget.spend(len(head))
            kind = recognise_bytes(head).format
            extension = parts[-1].rpartition(".")[2].lower()
            if kind == "ZIP" or extension == "zip":
                cause = f"it holds another archive ({file_name(info.filename)})"
                raise UnsafeArchive(budget.name, cause, AGAIN)
            if kind not in READABLE and extension not in AUDIO_NAMES:
                skipped.append(file_name(info.filename))
                continue
            target = folder.joinpath(*parts)
            target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            flags = (
                os.O_WRONLY
                | os.O_CREAT
                | os.O_EXCL
                | getattr(os, "O_NOFOLLOW", 0)
                | getattr(os, "O_BINARY", 0)
            )
            with os.fdopen(os.open(target, flags, 0o600), "wb") as written:
                while head:
                    written.write(head)
                    head = source.read(BLOCK)
                    budget.spend(len(head))
    return skipped
