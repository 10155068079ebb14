"""The session as an AAF file (Advanced Authoring Format): the sounds on named tracks, exact to the sample.

Every track has the sounds' sample rate as its edit rate, so positions and lengths are samples; each
sound starts at 0. The audio is linked by a path relative to the file. What a session file can say of
tempo, notes and sections stays with the map: this format is for sound. Sounds that are muted
elsewhere, because they would double the stems, are left out.

It is written with pyaaf2 (MIT), which is an optional extra. The library draws identifiers, dates and
the order of a tree at random; here they come from the session, so the same session gives the same
bytes.

Source: AAF Object Specification 1.1 and Edit Protocol (Advanced Media Workflow Association).
"""

from __future__ import annotations

import random
import struct
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from urllib.parse import quote

from daemon.core.atomic import machine_error
from daemon.export.session import Session, Sound

NOT_INSTALLED = (
    "No AAF file was made: it needs a further package; install it with: pip install 'beatintake[aaf]'"
)
NO_TIME = datetime(1970, 1, 1)  # no clock is read
HEADER_BYTES = 1 << 16
NAMESPACE = uuid.UUID("6f0d9f0e-55a7-5c1e-9d4b-2f6a8c0e7b13")  # of our own, drawn once


def can_write() -> bool:
    """Is the optional extra there?"""
    return find_spec("aaf2") is not None


def write_aaf(path: Path, session: Session) -> None:
    """Write the session file; an existing one is replaced. Raises MachineError when the disk refuses."""
    import aaf2

    try:
        with _settled_chance(), aaf2.open(str(path), "w", extensions=False) as file:
            _write(file, session)
    except OSError as error:
        raise machine_error(error, path) from error


def _write(file: Any, session: Session) -> None:
    identity = file.header["IdentificationList"].value[0]
    identity["ProductName"].value, identity["CompanyName"].value = "beatintake", "beatintake"
    identity["ProductVersionString"].value = session.software
    identity["ProductID"].value = NAMESPACE
    identity["GenerationAUID"].value = _named(session, "generation")
    identity["Date"].value, identity["Platform"].value = NO_TIME, "any"
    file.header["LastModified"].value = NO_TIME
    whole = _mob(file, "CompositionMob", session.title, _named(session, "whole"))
    whole.usage = "Usage_TopLevel"
    whole.comments["Comment"] = "\n".join(session.remarks)
    for number, sound in enumerate((s for s in session.sounds if not s.muted), start=1):
        slot = whole.create_timeline_slot(sound.rate, number)
        slot.name = sound.name
        slot["PhysicalTrackNumber"].value = number
        clip = _master(file, session, sound).create_source_clip(1, 0, sound.frames, "sound")
        slot.segment = file.create.Sequence(media_kind="sound")
        slot.segment["Length"].value = sound.frames
        slot.segment.components.append(clip)


def _master(file: Any, session: Session, sound: Sound) -> Any:
    """The sound as a clip of the bin, and the file that it stands for."""
    source = _mob(file, "SourceMob", sound.name, _named(session, f"file {sound.place}"))
    source.descriptor = _descriptor(file, sound)
    source.create_empty_slot(sound.rate, "sound", 1).segment.length = sound.frames
    master = _mob(file, "MasterMob", sound.name, _named(session, f"clip {sound.place}"))
    slot = master.create_timeline_slot(sound.rate, 1)
    slot.name = sound.name
    slot.segment = source.create_source_clip(1, 0, sound.frames, "sound")
    return master


def _descriptor(file: Any, sound: Sound) -> Any:
    found = file.create.WAVEDescriptor()
    found["SampleRate"].value = sound.rate
    found["Length"].value = sound.frames
    found["Summary"].value = _summary(sound.path)
    found["ContainerFormat"].value = file.dictionary.lookup_containerdef("AAF")
    locator = file.create.NetworkLocator()
    locator["URLString"].value = quote(sound.place)
    found["Locator"].append(locator)
    return found


def _summary(path: Path) -> bytearray:
    """The WAVE file's header and format chunk, as the specification wants it."""
    with path.open("rb") as file:
        head = file.read(HEADER_BYTES)
    at = 12
    while at + 8 <= len(head):
        name, size = struct.unpack_from("<4sI", head, at)
        if name == b"fmt ":
            return bytearray(head[:12] + head[at : at + 8 + size])
        at += 8 + size + size % 2
    raise ValueError(f"{path.name} has no format chunk in its first {HEADER_BYTES} bytes")


def _mob(file: Any, kind: str, name: str, material: uuid.UUID) -> Any:
    from aaf2.mobid import MobID

    mob = getattr(file.create, kind)(name)
    number = MobID.new()
    number.material = material
    mob.mob_id = number
    mob["CreationTime"].value = mob["LastModified"].value = NO_TIME
    file.content.mobs.append(mob)
    return mob


def _named(session: Session, what: str) -> uuid.UUID:
    """An identifier that no other session has: programs take things with equal ones for the same."""
    return uuid.uuid5(NAMESPACE, f"{session.identity} {what}")


@contextmanager
def _settled_chance() -> Iterator[None]:
    """The library shuffles with the common generator: it starts from one state here, and is put back."""
    before = random.getstate()
    random.seed(0)
    try:
        yield
    finally:
        random.setstate(before)
