"""New outputs in the place of a published folder's old ones.

One by one, each whole, the report last, as the mark that all is there. Other files that people keep in the
folder stay.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from daemon.core.atomic import patiently, sync_folder, sync_tree
from daemon.core.names import STEMS_FOLDER
from daemon.core.regular import read_regular

REPORT_SUFFIX = ".report.json"


def replace_in(folder: Path, made_in: Path) -> None:
    """Move everything in `made_in` into `folder`; what only the old report lists is removed.

    Raises OSError.
    """
    sync_tree(made_in)
    before, now = listed(folder), listed(made_in)
    files = [path for path in made_in.rglob("*") if path.is_file()]
    for path in sorted(files, key=lambda p: (p.name.endswith(REPORT_SUFFIX), str(p))):
        target = folder / path.relative_to(made_in)
        target.parent.mkdir(exist_ok=True)
        patiently(lambda source=path, target=target: os.replace(source, target))  # type: ignore[misc]
    remove(folder, before - now)
    sync_folder(folder)


def remove(folder: Path, names: Iterable[str]) -> None:
    """Files of ours, and the folder of the stems once nobody keeps anything in it."""
    for name in names:
        (folder / name).unlink(missing_ok=True)
    with suppress(OSError):
        (folder / STEMS_FOLDER).rmdir()


def kept_by_people(folder: Path) -> set[str]:
    """Files in a published folder that are not of ours."""
    files = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if not path.is_dir()}
    return files - listed(folder)


def listed(folder: Path) -> set[str]:
    """Files that a folder's own report lists, stems too, and the report; none where it has none."""
    names: set[str] = set()
    for report in folder.glob(f"*{REPORT_SUFFIX}"):
        names.add(report.name)
        try:
            facts = json.loads(read_regular(report))
            names |= set(_plain((facts.get("files") or {}).values()))
            stems = _plain(stem.get("file") for stem in facts.get("stems") or ())
            names |= {f"{STEMS_FOLDER}/{name}" for name in stems}
        except (OSError, ValueError, AttributeError, TypeError):
            continue
    return names


def _plain(names: Iterable[object]) -> list[str]:
    """Those that name a file and lead nowhere else."""
    return [str(name) for name in names if name and Path(str(name)).name == name]
