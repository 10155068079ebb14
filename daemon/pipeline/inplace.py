"""New outputs in the place of a published folder's old ones.

One by one, each whole, the report last, as the mark that all is there. Other files that people keep in the
folder stay.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

from daemon.core.atomic import patiently, sync_folder, sync_tree
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
    for name in before - now:
        (folder / name).unlink(missing_ok=True)
    sync_folder(folder)


def listed(folder: Path) -> set[str]:
    """Names of the files that a folder's own report lists, and of the report; none where it has none."""
    names: set[str] = set()
    for report in folder.glob(f"*{REPORT_SUFFIX}"):
        names.add(report.name)
        try:
            files = json.loads(read_regular(report)).get("files") or {}
            names |= {str(name) for name in files.values() if name and Path(str(name)).name == name}
        except (OSError, ValueError, AttributeError):
            continue
    return names
