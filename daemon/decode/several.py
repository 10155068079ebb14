"""Several files in one delivery: what a person said about them, and how it is told that they are beats."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from daemon.core.errors import SeveralBeats
from daemon.core.text import file_name
from daemon.decode.identity import relative_name

if TYPE_CHECKING:
    from daemon.decode.stems import NotStems

Answer = Literal["stems", "beats"]
ANSWERS: tuple[Answer, ...] = ("stems", "beats")
SAY_SO = "say which: beatintake answer NAME stems (or beats), or leave stems.txt or beats.txt in the folder"


def judged_as(folder: Path, said: Answer | None) -> Answer | None:
    """What was said, or what a marker file directly in the folder says (``beats.txt`` goes before)."""
    if said is not None:
        return said
    names = {path.name.casefold() for path in folder.iterdir()}
    return "beats" if "beats.txt" in names else "stems" if "stems.txt" in names else None


def apart(name: str, folder: Path, audio: Sequence[Path], found: NotStems | None = None) -> SeveralBeats:
    """The error that says so, with the files that are drops of their own. ``found`` None: a person's word."""
    sure = found is None or found.verdict.kind == "beats"
    cause = f"its {len(audio)} files are separate beats, not the stems of one"
    if not sure:
        cause = (
            f"it cannot be told whether its {len(audio)} files are the stems of one beat or separate beats"
        )
    mixes: dict[str, list[str]] = {relative_name(path, folder): [] for path in audio}
    if found is not None and sure:
        for group in found.verdict.mixes:
            for i in group:
                own = relative_name(found.files[i], folder)
                mixes[own] = [file_name(found.files[k]) for k in group if k != i]
    step = "analyse each on its own" if sure else SAY_SO
    return SeveralBeats(name, cause, step, mixes=mixes, sure=sure)
