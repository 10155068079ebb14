"""All errors of beatintake, grouped by who must act.

    BeatintakeError
    ├── DropError            the producer's file: send it again, or in another form
    │   ├── NotAudio             not a format that can be read
    │   ├── UnreadableAudio      an audio format, but damaged or cut
    │   ├── EmptyDrop            no bytes, no samples, or nothing but silence
    │   ├── TooLong              beyond limits.max_minutes, max_file_mb, max_channels
    │   ├── TooShort             too short to be a beat at all
    │   ├── UnsafeArchive        a zip that breaks a rule
    │   ├── UnsafeDrop           a link, device or pipe instead of a regular file
    │   └── SeveralBeats         a folder or zip that is not (or not surely) the stems of one beat
    ├── ConfigError          the configuration: edit the YAML file
    ├── WrongRequest         the command: a name that nothing has, or several have; nothing was done
    ├── MachineError         the machine: disk, permission, share, lock; tried again later
    │   ├── OtherVersion         a file of another major version: made again
    │   ├── DiskFull
    │   ├── NoPermission
    │   ├── FolderUnreachable
    │   ├── AlreadyRunning
    │   ├── ChangedWhileReading  the drop changed under our hands: done again
    │   └── DropWithdrawn        the drop went away while it was being read
    └── InternalError        our bug: please report

Every error names its subject (file, key, folder), the cause, and the next step.
"""

from __future__ import annotations


class BeatintakeError(Exception):
    """subject: cause; next step."""

    def __init__(self, subject: str, cause: str, next_step: str = "") -> None:
        super().__init__(subject, cause, next_step)
        self.subject = subject
        self.cause = cause
        self.next_step = next_step

    def about(self, name: str) -> str:
        """The error where `name` is named already: the subject is told only when it is something else."""
        parts = [part.rstrip(".") for part in (self.cause, self.next_step) if part]
        text = f"{'; '.join(parts)}."
        return text if name == self.subject else f"{self.subject}: {text}"

    def __str__(self) -> str:
        return self.about("")


class DropError(BeatintakeError):
    """The producer's file cannot be used; it goes to rejected/ with this reason."""


class NotAudio(DropError):
    """Not a format that can be read."""


class UnreadableAudio(DropError):
    """An audio format, but damaged."""


class EmptyDrop(DropError):
    """No bytes, no samples, or nothing but silence."""


class TooLong(DropError):
    """Beyond a configured limit of length, size or channels."""


class TooShort(DropError):
    """Too short to be a beat at all."""


class UnsafeArchive(DropError):
    """A zip that breaks a rule: traversal, links, bombs, encryption, nesting."""


class UnsafeDrop(DropError):
    """A link, device or pipe where a regular file is expected."""


class SeveralBeats(DropError):
    """A folder or zip of separate beats, or one of which that cannot be told (`sure` is False).

    `sha256`: of the folder or zip. `mixes`: the audio files in it by their relative names, each with those
    that are other mixes of the same beat.
    """

    def __init__(
        self,
        subject: str,
        cause: str,
        next_step: str = "",
        *,
        sha256: str = "",
        mixes: dict[str, list[str]] | None = None,
        sure: bool = True,
    ) -> None:
        super().__init__(subject, cause, next_step)
        self.sha256 = sha256
        self.mixes = mixes or {}
        self.sure = sure

    def __reduce__(self) -> tuple[object, ...]:
        return _several_beats, (*self.args, self.sha256, self.mixes, self.sure)


def _several_beats(
    subject: str, cause: str, next_step: str, sha256: str, mixes: dict[str, list[str]], sure: bool
) -> SeveralBeats:
    return SeveralBeats(subject, cause, next_step, sha256=sha256, mixes=mixes, sure=sure)


class ConfigError(BeatintakeError):
    """The configuration is wrong; `problems` lists everything found, one line each."""

    def __init__(self, subject: str, problems: list[str], next_step: str = "correct the file and try again"):
        super().__init__(subject, "; ".join(problems), next_step)
        self.problems = problems


class WrongRequest(BeatintakeError):
    """What was asked for cannot be meant: no such name, several of them, nothing to take back."""


class MachineError(BeatintakeError):
    """Disk, permission, share or lock: tried again later, the drop is not to blame."""


class OtherVersion(MachineError):
    """Written by another major version: not damaged, but to be made again."""


class DiskFull(MachineError):
    """No space left for the outputs."""


class NoPermission(MachineError):
    """A folder or file may not be read or written."""


class FolderUnreachable(MachineError):
    """A configured folder is not there (share away, disk not mounted)."""


class AlreadyRunning(MachineError):
    """Another service holds the lock on these folders."""


class ChangedWhileReading(MachineError):
    """The drop changed while it was being read: it is done again once quiet."""


class DropWithdrawn(MachineError):
    """The drop was removed or moved while it was being read."""


class InternalError(BeatintakeError):
    """A bug of ours."""
